"""A still picture of a scene, drawn off screen."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pyvista as pv

from desurvey.outputs import replacing
from viewer import theme
from viewer.scene import Scene, draw
from viewer.scene.camera import Camera
from viewer.scene.marks import Marks, draw_marks
from viewer.screen import prefer_off_screen

__all__ = ["still"]


def still(
    scene: Scene,
    path: str | Path,
    *,
    size: tuple[int, int] = (1600, 1000),
    look: Literal["light", "dark"] = "light",
    camera: Camera | None = None,
    marks: Marks | None = None,
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
    camera : Camera, optional
        Where to look from; the whole scene from its usual side without one. Its own size gives way to ``size``.
    marks : Marks, optional
        What is drawn in front of the scene, and said beside it.

    Returns
    -------
    Path
        The file written.
    """
    prefer_off_screen()
    path, marks = Path(path), marks or Marks()
    colours, text_px = theme.DARK if look == "dark" else theme.LIGHT, max(round(size[1] / 66), 9)
    plotter = pv.Plotter(off_screen=True, window_size=list(size))
    try:
        plotter.enable_anti_aliasing("msaa", multi_samples=8)
        signs = draw(scene, plotter, look=colours, text_px=text_px, camera=camera, said=marks.said)
        draw_marks(scene, plotter, marks, signs, colours, text_px)
        _thicken(plotter, text_px / SCREEN_TEXT_PX)
        with replacing(path) as partial:
            plotter.screenshot(partial)
    finally:
        plotter.close()
    return path


SCREEN_TEXT_PX = 14
"""Height of text on a screen, for which widths of lines are meant."""


def _thicken(plotter: pv.Plotter, factor: float) -> None:
    """Make lines and points as thick beside the text as they are on a screen."""
    for actor in plotter.actors.values():
        if isinstance(actor, pv.Actor):
            actor.prop.line_width *= factor
            actor.prop.point_size *= factor
