"""What people have decided about suspects and fault picks, kept in ``decisions.toml`` beside the project's tables.

The tables themselves are never touched. Each decision says who made it, when and why. The file is small and readable,
and is changed under a lock: read again, changed, replaced whole. So of two people who decide at the same time neither
loses anything; of two decisions about the same thing the later one stands, and whoever made it is told of the earlier.
"""

from __future__ import annotations

import getpass
import json
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Literal, NamedTuple, get_args

from filelock import FileLock, Timeout

from desurvey.outputs import replacing
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown

__all__ = ["ANSWERS", "FILE", "Changed", "Decision", "Decisions", "What", "decide", "read_decisions"]

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


@shown
@dataclass(frozen=True, slots=True)
class Decisions:
    """All decisions of a project, one for each suspect or pick."""

    made: tuple[Decision, ...] = ()

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
        for item in fields(decision):
            if len(getattr(decision, item.name)) > LONGEST:
                raise DataProblem(f"'{item.name}' of a decision must have {LONGEST} letters at most", file=FILE)
        signed = replace(decision, who=decision.who or _who(), when=decision.when or _now())
        return Decisions((*self.without(decision.what, decision.key).made, signed))

    def without(self, what: What, key: str) -> Decisions:
        """Return the decisions less one that is taken back."""
        return Decisions(tuple(one for one in self.made if (one.what, one.key) != (what, key)))


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
    return Decisions(tuple(_decision(block) for block in _blocks(raw)))


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
    undone: Sequence[tuple[What, str]] = (),
    known: Decisions | None = None,
) -> Changed:
    """Add decisions to those of a project, and take others back: the only way in which the file is written.

    Parameters
    ----------
    folder : Path
        The project's.
    made : sequence of Decision
        To be signed and dated where they aren't.
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
                after = after.without(what, key)
            for decision in made:
                after = after.with_(decision)
            with replacing(folder / FILE, own=True) as partial:
                partial.write_text(HEADER + "".join(_as_toml(one) for one in after.made), encoding="utf-8")
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


def _blocks(raw: dict[str, object]) -> Iterable[dict[str, object]]:
    blocks = raw.get("decision", [])
    if not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks):
        raise DataProblem("decisions must be [[decision]] blocks", file=FILE)
    return blocks


def _decision(block: dict[str, object]) -> Decision:
    known = [item.name for item in fields(Decision)]
    for name, value in block.items():
        if name not in known:
            raise DataProblem("a decision must have known keys", file=FILE, value=name, hint=nearest(name, known))
        if not isinstance(value, str):
            raise DataProblem("the values of a decision must be text", file=FILE, column=name, value=value)
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


def _as_toml(decision: Decision) -> str:
    """Return one block; a JSON string without escapes beyond TOML's is a TOML basic string."""
    values = {item.name: getattr(decision, item.name) for item in fields(decision)}
    lines = [f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in values.items() if value]
    return "\n[[decision]]\n" + "\n".join(lines).replace("\x7f", "\\u007F") + "\n"


def _who() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
