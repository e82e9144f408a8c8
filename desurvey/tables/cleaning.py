"""Cells → a table with canonical columns and types, and a finding for every cell that can't be what it should.

A number or date that can't be read becomes a blank; what the cell held stands in its finding. Nothing else is changed:
no row is dropped, sorted or filled here, and a number out of range stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypedDict

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from desurvey.problems import Finding, Rule, Stops, nearest, shortened
from desurvey.shown import shown
from desurvey.tables.columns import RULES as COLUMN_RULES
from desurvey.tables.columns import Read, Wrong, absent, read_numbers, read_words
from desurvey.tables.reading import RAGGED_ROW, SHORT_ROW, Cells
from desurvey.tables.repairs import RULES as REPAIR_RULES
from desurvey.tables.repairs import Repairs, repaired, without_marks
from desurvey.tables.schema import (
    ALONG_HOLE,
    FACTORS,
    IN_HEADINGS,
    ONLY_FOR,
    TABLES,
    Column,
    plain_heading,
    synonyms,
)

__all__ = ["RULES", "SOURCE", "Place", "Reading", "Table", "clean", "empty_frame", "heading_candidates", "joined"]

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
CHOSEN_HEADING = Rule(
    "chosen_heading",
    "note",
    "several headings of the file mean the same column",
    "Nothing, if it is the right one; else say in [columns] of project.toml which one is meant",
)
FEET = Rule("feet_converted", "note", "the file says feet, the program works in metres", "Nothing, if it is so")
UNIT_MISMATCH = Rule(
    "unit_mismatch",
    "error",
    "a length isn't an angle",
    "Say in [columns] of project.toml which heading means the column",
    "table",
)
CONVERTED = Rule("unit_converted", "note", "the program works in metres and degrees", "Nothing, if it is so")
SHARE = Rule(
    "recovery_unit",
    "error",
    "recovered core is metres here; per cent or a share of the run would say something else",
    'Say recovered = "percent" (or "fraction", "metres") under [units.runs]',
)
PADDED_NAMES = Rule(
    "padded_names",
    "note",
    "blanks around a name are no part of it, and were taken off",
    "Clean the names at the source",
)

RULES = (
    MISSING_COLUMN,
    DOUBLE_HEADING,
    CHOSEN_HEADING,
    UNIT_MISMATCH,
    FEET,
    CONVERTED,
    SHARE,
    PADDED_NAMES,
    *COLUMN_RULES,
    *REPAIR_RULES,
)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A table with canonical columns.

    Attributes
    ----------
    name, file : str
        Its name in the project and of its file; both for messages.
    frame : pandas.DataFrame
        ``row``, then the canonical columns (absent ones blank), then the file's other columns as they are, and
        :data:`SOURCE` where there are several files.
    findings : tuple of Finding
        What is wrong with single cells and headings.
    headings : mapping of str to str
        Canonical column → the heading that was taken for it.
    """

    name: str
    file: str
    frame: pd.DataFrame
    findings: tuple[Finding, ...] = ()
    headings: Mapping[str, str] = field(default_factory=dict)

    def at(self, place: int) -> Place:
        """Return where a row stands, for a finding about it."""
        file = self.frame[SOURCE].iloc[place] if SOURCE in self.frame else self.file
        return {"table": self.name, "file": file, "row": int(self.frame["row"].iloc[place])}


SOURCE = "source_file"
"""Column of a table made of several files: the one that a row stands in."""


class Place(TypedDict):
    """Where a row stands: what a finding about it says."""

    table: str
    file: str
    row: int


@shown
@dataclass(frozen=True, slots=True)
class Reading:
    """What a person has said about how a table is to be read.

    Attributes
    ----------
    headings : mapping of str to tuple of str
        Canonical column → the headings that mean it, where they aren't recognised by themselves.
    units : mapping of str to str
        Canonical column → unit (:data:`desurvey.tables.schema.UNITS`); the column ``""`` speaks for all lengths along
        the hole whose headings don't say.
    repairs : Repairs
    down : {-1.0, 1.0}
        Sign of a dip that points down.
    """

    headings: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    repairs: Repairs = field(default_factory=Repairs)
    down: float = -1.0

    @property
    def mapped(self) -> list[str]:
        """All headings that are said to mean something."""
        return [heading for headings in self.headings.values() for heading in headings]


def clean(cells: Cells, name: str, columns: tuple[Column, ...], reading: Reading | None = None) -> Table:
    """Return a table of canonical columns.

    Parameters
    ----------
    cells : Cells
        The table as read.
    name : str
        Name of the table in the project.
    columns : tuple of Column
        What it should hold.
    reading : Reading, optional
        What a person has said about it.
    """
    reading = reading or Reading()
    cells = without_marks(cells)
    source, wrong = _matched(cells, name, columns, reading.headings)
    cells = repaired(cells, reading.repairs, source)
    read = tuple(replace(finding, table=name) for finding in cells.findings)
    wanted = {column.name: column for column in columns if column.name in source}
    units, wrong_units = _units(cells, name, wanted, source, reading)
    if any(one.stops == "table" for one in (*wrong, *wrong_units)):
        return Table(name, cells.file, empty_frame(columns), (*read, *wrong, *wrong_units), source)
    values = _values(cells, wanted, source, units)
    data: dict[str, object] = {"row": cells.rows}
    for column in columns:
        there = column.name in values
        data[column.name] = values[column.name].values if there else absent(column, len(cells.rows))
    for heading, rest in cells.columns.items():
        if heading not in source.values():
            data[heading if heading not in {*data, SOURCE} else f"{heading}_in_file"] = _kept(rest)
    frame = pd.DataFrame(data)
    said = [*_padded(cells, name, source["hole_id"]), *_converted(cells, name, units, source)]
    for key, column in wanted.items():
        said += _cell_findings(cells, name, frame["hole_id"], column, values[key].wrong, cells.columns[source[key]])
    said += _shares(cells, name, frame, units, reading.down)
    return Table(name, cells.file, frame, (*_placed(read, frame, columns), *wrong, *said), source)


def joined(tables: Sequence[Table], name: str) -> Table:
    """Return several files of one table as one: the rows of each below those of the one before.

    A column :data:`SOURCE` says where each row stands, for their numbers come again.
    """
    if len(tables) == 1:
        return tables[0]
    said = tuple(finding for table in tables for finding in table.findings)
    frames = [table.frame.assign(**{SOURCE: table.file}) for table in tables if len(table.frame)]
    frame = pd.concat(frames, ignore_index=True) if frames else tables[0].frame
    text = [column for column in frame.columns if frame[column].dtype == object]
    frame[text] = frame[text].where(frame[text].notna(), "")
    return Table(name, ", ".join(table.file for table in tables), frame, said, tables[0].headings)


def empty_frame(columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return a table of canonical columns without rows."""
    frame = pd.DataFrame({"row": np.empty(0, dtype=np.int64)})
    for column in columns:
        frame[column.name] = absent(column, 0)
    return frame


def _values(
    cells: Cells, wanted: Mapping[str, Column], source: Mapping[str, str], units: Mapping[str, str]
) -> dict[str, Read]:
    """Return the values of each column that the file has; what isn't a plain multiple is turned by :func:`_shares`."""
    of = {key: cells.columns[source[key]] for key in wanted}
    numbers = {key: column for key, column in wanted.items() if column.kind == "number"}
    for key, unit in units.items():
        if unit in SPAN_AS_READ and key in numbers:
            low, high = SPAN_AS_READ[unit]
            numbers[key] = replace(numbers[key], low=low, high=high)
    factor = {key: FACTORS[unit][1] for key, unit in units.items() if unit in FACTORS}
    words = {
        key: read_words(of[key], column, in_days=units.get(key) == "spreadsheet_days")
        for key, column in wanted.items()
        if key not in numbers
    }
    return words | read_numbers({key: of[key] for key in numbers}, numbers, factor)


SPAN_AS_READ = {"percent": (0.0, 1000.0), "fraction": (0.0, 10.0), "from_vertical": (0.0, 180.0)}
"""Range of numbers in units that no factor turns into ours."""


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
    cells: Cells, name: str, wanted: Mapping[str, Column], source: Mapping[str, str], reading: Reading
) -> tuple[dict[str, str], list[Finding]]:
    """Return the unit of each column that has one, and a finding for each whose unit can't be.

    What a person has said of a column comes first, then its heading, then what was said of the table.
    """
    units, findings = {}, []
    for key, column in wanted.items():
        stated = IN_HEADINGS.get(cells.units.get(source[key], ""), "")
        along = reading.units.get("", "") if key in ALONG_HOLE else ""
        unit = reading.units.get(key) or stated or along
        if not unit or column.kind not in {"number", "date"} or (column.kind == "date" and unit != "spreadsheet_days"):
            continue
        said = "project.toml says" if reading.units.get(key) else "the file states"
        if not _can_be(column, unit):
            message = f"{said} '{cells.units[source[key]] if stated == unit else unit}' for {key} ({column.meaning})"
            findings.append(_of_headings(UNIT_MISMATCH, cells, name, message, column=key))
        elif unit == "feet" and key in {"easting", "northing"} and not reading.units.get(key):
            message = f"{key} is in feet, and which feet (international or US survey) can't be told"
            advice = 'Say which under [units.collars]: easting = "feet" or "us_survey_feet", and northing alike'
            findings.append(_of_headings(UNIT_MISMATCH, cells, name, message, column=key, suggestion=advice))
        else:
            units[key] = unit
    return units, findings


def _can_be(column: Column, unit: str) -> bool:
    if unit in ONLY_FOR:
        return ONLY_FOR[unit] == column.name
    return FACTORS[unit][0] == column.unit


def _converted(cells: Cells, name: str, units: Mapping[str, str], source: Mapping[str, str]) -> Iterator[Finding]:
    """Give a finding for each unit that isn't ours and was turned into it."""
    ours = {"metres", "degrees", "from_horizontal"}
    for unit in dict.fromkeys(units.values()):
        columns = [key for key, its in units.items() if its == unit]
        if unit not in ours:
            rule = FEET if unit == "feet" else CONVERTED
            message = f"{_listed(columns)} turned from {INTO[unit]}"
            yield _of_headings(rule, cells, name, message)


INTO = {
    "feet": "feet to metres (1 ft = 0.3048 m)",
    "us_survey_feet": "US survey feet to metres (1 ft = 1200/3937 m)",
    "centimetres": "centimetres to metres",
    "millimetres": "millimetres to metres",
    "radians": "radians to degrees",
    "gradians": "gradians to degrees (100 are a right angle)",
    "percent": "per cent of the run to metres",
    "fraction": "shares of the run to metres",
    "from_vertical": "angles from straight down to dips",
    "spreadsheet_days": "day numbers of a spreadsheet to dates (45754 is 2025-04-07)",
}


def _shares(cells: Cells, name: str, frame: pd.DataFrame, units: Mapping[str, str], down: float) -> Iterator[Finding]:
    """Turn what needs other columns or a sign: dips from the vertical, and recovery as a share of its run.

    Recovery whose numbers can't be metres, though nobody says what they are, is left out with a finding.
    """
    if units.get("dip") == "from_vertical":
        frame["dip"] = down * (90.0 - frame["dip"]) + 0.0
    if name != "runs":
        return
    length = (frame["depth_to"] - frame["depth_from"]).to_numpy(dtype=float)
    unit = units.get("recovered", "")
    if unit in SPAN_AS_READ:
        frame["recovered"] = frame["recovered"] * length / (100.0 if unit == "percent" else 1.0)
    elif not unit and (meant := _looks_like(frame["recovered"].to_numpy(dtype=float), length)):
        frame["recovered"] = np.nan
        message = (
            f"recovered looks like {INTO[meant].partition(' to ')[0]}, and its heading doesn't say so: it was left out"
        )
        advice = f'Say recovered = "{meant}" under [units.runs], or "metres" if it is metres'
        yield _of_headings(SHARE, cells, name, message, column="recovered", value=meant, suggestion=advice)


def _looks_like(recovered: npt.NDArray[np.float64], length: npt.NDArray[np.float64]) -> str:
    """Return the unit that recovered core seems to be in, blank for metres.

    Per cent: most numbers are several times their run. A share: none beyond 1, though most runs are longer than half as
    much again, and the best are 1, as of metres none would be by chance.
    """
    known = np.isfinite(recovered) & (length > 0.0)
    if known.sum() < FEWEST_RUNS:
        return ""
    read, run = recovered[known], length[known]
    if np.median(read / run) > 3.0 and read.max() <= 130.0:
        return "percent"
    short = read.max() <= 1.1 and np.median(run) >= 1.5 and np.median(read) > 0.5
    return "fraction" if short else ""


FEWEST_RUNS = 3
"""Runs by which the unit of recovered core can be told."""


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
    cells: Cells, name: str, columns: tuple[Column, ...], headings: Mapping[str, tuple[str, ...]]
) -> tuple[dict[str, str], list[Finding]]:
    """Return which heading of the file each canonical column has, and what is wrong with the headings."""
    present = list(cells.columns)
    source: dict[str, str] = {}
    findings: list[Finding] = []
    missing: list[Column] = []
    for column in columns:
        candidates = heading_candidates(name, column, present, headings)
        if len(candidates) > 1 and column.stops == "nothing" and not column.required:
            source[column.name] = candidates[0]
            message = f"the headings {_listed(candidates)} can mean {column.name}, and '{candidates[0]}' was taken"
            findings.append(_of_headings(CHOSEN_HEADING, cells, name, message, column=column.name))
        elif len(candidates) > 1:
            message = f"the headings {_listed(candidates)} both mean {column.name}"
            findings.append(_of_headings(DOUBLE_HEADING, cells, name, message, column=column.name))
        elif candidates:
            source[column.name] = candidates[0]
        elif column.name in headings or column.required:
            missing.append(column)
    free = [heading for heading in present if heading not in source.values()]
    return source, findings + [_missing_column(cells, name, column, free, headings) for column in missing]


def heading_candidates(
    table: str, column: Column, present: Sequence[str], headings: Mapping[str, tuple[str, ...]] | None = None
) -> list[str]:
    """Return the headings that mean a column: the mapped ones, else the canonical one, else any known synonym."""
    headings = headings or {}
    if column.name in headings:
        wanted = {" ".join(heading.split()) for heading in headings[column.name]}
        return [heading for heading in present if heading.strip() in wanted]
    taken = {heading for mapped in headings.values() for heading in mapped}
    plain = {heading: plain_heading(heading) for heading in present if heading not in taken}
    exact = [heading for heading, key in plain.items() if key == column.name]
    known = synonyms().get(column.name, ()) + synonyms().get(f"{table}.{column.name}", ())
    return exact or sorted(
        (heading for heading, key in plain.items() if key in known), key=lambda one: known.index(plain[one])
    )


def _missing_column(
    cells: Cells, name: str, column: Column, free: list[str], headings: Mapping[str, tuple[str, ...]]
) -> Finding:
    """Return the finding that a column isn't there, with the nearest heading that means nothing yet."""
    if column.name in headings:
        wanted = " or ".join(f"'{heading}'" for heading in headings[column.name])
        message = f"[columns.{name}] of project.toml maps {column.name} to the heading {wanted}, which isn't there"
        hint = nearest(headings[column.name][0], list(cells.columns))
        return _of_headings(MISSING_COLUMN, cells, name, message, column=column.name, suggestion=hint)
    known = {
        word for other in TABLES.get(name, ()) for word in (other.name, *synonyms().get(f"{name}.{other.name}", ()))
    }
    hint = nearest(column.name, [heading for heading in free if plain_heading(heading) not in known])
    advice = f"{hint} {MISSING_COLUMN.suggestion}" if hint else MISSING_COLUMN.suggestion
    message = (
        f"the column '{column.name}' ({column.meaning}) is missing; the headings are {_listed(list(cells.columns))}"
    )
    return _of_headings(MISSING_COLUMN, cells, name, message, column=column.name, suggestion=advice)


def _of_headings(
    rule: Rule, cells: Cells, name: str, message: str, *, column: str = "", value: str = "", suggestion: str = ""
) -> Finding:
    """Return a finding at the heading row."""
    return rule.found(
        message,
        table=name,
        file=cells.file,
        row=cells.heading_row,
        column=column,
        value=value,
        suggestion=suggestion,
    )


def _listed(words: Sequence[str], most: int = 20) -> str:
    text = ", ".join(f"'{shortened(word)}'" for word in words[:most])
    return text if len(words) <= most else f"{text} and {len(words) - most} more"


# ------------------------------------------------------------------------------------------------------------- cells


def _cell_findings(
    cells: Cells, name: str, holes: pd.Series, column: Column, wrong: list[Wrong], as_read: pa.Array
) -> Iterator[Finding]:
    hole_ids = holes.to_numpy(dtype=object)
    for group in wrong:
        stopping = group.rule if group.rule.severity == "note" else replace(group.rule, stops=column.stops)
        advice = (group.suggestion or group.rule.suggestion).replace("TABLE", name).replace("COLUMN", column.name)
        for place, message in zip(group.places.tolist(), group.messages, strict=True):
            yield stopping.found(
                message,
                table=name,
                file=cells.file,
                row=int(cells.rows[place]),
                hole_id="" if column.name == "hole_id" else hole_ids[place],
                suggestion=advice,
                column=column.name,
                value=shortened("" if (cell := as_read[place].as_py()) is None else cell).strip(),
            )
