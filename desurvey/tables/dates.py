"""Dates as people write them → dates; the order of day and month is told by the column, or not at all."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

__all__ = ["day_numbers", "from_day_numbers", "read_dates"]

MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
CENTURY = 70
"""Years of two digits below this belong to the 2000s (common practice: POSIX says 69)."""

NUMERIC = re.compile(r"(\d{1,2})[/.\- ](\d{1,2})[/.\- ](\d{4})(?:[ T].*)?")
NAMED = re.compile(r"(\d{1,2})[/.\- ]?([A-Za-z]{3,9})\.?[/.\-, ]*(\d{4}|\d{2})(?:[ T].*)?")
YEAR_FIRST = re.compile(r"(\d{4})[/.](\d{1,2})[/.](\d{1,2})(?:[ T].*)?")

DAY_NUMBER = re.compile(r"[2-7]\d{4}(\.\d+)?")

Ints = npt.NDArray[np.intp]


def day_numbers(cells: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Return which cells are day numbers of a spreadsheet: whole numbers of 1955 to 2119, counted from 1900."""
    return np.array([bool(DAY_NUMBER.fullmatch(cell)) for cell in cells], dtype=bool)


def from_day_numbers(cells: npt.NDArray[Any]) -> pd.Series:
    """Return the dates of day numbers, NaT elsewhere; day 1 is 1 January 1900 (ECMA-376, part 1, 18.17.4.1).

    >>> from_day_numbers(np.array(["45754", "x"], dtype=object)).dt.strftime("%Y-%m-%d").fillna("none").tolist()
    ['2025-04-07', 'none']
    """
    days = pd.Series(
        [float(cell) if is_day else np.nan for cell, is_day in zip(cells, day_numbers(cells), strict=True)]
    )
    return pd.to_datetime(days, unit="D", origin="1899-12-30").astype("datetime64[ns]").dt.floor("D")


def read_dates(cells: pa.Array | npt.NDArray[Any]) -> tuple[pd.Series, Ints, str]:
    """Return dates, the places of cells that are none, and what was expected of those.

    Parameters
    ----------
    cells : timestamp array, or (n,) array of str
        Text is read as ISO 8601, as ``31 Mar 2026``, as ``31.03.2026``, and as ``31/03/2026`` or ``03/31/2026`` if some
        day of the column is beyond 12: else the order can't be told.
    """
    if isinstance(cells, pa.Array):
        values = pd.Series(cells.to_numpy(zero_copy_only=False)).astype("datetime64[ns]")
        return values, np.empty(0, dtype=np.intp), ""
    codes, words = pd.factorize(cells)
    order = _order(words)
    dates = pd.Series([_date(word, order) for word in words], dtype="datetime64[ns]")
    values = dates.take(codes).reset_index(drop=True) if len(words) else dates
    bad = np.flatnonzero(values.isna().to_numpy() & (cells != ""))
    slashed = any("/" in word and NUMERIC.fullmatch(word) for word in words)
    return values, bad, "a date whose day and month can be told apart" if slashed else "a date such as 2026-03-31"


def _order(words: npt.NDArray[Any]) -> str:
    """Return ``dm`` or ``md`` as the numeric dates of a column show it, blank when they don't or disagree."""
    pairs = [(int(found[1]), int(found[2])) for word in words if (found := NUMERIC.fullmatch(word)) and "." not in word]
    shown = {"dm" for first, _ in pairs if first > 12} | {"md" for _, second in pairs if second > 12}
    return shown.pop() if len(shown) == 1 else ""


def _date(word: str, order: str) -> np.datetime64:
    """Return the date that a word means, or NaT."""
    for year, month, day in _parts(word, order):
        try:
            value = pd.Timestamp(year=year, month=month, day=day)
        except ValueError:
            return np.datetime64("NaT")
        return value.to_datetime64() if 1800 <= year <= 2200 else np.datetime64("NaT")
    if not re.match(r"\d{4}-?\d\d", word) or len(word) > 40:
        return np.datetime64("NaT")
    moment = pd.to_datetime(word, errors="coerce", format="ISO8601", utc=True)
    if pd.isna(moment) or not 1800 <= moment.year <= 2200:
        return np.datetime64("NaT")
    return moment.tz_localize(None).to_datetime64()


def _parts(word: str, order: str) -> list[tuple[int, int, int]]:
    """Return year, month and day of a date that isn't ISO 8601: one triple or none."""
    if found := YEAR_FIRST.fullmatch(word):
        return [(int(found[1]), int(found[2]), int(found[3]))]
    if found := NAMED.fullmatch(word):
        if found[2][:3].lower() not in MONTHS:
            return []
        year = int(found[3])
        year += (2000 if year < CENTURY else 1900) if len(found[3]) == 2 else 0
        return [(year, MONTHS.index(found[2][:3].lower()) + 1, int(found[1]))]
    if found := NUMERIC.fullmatch(word):
        first, second, year = int(found[1]), int(found[2]), int(found[3])
        if "." in word.split(" ")[0] or order == "dm" or first == second:
            return [(year, second, first)]
        if order == "md":
            return [(year, first, second)]
    return []
