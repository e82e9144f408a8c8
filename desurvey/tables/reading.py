"""Files → cells: a table as it stands in its file, with the row numbers that a person sees.

No value is interpreted here. Cells of text files stay text, so that hole ``007`` keeps its zeros and a wrong number can
be quoted as it was typed. What had to be guessed about the file, and every row left out, is said in a finding.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from desurvey.problems import DataProblem, Finding, Rule
from desurvey.shown import shown
from desurvey.tables.delimited import Body, read_delimited
from desurvey.tables.files import Source, find_source
from desurvey.tables.layout import declared_units, heading_names, left_out, units_below
from desurvey.tables.workbooks import plain, read_las, read_parquet, read_workbook

__all__ = ["RULES", "Cells", "cells_of_frame", "read_cells"]

GUESSED_ENCODING = Rule(
    "guessed_encoding",
    "note",
    "letters beyond a to z may have been read wrongly",
    "Save the file as CSV UTF-8 to be sure",
)
CHOSEN_SHEET = Rule(
    "chosen_sheet", "note", "the workbook has several sheets", "Name the sheet behind the file: log.xlsx#surveys"
)
LOG_AS_INTERVALS = Rule(
    "log_as_intervals", "note", "a log has samples, the program intervals", "Nothing, if that is what you want"
)
LEFT_OUT_ROWS = Rule(
    "left_out_rows", "note", "they are no rows of the table", "Nothing, if that is so; else correct their first cell"
)
RAGGED_ROW = Rule(
    "ragged_row",
    "error",
    "which cell belongs to which heading can't be told",
    "Look for a separator inside a cell; put such a cell in double quotes",
    "row",
)
SHORT_ROW = Rule(
    "short_row", "warning", "the line may have been cut off", "Compare the row with its source; the rest is blank"
)

RULES = (GUESSED_ENCODING, CHOSEN_SHEET, LOG_AS_INTERVALS, LEFT_OUT_ROWS, RAGGED_ROW, SHORT_ROW)

TEXTS = {".csv", ".tsv", ".txt", ".tab", ".asc"}
TYPED = {".parquet", ".las"}
WORKBOOKS = {".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"}


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A table as read.

    Attributes
    ----------
    file : str
        Name for messages.
    rows : (n,) int array
        Row number of each row in a spreadsheet.
    columns : mapping of str to pyarrow.Array
        Heading → cells, in the file's order: text as it stands, numbers or times.
    heading_row : int
        Row number of the headings.
    units : mapping of str to str
        Heading → unit that the file states, ``m``, ``ft`` or ``deg``.
    findings : tuple of Finding
        What was guessed and left out; their table is not known here and blank.
    """

    file: str
    rows: npt.NDArray[np.int64]
    columns: Mapping[str, pa.Array]
    heading_row: int
    units: Mapping[str, str]
    findings: tuple[Finding, ...] = ()


def read_cells(path: Path, name: str, table: str = "", mapped: Collection[str] = ()) -> Cells:
    """Read one table.

    Parameters
    ----------
    path : Path
        A ``.csv``, ``.tsv``, ``.txt``, ``.xlsx``, ``.xls``, ``.ods``, ``.parquet`` or ``.las`` file, also inside a
        ``.zip`` (:func:`desurvey.tables.files.find_source`).
    name : str
        The file as the project names it, for messages.
    table : str
        Name of the table in the project; a sheet of that name is preferred.
    mapped : collection of str
        Headings that the project maps to columns, by which the heading row is found too.

    Raises
    ------
    DataProblem
        When the file is missing, is no table, or has no heading row.
    """
    source = find_source(path, name)
    body, findings = _body(source, table, mapped)
    headings = heading_names(body.headings)
    rows = body.first_row + 1 + np.arange(len(body.columns[0]) if body.columns else 0)
    units, out = declared_units(headings), {}
    if len(rows) and source.ending not in TYPED:
        below = units_below(headings, [column[0].as_py() or "" for column in body.columns])
        units.update(below)
        out = {"units": np.arange(len(below) > 0)} | left_out(body.columns, headings)
    keep = np.ones(len(rows), dtype=bool)
    if body.above:
        findings.append(_left_out(name, "above the heading row", np.array(body.above)))
    for what, places in out.items():
        new = places[keep[places]]
        keep[places] = False
        if len(new) and what != "blank":
            findings.append(_left_out(name, what, rows[new]))
    columns = body.columns
    if not keep.all():
        kept = pa.array(np.flatnonzero(keep))
        columns = [column.take(kept) for column in columns]
    cells = {
        heading: column
        for heading, said, column in zip(headings, body.headings, columns, strict=True)
        if said.strip() or not _blank(column)
    }
    return Cells(name, rows[keep], cells, body.first_row, units, (*findings, *_uneven(body, name, rows[keep])))


def cells_of_frame(frame: pd.DataFrame, name: str) -> Cells:
    """Return a data frame as a table that was read; its first row counts as row 2, as under a heading.

    Parameters
    ----------
    frame : pandas.DataFrame
        Its index means nothing. It isn't changed.
    name : str
        The table's name, for messages.
    """
    headings = heading_names([str(column) for column in frame.columns])
    columns = [plain(pa.chunked_array([_arrow(frame.iloc[:, place])])) for place in range(frame.shape[1])]
    cells = dict(zip(headings, columns, strict=True))
    return Cells(name, np.arange(len(frame)) + 2, cells, 1, declared_units(headings))


def _arrow(column: pd.Series) -> pa.Array:
    """Return a column of a frame; one of several kinds of value as their texts."""
    try:
        array = pa.array(column, from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError):
        array = pa.array(column.astype(object).map(str, na_action="ignore"), pa.string(), from_pandas=True)
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def _body(source: Source, table: str, mapped: Collection[str]) -> tuple[Body, list[Finding]]:
    """Return the rows of a file from its heading row on, and what had to be guessed."""
    if source.ending in TEXTS:
        body = read_delimited(source.data, source.name, mapped)
        guessed = f"the text isn't UTF-8 and was read as {body.encoding}"
        return body, [GUESSED_ENCODING.found(guessed, table="", file=source.name)] if body.encoding else []
    if source.ending in WORKBOOKS:
        body, sheet = read_workbook(source, table, mapped)
        chosen = f"the sheet '{sheet}' was read"
        return body, [CHOSEN_SHEET.found(chosen, table="", file=source.name)] if sheet else []
    if source.ending == ".parquet":
        return read_parquet(source), []
    if source.ending == ".las":
        body, said = read_las(source)
        return body, [LOG_AS_INTERVALS.found(said, table="", file=source.name)]
    known = ", ".join(sorted([*TEXTS, *WORKBOOKS, *TYPED]))
    raise DataProblem(f"tables are read from {known} files, not from '{source.ending}'", file=source.name)


def _blank(column: pa.Array) -> bool:
    """Return whether no cell of a column holds anything."""
    return pa.types.is_string(column.type) and not any(cell and cell.strip() for cell in column.to_pylist())


def _left_out(file: str, what: str, rows: npt.NDArray[np.int64]) -> Finding:
    """Return the finding that rows were left out."""
    number = f"row {rows[0]} was" if len(rows) == 1 else f"rows {_listed(rows)} were"
    message = f"{number} left out ({what})"
    return LEFT_OUT_ROWS.found(message, table="", file=file, row=int(rows[0]))


def _listed(rows: npt.NDArray[np.int64], most: int = 5) -> str:
    text = ", ".join(str(row) for row in rows[:most])
    return text if len(rows) <= most else f"{text} and {len(rows) - most} more"


def _uneven(body: Body, file: str, kept: npt.NDArray[np.int64]) -> Iterator[Finding]:
    """Give a finding for each row that has too few or too many cells, unless it was left out anyway."""
    there = set(kept.tolist()) if body.uneven else set()
    for uneven in body.uneven:
        if uneven.row not in there:
            continue
        rule = RAGGED_ROW if uneven.cells > uneven.headings else SHORT_ROW
        message = f"the row has {uneven.cells} cells, the heading row {uneven.headings}"
        yield rule.found(message, table="", file=file, row=uneven.row)
