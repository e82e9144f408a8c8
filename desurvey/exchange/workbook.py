"""A workbook through openpyxl: a sheet for each table, and a first one that says what they are and rest on.

Every text is written as text: a note that begins with = would be worked out as a formula. Numbers have as many decimals
as their column deserves, shown and not cut; heads stay in sight, and each table has its filter.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pandas as pd

from desurvey.exchange.formats import library
from desurvey.exchange.model import Model
from desurvey.exchange.writing import unit_of
from desurvey.outputs import replacing

__all__ = ["write_sheets", "write_workbook"]

LONGEST_NAME = 31
"""Letters of a sheet's name in a workbook."""
FORMATS = {"m": "0.00", "deg": "0.0", "deg/30 m": "0.0"}
PLACES = {"easting": "0.00", "northing": "0.00", "probability": "0.000", "chance": "0.000", "p_value": "0.000"}
NARROWEST, WIDEST = 7, 60
"""Width of a column, letters."""
LOOKED_AT = 200
"""Rows by which the width of a column is judged."""


def write_workbook(model: Model, path: Path) -> None:
    """Write all tables as sheets of one workbook, and a first sheet that says what they are."""
    rows = pd.DataFrame(
        {"what": list(model.tables), "value": [f"{len(frame)} rows" for frame in model.tables.values()]}
    )
    write_sheets({"about": pd.concat([model.about, rows], ignore_index=True), **model.tables}, path)


def write_sheets(tables: dict[str, pd.DataFrame], path: Path) -> None:
    """Write tables as sheets of one workbook, under their names."""
    openpyxl = library("openpyxl", ".xlsx")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, frame in tables.items():
        _fill(book.create_sheet(name[:LONGEST_NAME]), frame, openpyxl)
    content = io.BytesIO()  # openpyxl and a full disk leave a file open
    book.save(content)
    with replacing(path) as partial:
        partial.write_bytes(content.getvalue())


def _fill(sheet: Any, frame: pd.DataFrame, openpyxl: Any) -> None:
    bold, wrapping = openpyxl.styles.Font(bold=True), openpyxl.styles.Alignment(wrap_text=True, vertical="top")
    sheet.append([str(name) for name in frame.columns])
    for cell in sheet[1]:
        cell.font = bold
    for place, name in enumerate(frame.columns, start=1):
        column = frame[name]
        shown = _format(str(name), column)
        for row, value in enumerate(_values(column), start=2):
            if value is None:
                continue
            cell = sheet.cell(row, place, value)
            if isinstance(value, str):
                cell.data_type = "s"
            elif shown:
                cell.number_format = shown
        width = max([len(str(name)), *(len(_text(value, shown)) for value in _values(column.head(LOOKED_AT)))])
        letter = openpyxl.utils.get_column_letter(place)
        sheet.column_dimensions[letter].width = min(max(width + 2, NARROWEST), WIDEST)
        if width > WIDEST:
            for row in range(2, len(frame) + 2):
                sheet.cell(row, place).alignment = wrapping
    sheet.freeze_panes = "A2"
    if len(frame.columns):
        sheet.auto_filter.ref = sheet.dimensions


def _values(column: pd.Series) -> list[Any]:
    """Return a column as openpyxl takes it; what is missing is None."""
    if column.dtype.kind == "M":
        return [None if pd.isna(value) else value.to_pydatetime() for value in column]
    values = column.astype(object).where(column.notna(), None).tolist()
    plain = (bool, int, float)
    return [value if value is None or isinstance(value, plain) else str(value) for value in values]


def _format(name: str, column: pd.Series) -> str:
    """Return how numbers and dates of a column are shown; empty for texts and whole numbers."""
    if column.dtype.kind == "M":
        return "yyyy-mm-dd"
    if column.dtype.kind != "f":
        return ""
    return PLACES.get(name) or FORMATS.get(unit_of(name), "0.###")


def _text(value: Any, shown: str) -> str:
    """Return about what a cell shows."""
    if isinstance(value, float):
        return f"{value:.{len(shown.partition('.')[2])}f}"
    return "" if value is None else str(value)[:10] if shown else str(value)
