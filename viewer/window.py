"""A scene in a window of its own, where there is a screen."""

from __future__ import annotations

import pyvista as pv

from desurvey.problems import DataProblem
from viewer import theme
from viewer.scene import Scene, detail, draw, look_at, view_azimuth
from viewer.screen import has_screen

__all__ = ["window"]


def window(scene: Scene, *, size: tuple[int, int] = (1400, 900), wait: bool = True) -> pv.Plotter:
    """Show a scene in a window: the left button turns, the middle one moves, the wheel comes nearer.

    Keys: ``r`` whole scene, ``p`` from above, ``n`` looking north, ``w`` looking west, ``q`` closes.

    Parameters
    ----------
    scene : Scene
        What to show.
    size : (int, int)
        Width and height in pixels.
    wait : bool
        Whether to return only when the window has been closed.

    Returns
    -------
    Plotter
        Of the window; closed when it was waited for.

    Raises
    ------
    DataProblem
        Where there is no screen to open a window on.
    """
    if not has_screen():
        raise DataProblem(
            "a window needs a screen, and there is none here",
            hint="write a still with --shot picture.png or a page for any browser with --html page.html",
        )
    plotter = pv.Plotter(window_size=list(size), title=f"{scene.title} - lowside")
    plotter.enable_terrain_style(mouse_wheel_zooms=True, shift_pans=True)
    signs = draw(scene, plotter, look=theme.LIGHT)

    def turn_to(azimuth_deg: float, dip_deg: float) -> None:
        look_at(plotter, scene, azimuth_deg, dip_deg)
        signs.place()
        plotter.render()

    views = {"p": (0.0, -89.9), "n": (0.0, 0.0), "w": (-90.0, 0.0), "r": (view_azimuth(scene), -24.0)}
    for key, (azimuth, dip) in views.items():
        plotter.clear_events_for_key(key)
        plotter.add_key_event(key, lambda azimuth=azimuth, dip=dip: turn_to(azimuth, dip))
    detail.add_quick(scene, plotter)
    detail.follow(plotter)
    signs.follow()
    plotter.show(interactive=wait, interactive_update=not wait, auto_close=wait)
    return plotter
