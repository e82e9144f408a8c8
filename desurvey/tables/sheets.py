"""How large a sheet of a workbook is, measured before anything reads it whole.

A workbook of five kilobytes can ask for terabytes: one blank cell in its last corner, a cell repeated a billion times,
a gigabyte of zeros packed. The library that reads workbooks makes room for every cell up to the last one, and a process
that asks for too much is ended by the system without a word. So cells are counted here first.
Blank cells beyond the last filled row and column are cut off; a sheet that is too large all the same is refused, with
the cell named that makes it so.
"""

from __future__ import annotations

import io
import posixpath
import re
import struct
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from xml.etree import ElementTree
from xml.parsers import expat

import numpy as np

from desurvey.problems import DataProblem
from desurvey.tables.files import DAMAGED

__all__ = ["MOST_UNPACKED", "fitting", "refuse_bomb"]

MOST_UNPACKED = 1 << 29
"""Bytes that a workbook may unpack to: some ten million cells, ten times what spreadsheet programs still open well."""

MOST_CELLS = 1 << 24
"""Cells from the first to the last filled one that a sheet may hold: as many as fill the old ``.xls`` to its corner."""

SPARSE_CELLS, SPARSE = 200_000, 0.01
"""A sheet larger than this whose cells are blank but for this share holds a stray cell far from its table."""

BYTES_A_CELL = 128
"""Memory that a cell takes while it is read: the reader's own, and Python's object with its text."""

CHUNK = 1 << 20


@dataclass(slots=True)
class Extent:
    """What a sheet holds.

    Attributes
    ----------
    rows, columns : int
        Of the last cell that is written down, blank ones included.
    filled_rows, filled_columns : int
        Of the last filled one.
    filled : int
        Number of filled cells.
    """

    rows: int = 0
    columns: int = 0
    filled_rows: int = 0
    filled_columns: int = 0
    filled: int = 0

    def add(self, row: int, column: int, *, rows: int = 1, columns: int = 1, filled: bool = True) -> None:
        """Count cells from a row and column (from 1) on."""
        last, right = row + rows - 1, column + columns - 1
        self.rows, self.columns = max(self.rows, last), max(self.columns, right)
        if filled:
            self.filled_rows, self.filled_columns = max(self.filled_rows, last), max(self.filled_columns, right)
            self.filled += rows * columns

    @property
    def asked(self) -> int:
        """Cells that a reader makes room for."""
        return self.rows * self.columns

    @property
    def needed(self) -> int:
        """Cells up to the last filled one."""
        return self.filled_rows * self.filled_columns


def refuse_bomb(data: bytes, name: str) -> None:
    """Refuse a workbook that takes more memory to be opened than any workbook does, before a library opens it.

    Raises
    ------
    DataProblem
    """
    if not zipfile.is_zipfile(io.BytesIO(data)):
        _room(XLS_BYTES, name)
        return
    with _damaged_is_said(name), zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = archive.infolist()
        if len({info.filename for info in members}) < len(members):
            raise DataProblem("the workbook holds two files of one name", file=name, hint=SAVE_AGAIN)
        if sum(info.file_size for info in members) > MOST_UNPACKED:
            raise DataProblem("the workbook unpacks to more than half a gibibyte", file=name, hint=AS_TEXT)
        if "content.xml" in archive.namelist():  # of these the library reads every sheet at once
            extents = _of_ods(archive, "content.xml")
            for sheet, extent in extents.items():
                if extent.asked > MOST_CELLS:
                    _refuse_large(extent, sheet, name)
            _room(BYTES_A_CELL * sum(extent.asked for extent in extents.values()), name)


SAVE_AGAIN = "open it in a spreadsheet program and save it again"
AS_TEXT = "save the sheet as CSV UTF-8"


def fitting(data: bytes, sheet: str, name: str) -> bytes:
    """Return a workbook of which a sheet can be read: itself, or without the blank cells beyond the sheet's table.

    Raises
    ------
    DataProblem
        When the sheet is damaged or too large, with the cell named that makes it so; or there is too little memory.
    """
    if not zipfile.is_zipfile(io.BytesIO(data)):
        return data  # the old format: a sheet has few cells at most
    with _damaged_is_said(name), zipfile.ZipFile(io.BytesIO(data)) as archive:
        place, measure = _sheet_in(archive, sheet)
        extent = measure(archive, place)
        if extent.asked > max(4 * extent.needed, SPARSE_CELLS) and place.endswith(".xml"):
            data = _without_blanks(archive, place)
            with zipfile.ZipFile(io.BytesIO(data)) as smaller:
                extent = measure(smaller, place)
    _refuse_large(extent, sheet, name)
    _room(BYTES_A_CELL * extent.asked, name)
    return data


@contextmanager
def _damaged_is_said(name: str) -> Iterator[None]:
    """Turn what unpacking and parsing a damaged workbook raises into one message."""
    try:
        yield
    except (*DAMAGED, *UNPARSABLE) as error:
        raise DataProblem("the file can't be read as a workbook", file=name, value=error, hint=SAVE_AGAIN) from error


UNPARSABLE = (expat.ExpatError, ElementTree.ParseError, LookupError, ValueError, EOFError, OSError, RuntimeError)
"""What the parts of a damaged workbook can raise (a sheet that isn't where it should be, a number that is none)."""

XLS_BYTES = 65_536 * 256 * 32
"""Memory of the largest sheet that an ``.xls`` file can hold: it has one size, and 32 bytes a cell in the library."""


def _refuse_large(extent: Extent, sheet: str, name: str) -> None:
    """Refuse a sheet that is too large, or all but empty up to a cell far away."""
    if extent.asked <= SPARSE_CELLS:
        return
    sparse = extent.filled < SPARSE * extent.asked
    if not sparse and extent.asked <= MOST_CELLS:
        return
    rows, columns = (extent.filled_rows, extent.filled_columns) if extent.filled else (extent.rows, extent.columns)
    corner = f"{_letters(columns)}{rows}"
    if sparse:
        raise DataProblem(
            f"the sheet '{sheet}' reaches to {corner}, with {extent.filled} filled cells on the way: one lies far away",
            file=name,
            row=rows,
            hint=f"delete the rows and columns beyond the table, the last cell being {corner}",
        )
    raise DataProblem(f"the sheet '{sheet}' is too large, up to {corner}", file=name, row=rows, hint=AS_TEXT)


def _room(needed: int, name: str) -> None:
    """Refuse when there isn't so much memory, bytes: a library that finds none would end the process."""
    try:
        np.empty(max(needed, 1), dtype=np.uint8)
    except MemoryError as error:
        raise DataProblem("there is too little memory for this workbook", file=name, hint=AS_TEXT) from error


def _letters(column: int) -> str:
    """Return a column as spreadsheets call it.

    >>> _letters(28)
    'AB'
    """
    out = ""
    while column > 0:
        column, rest = divmod(column - 1, 26)
        out = chr(65 + rest) + out
    return out


# ---------------------------------------------------------------------------------------------------- where a sheet is


Measure = Callable[[zipfile.ZipFile, str], Extent]


def _sheet_in(archive: zipfile.ZipFile, sheet: str) -> tuple[str, Measure]:
    """Return the member of an archive that holds a sheet, and what measures it."""
    names = {name.lower(): name for name in archive.namelist()}
    if "xl/workbook.xml" in names:
        sheets = ElementTree.fromstring(archive.read(names["xl/workbook.xml"])).iterfind(".//{*}sheet")
        relation = {str(node.get("name")): _id_of(node) for node in sheets}[sheet]
        return _target(archive, names, "xl/_rels/workbook.xml.rels", relation), _of_xlsx
    if "xl/workbook.bin" in names:
        relation = dict(_bundled(archive.read(names["xl/workbook.bin"])))[sheet]
        return _target(archive, names, "xl/_rels/workbook.bin.rels", relation), _of_xlsb
    return names["content.xml"], lambda book, place: _of_ods(book, place)[sheet]


def _id_of(node: ElementTree.Element) -> str:
    """Return the relation of a sheet, whatever its namespace."""
    return next(value for key, value in node.attrib.items() if key.rpartition("}")[2] == "id")


def _target(archive: zipfile.ZipFile, names: dict[str, str], relations: str, wanted: str) -> str:
    """Return the member that a relation of the workbook points to."""
    for node in ElementTree.fromstring(archive.read(names[relations])):
        if node.get("Id") == wanted:
            place = posixpath.normpath(posixpath.join("/xl", str(node.get("Target")))).lstrip("/")
            return names[place.lower()]
    raise KeyError(wanted)


# ----------------------------------------------------------------------------------------------- measuring, by format


def _of_xlsx(archive: zipfile.ZipFile, place: str) -> Extent:
    """Measure a sheet of Office Open XML: each cell says its place, or stands right of the one before."""
    quick = _at_a_glance(archive.read(place))
    if quick.asked <= max(SPARSE_CELLS, 4 * quick.filled):
        return quick
    extent, at = Extent(), [0, 0]

    def start(tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        if name == "row":
            at[:] = int(attributes.get("r", at[0] + 1)), 0
        elif name == "c":
            at[:] = _place(attributes["r"]) if "r" in attributes else (at[0], at[1] + 1)
            extent.add(*at, filled=False)
        elif name in {"v", "is"}:
            extent.add(*at)

    _parse(archive, place, start)
    return extent


CELL, FILLED = re.compile(rb"<(?:\w+:)?c(?=[\s/>])"), re.compile(rb"<(?:\w+:)?(?:v|is)(?=[\s/>])")
REFERENCE = re.compile(rb"\sr\s*=\s*[\"']([A-Za-z]{1,3})([0-9]{1,7})[\"']")


def _at_a_glance(xml: bytes) -> Extent:
    """Measure a sheet by its cells' names alone, five times as fast; more than any sheet holds where one has none.

    Blank cells count as filled ones here, so this says how large the sheet is at most, and no more.
    """
    names = REFERENCE.findall(xml)
    if not xml.startswith(b"<") or len(names) != len(CELL.findall(xml)):
        return Extent(1 << 20, 1 << 14)
    columns = max((_column(letters.decode()) for letters in {name[0] for name in names}), default=0)
    rows = max((int(number) for number in {name[1] for name in names}), default=0)
    return Extent(rows, columns, rows, columns, len(FILLED.findall(xml)))


def _place(reference: str) -> tuple[int, int]:
    """Return row and column of a cell.

    >>> _place("AB12")
    (12, 28)
    """
    found = re.fullmatch(r"([A-Za-z]+)(\d+)", reference)
    if found is None:
        raise ValueError(f"a cell is called {reference}")
    return int(found[2]), _column(found[1])


def _column(letters: str) -> int:
    column = 0
    for letter in letters.upper():
        column = 26 * column + ord(letter) - 64
    return column


def _of_ods(archive: zipfile.ZipFile, place: str) -> dict[str, Extent]:
    """Measure the sheets of an OpenDocument file: cells and rows say how often they are repeated."""
    extents: dict[str, Extent] = {}
    at = {"row": 0, "rows": 0, "column": 0}

    def start(tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        if name == "table":
            extents[attributes.get("table:name", "")] = Extent()
            at.update(row=0, rows=0)
        elif name == "table-row":
            at.update(row=at["row"] + at["rows"], rows=int(attributes.get("table:number-rows-repeated", 1)), column=1)
        elif name in {"table-cell", "covered-table-cell"} and extents:
            columns = int(attributes.get("table:number-columns-repeated", 1))
            if any(key.startswith(("office:value", "table:formula")) for key in attributes):
                last = next(reversed(extents.values()))
                last.add(1 + at["row"], at["column"], rows=at["rows"], columns=columns)
            at["column"] += columns

    _parse(archive, place, start)
    return extents


def _parse(archive: zipfile.ZipFile, place: str, start: Callable[[str, dict[str, str]], None]) -> None:
    """Go through the elements of a member, a megabyte at a time."""
    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    with archive.open(place) as file:
        while chunk := file.read(CHUNK):
            parser.Parse(chunk, False)
    parser.Parse(b"", True)


def _of_xlsb(archive: zipfile.ZipFile, place: str) -> Extent:
    """Measure a sheet of the binary format ([MS-XLSB] 2.1.4): records of a row, and of cells by their column."""
    extent, row = Extent(), 0
    for kind, body in _records(archive.read(place)):
        if kind == ROW_HEADER:
            row = struct.unpack_from("<I", body)[0] + 1
        elif BLANK_CELL <= kind <= LAST_CELL:
            extent.add(row, struct.unpack_from("<I", body)[0] + 1, filled=kind != BLANK_CELL)
    return extent


ROW_HEADER, BLANK_CELL, LAST_CELL, BUNDLED_SHEET = 0, 1, 11, 156
"""Records BrtRowHdr, BrtCellBlank … BrtFmlaError and BrtBundleSh of [MS-XLSB] 2.3."""


def _records(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Give the records of a binary part: a kind of one or two bytes of seven bits, a length of one to four."""
    at = 0
    while at < len(data):
        kind, at = _varied(data, at, 2)
        length, at = _varied(data, at, 4)
        yield kind, data[at : at + length]
        at += length


def _varied(data: bytes, at: int, most: int) -> tuple[int, int]:
    value = 0
    for place in range(most):
        byte = data[at]
        at += 1
        value |= (byte & 0x7F) << (7 * place)
        if byte < 0x80:
            break
    return value, at


def _bundled(data: bytes) -> Iterator[tuple[str, str]]:
    """Give name and relation of every sheet of a binary workbook ([MS-XLSB] 2.4.301)."""
    for kind, body in _records(data):
        if kind == BUNDLED_SHEET:
            relation, at = _text(body, 8)
            name, _ = _text(body, at)
            yield name, relation


def _text(body: bytes, at: int) -> tuple[str, int]:
    end = at + 4 + 2 * struct.unpack_from("<I", body, at)[0]
    return body[at + 4 : end].decode("utf-16-le"), end


# ---------------------------------------------------------------------------------------------- cutting blank cells off

BLANK = re.compile(rb"<((?:\w+:)?)c(?:\s[^<>]*)?(?:/>|>\s*</\1c\s*>)")


def _without_blanks(archive: zipfile.ZipFile, place: str) -> bytes:
    """Return a workbook without the blank cells of one sheet, which hold nothing but their look."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as copy:
        for info in archive.infolist():
            data = archive.read(info)
            copy.writestr(info.filename, BLANK.sub(b"", data) if info.filename == place else data)
    return out.getvalue()
