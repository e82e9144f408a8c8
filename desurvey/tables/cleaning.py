"""Cells → a table with canonical columns and types, and a finding for every cell that can't be what it should.

A number or date that can't be read becomes a blank; what the cell held stands in its finding. Nothing else is changed:
no row is dropped, sorted or filled here, and a number out of range stays.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.problems import Finding, Rule, nearest, shortened
from desurvey.tables.reading import Cells
from desurvey.tables.schema import Column, plain_heading, synonyms

__all__ = ["RULES", "Table", "clean", "empty_frame"]

MISSING_COLUMN = Rule(
    "missing_column",
    "error",
    "without it the table can't be used",
    "Add the column, or say in [columns] of project.toml which heading means it",
    "table",
)
MISSING_VALUE = Rule("missing_value", "error", "the row says nothing without it", "Fill the cell in")
NOT_A_NUMBER = Rule("not_a_number", "error", "only a number has a meaning here", "Correct the cell")
NOT_A_CHOICE = Rule("not_a_choice", "error", "only the listed words have a meaning here", "Use one of them")
NOT_A_DATE = Rule("not_a_date", "error", "the declination is taken at this date", "Write it as 2026-03-31")
OUT_OF_RANGE = Rule("out_of_range", "error", "no such value exists", "Look it up in the field book")
DOUBLE_HEADING = Rule(
    "double_heading",
    "error",
    "two headings of the file mean the same column",
    "Say in [columns] of project.toml which one is meant",
    "table",
)

RULES = (MISSING_COLUMN, MISSING_VALUE, NOT_A_NUMBER, NOT_A_CHOICE, NOT_A_DATE, OUT_OF_RANGE, DOUBLE_HEADING)

BLANKS = frozenset({"", "nan", "na", "n/a", "null", "none", "nat", "-", "--", "<na>"})
"""Cells that say "no value", lower case (common practice, no source)."""


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


def clean(cells: Cells, name: str, columns: tuple[Column, ...], headings: Mapping[str, str]) -> Table:
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
    """
    source, findings = _matched(cells, name, columns, headings)
    if findings:
        return Table(name, cells.file, empty_frame(columns), tuple(findings))
    frame = pd.DataFrame({"row": cells.frame["row"].to_numpy(dtype=np.int64)})
    holes = _text(cells.frame[source["hole_id"]])
    for column in columns:
        if column.name not in source:
            frame[column.name] = _absent(column, len(frame))
            continue
        values, wrong = _converted(cells.frame[source[column.name]], column)
        frame[column.name] = values
        findings += list(_cell_findings(cells, name, holes, column, wrong))
    for heading in cells.frame.columns.difference(["row", *source.values()], sort=False):
        frame[heading if heading not in frame.columns else f"{heading}_in_file"] = cells.frame[heading].to_numpy()
    return Table(name, cells.file, frame, tuple(findings))


def empty_frame(columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return a table of canonical columns without rows."""
    frame = pd.DataFrame({"row": np.empty(0, dtype=np.int64)})
    for column in columns:
        frame[column.name] = _absent(column, 0)
    return frame


def _absent(column: Column, rows: int) -> pd.Series:
    if column.kind == "number":
        return pd.Series(np.full(rows, np.nan))
    if column.kind == "date":
        return pd.Series(np.full(rows, np.datetime64("NaT"), dtype="datetime64[ns]"))
    return pd.Series([""] * rows, dtype=object)


# ---------------------------------------------------------------------------------------------------------- headings


def _matched(
    cells: Cells, name: str, columns: tuple[Column, ...], headings: Mapping[str, str]
) -> tuple[dict[str, str], list[Finding]]:
    """Return which heading of the file each canonical column has, and what is wrong with the headings."""
    present = [str(heading) for heading in cells.frame.columns if heading != "row"]
    source: dict[str, str] = {}
    findings: list[Finding] = []
    for column in columns:
        candidates = _candidates(name, column, present, headings)
        if len(candidates) > 1:
            message = f"the headings {_listed(candidates)} both mean {column.name}"
            findings.append(DOUBLE_HEADING.found(message, table=name, file=cells.file, row=1))
        elif candidates:
            source[column.name] = candidates[0]
        elif column.name in headings or column.required:
            findings.append(_missing_column(cells, name, column, present, headings))
    return source, findings


def _candidates(table: str, column: Column, present: list[str], headings: Mapping[str, str]) -> list[str]:
    """Return the headings that mean a column: the mapped one, else the canonical one, else any known synonym."""
    if column.name in headings:
        return [heading for heading in present if heading == headings[column.name]]
    taken = set(headings.values())
    plain = {heading: plain_heading(heading) for heading in present if heading not in taken}
    exact = [heading for heading, key in plain.items() if key == column.name]
    known = synonyms().get(column.name, ()) + synonyms().get(f"{table}.{column.name}", ())
    return exact or [heading for heading, key in plain.items() if key in known]


def _missing_column(
    cells: Cells, name: str, column: Column, present: list[str], headings: Mapping[str, str]
) -> Finding:
    if column.name in headings:
        wanted = headings[column.name]
        message = f"[columns.{name}] of project.toml maps {column.name} to the heading '{wanted}', which isn't there"
        return MISSING_COLUMN.found(message, table=name, file=cells.file, row=1, suggestion=nearest(wanted, present))
    hint = nearest(column.name, present)
    advice = f"{hint} {MISSING_COLUMN.suggestion}" if hint else MISSING_COLUMN.suggestion
    message = f"the column '{column.name}' ({column.meaning}) is missing; the headings are {_listed(present)}"
    return MISSING_COLUMN.found(message, table=name, file=cells.file, row=1, suggestion=advice)


def _listed(words: list[str]) -> str:
    return ", ".join(f"'{shortened(word)}'" for word in words)


# ------------------------------------------------------------------------------------------------------------- cells


@dataclass(frozen=True, slots=True)
class _Wrong:
    """Cells that break a rule: which rows, and what was expected."""

    rule: Rule
    rows: npt.NDArray[np.intp]
    text: npt.NDArray[np.object_]
    expected: str


def _converted(cells: pd.Series, column: Column) -> tuple[pd.Series, list[_Wrong]]:
    """Return the cells as values of the column's kind, and the ones that can't be."""
    if column.kind == "number":
        values, wrong = _numbers(cells, column)
    elif column.kind == "date":
        values, wrong = _dates(cells)
    elif column.kind == "choice":
        values, wrong = _choices(_text(cells), column)
    else:
        values, wrong = _text(cells), []
    if column.required:
        accused = np.concatenate([np.empty(0, np.intp), *[group.rows for group in wrong]])
        blank = np.flatnonzero((values.isna() | (values == "")).to_numpy())
        wrong.append(_Wrong(MISSING_VALUE, np.setdiff1d(blank, accused), cells.to_numpy(dtype=object), "a value"))
    return values, wrong


def _text(cells: pd.Series) -> pd.Series:
    """Return cells as text without surrounding blanks; blanks of every kind as ""; whole numbers without a point."""
    if pd.api.types.is_numeric_dtype(cells.dtype) and not pd.api.types.is_bool_dtype(cells.dtype):
        cells = cells.astype(object)
    text = pd.Series([_cell_text(cell) for cell in cells.array], dtype=object)
    return text.where(~text.str.lower().isin(BLANKS), "")


def _cell_text(cell: object) -> str:
    if isinstance(cell, str):
        return cell.strip()
    if cell is None or cell is pd.NaT or cell is pd.NA or (isinstance(cell, float) and np.isnan(cell)):
        return ""
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def _numbers(cells: pd.Series, column: Column) -> tuple[pd.Series, list[_Wrong]]:
    values = pd.to_numeric(cells, errors="coerce")
    doubtful = values.isna().to_numpy() | ~np.isfinite(values.to_numpy(dtype=float, na_value=np.nan))
    text = np.array(cells, dtype=object)
    blank = np.zeros(len(cells), dtype=bool)
    blank[doubtful] = (_text(pd.Series(text[doubtful], dtype=object)) == "").to_numpy()
    bad = np.flatnonzero(doubtful & ~blank)
    values = pd.Series(np.where(doubtful, np.nan, values.to_numpy(dtype=float, na_value=np.nan)))
    outside = np.flatnonzero(((values < column.low) | (values > column.high)).to_numpy())
    return values, [
        _Wrong(NOT_A_NUMBER, bad, text, "a number"),
        _Wrong(OUT_OF_RANGE, outside, text, _range(column)),
    ]


def _range(column: Column) -> str:
    if np.isinf(column.high):
        return f"{column.low:g} or more"
    return f"{column.low:g} to {column.high:g}"


def _choices(values: pd.Series, column: Column) -> tuple[pd.Series, list[_Wrong]]:
    """Return choices in lower case. A wrong one stays as it is: blank would mean "as the project says"."""
    lowered = values.str.lower()
    bad = np.flatnonzero(~lowered.isin([*column.choices, ""]).to_numpy())
    return lowered, [_Wrong(NOT_A_CHOICE, bad, values.to_numpy(), " or ".join(column.choices))]


def _dates(cells: pd.Series) -> tuple[pd.Series, list[_Wrong]]:
    text = _text(cells)
    values = pd.to_datetime(text.where(text != "", None), errors="coerce", format="ISO8601", utc=True)
    values = values.dt.tz_localize(None)
    bad = np.flatnonzero((values.isna() & (text != "")).to_numpy())
    return values, [_Wrong(NOT_A_DATE, bad, text.to_numpy(), "a date such as 2026-03-31")]


def _cell_findings(cells: Cells, name: str, holes: pd.Series, column: Column, wrong: list[_Wrong]) -> Iterator[Finding]:
    rows = cells.frame["row"].to_numpy()
    for group in wrong:
        for place in group.rows:
            got = shortened(_cell_text(group.text[place]))
            message = (
                f"{column.name} is blank"
                if group.rule is MISSING_VALUE
                else f"{column.name} is '{got}', expected {group.expected}"
            )
            finding = group.rule.found(message, table=name, file=cells.file, row=int(rows[place]), hole_id=holes[place])
            yield replace(finding, stops=column.stops)
