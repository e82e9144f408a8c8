"""The tables of a project: their columns, what may stand in them, and the headings by which people know them."""

from __future__ import annotations

import functools
import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Literal

from desurvey.problems import Stops

__all__ = ["INTERVALS", "TABLES", "Column", "plain_heading", "synonyms"]

Kind = Literal["text", "number", "choice", "date"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        The canonical heading.
    kind : {"text", "number", "choice", "date"}
        What its cells are.
    meaning : str
        What it says, with unit and sign convention.
    stops : {"nothing", "row", "hole"}
        What can't be used when a cell of it is wrong.
    required : bool
        Whether the table is unusable without it and a blank cell is wrong.
    low, high : float
        Range of a number, both ends included.
    choices : tuple of str
        What a choice may be, lower case.
    """

    name: str
    kind: Kind
    meaning: str
    stops: Stops = "nothing"
    required: bool = False
    low: float = float("-inf")
    high: float = float("inf")
    choices: tuple[str, ...] = ()


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning)


def _choice(name: str, meaning: str, choices: tuple[str, ...], stops: Stops = "nothing") -> Column:
    return Column(name, "choice", meaning, stops, choices=choices)


def _metres(name: str, meaning: str, stops: Stops = "nothing") -> Column:
    return Column(name, "number", f"{meaning}, metres", stops, low=0.0)


def _angle(name: str, meaning: str, low: float, high: float, stops: Stops = "nothing") -> Column:
    return Column(name, "number", f"{meaning}, degrees", stops, low=low, high=high)


def _needed(column: Column, stops: Stops = "row") -> Column:
    return Column(column.name, column.kind, column.meaning, stops, True, column.low, column.high, column.choices)


HOLE = _needed(_text("hole_id", "name of the hole"))
INTERVALS: tuple[Column, ...] = (
    HOLE,
    _needed(_metres("depth_from", "upper end along the hole")),
    _needed(_metres("depth_to", "lower end along the hole")),
)
"""Columns that every interval table has; the rest are values, kept as they are."""

_LINE = _choice("line", "what the orientation line marks", ("low", "high", "north"), "row")

TABLES: dict[str, tuple[Column, ...]] = {
    "collars": (
        HOLE,
        _needed(Column("easting", "number", "easting of the collar, metres"), "hole"),
        _needed(Column("northing", "number", "northing of the collar, metres"), "hole"),
        _needed(Column("elevation", "number", "elevation of the collar, metres"), "hole"),
        _needed(_metres("depth", "length of the hole"), "hole"),
        _angle("azimuth", "direction at the collar, from [frame] north", 0.0, 360.0, "hole"),
        _angle("dip", "dip at the collar, sign by [frame] dip_sign", -90.0, 90.0, "hole"),
        _text("core_size", "core size, e.g. NQ"),
        _choice("status", "whether the hole is there", ("drilled", "planned")),
        Column("date", "date", "day of drilling, for the magnetic declination"),
    ),
    "surveys": (
        HOLE,
        _needed(_metres("depth", "station along the hole"), "hole"),
        _needed(_angle("azimuth", "direction of the hole, clockwise from `north`", 0.0, 360.0), "hole"),
        _needed(_angle("dip", "dip of the hole, sign by [frame] dip_sign", -90.0, 90.0), "hole"),
        _choice("north", "what the azimuth is measured from", ("grid", "true", "magnetic"), "hole"),
        _choice("instrument", "kind of survey instrument", ("magnetic", "gyro")),
        Column("field_nt", "number", "total magnetic field, nT", low=0.0),
        _angle("field_dip", "dip of the magnetic field", -90.0, 90.0),
    ),
    "runs": (
        *INTERVALS,
        _metres("recovered", "core recovered"),
        _LINE,
        _angle("line_offset", "clockwise from the previous run's line, ends fitted, looking down hole", -360.0, 360.0),
        _text("grade", "quality the crew gave the line"),
        Column("settle_s", "number", "seconds the tool was left still", low=0.0),
    ),
    "structures": (
        HOLE,
        _needed(_metres("depth", "depth along the hole")),
        _needed(_text("kind", "what it is, e.g. fault")),
        _angle("alpha", "acute angle of core axis and plane", 0.0, 90.0, "row"),
        _angle("beta", "clockwise from the line to the ellipse's down-hole apex, looking down hole", 0.0, 360.0, "row"),
        _angle("gamma", "clockwise in the plane from that apex to a line, looking down hole", 0.0, 360.0),
        _text("structure_id", "name of the structure"),
        _LINE,
        _metres("width", "width"),
        _text("note", "anything"),
        _angle("dip", "surveyed dip of the plane", 0.0, 90.0, "row"),
        _angle("dip_direction", "surveyed dip direction, from grid north", 0.0, 360.0, "row"),
    ),
}
"""Columns of each table (DESIGN.md section 4)."""


@functools.cache
def synonyms() -> dict[str, tuple[str, ...]]:
    """Return the trade headings of each canonical column, in the form that :func:`plain_heading` gives.

    Keys are ``table.column``, or ``column`` where a heading means the same in every table. They stand in the data file
    ``headings.toml`` beside this module.
    """
    text = resources.files("desurvey.tables").joinpath("headings.toml").read_text(encoding="utf-8")
    return {
        column if table == "any" else f"{table}.{column}": tuple(headings)
        for table, columns in tomllib.loads(text).items()
        for column, headings in columns.items()
    }


def plain_heading(heading: object) -> str:
    """Return a heading without case, unit brackets and punctuation, the form in which headings are compared.

    >>> plain_heading(" Hole ID "), plain_heading("Depth (m)"), plain_heading("From_m")
    ('hole_id', 'depth', 'from_m')
    """
    text = str(heading).strip().lower()
    for opening, closing in (("(", ")"), ("[", "]")):
        start, end = text.find(opening), text.find(closing)
        if 0 < start < end:
            text = text[:start] + text[end + 1 :]
    return "_".join("".join(c if c.isalnum() else " " for c in text).split())
