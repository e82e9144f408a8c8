"""One column of cells → values of one kind, and the cells that can't be.

Whole columns go through Arrow; only cells that aren't plain are looked at one by one, and each different one once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from desurvey.problems import Rule, shortened
from desurvey.shown import shown
from desurvey.tables.dates import read_dates
from desurvey.tables.numbers import PLAIN, Mark, decimal_mark, spelt_number
from desurvey.tables.schema import Column, choice_of

__all__ = ["BLANKS", "RULES", "Read", "Wrong", "absent", "plain_text", "read_numbers", "read_words"]

MISSING_VALUE = Rule("missing_value", "error", "the row says nothing without it", "Fill the cell in")
NOT_A_NUMBER = Rule("not_a_number", "error", "only a number has a meaning here", "Correct the cell")
TWO_NUMBERS = Rule(
    "ambiguous_number",
    "error",
    "the comma or point can stand before decimals or between thousands",
    "Write decimals with a point and no thousands separators",
)
NOT_A_CHOICE = Rule("not_a_choice", "error", "only the listed words have a meaning here", "Use one of them")
NOT_A_DATE = Rule("not_a_date", "error", "the declination is taken at this date", "Write it as 2026-03-31")
OUT_OF_RANGE = Rule("out_of_range", "error", "no such value exists", "Look it up in the field book")
SPELT_NUMBER = Rule(
    "spelt_number",
    "note",
    "a decimal comma, thousands separator, long minus sign or unit was understood",
    "Nothing, if the number is right",
)

RULES = (MISSING_VALUE, NOT_A_NUMBER, TWO_NUMBERS, NOT_A_CHOICE, NOT_A_DATE, OUT_OF_RANGE, SPELT_NUMBER)

BLANKS = frozenset({"", "nan", "na", "n/a", "null", "none", "nat", "-", "--", "<na>"})
"""Cells that say "no value", lower case (common practice, no source)."""

SENTINELS = frozenset({-9.0, -99.0, -999.0, -9999.0, -999.25, -99999.0})
"""Numbers that stand for "no value" in many files (common practice, no source); they are named as such, not removed."""

BEYOND_ALL = 1e12
"""Numbers beyond this are blanked like words: with one of them sums of other numbers lose their digits."""

SAMPLE = 2000
"""Cells of each column that are looked at for the decimal mark, beside the doubtful ones."""

Ints = npt.NDArray[np.intp]
Floats = npt.NDArray[np.float64]
Objects = npt.NDArray[np.object_]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Wrong:
    """Cells of a column that break a rule.

    Attributes
    ----------
    rule : Rule
    places : (m,) int array
        Which cells.
    messages : sequence of str
        What is wrong with each, or one for all.
    suggestion : str
        Where the rule's own doesn't do.
    """

    rule: Rule
    places: Ints
    messages: list[str]
    suggestion: str = ""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Read:
    """A column as values, and the cells that can't be."""

    values: pd.Series
    wrong: list[Wrong] = field(default_factory=list)


def absent(column: Column, rows: int) -> pd.Series:
    """Return a column without values."""
    if column.kind == "number":
        return pd.Series(np.full(rows, np.nan))
    if column.kind == "date":
        return pd.Series(np.full(rows, np.datetime64("NaT"), dtype="datetime64[ns]"))
    return pd.Series([""] * rows, dtype=object)


def plain_text(cells: pa.Array) -> Objects:
    """Return cells as text without blanks around it; blanks of every kind, and words that say so, as ""."""
    text = as_text(cells)
    if len(set(text.slice(0, SAMPLE).to_pylist())) > min(SAMPLE, len(text)) // 2:
        return _without_blanks(text)
    words = text.dictionary_encode()
    return np.asarray(_without_blanks(words.dictionary)[words.indices.to_numpy()], dtype=object)


def _without_blanks(text: pa.Array) -> Objects:
    trimmed = pc.utf8_trim_whitespace(text)
    blank = pc.is_in(pc.utf8_lower(trimmed), pa.array(sorted(BLANKS)))
    return np.asarray(pc.if_else(blank, "", trimmed).to_numpy(zero_copy_only=False), dtype=object)


def as_text(cells: pa.Array) -> pa.Array:
    """Return cells as text, numbers as they would be written and whole ones without a point."""
    if pa.types.is_string(cells.type):
        return cells.fill_null("")
    if pa.types.is_floating(cells.type):
        values = cells.to_numpy(zero_copy_only=False)
        whole = np.isfinite(values) & (np.abs(values) < 1e15) & (values == np.trunc(values))
        texts = pc.cast(cells, pa.string()).fill_null("")
        return pc.if_else(
            pa.array(whole), pa.array(np.where(whole, values, 0).astype(np.int64)).cast(pa.string()), texts
        )
    return pc.cast(cells, pa.string()).fill_null("")


# ----------------------------------------------------------------------------------------------------------- numbers


def read_numbers(
    cells: Mapping[str, pa.Array], columns: Mapping[str, Column], factor: Mapping[str, float]
) -> dict[str, Read]:
    """Return the number columns of a table.

    Parameters
    ----------
    cells : mapping of str to array
        Column name → cells.
    columns : mapping of str to Column
        What each should be.
    factor : mapping of str to float
        What to multiply a column by, where it is in another unit.

    Notes
    -----
    All columns of a file are read together, for what one shows of the decimal mark holds for the others.
    """
    plain = {name: _plain_numbers(column) for name, column in cells.items()}
    mark = _mark(cells, plain)
    out = {}
    for name, (values, doubtful) in plain.items():
        text = cells[name]
        if mark == "," and pa.types.is_string(text.type):
            points = pc.match_substring_regex(text.fill_null(""), r"^\s*[-+]?[1-9]\d{0,2}(\.\d{3})+\s*$")
            doubtful = np.union1d(doubtful, np.flatnonzero(points.to_numpy(zero_copy_only=False)))
        out[name] = _judged(text, values, doubtful, columns[name], mark, factor.get(name, 1.0))
    return out


def _plain_numbers(cells: pa.Array) -> tuple[Floats, Ints]:
    """Return the cells that are plain numbers (others NaN), and the places of those that are something else."""
    if not pa.types.is_string(cells.type):
        if pa.types.is_timestamp(cells.type):
            return np.full(len(cells), np.nan), np.flatnonzero(pc.is_valid(cells).to_numpy(zero_copy_only=False))
        values = pc.cast(cells, pa.float64(), safe=False).to_numpy(zero_copy_only=False)
        return np.where(np.isfinite(values), values, np.nan), np.flatnonzero(np.isinf(values))
    try:
        values = pc.cast(cells, pa.float64()).to_numpy(zero_copy_only=False)
    except pa.ArrowInvalid:
        values = _numbers_among(cells)
    values = np.where(np.isfinite(values), values, np.nan)
    maybe = np.flatnonzero(np.isnan(values))
    filled = pc.not_equal(cells.take(pa.array(maybe)).fill_null(""), "").to_numpy(zero_copy_only=False)
    return values, maybe[filled]


def _numbers_among(cells: pa.Array) -> Floats:
    """Return the cells that are plain numbers, others NaN."""
    text = pc.utf8_trim_whitespace(cells.fill_null(""))
    plain = pc.match_substring_regex(text, r"^-?(\d{1,30}(\.\d{0,30})?|\.\d{1,30})([eE][-+]?\d{1,2})?$")
    return np.asarray(pc.cast(pc.if_else(plain, text, None), pa.float64()).to_numpy(zero_copy_only=False))


def _mark(cells: Mapping[str, pa.Array], plain: Mapping[str, tuple[Floats, Ints]]) -> Mark:
    """Return the decimal mark of a file, looked for only where some cell isn't a plain number."""
    if not any(len(doubtful) for _, doubtful in plain.values()):
        return "."
    words: set[str] = set()
    for name, column in cells.items():
        if pa.types.is_string(column.type):
            words.update(column.slice(0, SAMPLE).fill_null("").to_pylist())
            words.update(column.take(pa.array(plain[name][1])).to_pylist())
    return decimal_mark(word.strip() for word in words if len(word) < 60)


def _judged(cells: pa.Array, values: Floats, doubtful: Ints, column: Column, mark: Mark, factor: float) -> Read:
    """Return numbers with the doubtful cells read as far as they can be, in metres or degrees."""
    texts = plain_text(cells.take(pa.array(doubtful)))
    filled = texts != ""
    doubtful, texts = doubtful[filled], texts[filled]
    words, back = np.unique(texts, return_inverse=True)
    low, high = column.low / factor, column.high / factor
    spelt = [spelt_number(word, mark, low, high, column.unit) for word in words]
    values = values.copy()
    values[doubtful] = np.array([item.value for item in spelt], dtype=float)[back]
    two = np.array([bool(item.readings) for item in spelt], dtype=bool)[back]
    bad = np.isnan(values[doubtful])
    wrong = [
        Wrong(NOT_A_NUMBER, doubtful[bad & ~two], _expected(column, texts[bad & ~two], "a number")),
        Wrong(TWO_NUMBERS, doubtful[two], [_either(column, spelt[i].readings, words[i]) for i in back[two]]),
        *_spelt(column, doubtful[~bad], texts[~bad], values),
    ]
    values *= factor
    outside = np.flatnonzero((values < column.low) | (values > column.high))
    wrong += _outside(column, outside, plain_text(cells.take(pa.array(outside))), values[outside])
    values[np.abs(values) > BEYOND_ALL] = np.nan
    return _with_missing(Read(pd.Series(values), wrong), column)


def _outside(column: Column, places: Ints, texts: Objects, values: Floats) -> list[Wrong]:
    """Return numbers out of range, with better advice for those that are out of it in a usual way."""
    sentinel = np.isin(values, list(SENTINELS))
    turn = ~sentinel & (column.high == 360.0) & (values < 0.0) & (values >= -180.0)
    groups = (
        (sentinel, "If it stands for 'no value', leave the cell blank"),
        (turn, "Azimuths and angles around the core count clockwise from 0 to 360: add 360"),
        (~sentinel & ~turn, ""),
    )
    return [
        Wrong(OUT_OF_RANGE, places[mask], _expected(column, texts[mask], _range(column)), advice)
        for mask, advice in groups
    ]


def _spelt(column: Column, places: Ints, texts: Objects, values: Floats) -> list[Wrong]:
    """Return one finding for all cells of a column that were understood though they aren't plain numbers."""
    odd = np.array([not PLAIN.fullmatch(text) for text in texts], dtype=bool)
    places, texts = places[odd], texts[odd]
    if not len(places):
        return []
    others = f" and {len(places) - 1} more" if len(places) > 1 else ""
    return [
        Wrong(SPELT_NUMBER, places[:1], [f"{column.name} '{texts[0]}' was read as {values[places[0]]:.12g}{others}"])
    ]


def _expected(column: Column, texts: Objects, expected: str) -> list[str]:
    return [f"{column.name} is '{shortened(text)}', expected {expected}" for text in texts]


def _either(column: Column, readings: tuple[float, ...], word: str) -> str:
    return f"{column.name} is '{shortened(word)}', which can be {' or '.join(f'{value:.12g}' for value in readings)}"


def _range(column: Column) -> str:
    return f"{column.low:.12g} to {column.high:.12g}"


# ------------------------------------------------------------------------------------------------ words and dates


def read_words(cells: pa.Array, column: Column) -> Read:
    """Return a column of text, choices or dates."""
    if column.kind == "date":
        values, bad, expected = read_dates(cells if pa.types.is_timestamp(cells.type) else plain_text(cells))
        texts = plain_text(cells.take(pa.array(bad)))
        return Read(values, [Wrong(NOT_A_DATE, bad, _expected(column, texts, expected))])
    text = plain_text(cells)
    if column.kind == "choice":
        return _choices(text, column)
    return _with_missing(Read(pd.Series(text, dtype=object)), column)


def _choices(text: Objects, column: Column) -> Read:
    """Return choices in lower case. A wrong one stays as it is: blank would mean "as the project says"."""
    codes, words = pd.factorize(text)
    chosen = np.array([_choice(word, column) for word in words], dtype=object)
    values = chosen[codes] if len(words) else text
    bad = np.flatnonzero(~np.isin(values.astype(str), [*column.choices, ""]))
    wrong = [Wrong(NOT_A_CHOICE, bad, _expected(column, text[bad], " or ".join(column.choices)))]
    return Read(pd.Series(values, dtype=object), wrong)


def _choice(word: str, column: Column) -> str:
    lowered = word.lower()
    meant = lowered if lowered in column.choices else choice_of(word)
    return meant if meant in column.choices else lowered


def _with_missing(read: Read, column: Column) -> Read:
    """Return a column with its blank cells accused, where it may have none."""
    if not column.required:
        return read
    blank = read.values.isna() if column.kind == "number" else read.values == ""
    accused = [wrong.places for wrong in read.wrong if wrong.rule in (NOT_A_NUMBER, TWO_NUMBERS, OUT_OF_RANGE)]
    places = np.setdiff1d(np.flatnonzero(blank.to_numpy()), np.concatenate([np.empty(0, np.intp), *accused]))
    wrong = Wrong(MISSING_VALUE, places, [f"{column.name} is blank"] * len(places))
    return Read(read.values, [*read.wrong, wrong])
