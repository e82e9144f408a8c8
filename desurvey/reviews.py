"""Holes that a person has reviewed: bound to all that they rest on, and undone by any later change, which is named.

A review is a line of the audit trail (:mod:`desurvey.audit`). It holds hashes of the hole's rows in every table, of
every setting that has a say in them, and the decisions about the hole. Whether it still holds is asked of the tables
each time, so nothing can forget to undo it; and where a line of the trail was changed, no review holds any more.
"""

from __future__ import annotations

import hashlib
import zlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

import pandas as pd

from desurvey.audit import AuditLine, Trail
from desurvey.problems import Finding, Rule, key_part
from desurvey.shown import shown
from desurvey.tables.cleaning import SOURCE

if TYPE_CHECKING:
    from desurvey.decisions import Decisions
    from desurvey.project import Project

__all__ = [
    "AUDIT_BROKEN",
    "REVIEW_UNDONE",
    "Review",
    "findings_of",
    "resting_on",
    "review_line",
    "reviewed_words",
    "reviews_of",
]

REVIEW_UNDONE = Rule(
    "review_undone",
    "warning",
    "a review holds for what was reviewed, and something under it has changed since",
    "Review the hole again: lowside review PROJECT HOLE --by NAME (or take it back with --undo)",
)
AUDIT_BROKEN = Rule(
    "audit_broken",
    "warning",
    "each line of audit.jsonl is chained to the one before; somebody has changed, taken out or put in a line",
    "Ask who did, and put the file back from a state or a copy; reviews don't hold until then",
)

READ_BY = ("frame", "core", "units", "repairs", "names", "kinds")
"""Settings that say how tables are read; of the other sections each counts by itself."""


@shown
@dataclass(frozen=True, slots=True)
class Review:
    """A hole that was reviewed.

    Attributes
    ----------
    hole_id, who, when, why : str
        Hole, person, ISO 8601 time, and what was said of it.
    changed : tuple of str
        What has changed since, in words; empty while the review holds.
    """

    hole_id: str
    who: str
    when: str
    why: str = ""
    changed: tuple[str, ...] = ()


def resting_on(project: Project, decisions: Decisions, hole_id: str) -> dict[str, Any]:
    """Return all that a hole rests on, as plain values: hashes of its rows by table, of settings, and decisions.

    Parameters
    ----------
    project : Project
        The tables as logged; azimuths are from grid north, so what was done to them counts.
    decisions : Decisions
        Of the project.
    hole_id : str
        The hole.
    """
    said = asdict(project.settings)
    settings = {name: _hash(said[name]) for name in READ_BY} | {n: _hash(dict(s)) for n, s in said["sections"].items()}
    rows = {name: _rows(table, hole_id) for name, table in project.frames.items()}
    return {"rows": rows, "settings": settings, "decisions": _decisions(project, decisions, hole_id)}


def _rows(table: pd.DataFrame, hole_id: str) -> dict[str, str]:
    """Return a mark of each row of a hole → where it is: its depth, and how often it stands there."""
    own = table[table["hole_id"] == hole_id].drop(columns=["row", SOURCE], errors="ignore")
    place = own["depth_from"] if "depth_from" in own else own["depth"]
    texts = own.astype(object).where(own.notna(), "").to_numpy().tolist()
    marks: dict[str, str] = {}
    count: Counter[str] = Counter()
    for depth, row in zip(place.tolist(), texts, strict=True):
        plain = [f"{value:.10g}" if isinstance(value, float) else str(value) for value in row]
        mark = f"{zlib.crc32(repr([*own.columns, *plain]).encode()):08x}"
        count[mark] += 1
        marks[mark if count[mark] == 1 else f"{mark}#{count[mark]}"] = "" if "easting" in own else f"{depth:g}"
    return marks


def _hash(value: object) -> str:
    return hashlib.sha256(repr(value).encode()).hexdigest()[:16]


def _decisions(project: Project, decisions: Decisions, hole_id: str) -> list[str]:
    picks = set(project.structures.loc[project.structures["hole_id"] == hole_id, "structure_id"])
    found = [
        f"{one.key}: {one.answer}{' ' + one.fault if one.fault else ''}"
        for one in decisions.made
        if (one.key in picks if one.what == "pick" else _concerns(one.key, hole_id))
    ]
    name = key_part(hole_id)
    found += [f"{one.key}: explained" for one in decisions.explained if name in one.key.split(" ")[2:3]]
    return sorted(found)


def _concerns(key: str, hole_id: str) -> bool:
    """Return whether a suspect's key is about a hole; one of a group of runs may be about any."""
    scope, _, rest = key.partition(" ")
    return scope == "group" or unquote(rest.split(" ")[0]) == hole_id


def review_line(project: Project, decisions: Decisions, hole_id: str, who: str, why: str = "") -> AuditLine:
    """Return the line of the trail that says that a person has reviewed a hole."""
    return AuditLine("review", hole_id, who, why=why, more=resting_on(project, decisions, hole_id))


def reviews_of(trail: Trail, project: Project, decisions: Decisions) -> dict[str, Review]:
    """Return the last review of each hole that was not taken back, with all that has changed since."""
    last = {one.about: one for one in trail.entries if one.what in {"review", "review_undone"}}
    broken = ("the audit trail doesn't hold",) if trail.broken else ()
    return {
        hole: Review(
            hole, one.who, one.when, one.why, (*broken, *_changed(one.more, resting_on(project, decisions, hole)))
        )
        for hole, one in last.items()
        if one.what == "review"
    }


def _changed(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Return what differs between what a review rested on and what there is now, in words."""
    said = []
    old, new = then.get("rows", {}), now["rows"]
    for table in dict.fromkeys([*old, *new]):
        was, is_ = old.get(table, {}), new.get(table, {})
        came = [place for mark, place in is_.items() if mark not in was]
        went = [place for mark, place in was.items() if mark not in is_]
        if came or went:
            said.append(f"{table}: {_row_words(came, went)}")
    was, is_ = then.get("settings", {}), now["settings"]
    said += [f"project.toml: [{n}] is another" for n in dict.fromkeys([*was, *is_]) if was.get(n) != is_.get(n)]
    before, after = then.get("decisions", []), now["decisions"]
    said += [f"decided since: {one}" for one in after if one not in before]
    return said + [f"no longer decided: {one}" for one in before if one not in after]


MOST_PLACES = 5
"""Depths that a sentence names."""


def _row_words(came: list[str], went: list[str]) -> str:
    changed = [place for place in came if place in went]
    lots = {
        "changed": changed,
        "new": [place for place in came if place not in changed],
        "gone": [place for place in went if place not in changed],
    }
    return ", ".join(f"{len(places)} row{_s(places)} {what}{_at(places)}" for what, places in lots.items() if places)


def _s(places: list[str]) -> str:
    return "" if len(places) == 1 else "s"


def _at(places: list[str]) -> str:
    named = [place for place in places if place]
    more = f" and {len(named) - MOST_PLACES} more" if len(named) > MOST_PLACES else ""
    return f" (at {', '.join(named[:MOST_PLACES])} m{more})" if named else ""


def findings_of(trail: Trail, reviews: Mapping[str, Review], file: str) -> list[Finding]:
    """Return what is wrong with the trail, and the reviews that hold no more."""
    broken = [AUDIT_BROKEN.found(one, table="audit", file=file) for one in trail.broken]
    return broken + [
        REVIEW_UNDONE.found(
            f"reviewed by {one.who} on {one.when[:10]}, and changed since: {'; '.join(one.changed)}",
            table="collars",
            hole_id=one.hole_id,
        )
        for one in reviews.values()
        if one.changed
    ]


def reviewed_words(reviews: Mapping[str, Review], holes: int) -> list[str]:
    """Return who has reviewed which hole, while nothing under it has changed, in a sentence each person and day.

    Parameters
    ----------
    reviews : mapping of str to Review
        :func:`reviews_of`.
    holes : int
        How many holes there are.
    """
    groups: dict[tuple[str, str], list[str]] = {}
    for hole, one in reviews.items():
        if not one.changed:
            groups.setdefault((one.who, one.when[:10]), []).append(hole)
    return [
        f"Reviewed by {who} on {day}: {', '.join(names)} ({len(names)} of {holes} holes)."
        for (who, day), names in groups.items()
    ]
