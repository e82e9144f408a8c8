"""Text files with a separator → rows of cells, whatever their encoding and separator.

The first rows are looked at to find the separator and the heading row; the rest is parsed by Arrow, a
hundred thousand rows in some hundredths of a second. A file with uneven rows is read again by Python's own reader,
which tells which rows they are.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.csv

from desurvey.problems import DataProblem, shortened
from desurvey.shown import shown
from desurvey.tables.layout import SEARCHED, filled_above, find_heading, heading_score

__all__ = ["Body", "Uneven", "decoded", "read_delimited"]

SEPARATORS = (",", ";", "\t", "|")
HEAD = 1 << 16
"""Characters in which heading row and separator are looked for."""

WIDEST = 16_384
"""Columns of the widest sheet that spreadsheets know; a row with more isn't the heading row of a table."""

LARGEST_BLOCK = 1 << 26
"""Bytes that Arrow parses at a time; a cell must fit in one."""

MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class Uneven:
    """A row with another number of cells than the heading row."""

    row: int
    cells: int
    headings: int


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """The rows of a file from its heading row on, all of one width.

    Attributes
    ----------
    headings : list of str
        The cells of the heading row.
    columns : list of string arrays
        The cells below it; blank ones may be null.
    first_row : int
        Row number of the heading row in a spreadsheet, counted from 1.
    above : tuple of int
        Row numbers of rows above the headings that aren't blank.
    encoding : str
        How the text was read; blank for one that is no guess.
    uneven : tuple of Uneven
        Rows that had too few cells (the missing ones are blank) or too many (the last ones are gone).
    """

    headings: list[str]
    columns: list[pa.Array]
    first_row: int
    above: tuple[int, ...] = ()
    encoding: str = ""
    uneven: tuple[Uneven, ...] = ()


def read_delimited(data: bytes, name: str, mapped: Collection[str]) -> Body:
    """Read a text table.

    Parameters
    ----------
    data : bytes
        The file.
    name : str
        For messages.
    mapped : collection of str
        Headings that the project maps to columns.

    Raises
    ------
    DataProblem
        When the file is empty, or a quote is never closed.
    """
    text, encoding = decoded(data)
    if not text.strip("\ufeff\0 \t\r\n,;"):
        raise DataProblem("the file is empty", file=name, hint="it needs a heading row")
    head = _heading(text, mapped)
    separator, place, body = head.separator, head.place, text[head.start :]
    try:
        headings, columns = _parsed(body, separator)
        uneven: tuple[Uneven, ...] = ()
    except (pa.ArrowInvalid, UnicodeEncodeError):
        headings, columns, uneven = _parsed_by_row(body, separator, place + 1, name)
    _refuse_open_quote(body, columns, place + 1, name)
    return Body(headings, columns, place + 1, head.above, encoding, uneven)


def decoded(data: bytes) -> tuple[str, str]:
    """Return a file's text, and its encoding where that is a guess.

    UTF-8, or UTF-16 and 32 with a mark at the start, are certain. Zero bytes in every other place mean UTF-16 without
    a mark; anything else is taken as Windows-1252, the usual one of Western spreadsheets.
    """
    for mark, encoding in MARKS:
        if data.startswith(mark):
            return data.decode(encoding, errors="replace"), ""
    head = np.frombuffer(data[:4096], dtype=np.uint8)
    for start, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
        if len(head) >= 4 and (head[start::2] == 0).mean() > 0.7 and (head[1 - start :: 2] == 0).mean() < 0.3:
            return data.decode(encoding, errors="replace"), encoding.upper()
    try:
        return data.decode("utf-8"), ""
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "Windows-1252"


@dataclass(frozen=True, slots=True)
class _Head:
    """The separator of a text, the place of its heading row and where that starts, and rows with words above it."""

    separator: str = ","
    place: int = 0
    start: int = 0
    above: tuple[int, ...] = ()


def _heading(text: str, mapped: Collection[str]) -> _Head:
    head = text[:HEAD]
    if len(text) > HEAD and "\n" in head:
        head = head[: head.rindex("\n") + 1]
    best, highest = _Head(), (-1, 0)
    for separator in [mark for mark in SEPARATORS if mark in head] or [","]:
        rows, starts = _first_rows(head, separator)
        place = find_heading(rows, mapped)
        if place is None:
            continue
        rank = (heading_score(rows[place], mapped), len(rows[place]))
        if rank > highest:
            best, highest = _Head(separator, place, starts[place], filled_above(rows, place)), rank
    return best


def _first_rows(head: str, separator: str) -> tuple[list[list[str]], list[int]]:
    """Return the first rows of a text and where each starts."""
    lines = io.StringIO(head, newline="").readlines()[: 2 * SEARCHED]
    ends = np.cumsum([0, *(len(line) for line in lines)])
    rows, starts = [], [0]
    with _any_length():
        reader = csv.reader(lines, delimiter=separator)
        try:
            for row in reader:
                rows.append(row or [""])
                starts.append(int(ends[reader.line_num]))
        except csv.Error:
            pass
    return rows, starts


def _parsed(text: str, separator: str) -> tuple[list[str], list[pa.Array]]:
    """Return headings and columns of an even text."""
    data = text.encode("utf-8")
    first = _first_rows(text[:HEAD], separator)[0]
    width = len(first[0]) if first else 1
    names = [f"c{place}" for place in range(width)]
    table = pa.csv.read_csv(
        io.BytesIO(data),
        read_options=pa.csv.ReadOptions(column_names=names, block_size=min(len(data) + 1, LARGEST_BLOCK)),
        parse_options=pa.csv.ParseOptions(
            delimiter=separator, newlines_in_values='"' in text, ignore_empty_lines=False
        ),
        convert_options=pa.csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=True, null_values=[""]
        ),
    )
    columns = [_whole(column) for column in table.columns]
    return [column[0].as_py() or "" for column in columns], [column[1:] for column in columns]


def _whole(column: pa.ChunkedArray) -> pa.Array:
    combined = column.combine_chunks()
    return pa.concat_arrays(combined.chunks) if isinstance(combined, pa.ChunkedArray) else combined


def _parsed_by_row(
    text: str, separator: str, first_row: int, name: str
) -> tuple[list[str], list[pa.Array], tuple[Uneven, ...]]:
    """Return headings and columns of a text whose rows differ in length, and which do."""
    with _any_length():
        try:
            rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
        except csv.Error as error:
            raise DataProblem("the file can't be read as a table", file=name, value=error) from error
    width = len(rows[0])
    if width > WIDEST:
        raise DataProblem(f"the heading row has {width} cells, more than a spreadsheet can", file=name, row=first_row)
    uneven = []
    for place, row in enumerate(rows):
        while len(row) > width and not row[-1].strip():
            row.pop()
        if row and len(row) != width:
            uneven.append(Uneven(first_row + place, len(row), width))
        rows[place] = row[:width] + [""] * (width - len(row))
    columns = [pa.array([_encodable(cell) for cell in cells], pa.string()) for cells in zip(*rows[1:], strict=True)]
    return rows[0], columns or [pa.array([], pa.string())] * width, tuple(uneven)


def _encodable(cell: str) -> str:
    """Return a cell with stray halves of surrogate pairs replaced, which no text may hold."""
    return cell.encode("utf-8", errors="replace").decode("utf-8")


def _refuse_open_quote(text: str, columns: list[pa.Array], first_row: int, name: str) -> None:
    """Raise when the last cell has swallowed the rest of the file for want of a closing quote."""
    if text.count('"') % 2 == 0 or not columns or not len(columns[0]):
        return
    last = [column[-1].as_py() or "" for column in columns]
    swallowed = [cell for cell in last if "\n" in cell or "\r" in cell]
    if swallowed:
        raise DataProblem(
            "a double quote is opened here and never closed",
            file=name,
            row=first_row + len(columns[0]),
            value=shortened(swallowed[-1]),
            hint="put the missing quote in, or take the stray one out",
        )


@contextmanager
def _any_length() -> Iterator[None]:
    """Let Python's reader take cells of any length."""
    before = csv.field_size_limit((1 << 31) - 1)
    try:
        yield
    finally:
        csv.field_size_limit(before)
