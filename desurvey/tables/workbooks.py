"""Workbooks, Parquet files and LAS well logs → rows of cells."""

from __future__ import annotations

import io
from collections.abc import Collection
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet

from desurvey.problems import DataProblem, nearest
from desurvey.tables.delimited import Body
from desurvey.tables.files import Source
from desurvey.tables.layout import filled_above, find_heading
from desurvey.tables.schema import plain_heading
from desurvey.tables.sheets import fitting, refuse_bomb

__all__ = ["open_workbook", "read_las", "read_parquet", "read_workbook"]


def read_workbook(source: Source, table: str, mapped: Collection[str]) -> tuple[Body, str]:
    """Read a sheet of a workbook.

    Parameters
    ----------
    source : Source
        Names its sheet, or leaves the choice: the only sheet, the one that is called like the table, the first one.
    table : str
        Name of the table in the project.
    mapped : collection of str
        Headings that the project maps to columns.

    Returns
    -------
    Body
    str
        The sheet that was chosen, blank when there was no choice.
    """
    try:
        book = open_workbook(source.data, source.name)
        sheet, chosen = _sheet(book, source, table)
        fit = fitting(source.data, sheet, source.name)
        book = book if fit is source.data else open_workbook(fit, source.name)
        frame = pd.read_excel(book, sheet_name=sheet, header=None, dtype=object)
    except (DataProblem, MemoryError):
        raise
    except Exception as error:  # calamine has a family of errors of its own, without a common base
        raise DataProblem("the file can't be read as a workbook", file=source.name, value=error) from error
    rows = [[_cell_text(cell) for cell in row] for row in frame.itertuples(index=False)]
    place = find_heading(rows, mapped)
    if place is None:
        raise DataProblem(f"the sheet '{sheet}' is empty", file=source.name, hint="it needs a heading row")
    headings = rows[place]
    while headings and not headings[-1].strip() and not any(row[len(headings) - 1] for row in rows):
        headings.pop()
    columns = [pa.array([row[i] for row in rows[place + 1 :]], pa.string()) for i in range(len(headings))]
    return Body(headings, columns, place + 1, filled_above(rows, place)), chosen


def open_workbook(data: bytes, name: str) -> pd.ExcelFile:
    """Open a workbook that holds no more than a workbook does.

    Raises
    ------
    DataProblem
        When it would unpack to more; the library's own errors for anything else that is wrong with it.
    """
    refuse_bomb(data, name)
    return pd.ExcelFile(io.BytesIO(data), engine="calamine")


def _sheet(book: pd.ExcelFile, source: Source, table: str) -> tuple[str, str]:
    names = [str(name) for name in book.sheet_names]
    if source.sheet:
        same = [name for name in names if name.lower() == source.sheet.lower()]
        if not same:
            hint = nearest(source.sheet, names) or f"its sheets are {', '.join(names)}"
            raise DataProblem("the workbook has no such sheet", file=source.name, value=source.sheet, hint=hint)
        return same[0], ""
    if not names:
        raise DataProblem("the workbook has no sheet", file=source.name)
    if len(names) == 1:
        return names[0], ""
    like = [name for name in names if table and plain_heading(name) in {table, table.rstrip("s")}]
    sheet = (like or names)[0]
    return sheet, sheet


def _cell_text(cell: Any) -> str:
    """Return a cell of a workbook as text: whole numbers without a point, dates as 2026-03-31, errors as they show."""
    if isinstance(cell, str):
        return cell.encode("utf-8", errors="replace").decode("utf-8")
    if cell is None or cell is pd.NaT or (isinstance(cell, float) and np.isnan(cell)):
        return ""
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    return str(cell)


def read_parquet(source: Source) -> Body:
    """Read a Parquet file; numbers and dates keep their types."""
    try:
        table = pa.parquet.read_table(io.BytesIO(source.data))
        columns = [plain(column) for column in table.columns]
    except (pa.ArrowException, OSError, ValueError) as error:
        raise DataProblem("the file can't be read as Parquet", file=source.name, value=error) from error
    return Body([str(name) for name in table.column_names], columns, 1)


def plain(column: pa.ChunkedArray) -> pa.Array:
    """Return a column as numbers, dates or text."""
    whole = column.combine_chunks()
    whole = pa.concat_arrays(whole.chunks) if isinstance(whole, pa.ChunkedArray) else whole
    kind = whole.type
    if pa.types.is_dictionary(kind):
        whole, kind = whole.dictionary_decode(), kind.value_type
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        return whole
    if pa.types.is_date(kind) or pa.types.is_timestamp(kind):
        return whole.cast(pa.timestamp("us"), safe=False) if pa.types.is_date(kind) else whole
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return whole.cast(pa.string()).fill_null("")
    return pa.array([_cell_text(cell) for cell in whole.to_pylist()], pa.string())


def read_las(source: Source) -> tuple[Body, str]:
    """Read a LAS well log as intervals: each sample stands for the half steps above and below it.

    Returns
    -------
    Body
        hole_id, depth_from and depth_to in the unit of the file, then its curves.
    str
        What was done, for a finding.
    """
    try:
        import lasio
    except ImportError as error:
        raise DataProblem(
            "LAS files are read by lasio, which isn't installed",
            file=source.name,
            hint="install it with: pip install 'lowside[formats]'",
        ) from error
    try:
        log = lasio.read(io.StringIO(source.data.decode("utf-8", errors="replace")))
        frame = log.df()
        hole = str(log.well["WELL"].value) if "WELL" in log.well else ""
        unit = str(log.curves[0].unit)
    except Exception as error:  # lasio raises whatever its parser stumbles over
        raise DataProblem("the file can't be read as a LAS log", file=source.name, value=error) from error
    depth = frame.index.to_numpy(dtype=float)
    if not len(depth):
        raise DataProblem("the log holds no samples", file=source.name)
    edges = _edges(depth)
    table = {
        "hole_id": pa.array([hole.strip()] * len(depth), pa.string()),
        f"depth_from ({unit})": pa.array(edges[:-1]),
        f"depth_to ({unit})": pa.array(edges[1:]),
        **{str(name): pa.array(frame[name]) for name in frame.columns},
    }
    said = f"each of the {len(depth)} samples of hole '{hole}' stands for the half steps above and below it"
    return Body(list(table), [plain(pa.chunked_array([column])) for column in table.values()], 1), said


def _edges(depth: np.ndarray[Any, np.dtype[np.float64]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the ends of intervals around samples, none above the collar."""
    if len(depth) == 1:
        return np.array([depth[0], depth[0]])
    middle = (depth[1:] + depth[:-1]) / 2.0
    first, last = 2.0 * depth[0] - middle[0], 2.0 * depth[-1] - middle[-1]
    return np.asarray(np.clip(np.concatenate([[first], middle, [last]]), 0.0, None))
