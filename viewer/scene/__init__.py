"""Scenes in space: pure building (`build`) and putting them into a plotter (`draw`).

The window, the still, the offline page and the app all show the same :class:`Scene`.
"""

from viewer.scene.build import Discs, Scene, build
from viewer.scene.draw import draw, look_at, tube_radius, view_azimuth

__all__ = ["Discs", "Scene", "build", "draw", "look_at", "tube_radius", "view_azimuth"]
