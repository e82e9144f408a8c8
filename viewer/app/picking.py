"""Picking: what a click in space, a loop on the net or a row of a list means, and the card that follows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from viewer.app.cards import disc_card, hole_card
from viewer.app.fault_cards import fault_card, window_card
from viewer.app.parts import Part, careful

__all__ = ["Picking"]


class Picking(Part):
    """One selection and one card, whatever was clicked."""

    triggers = ("pick", "pick_row", "show_row", "show_window", "lasso")

    @careful
    def pick(self, what: str, index: int, at: list[float] | None, many: bool, version: int) -> None:
        """Select what was clicked and show its card.

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
            return
        shows: dict[str, tuple[int, Callable[[], None]]] = {
            "disc": (len(self.app.scene.discs.index), lambda: self._disc(index, many)),
            "hole": (self.app.scene.drilled.n_cells, lambda: self._hole(index, at)),
            "window": (sum(part.mesh.n_cells for part in self.app.scene.sleeves), lambda: self._window(index)),
            "fault": (len(self._fault_names()), lambda: self._fault(index, at, many)),
        }
        count, show = shows.get(what, (0, self._nothing))
        if 0 <= index < count:
            show()
        else:
            self._nothing(many)

    def _nothing(self, many: bool = False) -> None:
        self.state.card = ""
        if not many:
            self.app.select([])

    def _disc(self, disc: int, many: bool) -> None:
        row = int(self.app.scene.discs.index[disc])
        self.app.select([row], add=many)
        self.show_card(row)

    def _hole(self, piece: int, at: list[float] | None) -> None:
        cells, ends = self.app.scene.drilled.cell_data, self.app.scene.drilled.points[2 * piece : 2 * piece + 2]
        span = float(cells["depth_from"][piece]), float(cells["depth_to"][piece])
        self.state.card = hole_card(self.app.shown, int(cells["hole"][piece]), _depth_at(ends, span, at))

    def _window(self, piece: int) -> None:
        answer, sleeves = self.app.lines.answer, self.app.scene.sleeves
        starts = np.cumsum([0, *(part.mesh.n_cells for part in sleeves)])
        part = int(np.searchsorted(starts, piece, side="right")) - 1
        hole = int(sleeves[part].mesh.cell_data["hole"][piece - starts[part]])
        if answer is not None:
            self.show_window(sleeves[part].name, str(answer.found.traces.hole_ids[hole]))

    @careful
    def show_window(self, fault_id: str, hole_id: str) -> list[float] | None:
        """Show the card of a window; return where its middle is, in local metres."""
        answer = self.app.lines.answer
        if answer is None:
            return None
        found = answer.windows[(answer.windows["fault_id"] == fault_id) & (answer.windows["hole_id"] == hole_id)]
        if found.empty:
            return None
        self.state.card = window_card(found.iloc[0].to_dict())
        hole, depth = answer.found.traces.index([hole_id]), np.array([found["expected_depth"].iloc[0]])
        place = self.app.scene.frame.local(answer.found.traces.at(hole, depth).position[0])
        return [float(value) for value in place] if np.isfinite(place).all() else None

    def _fault_names(self) -> list[str]:
        return [sheet.name for sheet in self.app.scene.sheets if sheet.what == "fault"]

    def _fault(self, sheet: int, at: list[float] | None, many: bool) -> None:
        self.show_fault(self._fault_names()[sheet], at, many=many)

    def show_fault(self, fault_id: str, at: Sequence[float] | None = None, *, many: bool = False) -> None:
        """Select the picks of a fault and show its card, with what is known at a place where that is given."""
        answer = self.app.lines.answer
        if answer is None:
            return
        names = answer.picks.loc[answer.picks["fault_id"] == fault_id, "structure_id"]
        self.app.select(self.app.lines.rows_of(names), add=many)
        place = self.app.scene.frame.true(np.array(at, dtype=float)) if at is not None and len(at) == 3 else None
        self.state.card = fault_card(answer, fault_id, place)

    @careful
    def pick_row(self, row: int, many: bool = False) -> None:
        """Select a row of the structures table, or add it to those selected, and show its card."""
        if 0 <= row < len(self.app.desk.project.structures):
            self.app.select([row], add=many)
            self.show_card(row)

    @careful
    def show_row(self, row: int) -> None:
        """Show the card of a row; the selection stays."""
        if 0 <= row < len(self.app.desk.project.structures):
            self.show_card(row)

    def show_card(self, row: int) -> None:
        """Show the card of a row of the structures table."""
        said = [*self.app.possible.said_of(row), *self.app.lines.said_of(row)]
        self.state.card = disc_card(self.app.shown, row, said)

    @careful
    def lasso(self, discs: list[int], many: bool, version: int) -> None:
        """Select the discs in a loop drawn on the net."""
        if version == self.state.version:
            index = self.app.scene.discs.index
            self.state.card = ""
            self.app.select([int(index[disc]) for disc in discs if 0 <= disc < len(index)], add=many)


def _depth_at(ends: Any, span: tuple[float, float], at: list[float] | None) -> float:
    """Return the depth along a straight piece of hole that is nearest to a place, or its middle."""
    along = ends[1] - ends[0]
    if at is None or len(at) != 3 or not along.any():
        return sum(span) / 2
    share = float(np.clip((np.array(at, dtype=float) - ends[0]) @ along / (along @ along), 0.0, 1.0))
    return span[0] + share * (span[1] - span[0])
