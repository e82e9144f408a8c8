"""Cells → a table with canonical columns and types, and a finding for every cell that can't be what it should.

A number or date that can't be read becomes a blank; what the cell held stands in its finding. Nothing else is changed:
no row is dropped, sorted or filled here, and a number out of range stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from desurvey.problems import Finding, Rule, Stops, nearest, shortened
from desurvey.shown import shown
from desurvey.tables.columns import RULES as COLUMN_RULES
from desurvey.tables.columns import Read, Wrong, absent, read_numbers, read_words
from desurvey.tables.reading import RAGGED_ROW, SHORT_ROW, Cells
from desurvey.tables.schema import ALONG_HOLE, METRES_PER_FOOT, Column, plain_heading, synonyms

__all__ = ["RULES", "Table", "clean", "empty_frame", "heading_candidates"]

MISSING_COLUMN = Rule(
    "missing_column",
    "error",
    "without it the table can't be used",
    "Add the column, or say in [columns] of project.toml which heading means it",
    "table",
)
DOUBLE_HEADING = Rule(
    "double_heading",
    "error",
    "two headings of the file mean the same column",
    "Say in [columns] of project.toml which one is meant",
    "table",
)
FEET = Rule("feet_converted", "note", "the file says feet, the program works in metres", "Nothing, if it is so")
UNIT_MISMATCH = Rule(
    "unit_mismatch",
    "error",
    "a length isn't an angle",
    "Say in [columns] of project.toml which heading means the column",
    "table",
)
PADDED_NAMES = Rule(
    "padded_names",
    "note",
    "blanks around a name are no part of it, and were taken off",
    "Clean the names at the source",
)

RULES = (MISSING_COLUMN, DOUBLE_HEADING, UNIT_MISMATCH, FEET, PADDED_NAMES, *COLUMN_RULES)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A table with canonical columns.

    Attributes
    ----------
    name, file : str
        Its name in the project and of its file; both for messages.
    frame : pandas.DataFrame
        ``row``, then the canonical columns (absent ones blank), then the file's other columns as they are.
    findings : tuple of Finding
        What is wrong with single cells and headings.
    """

    name: str
    file: str
    frame: pd.DataFrame
    findings: tuple[Finding, ...] = ()


def clean(
    cells: Cells, name: str, columns: tuple[Column, ...], headings: Mapping[str, str], depth_unit: str = "metres"
) -> Table:
    """Return a table of canonical columns.

    Parameters
    ----------
    cells : Cells
        The table as read.
    name : str
        Name of the table in the project.
    columns : tuple of Column
        What it should hold.
    headings : mapping
        Canonical name → heading in the file, for headings that are not recognised by themselves.
    depth_unit : {"metres", "feet"}
        What depths along the hole are in where the file doesn't say.
    """
    read = tuple(replace(finding, table=name) for finding in cells.findings)
    source, findings = _matched(cells, name, columns, headings)
    wanted = {column.name: column for column in columns if column.name in source}
    in_feet, wrong_units = _units(cells, name, wanted, source, depth_unit)
    if findings or wrong_units:
        return Table(name, cells.file, empty_frame(columns), (*read, *findings, *wrong_units))
    values = _values(cells, wanted, source, in_feet)
    data: dict[str, object] = {"row": cells.rows}
    for column in columns:
        there = column.name in values
        data[column.name] = values[column.name].values if there else absent(column, len(cells.rows))
    for heading, rest in cells.columns.items():
        if heading not in source.values():
            data[heading if heading not in data else f"{heading}_in_file"] = _kept(rest)
    frame = pd.DataFrame(data)
    said = [*_padded(cells, name, source["hole_id"]), *_feet(cells, name, in_feet)]
    for key, column in wanted.items():
        said += _cell_findings(cells, name, frame["hole_id"], column, values[key].wrong)
    return Table(name, cells.file, frame, (*_placed(read, frame, columns), *said))


def empty_frame(columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return a table of canonical columns without rows."""
    frame = pd.DataFrame({"row": np.empty(0, dtype=np.int64)})
    for column in columns:
        frame[column.name] = absent(column, 0)
    return frame


def _values(
    cells: Cells, wanted: Mapping[str, Column], source: Mapping[str, str], in_feet: list[str]
) -> dict[str, Read]:
    """Return the values of each column that the file has."""
    of = {key: cells.columns[source[key]] for key in wanted}
    numbers = {key: column for key, column in wanted.items() if column.kind == "number"}
    factor = dict.fromkeys(in_feet, METRES_PER_FOOT)
    words = {key: read_words(of[key], column) for key, column in wanted.items() if key not in numbers}
    return words | read_numbers({key: of[key] for key in numbers}, numbers, factor)


def _kept(cells: pa.Array) -> pd.Series:
    """Return a column that the program doesn't know, as it is."""
    if pa.types.is_string(cells.type):
        return pd.Series(cells.fill_null("").to_numpy(zero_copy_only=False), dtype=object)
    return pd.Series(cells.to_pandas())


def _placed(read: tuple[Finding, ...], frame: pd.DataFrame, columns: tuple[Column, ...]) -> Iterator[Finding]:
    """Give what reading has found with the holes of its rows; shifted cells in a hole's path stop the whole hole."""
    path = any(column.stops == "hole" for column in columns)
    uneven = {finding.row for finding in read if finding.rule in {RAGGED_ROW.id, SHORT_ROW.id}}
    rows = frame[frame["row"].isin(uneven)] if uneven else frame.head(0)
    holes = dict(zip(rows["row"].tolist(), rows["hole_id"], strict=True))
    for finding in read:
        stops: Stops = "hole" if finding.rule == RAGGED_ROW.id and path else finding.stops
        yield replace(finding, hole_id=holes.get(finding.row, ""), stops=stops)


# ------------------------------------------------------------------------------------------------------------- units


def _units(
    cells: Cells, name: str, wanted: Mapping[str, Column], source: Mapping[str, str], depth_unit: str
) -> tuple[list[str], list[Finding]]:
    """Return the columns that are in feet, and a finding for each whose unit can't be."""
    in_feet, findings = [], []
    for key, column in wanted.items():
        unit = cells.units.get(source[key], "")
        if not unit and depth_unit == "feet" and key in ALONG_HOLE:
            unit = "ft"
        if not unit or column.kind != "number":
            continue
        if (unit == "deg") != (column.unit == "deg"):
            message = f"the file states '{unit}' for {key} ({column.meaning})"
            findings.append(UNIT_MISMATCH.found(message, table=name, file=cells.file, row=cells.heading_row))
        elif unit == "ft" and key in {"easting", "northing"}:
            message = f"{key} is in feet, and which feet (international or US survey) can't be told"
            advice = "Give coordinates in metres"
            findings.append(
                UNIT_MISMATCH.found(message, table=name, file=cells.file, row=cells.heading_row, suggestion=advice)
            )
        elif unit == "ft":
            in_feet.append(key)
    return in_feet, findings


def _feet(cells: Cells, name: str, in_feet: list[str]) -> Iterator[Finding]:
    if in_feet:
        message = f"{_listed(in_feet)} turned from feet to metres (1 ft = 0.3048 m)"
        yield FEET.found(message, table=name, file=cells.file, row=cells.heading_row)


def _padded(cells: Cells, name: str, heading: str) -> Iterator[Finding]:
    """Give a finding when hole names have blanks around them."""
    column = cells.columns[heading]
    if not pa.types.is_string(column.type):
        return
    padded = pc.not_equal(column, pc.utf8_trim_whitespace(column)).fill_null(False)
    places = np.flatnonzero(padded.to_numpy(zero_copy_only=False))
    if len(places):
        first = shortened(column[int(places[0])].as_py())
        message = f"{len(places)} hole name{'s have' if len(places) > 1 else ' has'} blanks around it, first '{first}'"
        yield PADDED_NAMES.found(message, table=name, file=cells.file, row=int(cells.rows[places[0]]))


# ---------------------------------------------------------------------------------------------------------- headings


def _matched(
    cells: Cells, name: str, columns: tuple[Column, ...], headings: Mapping[str, str]
) -> tuple[dict[str, str], list[Finding]]:
    """Return which heading of the file each canonical column has, and what is wrong with the headings."""
    present = list(cells.columns)
    source: dict[str, str] = {}
    findings: list[Finding] = []
    for column in columns:
        candidates = heading_candidates(name, column, present, headings)
        if len(candidates) > 1:
            message = f"the headings {_listed(candidates)} both mean {column.name}"
            findings.append(DOUBLE_HEADING.found(message, table=name, file=cells.file, row=cells.heading_row))
        elif candidates:
            source[column.name] = candidates[0]
        elif column.name in headings or column.required:
            findings.append(_missing_column(cells, name, column, present, headings))
    return source, findings


def heading_candidates(
    table: str, column: Column, present: Sequence[str], headings: Mapping[str, str] | None = None
) -> list[str]:
    """Return the headings that mean a column: the mapped one, else the canonical one, else any known synonym."""
    headings = headings or {}
    if column.name in headings:
        return [heading for heading in present if heading.strip() == " ".join(headings[column.name].split())]
    taken = set(headings.values())
    plain = {heading: plain_heading(heading) for heading in present if heading not in taken}
    exact = [heading for heading, key in plain.items() if key == column.name]
    known = synonyms().get(column.name, ()) + synonyms().get(f"{table}.{column.name}", ())
    return exact or [heading for heading, key in plain.items() if key in known]


def _missing_column(
    cells: Cells, name: str, column: Column, present: list[str], headings: Mapping[str, str]
) -> Finding:
    row = cells.heading_row
    if column.name in headings:
        wanted = headings[column.name]
        message = f"[columns.{name}] of project.toml maps {column.name} to the heading '{wanted}', which isn't there"
        return MISSING_COLUMN.found(message, table=name, file=cells.file, row=row, suggestion=nearest(wanted, present))
    hint = nearest(column.name, present)
    advice = f"{hint} {MISSING_COLUMN.suggestion}" if hint else MISSING_COLUMN.suggestion
    message = f"the column '{column.name}' ({column.meaning}) is missing; the headings are {_listed(present)}"
    return MISSING_COLUMN.found(message, table=name, file=cells.file, row=row, suggestion=advice)


def _listed(words: Sequence[str], most: int = 20) -> str:
    text = ", ".join(f"'{shortened(word)}'" for word in words[:most])
    return text if len(words) <= most else f"{text} and {len(words) - most} more"


# ------------------------------------------------------------------------------------------------------------- cells


def _cell_findings(cells: Cells, name: str, holes: pd.Series, column: Column, wrong: list[Wrong]) -> Iterator[Finding]:
    hole_ids = holes.to_numpy(dtype=object)
    for group in wrong:
        stopping = group.rule if group.rule.severity == "note" else replace(group.rule, stops=column.stops)
        for place, message in zip(group.places.tolist(), group.messages, strict=True):
            yield stopping.found(
                message,
                table=name,
                file=cells.file,
                row=int(cells.rows[place]),
                hole_id="" if column.name == "hole_id" else hole_ids[place],
                suggestion=group.suggestion,
            )
