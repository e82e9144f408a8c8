"""What can be wrong with a person's data, and how it is said.

Two things only: a :class:`DataProblem` is raised when nothing sensible can go on, a :class:`Finding` is
collected when one row is wrong and the rest is not. Both carry the same facts: where, what, which rule, what to do.
"""

from __future__ import annotations

import difflib
import re
import zlib
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

__all__ = ["ROWS", "DataProblem", "Finding", "Rule", "Severity", "Stops", "apart", "key_part", "nearest", "shortened"]

Severity = Literal["error", "warning", "note"]
Stops = Literal["nothing", "row", "hole", "table"]
"""What can't be used because of a finding."""


def shortened(value: object, length: int = 40) -> str:
    """Return a value as text that fits in a message.

    >>> shortened("x" * 50, length=8)
    'xxxxxxx…'
    """
    text = str(value).replace("\n", "⏎")
    return text if len(text) <= length else text[: length - 1] + "…"


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a hint at the known word that was probably meant, or an empty string.

    >>> nearest("declinaton", ["crs", "declination"])
    "did you mean 'declination'?"
    """
    by_lower_case = {name.lower(): name for name in known}
    match = difflib.get_close_matches(word.lower(), list(by_lower_case), n=1, cutoff=0.6)
    return f"did you mean '{by_lower_case[match[0]]}'?" if match else ""


def key_part(value: object) -> str:
    """Return a name or a depth as a part of a key: without blanks, and depths to 0.1 mm.

    Blanks and % are written as in a web address, so that no two lists of parts joined by blanks are the same.

    >>> key_part("TH 1"), key_part(1234567.5), key_part(12.0), key_part(float("nan"))
    ('TH%201', '1234567.5', '12', '')
    """
    if isinstance(value, float):
        text = "" if value != value else f"{value:.4f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    return "".join(f"%{ord(c):02X}" if c.isspace() or c == "%" else c for c in str(value))


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a check has to say about a row.

    Attributes
    ----------
    severity : {"error", "warning", "note"}
        *error*: the row can't be used as it stands. *warning*: it can, but is probably wrong. *note*: worth knowing.
    rule : str
        Identifier of the rule, e.g. ``depth_beyond_hole``.
    table : str
        Name of the table in the project, e.g. ``structures``.
    row : int or None
        Row number as a person sees it in a spreadsheet (the heading is row 1), None when it concerns the whole table.
    hole_id : str
        The hole, or an empty string.
    depth : float or None
        Depth along the hole in metres, where there is one.
    message : str
        What is wrong, with the value that was found.
    suggestion : str
        What to do about it.
    file : str
        Name of the file the row stands in.
    stops : {"nothing", "row", "hole", "table"}
        What can't be used because of it: no more than it has to.
    column, value : str
        The column it is about and what the cell holds, where it is about one cell or one word.
    apart : str
        What tells it from other findings of the same rule at the same place; given by :func:`apart`.
    """

    severity: Severity
    rule: str
    table: str
    row: int | None
    hole_id: str
    depth: float | None
    message: str
    suggestion: str
    file: str = ""
    stops: Stops = "nothing"
    column: str = ""
    value: str = ""
    apart: str = ""

    @property
    def key(self) -> str:
        """A name that stays the same while rows are added or re-ordered: rule, table, hole and depth."""
        depth = "" if self.depth is None else float(self.depth)
        parts = (key_part(part) for part in (self.rule, self.table, self.hole_id, depth, self.apart))
        return " ".join(part for part in parts if part)

    def __str__(self) -> str:
        """Return the finding as one line for a terminal."""
        where = self.file or self.table
        place = f"{where}, row {self.row}" if self.row is not None else where
        hole = f"{self.hole_id}: " if self.hole_id else ""
        advice = f" {self.suggestion}" if self.suggestion else ""
        return f"{place}: {hole}{self.message}.{advice}"


ROWS = re.compile(r"\brows? \d+(?:(?:, | and )\d+)*")
"""Row numbers in messages: they change when a row is added above, and what is said doesn't."""


def apart(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings with keys that all differ.

    Where several have one rule and one place, what they say (but for row numbers) tells them apart, and where they say
    the same, their order does.
    """
    said = _marked(tuple(findings), lambda one: f"{zlib.crc32(ROWS.sub('', one.message).encode()):08x}")
    count: Counter[str] = Counter()

    def place(one: Finding) -> str:
        count[one.key] += 1
        return f"{one.apart}#{count[one.key]}"

    return _marked(said, place)


def _marked(findings: tuple[Finding, ...], mark: Callable[[Finding], str]) -> tuple[Finding, ...]:
    """Return findings, those whose key is not theirs alone marked."""
    count = Counter(one.key for one in findings)
    return tuple(replace(one, apart=mark(one)) if count[one.key] > 1 else one for one in findings)


@dataclass(frozen=True, slots=True)
class Rule:
    """Something that should hold of a person's tables, declared once and documented from here.

    Attributes
    ----------
    id : str
        Short name that stands in findings.
    severity : {"error", "warning", "note"}
        Of every finding it makes.
    reason : str
        Why it matters, one line.
    suggestion : str
        What to do when it is broken.
    stops : {"nothing", "row", "hole", "table"}
        What can't be used when it is broken.
    """

    id: str
    severity: Severity
    reason: str
    suggestion: str
    stops: Stops = "nothing"

    def found(
        self,
        message: str,
        *,
        table: str,
        file: str = "",
        row: int | None = None,
        hole_id: str = "",
        depth: float | None = None,
        suggestion: str = "",
        column: str = "",
        value: str = "",
    ) -> Finding:
        """Return a finding of this rule at a place."""
        advice = suggestion or self.suggestion
        place = (table, row, hole_id, depth)
        return Finding(self.severity, self.id, *place, message, advice, file, self.stops, column, value)


@dataclass(eq=False)
class DataProblem(Exception):  # noqa: N818 - it is a problem of the data, not an error of the program
    """Input that can't be used, with all that a person needs to put it right.

    Parameters
    ----------
    rule : str
        What should hold, as a sentence without a full stop ("azimuth must lie in 0 to 360").
    file, row, column, value
        Where and what; leave out what does not apply. Rows count as in a spreadsheet, the heading being row 1.
    hint : str
        What to do next.
    """

    rule: str
    file: str = ""
    row: int | None = None
    column: str = ""
    value: object = field(default=None)
    hint: str = ""

    def __str__(self) -> str:
        """Return one message: where, what, got, expected, what to do."""
        place = [shortened(self.file, 200)] if self.file else []
        if self.row is not None:
            place.append(f"row {self.row}")
        if self.column:
            place.append(f"column '{self.column}'")
        where = ", ".join(place)
        got = f" (found {shortened(self.value)!r})" if self.value is not None else ""
        advice = f". {self.hint[0].upper()}{self.hint[1:]}" if self.hint else ""
        return f"{where + ': ' if where else ''}{self.rule}{got}{advice}"
