"""What people have decided about suspects and fault picks, kept in ``decisions.toml`` beside the project's tables.

The tables themselves are never touched. Each decision says who made it, when and why; the file is small, readable and
is replaced whole.
"""

from __future__ import annotations

import getpass
import json
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Literal, get_args

from desurvey.outputs import replacing
from desurvey.problems import DataProblem, nearest

__all__ = ["FILE", "Decision", "Decisions", "What", "read_decisions", "write_decisions"]

FILE = "decisions.toml"

What = Literal["suspect", "pick"]
Answer = Literal["accepted", "set_aside", "pinned"]

HEADER = (
    "# Decisions made in lowside's viewer: suspects accepted or set aside, picks pinned to a fault.\n"
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
class Decisions:
    """All decisions of a project, one for each suspect or pick."""

    made: tuple[Decision, ...] = ()

    def about(self, what: What) -> dict[str, Decision]:
        """Return the decisions about suspects or about picks, by their key."""
        return {decision.key: decision for decision in self.made if decision.what == what}

    def with_(self, decision: Decision) -> Decisions:
        """Return the decisions with one more, signed and dated; one about the same thing is replaced."""
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


def write_decisions(folder: Path, decisions: Decisions) -> None:
    """Write the decisions of a project, whole or not at all."""
    with replacing(folder / FILE, own=True) as partial:
        partial.write_text(HEADER + "".join(_as_toml(one) for one in decisions.made), encoding="utf-8")


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
    for name, allowed in (("what", get_args(What)), ("answer", get_args(Answer))):
        if block.get(name) not in allowed:
            raise DataProblem(f"{name} must be one of {', '.join(allowed)}", file=FILE, value=block.get(name))
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
