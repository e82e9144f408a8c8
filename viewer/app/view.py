"""What is shown, in one small typed object, and one history of views and decisions for undo and redo."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal

from desurvey.decisions import Decision, Decisions

__all__ = ["FILTERS", "NO_FILTERS", "History", "State", "View", "said_of"]

MOST = 200
"""States that are kept for undo."""


@dataclass(frozen=True, slots=True)
class View:
    """What is shown and selected; every change makes a new one.

    Attributes
    ----------
    holes_by, discs_by : str
        Columns that colour holes and discs; see :class:`viewer.scene.Wanted`.
    kinds_off, holes_off, grades_off : frozenset of str
        Kinds of structure, holes and run grades that are switched off.
    sets_of : str
        The kind of structure whose sets are meant, empty for the sets of all kinds together.
    sets_off : frozenset of str
        Sets that are switched off.
    depth : (float, float)
        Metres along the hole between which structures are shown.
    suspicion : {"all", "suspect", "clear"}
        Whether only structures that a suspect concerns are shown, or only the others.
    hidden, alone : frozenset of int
        Rows of the structures table (from 0) that are hidden, and, unless empty, the only ones shown.
    selected : frozenset of int
        Rows that are selected.
    explained : frozenset of str
        Keys of the suspects that are shown as explained instead of as logged.
    disc_size : float
        Factor on the size of discs.
    by_width : bool
        Discs are larger for wider structures.
    doubt : bool
        Ellipsoids and cones of the selected discs are drawn.
    depths : bool
        Depths are written along the holes.
    look : {"light", "dark"}
        Background.
    """

    holes_by: str = ""
    discs_by: str = "kind"
    kinds_off: frozenset[str] = frozenset()
    holes_off: frozenset[str] = frozenset()
    grades_off: frozenset[str] = frozenset()
    sets_of: str = ""
    sets_off: frozenset[str] = frozenset()
    depth: tuple[float, float] = (0.0, float("inf"))
    suspicion: Literal["all", "suspect", "clear"] = "all"
    hidden: frozenset[int] = frozenset()
    alone: frozenset[int] = frozenset()
    selected: frozenset[int] = frozenset()
    explained: frozenset[str] = frozenset()
    disc_size: float = 1.0
    by_width: bool = False
    doubt: bool = False
    depths: bool = False
    look: Literal["light", "dark"] = "light"

    def without(self, names: Collection[str]) -> dict[str, Any]:
        """Return the fields by name, but for some."""
        return {item.name: getattr(self, item.name) for item in fields(self) if item.name not in names}


NO_FILTERS = View()

FILTERS = ("kinds_off", "holes_off", "grades_off", "sets_off", "depth", "suspicion", "hidden", "alone")
"""Fields that leave structures or holes out."""


@dataclass(frozen=True, slots=True)
class State:
    """One step of the history: what was shown, what stood decided, and in words how it came to be."""

    view: View
    decisions: Decisions
    words: str = ""


@dataclass(slots=True)
class History:
    """Views and decisions in the order in which they came to be; one of the states is the present one."""

    states: list[State] = field(default_factory=lambda: [State(View(), Decisions())])
    place: int = 0

    @classmethod
    def after(cls, decisions: Decisions, view: View) -> History:
        """Return the history of a project that has decisions from earlier days: each can be taken back."""
        made = sorted(decisions.made, key=lambda one: one.when)
        states = [State(view, Decisions(tuple(made[:count])), _decided(made, count)) for count in range(len(made) + 1)]
        return cls(states, len(states) - 1)

    @property
    def state(self) -> State:
        """The present state."""
        return self.states[self.place]

    @property
    def now(self) -> View:
        """The present view."""
        return self.state.view

    def change(self, words: str = "", decisions: Decisions | None = None, **what: Any) -> View:
        """Go on to a changed view; what had been undone is forgotten. No change adds nothing."""
        view = replace(self.now, **what)
        new = State(view, self.state.decisions if decisions is None else decisions, words or _changed(self.now, view))
        if (new.view, new.decisions) != (self.now, self.state.decisions):
            self.states = [*self.states[: self.place + 1], new][-MOST:]
            self.place = len(self.states) - 1
        return self.now

    def settle(self, view: View) -> None:
        """Put a view in the place of the present one in all states: it follows from the tables, not from a person."""
        self.states = [replace(state, view=view) for state in self.states]

    def step(self, way: int) -> State:
        """Go one state back (−1) or on (+1), if there is one."""
        self.place = min(max(self.place + way, 0), len(self.states) - 1)
        return self.state

    def words(self, way: int) -> str:
        """Return in words what a step back or on would take back or do again; empty where there is none."""
        place = self.place if way < 0 else self.place + 1
        return self.states[place].words if 0 < place < len(self.states) else ""


def _decided(made: Sequence[Decision], count: int) -> str:
    return said_of(made[count - 1]) if count else ""


def said_of(decision: Decision) -> str:
    """Return a decision in a few words.

    Examples
    --------
    >>> said_of(Decision("pick", "S0190", "pinned"))
    'pinned S0190 to none'
    """
    if decision.what == "pick":
        return f"pinned {decision.key} to {decision.fault or 'none'}"
    return f"{decision.answer.replace('_', ' ')}: {decision.key}"


WORDS = {
    "holes_by": "coloured holes", "discs_by": "coloured discs", "kinds_off": "chose kinds", "holes_off": "chose holes",
    "grades_off": "chose run grades", "sets_of": "found sets", "sets_off": "chose sets", "depth": "chose depths",
    "suspicion": "chose by suspicion", "hidden": "hid some", "alone": "showed some alone", "selected": "selected",
    "explained": "showed as explained", "disc_size": "sized discs", "by_width": "sized discs by width",
    "doubt": "showed doubt", "depths": "wrote depths", "look": "light or dark",
}  # fmt: skip


def _changed(before: View, after: View) -> str:
    """Return in a few words what differs between two views."""
    names = [item.name for item in fields(View) if getattr(before, item.name) != getattr(after, item.name)]
    if names == ["selected"]:
        return f"selected {len(after.selected)}" if after.selected else "selected none"
    return " and ".join(WORDS[name] for name in names[:2]) + (" and more" if len(names) > 2 else "")
