"""Sets of orientations: found on demand among the poles of one kind or of all, then shown, hidden and coloured."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from desurvey import orient, sphere
from viewer import theme
from viewer.app.cards import bearing
from viewer.app.desk import BY_SET, Desk
from viewer.app.stage import Part, Stage, careful
from viewer.app.view import View
from viewer.app.work import found_sets

__all__ = ["FoundSets", "SetsPart", "found_sets", "named_sets"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class FoundSets:
    """The sets among some structures.

    Attributes
    ----------
    name : (n,) str array
        Of each row of the structures table: its set, that it is in none, or that it was not looked at (of another kind,
        or without an orientation).
    items : tuple of dict
        Each set as the page lists it, and last those in no set: name, colour, plane, count.
    explained : frozenset of str
        Keys of the suspects that were shown as explained when they were looked for.
    """

    name: npt.NDArray[np.str_]
    items: tuple[dict[str, Any], ...]
    explained: frozenset[str] = frozenset()

    @property
    def names(self) -> list[str]:
        """Names of the sets, and of those in none."""
        return [item["name"] for item in self.items]


def named_sets(sets: sphere.Sets, normal: Floats, looked_at: Bools) -> FoundSets:
    """Return sets by name, the largest first, with the mean plane of each.

    Parameters
    ----------
    sets : Sets
        What was found.
    normal : (n, 3) array
        Of all rows of the structures table.
    looked_at : (n,) bool array
        The rows among which sets were looked for.
    """
    count = len(sets.axis)
    names = np.array([*(f"set {i + 1}" for i in range(count)), theme.IN_NO_SET, theme.NOT_SORTED])
    palette = theme.class_colours(names.tolist())
    name = np.full(len(normal), theme.NOT_SORTED, dtype=names.dtype)
    name[looked_at] = names[np.where(sets.member < 0, count, sets.member)]
    poles, items = normal[looked_at], []
    for i, title in enumerate(names[:-1].tolist()):
        members = sets.member == (i if i < count else -1)
        plane = _mean_plane(poles[members], float(sets.scatter_deg[i])) if i < count else ""
        items.append({"name": title, "colour": palette[title], "plane": plane, "count": int(members.sum())})
    return FoundSets(name, tuple(items))


def _mean_plane(normal: Floats, scatter: float) -> str:
    dip, direction = (float(angle[0]) for angle in orient.dip_of_plane(sphere.axial_mean(normal).axis[None]))
    return f"{dip:.0f}°/{bearing(direction)} ± {scatter:.0f}°"


class SetsPart(Part):
    """Looks for sets when asked, and remembers them by the kind that was asked for (empty: all kinds)."""

    triggers = ("find_sets",)

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._found: dict[str, FoundSets] = {}
        stage.named = self.named
        self.state.update({"sets": [], "sets_on": [], "sets_kind": "", "sets_said": ""})

    def reset(self) -> None:
        """Forget what was found; the tables have changed."""
        self._found = {}

    def named(self, desk: Desk, view: View) -> Desk:
        """Return the desk with the sets of a view, where they have been found."""
        found = self._found.get(view.sets_of)
        return desk if found is None else replace(desk, sets=found.name)

    def show(self, view: View) -> None:
        """Put the sets of a view into the state."""
        found = self._found.get(view.sets_of)
        items = list(found.items) if found else []
        self.state.sets = items
        self.state.sets_on = [item["name"] for item in items if item["name"] not in view.sets_off]
        self.state.sets_said = _said(found, view) if found else ""
        columns = [one for one in self.state.disc_columns if one["value"] != BY_SET]
        self.state.disc_columns = [*columns, {"title": "set", "value": BY_SET}] if found else columns

    def need(self, view: View) -> None:
        """Look for the sets that a view colours or leaves out, where that has not been done."""
        if (view.sets_off or view.discs_by == BY_SET) and view.sets_of not in self._found:
            self._find(view.sets_of, view.sets_off)

    # --- triggers

    @careful
    def find_sets(self) -> None:
        """Look for sets in the background, among the poles as they are shown now."""
        self._find(str(self.state.sets_kind or ""), frozenset())

    def _find(self, kind: str, off: frozenset[str]) -> None:
        oriented = self.stage.shown.oriented
        normal, looked_at, explained = oriented.normal, oriented.usable, self.stage.history.now.explained
        if kind:
            looked_at = looked_at & (self.stage.base.project.structures["kind"].to_numpy(dtype=str) == kind)

        def then(sets: sphere.Sets) -> None:
            self._found[kind] = replace(named_sets(sets, normal, looked_at), explained=explained)
            self.stage.history.change(sets_of=kind, sets_off=off)
            self.stage.show(anew=True)

        what = f"Looking for sets of {kind or 'all kinds'}"
        self.stage.later(what, lambda: self.stage.worker.run(found_sets, normal[looked_at]), then)


def _said(found: FoundSets, view: View) -> str:
    count, poles = len(found.items) - 1, sum(item["count"] for item in found.items)
    among = f"among {poles} poles of {view.sets_of or 'all kinds'}"
    stale = "" if found.explained == view.explained else " Suspects were shown otherwise then: find them again."
    if not count:
        return f"No sets {among}: they can't be told from an even spread.{stale}"
    return f"{count} set{'s' if count > 1 else ''} {among}; ± is the scatter of one pole.{stale}"
