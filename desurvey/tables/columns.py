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
from desurvey.tables.dates import day_numbers, from_day_numbers, read_dates
from desurvey.tables.numbers import PAIR, PLAIN, Mark, decimal_mark, spelt_number
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
UNKNOWN_WORD = Rule(
    "unknown_word",
    "note",
    "the column says nothing in these rows, as if it were blank",
    'Nothing; or say what the word means: [repairs.TABLE.values] COLUMN = { "word" = "meaning" }',
)
FOR_NOTHING = Rule(
    "number_for_nothing",
    "error",
    "this number stands for 'no value' in many files, and can be one: the cell was left out",
    'If it is no value: blanks = ["-99"] under [repairs.TABLE]',
)
DAY_NUMBERS = Rule(
    "day_number",
    "error",
    "dates lose their form when a spreadsheet saves them as numbers; the declination is taken at this date",
    'Say date = "spreadsheet_days" under [units.TABLE], or write dates as 2026-03-31',
)
SPELT_NUMBER = Rule(
    "spelt_number",
    "note",
    "a decimal comma, thousands separator, long minus sign or unit was understood",
    "Nothing, if the number is right",
)

RULES = (
    MISSING_VALUE,
    NOT_A_NUMBER,
    TWO_NUMBERS,
    NOT_A_CHOICE,
    UNKNOWN_WORD,
    NOT_A_DATE,
    DAY_NUMBERS,
    OUT_OF_RANGE,
    FOR_NOTHING,
    SPELT_NUMBER,
)

BLANKS = frozenset({"", "nan", "na", "n/a", "null", "none", "nat", "-", "--", "<na>"})
"""Cells that say "no value", lower case (common practice, no source)."""

SENTINELS = frozenset({-9.0, -99.0, -999.0, -9999.0, -999.25, -99999.0})
"""Numbers that stand for "no value" in many files (common practice, no source); they are named as such and not used."""

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
    mark, pairs = _mark(cells, plain, columns)
    out = {}
    for name, (values, doubtful) in plain.items():
        text = cells[name]
        if mark == "," and pa.types.is_string(text.type):
            points = pc.match_substring_regex(text.fill_null(""), r"^\s*[-+]?[1-9]\d{0,2}(\.\d{3})+\s*$")
            doubtful = np.union1d(doubtful, np.flatnonzero(points.to_numpy(zero_copy_only=False)))
        out[name] = _judged(text, values, doubtful, columns[name], mark, factor.get(name, 1.0), pairs=pairs)
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


def _mark(
    cells: Mapping[str, pa.Array], plain: Mapping[str, tuple[Floats, Ints]], columns: Mapping[str, Column]
) -> tuple[Mark, bool]:
    """Return the decimal mark of a file, and whether ``45,50`` may be two angles in it.

    Both are looked for only where some cell isn't a plain number. A comma between two whole angles is a decimal one
    only where other cells of the file show decimal commas that can't be that.
    """
    if not any(len(doubtful) for _, doubtful in plain.values()):
        return ".", False
    words: set[str] = set()
    sure: set[str] = set()
    for name, column in cells.items():
        if pa.types.is_string(column.type):
            here = {
                *column.slice(0, SAMPLE).fill_null("").to_pylist(),
                *column.take(pa.array(plain[name][1])).to_pylist(),
            }
            words |= here
            sure |= {word for word in here if columns[name].unit != "deg" or not PAIR.fullmatch(word.strip())}
    mark = decimal_mark(word.strip() for word in words if len(word) < 60)
    return mark, decimal_mark(word.strip() for word in sure if len(word) < 60) != ","


def _judged(
    cells: pa.Array, values: Floats, doubtful: Ints, column: Column, mark: Mark, factor: float, *, pairs: bool
) -> Read:
    """Return numbers with the doubtful cells read as far as they can be, in metres or degrees."""
    texts = plain_text(cells.take(pa.array(doubtful)))
    filled = texts != ""
    doubtful, texts = doubtful[filled], texts[filled]
    words, back = np.unique(texts, return_inverse=True)
    low, high = column.low / factor, column.high / factor
    spelt = [spelt_number(word, mark, low, high, column.unit, pairs=pairs) for word in words]
    values = values.copy()
    values[doubtful] = np.array([item.value for item in spelt], dtype=float)[back]
    two = np.array([bool(item.readings) for item in spelt], dtype=bool)[back]
    bad = np.isnan(values[doubtful])
    wrong = [
        Wrong(NOT_A_NUMBER, doubtful[bad & ~two], _expected(column, texts[bad & ~two], "a number")),
        Wrong(TWO_NUMBERS, doubtful[two], [_either(column, spelt[i].readings, words[i]) for i in back[two]]),
        *_spelt(column, doubtful[~bad], texts[~bad], values),
    ]
    nothing = np.flatnonzero(np.isin(values, column.for_nothing)) if column.for_nothing else doubtful[:0]
    if len(nothing):
        numbers = [f"{column.name} is {value:g}" for value in values[nothing]]
        wrong.append(Wrong(FOR_NOTHING, nothing, numbers, _either_nothing(column, values[nothing[0]])))
        values[nothing] = np.nan
    values *= factor
    outside = np.flatnonzero((values < column.low) | (values > column.high))
    wrong += _outside(column, outside, plain_text(cells.take(pa.array(outside))), values[outside])
    values[np.abs(values) > BEYOND_ALL] = np.nan
    if column.stops == "nothing":
        values[outside] = np.nan  # the row stays in use, so its wrong number must not
    return _with_missing(Read(pd.Series(values), wrong), column)


def _either_nothing(column: Column, value: float) -> str:
    """Return how to say that a number is no value, and how to write it when it is one."""
    way_out = f"; if it is an angle, write {value + 360.0:g}" if column.unit == "deg" else ""
    return f"If it stands for 'no value', say blanks = [\"{value:g}\"] under [repairs.TABLE]{way_out}"


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
    either = " or ".join(f"{value:.12g}" for value in readings)
    two = " or two angles" if len(readings) == 1 else ""
    return f"{column.name} is '{shortened(word)}', which can be {either}{two}"


def _range(column: Column) -> str:
    return f"{column.low:.12g} to {column.high:.12g}"


# ------------------------------------------------------------------------------------------------ words and dates


def read_words(cells: pa.Array, column: Column, *, in_days: bool = False) -> Read:
    """Return a column of text, choices or dates, the last as day numbers of a spreadsheet where that is said."""
    if column.kind == "date":
        return _dates(cells, column, in_days)
    text = plain_text(cells)
    if column.kind == "choice":
        return _choices(text, column)
    return _with_missing(Read(pd.Series(text, dtype=object)), column)


def _dates(cells: pa.Array, column: Column, in_days: bool) -> Read:
    if pa.types.is_timestamp(cells.type):
        return Read(read_dates(cells)[0])
    text = plain_text(cells)
    values, bad, expected = read_dates(text)
    numbers = day_numbers(text[bad])
    if in_days:
        dates = from_day_numbers(text[bad])
        values.iloc[bad[numbers]] = dates[numbers].to_numpy()
        bad, numbers = bad[~numbers], numbers[~numbers]
    wrong = [Wrong(NOT_A_DATE, bad[~numbers], _expected(column, text[bad[~numbers]], expected))]
    if numbers.any():
        first = text[bad[numbers][0]]
        day = from_day_numbers(np.array([first], dtype=object))[0]
        message = f"{column.name} is '{first}' in {numbers.sum()} rows: the number of a day, {day:%Y-%m-%d} by it"
        wrong.append(
            Wrong(DAY_NUMBERS, bad[numbers][:1], [message if numbers.sum() > 1 else message.replace("rows", "row")])
        )
    return Read(values, wrong)


def _choices(text: Objects, column: Column) -> Read:
    """Return choices in lower case. A wrong one stays as it is: blank would mean "as the project says"."""
    codes, words = pd.factorize(text)
    chosen = np.array([choice_of(word, column.choices) for word in words], dtype=object)
    values = chosen[codes] if len(words) else text
    bad = np.flatnonzero(~np.isin(values.astype(str), [*column.choices, ""]))
    if column.stops != "nothing":
        wrong = [Wrong(NOT_A_CHOICE, bad, _expected(column, text[bad], " or ".join(column.choices)))]
        return Read(pd.Series(values, dtype=object), wrong)
    unknown, first, counts = np.unique(values[bad].astype(str), return_index=True, return_counts=True)
    messages = [
        f"{column.name} is '{shortened(word)}' in {count} row{'s' if count > 1 else ''}, "
        f"known are {' and '.join(column.choices)}"
        for word, count in zip(unknown, counts, strict=True)
    ]
    return Read(pd.Series(values, dtype=object), [Wrong(UNKNOWN_WORD, bad[first], messages)])


def _with_missing(read: Read, column: Column) -> Read:
    """Return a column with its blank cells accused, where it may have none."""
    if not column.required:
        return read
    blank = read.values.isna() if column.kind == "number" else read.values == ""
    accused = [
        wrong.places for wrong in read.wrong if wrong.rule in (NOT_A_NUMBER, TWO_NUMBERS, OUT_OF_RANGE, FOR_NOTHING)
    ]
    places = np.setdiff1d(np.flatnonzero(blank.to_numpy()), np.concatenate([np.empty(0, np.intp), *accused]))
    wrong = Wrong(MISSING_VALUE, places, [f"{column.name} is blank"] * len(places))
    return Read(read.values, [*read.wrong, wrong])
