"""Repairs that a person has declared in ``project.toml``, applied to the cells of a file before they are read.

The file itself stays as it is. What was done is said in a note with its count, so that nobody is surprised.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from desurvey.problems import Rule, shortened
from desurvey.shown import shown
from desurvey.tables.reading import Cells

__all__ = ["RULES", "Repairs", "repaired", "without_marks"]

DECLARED = Rule(
    "declared_repair", "note", "project.toml says so under [repairs]", "Nothing, if it is right; else take the line out"
)
MARKS = Rule(
    "invisible_mark",
    "note",
    "marks without width, such as U+FEFF, come from joining files; they make two names of one",
    "Nothing: they were taken off",
)

RULES = (DECLARED, MARKS)

INVISIBLE = "[\ufeff\u200b-\u200f\u2060\u00ad]"
"""Characters that nobody sees and that make two words of one."""

LEADS = (b"\xef\xbb\xbf", b"\xe2\x80", b"\xe2\x81\xa0", b"\xc2\xad")
"""How they start in UTF-8: one search of the bytes tells that there is nothing to do, as nearly always."""


@shown
@dataclass(frozen=True, slots=True)
class Repairs:
    """``[repairs.TABLE]``: what to do with the cells of a table before they are read.

    Attributes
    ----------
    skip_rows : list of str
        Rows whose first filled cell is one of these words are no rows of the table (units, totals, remarks).
    blanks : list of str
        Words and numbers that say "no value" anywhere in the table: ``["no line", "-99"]``.
    fill_down : list of str
        Columns of which a blank cell means the same as the cell above it, as merged cells leave them.
    values : mapping of str to mapping
        ``[repairs.TABLE.values] COLUMN = { "word in the table" = "what it means" }``.
    """

    skip_rows: tuple[str, ...] = ()
    blanks: tuple[str, ...] = ()
    fill_down: tuple[str, ...] = ()
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def without_marks(cells: Cells) -> Cells:
    """Return the cells without marks that nobody sees, and a note where there were any."""
    changed: dict[str, pa.Array] = {}
    for heading, column in cells.columns.items():
        if pa.types.is_string(column.type) and _may_hold_marks(column):
            marked = pc.match_substring_regex(column, INVISIBLE)
            if pc.any(marked).as_py():
                changed[heading] = pc.replace_substring_regex(column, INVISIBLE, "")
    if not changed:
        return cells
    message = f"marks that nobody sees were taken off cells of {', '.join(repr(name) for name in changed)}"
    finding = MARKS.found(message, table="", file=cells.file)
    return replace(cells, columns={**cells.columns, **changed}, findings=(*cells.findings, finding))


def _may_hold_marks(column: pa.Array) -> bool:
    data = column.buffers()[2]
    text = b"" if data is None else data.to_pybytes()
    return not text.isascii() and any(lead in text for lead in LEADS)


def repaired(cells: Cells, repairs: Repairs, source: Mapping[str, str]) -> Cells:
    """Return the cells with a table's declared repairs done, in the order skip, blank, fill down, exchange.

    Parameters
    ----------
    cells : Cells
    repairs : Repairs
    source : mapping of str to str
        Canonical column → heading.
    """
    if repairs == Repairs():
        return cells
    columns, rows, said = dict(cells.columns), cells.rows, []
    if repairs.skip_rows:
        keep = ~_starting_with(list(columns.values()), repairs.skip_rows, len(rows))
        kept = pa.array(np.flatnonzero(keep))
        columns = {heading: column.take(kept) for heading, column in columns.items()}
        said += _counted(int((~keep).sum()), "row", f"left out (skip_rows = {_listed(repairs.skip_rows)})")
        rows = rows[keep]
    if repairs.blanks:
        masks = {heading: _meaning_nothing(column, repairs.blanks) for heading, column in columns.items()}
        for heading, mask in masks.items():
            if mask.any():
                columns[heading] = pc.if_else(pa.array(mask), pa.scalar(None, columns[heading].type), columns[heading])
        count = sum(int(mask.sum()) for mask in masks.values())
        said += _counted(count, "cell", f"taken for blank (blanks = {_listed(repairs.blanks)})")
    for name in repairs.fill_down:
        if name in source:
            columns[source[name]], count = _filled_down(columns[source[name]])
            said += _counted(count, f"blank {name}", f'filled from above (fill_down = ["{name}"])')
    for name, words in repairs.values.items():
        if name in source:
            columns[source[name]], count = _exchanged(columns[source[name]], words)
            said += _counted(count, "cell", f"of {name} read by [repairs.….values]")
    findings = [DECLARED.found(message, table="", file=cells.file) for message in said]
    return replace(cells, rows=rows, columns=columns, findings=(*cells.findings, *findings))


def _counted(count: int, what: str, done: str) -> list[str]:
    return [f"{count:,} {what}{'s' if count != 1 else ''} {done}"] if count else []


def _listed(words: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{shortened(word)}"' for word in words) + "]"


def _plain(column: pa.Array) -> pa.Array:
    """Return cells as text in lower case without blanks around them."""
    text = column if pa.types.is_string(column.type) else pc.cast(column, pa.string())
    return pc.utf8_lower(pc.utf8_trim_whitespace(text.fill_null("")))


def _starting_with(columns: list[pa.Array], words: Collection[str], rows: int) -> npt.NDArray[np.bool_]:
    """Return the rows whose first filled cell is one of some words."""
    lead = pa.array([""] * rows, pa.string())
    for column in columns:
        lead = pc.if_else(pc.equal(lead, ""), _plain(column), lead)
    return _among(lead, words)


def _among(text: pa.Array, words: Iterable[str]) -> npt.NDArray[np.bool_]:
    wanted = pa.array(sorted({" ".join(word.split()).lower() for word in words}), pa.string())
    return np.asarray(pc.is_in(text, wanted).to_numpy(zero_copy_only=False), dtype=bool)


def _meaning_nothing(column: pa.Array, blanks: Sequence[str]) -> npt.NDArray[np.bool_]:
    """Return the cells that are one of some words, a number however its decimals are written."""
    text = _plain(column)
    found = _among(text, blanks)
    for word in blanks:
        if re.fullmatch(r"[-−]?\d+([.,]\d*)?", word.strip()):
            whole, _, decimals = word.strip().replace("−", "-").replace(",", ".").partition(".")
            decimals = re.escape(decimals.rstrip("0"))
            sign = "[-−]" if whole.startswith("-") else ""
            pattern = (
                rf"^{sign}0*{whole.lstrip('-')}([.,]{decimals}0*)?$"
                if not decimals
                else (rf"^{sign}0*{whole.lstrip('-')}[.,]{decimals}0*$")
            )
            found |= np.asarray(pc.match_substring_regex(text, pattern).to_numpy(zero_copy_only=False), dtype=bool)
    return found


def _filled_down(column: pa.Array) -> tuple[pa.Array, int]:
    """Return a column with its blank cells filled from above, and how many were."""
    if pa.types.is_string(column.type):
        blank = pc.equal(pc.utf8_trim_whitespace(column.fill_null("")), "")
        column = pc.if_else(blank, pa.scalar(None, column.type), column)
    filled = pc.fill_null_forward(column)
    return filled, column.null_count - filled.null_count


def _exchanged(column: pa.Array, words: Mapping[str, str]) -> tuple[pa.Array, int]:
    """Return a column with some words exchanged for what they mean, and how many cells had one."""
    text = _plain(column)
    out, count = pc.cast(column, pa.string()), 0
    for word, meaning in words.items():
        mask = _among(text, [word])
        out = pc.if_else(pa.array(mask), meaning, out)
        count += int(mask.sum())
    return out, count
