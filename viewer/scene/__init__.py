"""Scenes in space: pure building (`build`) and putting them into a plotter (`draw`).

The window, the still, the offline page and the app all show the same :class:`Scene`.
"""

from viewer.scene.build import DrawnDiscs, Scene, Wanted, build, build_wanted
from viewer.scene.draw import draw, draw_shapes, look_at, tube_radius, view_azimuth

__all__ = [
    "DrawnDiscs",
    "Scene",
    "Wanted",
    "build",
    "build_wanted",
    "draw",
    "draw_shapes",
    "look_at",
    "tube_radius",
    "view_azimuth",
]
