"""Numbers as people write them → numbers: decimal commas, thousands, long minus signs, units behind them.

Only cells that aren't plain numbers come here. A cell that could be two numbers is decided by the range of its column,
else by what the rest of the file does, else not at all.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from desurvey.shown import shown

__all__ = ["PAIR", "PLAIN", "Mark", "Spelt", "decimal_mark", "spelt_number"]

Mark = Literal[".", ",", ""]
"""What a file writes before decimals; blank when its doubtful cells don't tell."""

SIGNS = str.maketrans({"−": "-", "–": "-", "‒": "-", "﹣": "-", "-": "-"})
GAPS = " \u00a0\u202f\u2009'’"
BEHIND = {"m": r"m|metres?|meters?|mtr", "deg": r"°|º|deg|degrees?"}

PLAIN = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)(e[-+]?\d{1,3})?", re.IGNORECASE)
COMMA_DECIMALS = re.compile(r"[-+]?\d*,\d+")
COMMA_GROUPS = re.compile(r"[-+]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?")
POINT_GROUPS = re.compile(r"[-+]?[1-9]\d{0,2}(\.\d{3})+(,\d+)?")
PAIR = re.compile(r"[1-9]?\d{1,2},[1-9]\d{0,2}")
"""What can be two angles in one cell: ``45,50``, and not ``45,05``."""
GAP_GROUPS = re.compile(rf"[-+]?[1-9]\d{{0,2}}([{GAPS}]\d{{3}})+([.,]\d+)?")


@shown
@dataclass(frozen=True, slots=True)
class Spelt:
    """A cell that isn't a plain number, read.

    Attributes
    ----------
    value : float
        NaN where it can't be read.
    readings : tuple of float
        What it could be, when that can't be told.
    """

    value: float
    readings: tuple[float, ...] = ()


def decimal_mark(cells: Iterable[str]) -> Mark:
    """Return what a file writes before decimals, as far as cells that can be only one number tell.

    >>> decimal_mark(["118,25", "1.204"]), decimal_mark(["1,204.5"]), decimal_mark(["1,204"])
    (',', '.', '')
    """
    found = {_mark_of(cell.translate(SIGNS)) for cell in cells} - {""}
    return next(iter(found)) if len(found) == 1 else ""


def _mark_of(cell: str) -> Mark:
    """Return the decimal mark that a cell shows, blank for one that shows none or could be two numbers."""
    readings, commas, points = _readings(cell), cell.count(","), cell.count(".")
    if not readings:
        return ""
    if commas and points:
        return "," if cell.rfind(",") > cell.rfind(".") else "."
    if commas > 1 or points > 1:
        return "." if commas else ","
    if len(readings) > 1 or not commas + points:
        return ""
    return "," if commas else "."


def spelt_number(cell: str, mark: Mark, low: float, high: float, unit: str = "", *, pairs: bool = False) -> Spelt:
    """Return what a cell means as a number.

    Parameters
    ----------
    cell : str
        Without blanks around it.
    mark : {".", ",", ""}
        What the file writes before decimals.
    low, high : float
        Range of the column: a reading outside it gives way to one inside.
    unit : {"m", "deg", ""}
        Unit of the column, which may stand behind the number.
    pairs : bool
        Whether two whole angles with a comma between them may be two angles, for nothing in the file speaks for
        decimal commas.

    Examples
    --------
    >>> spelt_number("−60,5°", "", -90, 90, "deg").value
    -60.5
    >>> spelt_number("5 311 922,70", "", -1e8, 1e8).value
    5311922.7
    >>> spelt_number("1,204", "", 0, 15000).readings
    (1.204, 1204.0)
    >>> spelt_number("1,204", "", -90, 90).value
    1.204
    >>> spelt_number("45,50", "", 0, 90, "deg", pairs=True).readings
    (45.5,)
    """
    bare = _bare(cell, unit)
    readings = _readings(bare)
    inside = [value for value in dict.fromkeys(readings) if low <= value <= high] or list(dict.fromkeys(readings))
    if pairs and unit == "deg" and PAIR.fullmatch(bare) and all(low <= float(part) <= high for part in bare.split(",")):
        return Spelt(float("nan"), tuple(inside))
    if len(inside) == 1:
        return Spelt(inside[0])
    if len(inside) == 2 and mark:
        decimals = bare.count(mark) > 0
        return Spelt(min(inside, key=abs) if decimals else max(inside, key=abs))
    return Spelt(float("nan"), tuple(inside))


def _bare(cell: str, unit: str) -> str:
    """Return a cell with plain signs and without a unit behind it."""
    text = cell.translate(SIGNS).strip()
    if unit in BEHIND:
        text = re.sub(rf"(?<=[\d.,])\s*({BEHIND[unit]})$", "", text, flags=re.IGNORECASE)
    return text


def _readings(text: str) -> list[float]:
    """Return every number that a text can be."""
    return [value for value in _each_reading(text) if abs(value) < float("inf")]


def _each_reading(text: str) -> Iterator[float]:
    if PLAIN.fullmatch(text):
        yield float(text)
    if COMMA_DECIMALS.fullmatch(text):
        yield float(text.replace(",", "."))
    if COMMA_GROUPS.fullmatch(text):
        yield float(text.replace(",", ""))
    if POINT_GROUPS.fullmatch(text):
        yield float(text.replace(".", "").replace(",", "."))
    if GAP_GROUPS.fullmatch(text):
        yield float(re.sub(rf"[{GAPS}]", "", text).replace(",", "."))
