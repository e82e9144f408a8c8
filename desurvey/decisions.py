"""What people have decided about suspects and fault picks, kept in ``decisions.toml`` beside the project's tables.

The tables themselves are never touched. Each decision says who made it, when and why. The file is small and readable,
and is changed under a lock: read again, changed, replaced whole. So of two people who decide at the same time neither
loses anything; of two decisions about the same thing the later one stands, and whoever made it is told of the earlier.
Findings that somebody has answered stand there too (``[[explained]]``). Every change goes into the audit trail
(:mod:`desurvey.audit`) first; one that was made by hand is found there the next time.
"""

from __future__ import annotations

import getpass
import json
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Literal, NamedTuple, get_args

from filelock import FileLock, Timeout

from desurvey.audit import FILE as AUDIT
from desurvey.audit import AuditLine, append, read_trail
from desurvey.outputs import replacing
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown

__all__ = [
    "ANSWERS",
    "AUDIT",
    "FILE",
    "Changed",
    "Decision",
    "Decisions",
    "Explained",
    "What",
    "decide",
    "read_decisions",
    "record",
    "unrecorded",
]

FILE = "decisions.toml"

What = Literal["suspect", "pick"]
Answer = Literal["accepted", "set_aside", "pinned"]

ANSWERS: dict[What, tuple[Answer, ...]] = {"suspect": ("accepted", "set_aside"), "pick": ("pinned",)}
"""What can be decided about what."""

LONGEST = 1000
"""Letters of any part of a decision: a reason is a few sentences."""

PATIENCE_S = 10.0
"""Seconds to wait for somebody else's change of the file, which takes milliseconds."""

HEADER = (
    "# Decisions: suspects accepted or set aside, picks pinned to a fault. Every output obeys them.\n"
    "# The tables are as they were; delete a block to take its decision back.\n"
)


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision.

    Attributes
    ----------
    what : {"suspect", "pick"}
        What it is about.
    key : str
        Which one: the suspect's key, or the structure_id of the pick.
    answer : {"accepted", "set_aside", "pinned"}
        Suspects are accepted or set aside; picks are pinned.
    fault : str
        Fault that a pick is pinned to; empty for none.
    who, when, why : str
        Person, ISO 8601 time, and reason.
    """

    what: What
    key: str
    answer: Answer
    fault: str = ""
    who: str = ""
    when: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Explained:
    """A finding that somebody has answered: it is shown and counted apart while nothing changes.

    Attributes
    ----------
    key : str
        The finding's key.
    reason, owner : str
        Why it stands, and who answers for that.
    until : str
        Last day on which it holds, ISO 8601; empty for no end.
    seen : str
        Hash of what was explained: the finding and its row. Once that differs, the finding is back.
    when : str
        ISO 8601 time.
    """

    key: str
    reason: str
    owner: str = ""
    until: str = ""
    seen: str = ""
    when: str = ""


@shown
@dataclass(frozen=True, slots=True)
class Decisions:
    """All decisions of a project, one for each suspect or pick, and the findings that were explained."""

    made: tuple[Decision, ...] = ()
    explained: tuple[Explained, ...] = ()

    def about(self, what: What) -> dict[str, Decision]:
        """Return the decisions about suspects or about picks, by their key."""
        return {decision.key: decision for decision in self.made if decision.what == what}

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.made)

    def keys(self, answer: Answer) -> frozenset[str]:
        """Return what was answered so."""
        return frozenset(one.key for one in self.made if one.answer == answer)

    @property
    def pins(self) -> dict[str, str]:
        """Pick → the fault, or a pick of the fault, that it is pinned to; an empty text for none."""
        return {one.key: one.fault for one in self.made if one.what == "pick"}

    def told(self) -> list[str]:
        """Return each decision as a sentence without a stop: what, by whom, when and why."""
        return [
            f"{one.what} {one.key} {one.answer.replace('_', ' ')}"
            + (f" to {one.fault or 'no fault'}" if one.what == "pick" else "")
            + "".join(f", {word} {text}" for word, text in (("by", one.who), ("on", one.when[:10])) if text)
            + (f": {one.why}" if one.why else "")
            for one in self.made
        ]

    def with_(self, decision: Decision) -> Decisions:
        """Return the decisions with one more, signed and dated; one about the same thing is replaced.

        Raises
        ------
        DataProblem
            For an answer that can't be given about such a thing, no key, or texts beyond all measure.
        """
        if decision.answer not in ANSWERS[decision.what] or not decision.key:
            raise DataProblem(
                f"a decision about a {decision.what} must name it, and be {' or '.join(ANSWERS[decision.what])}",
                value=decision.answer,
            )
        _refuse_long(decision, "a decision")
        signed = replace(decision, who=decision.who or _who(), when=decision.when or _now())
        return replace(self, made=(*self.without(decision.what, decision.key).made, signed))

    def without(self, what: What, key: str) -> Decisions:
        """Return the decisions less one that is taken back."""
        return replace(self, made=tuple(one for one in self.made if (one.what, one.key) != (what, key)))

    def explaining(self, one: Explained) -> Decisions:
        """Return the decisions with one more finding explained; what was said of the same one is replaced.

        Raises
        ------
        DataProblem
            Without a reason, or for an end that is no day.
        """
        if not one.key or not one.reason.strip():
            raise DataProblem("a finding is explained by a reason", file=FILE, column="reason", hint="say --why …")
        if one.until and not _is_day(one.until):
            raise DataProblem("'until' must be a day such as 2026-05-31", file=FILE, column="until", value=one.until)
        _refuse_long(one, "an explained finding")
        signed = replace(one, owner=one.owner or _who(), when=one.when or _now())
        return replace(self, explained=(*self.not_explaining(one.key).explained, signed))

    def not_explaining(self, key: str) -> Decisions:
        """Return the decisions less a finding that is explained."""
        return replace(self, explained=tuple(one for one in self.explained if one.key != key))


def read_decisions(folder: Path) -> Decisions:
    """Return the decisions of a project; none when there is no file.

    Raises
    ------
    DataProblem
        When the file can't be read as what this program writes.
    """
    path = folder / FILE
    if not path.exists():
        return Decisions()
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DataProblem(
            "decisions.toml must be readable TOML", file=FILE, value=str(error), hint="mend it or move it away"
        ) from error
    made = tuple(_decision(block) for block in _blocks(raw, "decision"))
    return Decisions(made, tuple(_explained(block) for block in _blocks(raw, "explained")))


@shown
class Changed(NamedTuple):
    """What a change of the file led to.

    Attributes
    ----------
    decisions : Decisions
        All that stand now, other people's among them.
    overruled : tuple of Decision
        Other people's decisions about the same things that had been made since ``known``, and answered otherwise.
    """

    decisions: Decisions
    overruled: tuple[Decision, ...]


def decide(
    folder: Path,
    made: Sequence[Decision] = (),
    *,
    explained: Sequence[Explained] = (),
    undone: Sequence[tuple[What | Literal["finding"], str]] = (),
    known: Decisions | None = None,
) -> Changed:
    """Add decisions to those of a project, and take others back: the only way in which the file is written.

    Parameters
    ----------
    folder : Path
        The project's.
    made : sequence of Decision
        To be signed and dated where they aren't.
    explained : sequence of Explained
        Findings that somebody answers, to be dated where they aren't.
    undone : sequence of (what, key)
        Decisions to be taken back; one that isn't there is no error.
    known : Decisions, optional
        What the person who decides had seen: what others have decided since is told.

    Raises
    ------
    DataProblem
        When the file is damaged, can't be written, or is being changed by somebody else for ten seconds on end.
    """
    if not folder.is_dir():  # the lock would make it
        raise DataProblem("decisions can't be written", file=str(folder / FILE), value="there is no such folder")
    try:
        with FileLock(folder / LOCK, timeout=PATIENCE_S):
            before = after = read_decisions(folder)
            for what, key in undone:
                after = after.not_explaining(key) if what == "finding" else after.without(what, key)
            for decision in made:
                after = after.with_(decision)
            for one in explained:
                after = after.explaining(one)
            append(folder, _entries(folder, before, after))
            with replacing(folder / FILE, own=True) as partial:
                blocks = (
                    *(_as_toml("decision", d) for d in after.made),
                    *(_as_toml("explained", e) for e in after.explained),
                )
                partial.write_text(HEADER + "".join(blocks), encoding="utf-8")
    except Timeout as error:
        raise DataProblem("somebody else is changing the decisions", file=FILE, hint="try again in a moment") from error
    except OSError as error:
        raise DataProblem("decisions can't be written", file=str(folder / FILE), value=error.strerror) from error
    touched = {(one.what, one.key) for one in made} | set(undone)
    others = [one for one in before.made if (one.what, one.key) in touched and known is not None]
    new = {(one.what, one.key): (one.answer, one.fault) for one in made}
    overruled = (
        one
        for one in others
        if known is not None and one not in known.made and new.get((one.what, one.key)) != (one.answer, one.fault)
    )
    return Changed(after, tuple(overruled))


LOCK = ".decisions.lock"


def record(folder: Path, entry: AuditLine) -> None:
    """Add a line that is no decision to the audit trail of a project, under the same lock.

    Raises
    ------
    DataProblem
        As :func:`decide`.
    """
    signed = replace(entry, who=entry.who or _who(), when=entry.when or _now())
    try:
        with FileLock(folder / LOCK, timeout=PATIENCE_S):
            append(folder, [signed])
    except Timeout as error:
        raise DataProblem("somebody else is changing the decisions", file=FILE, hint="try again in a moment") from error
    except OSError as error:
        raise DataProblem("the audit trail can't be written", file=str(folder / AUDIT), value=error.strerror) from error


def unrecorded(folder: Path, decisions: Decisions) -> list[AuditLine]:
    """Return what the trail of a project doesn't tell of its decisions: changes that were made by hand."""
    return _entries(folder, decisions, decisions)


def _entries(folder: Path, before: Decisions, after: Decisions) -> list[AuditLine]:
    """Return the lines that a change adds to the trail: first what it finds that no line tells of, then its own."""
    told = _told(read_trail(folder).entries)
    found, stand = _standing(before), _standing(after)
    now = _now()
    lines = [
        AuditLine("found", about, one.who if one else "", now, "" if one else "taken out by hand", _more(what, one))
        for what, about in {**told, **found}
        for one in [found.get((what, about))]
        if told.get((what, about)) != (None if one is None else _more(what, one))
    ]
    for (what, about), one in stand.items():
        if found.get((what, about)) != one:
            kind = "explained" if what == "finding" else "decision"
            lines.append(AuditLine(kind, about, one.who, one.when, one.why, _more(what, one)))
    gone = [key for key in found if key not in stand]
    return [*lines, *(AuditLine("undone", about, _who(), now, "", {"what": what}) for what, about in gone)]


class _Standing(NamedTuple):
    """A decision or an explained finding, as the trail tells of it."""

    answer: str
    fault: str
    who: str
    when: str
    why: str


def _standing(decisions: Decisions) -> dict[tuple[str, str], _Standing]:
    made = {(str(d.what), d.key): _Standing(d.answer, d.fault, d.who, d.when, d.why) for d in decisions.made}
    said = {("finding", e.key): _Standing("explained", e.until, e.owner, e.when, e.reason) for e in decisions.explained}
    return {**made, **said}


def _more(what: str, one: _Standing | None) -> dict[str, str]:
    return {"what": what} if one is None else {"what": what, "answer": one.answer, "fault": one.fault}


def _told(entries: Iterable[AuditLine]) -> dict[tuple[str, str], dict[str, str]]:
    """Return the decisions that stand by the trail."""
    told: dict[tuple[str, str], dict[str, str]] = {}
    for entry in entries:
        if entry.what in {"decision", "explained", "found", "undone"}:
            key = (str(entry.more.get("what", "")), entry.about)
            told.pop(key, None)
            if "answer" in entry.more:
                told[key] = dict(entry.more)
    return told


def _blocks(raw: dict[str, object], name: str) -> Iterable[dict[str, object]]:
    blocks = raw.get(name, [])
    if not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks):
        raise DataProblem(f"there must be [[{name}]] blocks", file=FILE, value=name)
    return blocks


def _refuse_long(one: Decision | Explained, what: str) -> None:
    for item in fields(one):
        if len(getattr(one, item.name)) > LONGEST:
            raise DataProblem(f"'{item.name}' of {what} must have {LONGEST} letters at most", file=FILE)


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _refuse_unknown(block: dict[str, object], kind: type, what: str) -> None:
    known = [item.name for item in fields(kind)]
    for name, value in block.items():
        if name not in known:
            raise DataProblem(f"{what} must have known keys", file=FILE, value=name, hint=nearest(name, known))
        if not isinstance(value, str):
            raise DataProblem(f"the values of {what} must be text", file=FILE, column=name, value=value)


def _explained(block: dict[str, object]) -> Explained:
    until = block.get("until")
    block = {**block, **({"until": until.isoformat()} if isinstance(until, date) else {})}  # as a person may write it
    _refuse_unknown(block, Explained, "an explained finding")
    one = Explained(**{"key": "", "reason": "", **block})  # type: ignore[arg-type]
    Decisions().explaining(one)  # refuses what is missing
    return one


def _decision(block: dict[str, object]) -> Decision:
    _refuse_unknown(block, Decision, "a decision")
    what, answer = block.get("what"), block.get("answer")
    for name, value, allowed in (
        ("what", what, get_args(What)),
        ("answer", answer, ANSWERS.get(what, get_args(Answer))),  # type: ignore[call-overload]
    ):
        if value not in allowed:
            raise DataProblem(f"{name} must be one of {', '.join(allowed)}", file=FILE, value=value)
    if not block.get("key"):
        raise DataProblem("a decision must say what it is about", file=FILE, column="key")
    return Decision(**block)  # type: ignore[arg-type]


def _as_toml(block: str, one: Decision | Explained) -> str:
    """Return one block; a JSON string without escapes beyond TOML's is a TOML basic string."""
    values = {item.name: getattr(one, item.name) for item in fields(one)}
    lines = [f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in values.items() if value]
    return f"\n[[{block}]]\n" + "\n".join(lines).replace("\x7f", "\\u007F") + "\n"


def _who() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
