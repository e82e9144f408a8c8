"""The audit trail: every decision and every review of a project, each line chained to the one before by its hash.

``audit.jsonl`` lies beside the tables and only ever grows. A line that somebody changes, takes out or puts in breaks
the chain from there on, and that is said. It doesn't stop anybody who writes the whole file anew; the states that are
kept (:mod:`desurvey.campaign.states`) hold the trail of their day, against which it can be compared.

References
----------
Haber, Stornetta (1991), How to time-stamp a digital document, Journal of Cryptology 3, 99-111: linked hashes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["FILE", "AuditLine", "Trail", "append", "read_trail"]

FILE = "audit.jsonl"

NOTHING = "0" * 64
"""What the first line is chained to."""


@shown
@dataclass(frozen=True, slots=True)
class AuditLine:
    """One line of the trail.

    Attributes
    ----------
    what : str
        ``decision``, ``undone``, ``explained``, ``review``, ``review_undone``, ``relogged``, or ``found``: a change of
        the decisions that was made by other means, and came up later.
    about : str
        Key of a suspect or a finding, name of a pick or a hole.
    who, when, why : str
        Person, ISO 8601 time, reason.
    more : mapping
        What else belongs to it: the answer, or all that a review rests on.
    """

    what: str
    about: str
    who: str = ""
    when: str = ""
    why: str = ""
    more: Mapping[str, Any] = field(default_factory=dict)


@shown
@dataclass(frozen=True, slots=True)
class Trail:
    """The trail as it was read.

    Attributes
    ----------
    entries : tuple of AuditLine
        In their order.
    broken : tuple of str
        Where the chain doesn't hold, in sentences.
    last : str
        Hash of the last line.
    """

    entries: tuple[AuditLine, ...] = ()
    broken: tuple[str, ...] = ()
    last: str = NOTHING


def read_trail(folder: Path) -> Trail:
    """Return the audit trail of a project; an empty one when there is no file."""
    return trail_of(_text(folder))


def _text(folder: Path) -> str:
    try:
        return (folder / FILE).read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    except (OSError, UnicodeDecodeError) as error:
        raise DataProblem("the audit trail can't be read", file=FILE, value=str(error)) from error


def trail_of(text: str) -> Trail:
    """Return the trail that a text holds."""
    entries, broken, last = [], [], NOTHING
    for number, line in enumerate((line for line in text.split("\n") if line), start=1):
        try:
            raw = json.loads(line)
            entry = AuditLine(*(raw[name] for name in ("what", "about", "who", "when", "why", "more")))
            before, stated = raw["before"], raw["hash"]
        except (ValueError, KeyError, TypeError):
            broken.append(f"line {number} can't be read")
            continue
        if stated != _hash(entry, before):
            broken.append(f"line {number} ({entry.what} {entry.about}) was changed after it was written")
        if before != last:
            broken.append(f"before line {number} ({entry.what} {entry.about}) something was taken out or put in")
        entries.append(entry)
        last = stated
    return Trail(tuple(entries), tuple(broken), last)


def append(folder: Path, entries: Iterable[AuditLine]) -> None:
    """Add lines to the trail of a project. The caller holds the lock of its decisions."""
    text = _text(folder)
    last = trail_of(text).last
    for entry in entries:
        stated = _hash(entry, last)
        text += _line(entry, before=last, hash=stated)
        last = stated
    with replacing(folder / FILE, own=True) as partial:
        partial.write_text(text, encoding="utf-8")


def _line(entry: AuditLine, **more: str) -> str:
    values = {name: getattr(entry, name) for name in ("what", "about", "who", "when", "why", "more")}
    return json.dumps(values | more, ensure_ascii=False, sort_keys=True) + "\n"


def _hash(entry: AuditLine, before: str) -> str:
    return hashlib.sha256(_line(entry, before=before).encode()).hexdigest()
