"""The state of the app in one small typed object, and its history for undo and redo."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

__all__ = ["FILTERS", "NO_FILTERS", "History", "View"]

MOST = 200
"""Views that are kept for undo."""


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


NO_FILTERS = View()

FILTERS = ("kinds_off", "holes_off", "grades_off", "sets_off", "depth", "suspicion", "hidden", "alone")
"""Fields that leave structures or holes out."""


@dataclass(slots=True)
class History:
    """Views in the order in which they came to be; one of them is the present one."""

    views: list[View] = field(default_factory=lambda: [View()])
    place: int = 0

    @property
    def now(self) -> View:
        """The present view."""
        return self.views[self.place]

    def change(self, **what: Any) -> View:
        """Go on to a changed view; what had been undone is forgotten. No change adds nothing."""
        changed = replace(self.now, **what)
        if changed != self.now:
            self.views = [*self.views[: self.place + 1], changed][-MOST:]
            self.place = len(self.views) - 1
        return self.now

    def undo(self) -> View:
        """Go one view back, if there is one."""
        self.place = max(self.place - 1, 0)
        return self.now

    def redo(self) -> View:
        """Go one view forward, if there is one."""
        self.place = min(self.place + 1, len(self.views) - 1)
        return self.now
