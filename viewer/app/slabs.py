"""The slab: a layer of stated thickness that alone is drawn, swept along by a slider or stepped from hole to hole."""

from __future__ import annotations

from typing import Any

import numpy as np

from viewer.app.parts import Part, careful
from viewer.scene.draw import view_azimuth

__all__ = ["Slabs"]


class Slabs(Part):
    """Where the slab is; its sliders are state, so that every tab sees the same slab."""

    triggers = ("slab_back", "slab_on_step", "previous_hole", "next_hole_along")

    def __init__(self, app: Any) -> None:
        super().__init__(app)
        self._hole = -1
        self.state.update({"slab": None, "slab_on": False, "slab_thickness": 40, "slab_place": 0, "slab_said": ""})
        self.state.slab_azimuth = round((view_azimuth(app.scene) + 90.0) % 180.0)
        self.state.slab_reach = float(np.ceil(np.hypot(*app.scene.frame.size[:2]) / 2 / 10) * 10)
        self.state.change("slab_on", "slab_thickness", "slab_place", "slab_azimuth")(self.changed)

    def _normal(self) -> tuple[float, float, float]:
        azimuth = np.deg2rad(float(self.state.slab_azimuth) + 90.0)
        return float(np.sin(azimuth)), float(np.cos(azimuth)), 0.0

    def _middle(self) -> float:
        frame = self.app.scene.frame
        return float(np.dot(self._normal(), (frame.low + frame.high) / 2))

    @careful
    def changed(self, **_state: Any) -> None:
        """Move the slab to where its sliders are."""
        slab = {
            "normal": self._normal(),
            "offset": self._middle() + float(self.state.slab_place),
            "thickness": max(float(self.state.slab_thickness), 0.1),
        }
        self.state.slab = slab if self.state.slab_on else None

    @careful
    def slab_back(self) -> None:
        """Move the slab back by half its thickness."""
        self._move(-0.5)

    @careful
    def slab_on_step(self) -> None:
        """Move the slab on by half its thickness."""
        self._move(0.5)

    def _move(self, share: float) -> None:
        self.state.slab_on = True
        place = float(self.state.slab_place) + share * float(self.state.slab_thickness)
        self.state.slab_place = float(np.clip(place, -self.state.slab_reach, self.state.slab_reach))
        self.state.slab_said = ""

    @careful
    def previous_hole(self) -> None:
        """Put the slab through the hole before, along the fence."""
        self._step(-1)

    @careful
    def next_hole_along(self) -> None:
        """Put the slab through the next hole along the fence."""
        self._step(1)

    def _step(self, step: int) -> None:
        traces = self.app.desk.traces
        if not len(traces.hole_ids):
            return
        middle = self.app.scene.frame.local(traces.at(np.arange(len(traces.end)), traces.end / 2).position)
        across = middle @ np.array(self._normal())
        order = np.argsort(across, kind="stable").tolist()
        place = order.index(self._hole) if self._hole in order else (-1 if step > 0 else 0)
        self._hole = int(order[(place + step) % len(order)])
        self.state.slab_on = True
        self.state.slab_place = round(float(across[self._hole]) - self._middle(), 1)
        self.state.slab_said = f"through {traces.hole_ids[self._hole]}"
