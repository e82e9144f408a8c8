"""The tables of a project: their columns, what may stand in them, and the headings by which people know them."""

from __future__ import annotations

import functools
import math
import tomllib
from collections.abc import Collection
from dataclasses import dataclass, replace
from importlib import resources
from typing import Literal

from desurvey.problems import Stops
from desurvey.shown import shown

__all__ = [
    "ALONG_HOLE",
    "FACTORS",
    "INTERVALS",
    "IN_HEADINGS",
    "METRES_PER_FOOT",
    "ONLY_FOR",
    "TABLES",
    "UNITS",
    "Column",
    "choice_of",
    "heading_unit",
    "known_headings",
    "plain_heading",
    "synonyms",
    "unit_of",
]

Kind = Literal["text", "number", "choice", "date"]


@shown
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
    unit : {"m", "deg", ""}
        Of a number.
    for_nothing : tuple of float
        Numbers within the range that mostly stand for "no value" (common practice, no source).
    """

    name: str
    kind: Kind
    meaning: str
    stops: Stops = "nothing"
    required: bool = False
    low: float = float("-inf")
    high: float = float("inf")
    choices: tuple[str, ...] = ()
    unit: str = ""
    for_nothing: tuple[float, ...] = ()


METRES_PER_FOOT = 0.3048
"""The international foot, exact by definition (1959)."""

ALONG_HOLE = frozenset({"depth", "depth_from", "depth_to", "recovered"})
"""Columns measured along the hole, which ``[frame] depth_unit`` and a unit for a whole table speak of."""

FACTORS: dict[str, tuple[str, float]] = {
    "metres": ("m", 1.0),
    "feet": ("m", METRES_PER_FOOT),
    "us_survey_feet": ("m", 1200.0 / 3937.0),
    "centimetres": ("m", 0.01),
    "millimetres": ("m", 0.001),
    "degrees": ("deg", 1.0),
    "radians": ("deg", 180.0 / math.pi),
    "gradians": ("deg", 0.9),
}
"""Units that a column may be in: what they measure, and what to multiply by for metres or degrees (exact)."""

ONLY_FOR = {
    "percent": "recovered",
    "fraction": "recovered",
    "from_vertical": "dip",
    "from_horizontal": "dip",
    "spreadsheet_days": "date",
}
"""Units that one column only can be in: shares of the run, angles from straight down (0) or from flat, day numbers."""

UNITS = (*FACTORS, *ONLY_FOR)

IN_HEADINGS = {
    "m": "metres",
    "ft": "feet",
    "cm": "centimetres",
    "mm": "millimetres",
    "deg": "degrees",
    "rad": "radians",
    "grad": "gradians",
    "percent": "percent",
}
"""Units as headings state them → as ``[units]`` of project.toml names them."""

DEEPEST = 15_000.0
"""Metres beyond which no depth is believed; the deepest hole drilled is some 12.3 km (from memory)."""

FARTHEST = 1e8
"""Metres beyond which no coordinate is believed: more than twice around the globe."""


def _text(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning)


def _choice(name: str, meaning: str, choices: tuple[str, ...], stops: Stops = "nothing") -> Column:
    return Column(name, "choice", meaning, stops, choices=choices)


def _metres(name: str, meaning: str, stops: Stops = "nothing") -> Column:
    return Column(name, "number", f"{meaning}, metres", stops, low=0.0, high=DEEPEST, unit="m")


def _place(name: str, meaning: str, farthest: float = FARTHEST) -> Column:
    return Column(name, "number", f"{meaning}, metres", low=-farthest, high=farthest, unit="m")


def _angle(name: str, meaning: str, low: float, high: float, stops: Stops = "nothing") -> Column:
    return Column(name, "number", f"{meaning}, degrees", stops, low=low, high=high, unit="deg")


def _needed(column: Column, stops: Stops = "row") -> Column:
    return replace(column, stops=stops, required=True)


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
        _needed(_place("easting", "easting of the collar"), "hole"),
        _needed(_place("northing", "northing of the collar"), "hole"),
        _needed(_place("elevation", "elevation of the collar", 1e5), "hole"),
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
        Column("field_nt", "number", "total magnetic field, nT", low=0.0, high=1e6),
        _angle("field_dip", "dip of the magnetic field", -90.0, 90.0),
    ),
    "runs": (
        *INTERVALS,
        _metres("recovered", "core recovered"),
        _LINE,
        replace(
            _angle(
                "line_offset", "clockwise from the previous run's line, ends fitted, looking down hole", -360.0, 360.0
            ),
            for_nothing=(-99.0,),
        ),
        _text("grade", "quality the crew gave the line"),
        Column("settle_s", "number", "seconds the tool was left still", low=0.0, high=1e6),
        _text("tool", "orientation tool that marked the line"),
        _text("crew", "drill crew"),
        _text("logger", "who logged the core"),
        _text("shift", "shift of the run, e.g. day"),
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
def _words() -> dict[str, dict[str, tuple[str, ...]]]:
    text = resources.files("desurvey.tables").joinpath("headings.toml").read_text(encoding="utf-8")
    return {
        table: {column: tuple(words) for column, words in columns.items()}
        for table, columns in tomllib.loads(text).items()
    }


@functools.cache
def synonyms() -> dict[str, tuple[str, ...]]:
    """Return the trade headings of each canonical column, in the form that :func:`plain_heading` gives.

    Keys are ``table.column``, or ``column`` where a heading means the same in every table. They stand in the data file
    ``headings.toml`` beside this module.
    """
    return {
        column if table == "any" else f"{table}.{column}": headings
        for table, columns in _words().items()
        if table not in {"units", "choices"}
        for column, headings in columns.items()
    }


@functools.cache
def known_headings() -> frozenset[str]:
    """Return every heading that means a column of some table, in the form that :func:`plain_heading` gives."""
    names = {column.name for columns in (INTERVALS, *TABLES.values()) for column in columns}
    return frozenset(names.union(*synonyms().values()))


@functools.cache
def _choices() -> tuple[tuple[str, str], ...]:
    return tuple((word, choice) for choice, words in _words()["choices"].items() for word in words)


def choice_of(word: str, among: Collection[str]) -> str:
    """Return which of some choices a word of the trade stands for, or the word itself in lower case.

    >>> choice_of("BOH", ("low", "high")), choice_of("Grid North", ("grid", "true")), choice_of("sideways", ("low",))
    ('low', 'grid', 'sideways')
    """
    lowered = word.strip().lower()
    plain = "_".join(lowered.replace("-", " ").split())
    meant = (choice for known, choice in ((plain, plain), *_choices()) if known == plain and choice in among)
    return lowered if lowered in among else next(meant, lowered)


@functools.cache
def _units() -> dict[str, str]:
    return {word: unit for unit, words in _words()["units"].items() for word in words}


def unit_of(word: str) -> str:
    """Return the unit that a word stands for, ``other`` for one the program does nothing with, or nothing.

    >>> unit_of("(metres)"), unit_of("ft"), unit_of("°"), unit_of("nT"), unit_of("fault")
    ('m', 'ft', 'deg', 'other', '')
    """
    return _units().get(word.strip().strip("()[]").strip().lower(), "")


def _split_heading(heading: object) -> tuple[str, str]:
    """Return a heading's words without its unit, and the unit that it states."""
    text, unit = str(heading).strip().lower(), ""
    for opening, closing in (("(", ")"), ("[", "]")):
        start, end = text.find(opening), text.find(closing)
        if 0 < start < end:
            unit = unit_of(text[start + 1 : end]) or unit
            text = text[:start] + " " + text[end + 1 :]
    words = "".join(c if c.isalnum() else " " for c in text).split()
    if len(words) > 1 and unit_of(words[-1]) in IN_HEADINGS:
        unit = unit or unit_of(words[-1])
        words = words[:-1]
    return "_".join(words), unit


def plain_heading(heading: object) -> str:
    """Return a heading without case, unit and punctuation, the form in which headings are compared.

    >>> plain_heading(" Hole ID "), plain_heading("Depth (m)"), plain_heading("From_m")
    ('hole_id', 'depth', 'from')
    """
    return _split_heading(heading)[0]


def heading_unit(heading: object) -> str:
    """Return the unit that a heading states, a key of :data:`IN_HEADINGS`, or nothing.

    >>> heading_unit("Depth (ft)"), heading_unit("from_m"), heading_unit("Depth")
    ('ft', 'm', '')
    """
    unit = _split_heading(heading)[1]
    return unit if unit in IN_HEADINGS else ""
