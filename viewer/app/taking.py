"""What is taken away: a picture at print size and the offline page, written beside the project's tables."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from viewer.app.parts import Part, careful
from viewer.page import page
from viewer.still import still

__all__ = ["Taking"]

PRINT_SIZE = (3200, 2000)
"""Pixels: 27 cm wide at 300 dots to the inch."""


class Taking(Part):
    """Writes pictures into the project's folder ``pictures``; the browser chooses neither name nor place."""

    triggers = ("save_picture", "save_page")

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

    def _save(self, name: str, write: Callable[[Path], object]) -> None:
        folder = self.app.folder / "pictures"
        folder.mkdir(exist_ok=True)
        path = folder / name
        self.app.later(
            f"Writing {name}", lambda: asyncio.to_thread(write, path), lambda _: self.tell(f"Written: {path}")
        )
