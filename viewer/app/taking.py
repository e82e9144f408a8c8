"""What is taken away, written beside the project's tables: a picture, the offline page, a net and a section."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import numpy as np

from desurvey.surface import fault_mesh
from viewer.app.parts import Part, careful
from viewer.collect import content_of
from viewer.faults import Answers
from viewer.net import draw_net, net_of
from viewer.page import page
from viewer.section import draw_section
from viewer.sheet import save
from viewer.slab import Slab
from viewer.still import still

__all__ = ["Taking"]

PRINT_SIZE = (3200, 2000)
"""Pixels: 27 cm wide at 300 dots to the inch."""


class Taking(Part):
    """Writes pictures into the project's folder ``pictures``; the browser chooses neither name nor place."""

    triggers = ("save_picture", "save_page", "save_net", "save_section")

    @careful
    def save_picture(self) -> None:
        """Write a still at print size."""
        scene, look = self.app.scene, self.app.history.now.look
        self._save("scene.png", lambda path: still(scene, path, size=PRINT_SIZE, look=look))

    @careful
    def save_page(self) -> None:
        """Write the offline page."""
        scene = self.app.scene
        self._save("scene.html", lambda path: page(scene, path))

    @careful
    def save_net(self) -> None:
        """Draw the net of the discs that are shown."""
        app = self.app
        desk, rows = app.shown, np.zeros(len(app.desk.project.structures), dtype=bool)
        rows[app.scene.discs.index] = True
        content = content_of(desk.project, desk.traces, desk.oriented, heading="Net of what the viewer shows")
        net = net_of(desk.oriented, desk.traces, ~content.planned, rows, content.title)
        self._save("net.pdf", lambda path: save(draw_net(net), path))

    @careful
    def save_section(self) -> None:
        """Draw the section of the slab, with all that lies in it."""
        app, state = self.app, self.state
        desk, frame = app.shown, app.scene.frame
        azimuth = np.deg2rad(float(state.slab_azimuth) + 90.0)
        middle = frame.true((frame.low + frame.high) / 2)
        middle = middle + float(state.slab_place) * np.array([np.sin(azimuth), np.cos(azimuth), 0.0])
        slab = Slab(float(middle[0]), float(middle[1]), float(state.slab_azimuth), float(state.slab_thickness))
        heading, found = "Section of the viewer's slab", self.app.lines.answer
        answers = None
        if found is not None:
            meshes = {fault.fault_id: fault_mesh(fault) for fault in found.lineup.faults}
            answers = Answers(found.faults, found.picks, found.windows, meshes)
        content = content_of(desk.project, desk.traces, desk.oriented, heading=heading, answers=answers)
        self._save("section.pdf", lambda path: save(draw_section(content, slab), path))

    def _save(self, name: str, write: Callable[[Path], object]) -> None:
        folder = self.app.folder / "pictures"
        folder.mkdir(exist_ok=True)
        path = folder / name
        self.app.later(
            f"Writing {name}", lambda: asyncio.to_thread(write, path), lambda _: self.tell(f"Written: {path}")
        )
