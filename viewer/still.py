"""A still picture of a scene, drawn off screen."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pyvista as pv

from desurvey.exchange import replacing
from viewer import theme
from viewer.scene import Scene, draw
from viewer.screen import prefer_off_screen

__all__ = ["still"]


def still(
    scene: Scene, path: str | Path, *, size: tuple[int, int] = (1600, 1000), look: Literal["light", "dark"] = "light"
) -> Path:
    """Write a PNG of a scene.

    Parameters
    ----------
    scene : Scene
        What to draw.
    path : str or Path
        The file; it is replaced whole, never left half-written.
    size : (int, int)
        Width and height in pixels. Text grows with the height.
    look : {"light", "dark"}
        Background.

    Returns
    -------
    Path
        The file written.
    """
    prefer_off_screen()
    path = Path(path)
    plotter = pv.Plotter(off_screen=True, window_size=list(size))
    try:
        plotter.enable_anti_aliasing("msaa", multi_samples=8)
        draw(scene, plotter, look=theme.DARK if look == "dark" else theme.LIGHT, text_px=max(round(size[1] / 66), 9))
        with replacing(path) as partial:
            plotter.screenshot(partial)
    finally:
        plotter.close()
    return path
