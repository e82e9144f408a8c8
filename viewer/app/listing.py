"""The list of structures in the panel: the selected ones or all that are shown, a page at a time, found by a word."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from desurvey import orient
from viewer.app.cards import bearing
from viewer.app.desk import Desk
from viewer.app.stage import Part, Stage, careful

__all__ = ["Listing"]

PAGE = 40
"""Rows on a page: enough to scroll through, few enough to answer at once."""


class Listing(Part):
    """Rows of the structures table beside the scene, part of the one selection."""

    triggers = ("turn_list",)

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._first = 0
        self.state.update(
            {"listed": [], "listed_said": "", "list_all": False, "list_find": "", "list_more": [False] * 2}
        )
        self.state.change("list_all", "list_find")(self.begin)
        stage.heard.append(self.show)

    @careful
    def begin(self, **_state: Any) -> None:
        """List from the first row on."""
        self._first = 0
        self.show()

    @careful
    def turn_list(self, pages: int) -> None:
        """Turn some pages on, or back."""
        self._first += pages * PAGE
        self.show()

    def show(self) -> None:
        """Put a page of rows into the state."""
        rows = self._wanted()
        self._first = max(0, min(self._first, PAGE * ((len(rows) - 1) // PAGE)))
        page = rows[self._first : self._first + PAGE]
        selected = self.stage.history.now.selected
        self.state.listed = [one | {"on": one["row"] in selected} for one in _listed(self.stage.shown, page)]
        self.state.list_more = [self._first > 0, self._first + PAGE < len(rows)]
        self.state.listed_said = f"{self._first + 1} – {self._first + len(page)} of {len(rows)}" if len(rows) else ""

    def _wanted(self) -> npt.NDArray[np.int64]:
        """Return the rows to list: in the order of the table, of all pages."""
        stage, word = self.stage, str(self.state.list_find or "").strip().casefold()
        chosen = sorted(stage.history.now.selected)
        rows = np.sort(stage.scene.discs.index) if self.state.list_all else np.array(chosen)
        rows = rows.astype(np.int64)
        if word and len(rows):
            table = stage.base.project.structures.iloc[rows]
            found = [table[name].astype(str).str.casefold().str.contains(word, regex=False) for name in FOUND_IN]
            rows = rows[np.logical_or.reduce([column.to_numpy(dtype=bool) for column in found])]
        return rows


FOUND_IN = ("structure_id", "hole_id", "kind")
"""Columns in which a word is looked for."""


def _listed(desk: Desk, rows: npt.NDArray[np.int64]) -> list[dict[str, Any]]:
    """Return rows of the structures table as the page lists them."""
    table = desk.project.structures.iloc[rows]
    dip, direction = orient.dip_of_plane(desk.oriented.normal[rows])
    return [
        {
            "row": int(row),
            "name": str(one.structure_id),
            "kind": str(one.kind),
            "where": f"{one.hole_id} {one.depth:.1f}",
            "plane": f"{d:.0f}°/{bearing(b)}" if np.isfinite([d, b]).all() else "–",
        }
        for row, one, d, b in zip(rows, table.itertuples(), dip, direction, strict=True)
    ]
