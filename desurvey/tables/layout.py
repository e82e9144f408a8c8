"""Where the table stands in a file: its heading row, a row of units below it, and rows that belong to no table.

Nothing here looks at numbers; a row is left out only for what its words say, and that is said in a finding.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from desurvey.tables.schema import IN_HEADINGS, heading_unit, known_headings, plain_heading, unit_of

__all__ = [
    "SEARCHED",
    "Grid",
    "declared_units",
    "filled_above",
    "find_heading",
    "heading_names",
    "heading_score",
    "left_out",
    "trimmed",
    "units_below",
]

SEARCHED = 50
"""Rows in which the heading row is looked for."""

Grid = Sequence[Sequence[str]]

TOTALS = (
    r"(?i)^(grand|sub)?[ -]?(totals?|sum|subtotals?|mean|average|count|end of (file|data|hole log))\b"
    r"( (m|metres?|meters?|met(er|re)age|depth|drilled|core|length|recover(y|ed)|holes?|rows?|runs?))*[ :=]*$"
)
"""What a row below a table starts with that sums the table up (common practice, no source)."""

COMMENT = r"^(#\s|#$|//)"


def find_heading(rows: Grid, mapped: Collection[str] = ()) -> int | None:
    """Return the place of the heading row among the first rows of a file, None when all of them are blank.

    It is the first row with the most cells that are known headings. Where no row has two of them, it is the first row
    that is neither blank nor a comment.

    Parameters
    ----------
    rows : sequence of rows of cells
    mapped : collection of str
        Headings that the project maps to columns, beside the ones that are known anyway.
    """
    scores = [heading_score(row, mapped) for row in rows[:SEARCHED]]
    if scores and max(scores) >= min(2, max(len(row) for row in rows)):
        return scores.index(max(scores))
    filled = [place for place, row in enumerate(rows[:SEARCHED]) if any(cell.strip() for cell in row)]
    plain = [place for place in filled if not rows[place][0].lstrip().startswith(("#", "//"))]
    first = plain or filled
    return first[0] if first else None


def filled_above(rows: Grid, place: int) -> tuple[int, ...]:
    """Return the row numbers (from 1) of rows above a place that aren't blank."""
    return tuple(number + 1 for number, row in enumerate(rows[:place]) if any(cell.strip() for cell in row))


def heading_score(row: Sequence[str], mapped: Collection[str] = ()) -> int:
    """Return how many different known headings stand in a row."""
    known = known_headings()
    cells = {cell.strip() for cell in row if len(cell) <= 80 and not cell[:1].isdigit()} - {""}
    return len({plain for cell in cells if (plain := plain_heading(cell)) in known or cell in mapped})


def heading_names(row: Sequence[str]) -> list[str]:
    """Return headings without surrounding blanks; one without words is called by its place, one of two numbered."""
    names: list[str] = []
    for place, cell in enumerate(row):
        wanted = " ".join(cell.split()) or f"column {place + 1}"
        count = sum(name == wanted or name.startswith(f"{wanted} (") for name in names)
        names.append(f"{wanted} ({count + 1})" if wanted in names else wanted)
    return names


def units_below(headings: Sequence[str], row: Sequence[str]) -> dict[str, str]:
    """Return the unit of each column when a row holds nothing but units, else nothing.

    >>> units_below(["Hole", "From", "Dip"], ["", "(ft)", "°"])
    {'From': 'ft', 'Dip': 'deg'}
    """
    cells = [cell.strip() for cell in row]
    units = [unit_of(cell) for cell in cells]
    if not any(unit in IN_HEADINGS for unit in units):
        return {}
    if any(cell and not unit for cell, unit in zip(cells, units, strict=True)):
        return {}
    return {heading: unit for heading, unit in zip(headings, units, strict=False) if unit in IN_HEADINGS}


def declared_units(headings: Sequence[str]) -> dict[str, str]:
    """Return the units that headings themselves state, as ``Depth (ft)`` does."""
    return {heading: unit for heading in headings if (unit := heading_unit(heading))}


def left_out(columns: Sequence[pa.Array], headings: Sequence[str]) -> dict[str, npt.NDArray[np.intp]]:
    """Return the places of rows that are no rows of the table, by what they are: ``blank``, ``total`` and so on.

    Parameters
    ----------
    columns : sequence of string arrays
    headings : sequence of str
    """
    if not columns or not len(columns[0]):
        return {}
    lead = _first_filled(columns)
    repeated = pc.equal(trimmed(columns[0]), headings[0])
    if len(columns) > 1:
        repeated = pc.and_(repeated, pc.equal(trimmed(columns[1]), headings[1]))
    found = {
        "blank": pc.equal(lead, ""),
        "total": pc.match_substring_regex(lead, TOTALS),
        "comment": pc.match_substring_regex(lead, COMMENT),
        "the headings again": repeated,
    }
    return {
        what: np.flatnonzero(mask.to_numpy(zero_copy_only=False))
        for what, mask in found.items()
        if pc.any(mask).as_py()
    }


def _first_filled(columns: Sequence[pa.Array]) -> pa.Array:
    """Return the first cell of each row that isn't blank, or a blank."""
    lead = trimmed(columns[0])
    for column in columns[1:]:
        blank = pc.equal(lead, "")
        if not pc.any(blank).as_py():
            break
        lead = pc.if_else(blank, trimmed(column), lead)
    return lead


def trimmed(cells: pa.Array) -> pa.Array:
    """Return cells without blanks (of any alphabet) around them."""
    return pc.utf8_trim_whitespace(cells.fill_null(""))
