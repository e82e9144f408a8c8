"""Picking: what a click in space, a loop on the net or a row of a list means, and the card that follows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from viewer.app.calls import unfit
from viewer.app.cards import disc_card, hole_card
from viewer.app.fault_cards import fault_card, window_card
from viewer.app.lines import Lines
from viewer.app.possible import Possible
from viewer.app.stage import Part, Stage, careful

__all__ = ["Picking"]


class Picking(Part):
    """One selection for all, and for the tab that asks a card: what it says, what it is about, and where that is.

    What a card is about is a list of a word and what it takes to make the card anew: ``["row", 12]``,
    ``["hole", 3, 120.5]``, ``["window", "F1", "TH-02"]``, ``["fault", "F1", [e, n, u] or None]``.
    """

    triggers = (
        "pick", "pick_row", "pick_name", "pick_fault", "show_row", "show_window", "lasso", "card",
    )  # fmt: skip

    def __init__(self, stage: Stage, possible: Possible, lines: Lines) -> None:
        super().__init__(stage)
        self._saying = (possible, lines)

    @careful
    def pick(self, what: str, index: int, at: list[float] | None, many: bool, version: int) -> Told:
        """Select what was clicked and return its card.

        Parameters
        ----------
        what : {"disc", "hole", "window", "fault", "nothing"}
            Anything else is nothing.
        index : int
            Its number in the scene: a disc, a piece of a hole or of a window's sleeve, the sheet of a fault.
        at : [east, north, up] or None
            Where it was hit, local metres.
        many : bool
            Whether discs are added to the selection.
        version : int
            Of the scene that was clicked; a scene that is no longer shown is not answered for.
        """
        if version != self.state.version:
            return None
        scene = self.stage.scene
        shows: dict[str, tuple[int, Callable[[], Told]]] = {
            "disc": (len(scene.discs.index), lambda: self._disc(index, many)),
            "hole": (scene.drilled.n_cells, lambda: self._hole(index, at)),
            "window": (sum(part.mesh.n_cells for part in scene.sleeves), lambda: self._window(index)),
            "fault": (len(self._fault_names()), lambda: self.show_fault(self._fault_names()[index], at, many=many)),
        }
        count, show = shows.get(what, (0, lambda: None))
        if 0 <= index < count:
            return show()
        if not many:
            self.stage.select([])
        return CLOSED

    def _disc(self, disc: int, many: bool) -> Told:
        row = int(self.stage.scene.discs.index[disc])
        self.stage.select([row], add=many)
        return self.card("row", row)

    def _hole(self, piece: int, at: list[float] | None) -> Told:
        drilled = self.stage.scene.drilled
        cells, ends = drilled.cell_data, drilled.points[2 * piece : 2 * piece + 2]
        span = float(cells["depth_from"][piece]), float(cells["depth_to"][piece])
        return self.card("hole", int(cells["hole"][piece]), float(_depth_at(ends, span, at)))

    def _window(self, piece: int) -> Told:
        answer, sleeves = self.stage.answer, self.stage.scene.sleeves
        starts = np.cumsum([0, *(part.mesh.n_cells for part in sleeves)])
        part = int(np.searchsorted(starts, piece, side="right")) - 1
        hole = int(sleeves[part].mesh.cell_data["hole"][piece - starts[part]])
        return self.show_window(sleeves[part].name, str(answer.found.traces.hole_ids[hole])) if answer else None

    @careful
    def show_window(self, fault_id: str, hole_id: str) -> Told:
        """Return the card of a window."""
        return self.card("window", fault_id, hole_id)

    def _fault_names(self) -> list[str]:
        return [sheet.name for sheet in self.stage.scene.sheets if sheet.what == "fault"]

    @careful
    def pick_fault(self, fault_id: str) -> Told:
        """Select the picks of a fault and return its card."""
        answer = self.stage.answer
        known = answer is not None and fault_id in set(answer.faults["fault_id"])
        return self.show_fault(fault_id) if known else None

    def show_fault(self, fault_id: str, at: Sequence[float] | None = None, *, many: bool = False) -> Told:
        """Select the picks of a fault and return its card, with what is known at a place where that is given."""
        answer = self.stage.answer
        if answer is None:
            return None
        names = answer.picks.loc[answer.picks["fault_id"] == fault_id, "structure_id"]
        self.stage.select(self.stage.rows_of(names), add=many)
        return self.card("fault", fault_id, at)

    @careful
    def pick_name(self, name: str) -> Told:
        """Select a pick by its structure id and return its card."""
        rows = self.stage.rows_of([name])
        return self.pick_row(rows[-1]) if rows else None

    @careful
    def pick_row(self, row: int, many: bool = False) -> Told:
        """Select a row of the structures table, or add it to those selected, and return its card."""
        if not 0 <= row < len(self.stage.base.project.structures):
            return None
        self.stage.select([row], add=many)
        return self.card("row", row)

    @careful
    def show_row(self, row: int) -> Told:
        """Return the card of a row; the selection stays."""
        return self.card("row", row)

    @careful
    def card(self, what: str, *which: Any) -> Told:
        """Return the card of what it is about, or that there is none any more, as things stand now."""
        makes: dict[str, Callable[..., tuple[str, Any] | None]] = {
            "row": self._row_card, "hole": self._hole_card, "window": self._window_card, "fault": self._fault_card,
        }  # fmt: skip
        made = makes[what](*which) if what in makes and not unfit(makes[what], which, {}) else None
        if made is None:
            return CLOSED
        text, place = made
        known = place is not None and np.isfinite(place).all()
        spot = [float(value) for value in self.stage.scene.frame.local(place)] if known else None
        return {"card": text, "about": [what, *which], "place": spot}

    def _row_card(self, row: int) -> tuple[str, Any] | None:
        if not 0 <= row < len(self.stage.base.project.structures):
            return None
        said = [line for part in self._saying for line in part.said_of(row)]
        return disc_card(self.stage.shown, row, said), self.stage.shown.oriented.position[row]

    def _hole_card(self, hole: int, depth: float) -> tuple[str, Any] | None:
        if not 0 <= hole < len(self.stage.shown.traces.hole_ids):
            return None
        place = self.stage.shown.traces.at(np.array([hole]), np.array([depth])).position[0]
        return hole_card(self.stage.shown, hole, depth), place

    def _window_card(self, fault_id: str, hole_id: str) -> tuple[str, Any] | None:
        answer = self.stage.answer
        if answer is None:
            return None
        found = answer.windows[(answer.windows["fault_id"] == fault_id) & (answer.windows["hole_id"] == hole_id)]
        if found.empty:
            return None
        hole, depth = answer.found.traces.index([hole_id]), np.array([found["expected_depth"].iloc[0]])
        return window_card(found.iloc[0].to_dict()), answer.found.traces.at(hole, depth).position[0]

    def _fault_card(self, fault_id: str, at: list[float] | None = None) -> tuple[str, Any] | None:
        answer = self.stage.answer
        fault = next((one for one in answer.found.faults if one.fault_id == fault_id), None) if answer else None
        if answer is None or fault is None:
            return None
        place = self.stage.scene.frame.true(np.array(at, dtype=float)) if at is not None and len(at) == 3 else None
        return fault_card(answer, fault_id, place), fault.centre if place is None else place

    @careful
    def lasso(self, discs: list[int], many: bool, version: int) -> Told:
        """Select the discs in a loop drawn on the net."""
        if version == self.state.version:
            index = self.stage.scene.discs.index
            self.stage.select([int(index[disc]) for disc in discs if 0 <= disc < len(index)], add=many)
        return CLOSED


Told = dict[str, Any] | None
"""What a tab is told: a card, what it is about, and the place of that in local metres."""

CLOSED: dict[str, Any] = {"card": "", "about": None}


def _depth_at(ends: Any, span: tuple[float, float], at: list[float] | None) -> float:
    """Return the depth along a straight piece of hole that is nearest to a place, or its middle."""
    along = ends[1] - ends[0]
    if at is None or len(at) != 3 or not along.any():
        return sum(span) / 2
    share = float(np.clip((np.array(at, dtype=float) - ends[0]) @ along / (along @ along), 0.0, 1.0))
    return span[0] + share * (span[1] - span[0])
