"""The ground above the holes, where the project has a table of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyvista as pv

from viewer.figures.layers import Surface
from viewer.scene.build import DrawnSheet, Scene

__all__ = ["with_ground"]

COLOUR, ALPHA = "#8C8273", 0.3
BEYOND = 0.15
"""How far past the box the ground is drawn, as a share of the box's sides; one grid step at least."""


def with_ground(scene: Scene, surface: Surface | None) -> Scene:
    """Return a scene with the ground as a sheet, as far as it lies over the box."""
    if surface is None:
        return scene
    frame = scene.frame
    points = frame.local(surface.vertices)
    room = np.maximum(BEYOND * frame.size[:2], frame.step)
    inside = (points[:, :2] >= frame.low[:2] - room) & (points[:, :2] <= frame.high[:2] + room)
    over = np.asarray(np.all(inside, axis=1))
    triangles = surface.triangles[np.all(over[surface.triangles], axis=1)]
    if not len(triangles):
        return scene
    mesh = pv.PolyData()
    mesh.points = points.astype(np.float32)
    mesh.faces = np.column_stack([np.full(len(triangles), 3), triangles]).ravel()
    return replace(scene, sheets=(*scene.sheets, DrawnSheet("ground", mesh.clean(), COLOUR, ALPHA, what="ground")))
