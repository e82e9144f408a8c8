"""How well discs are known, as shapes: an ellipsoid round the place and a cone round the pole, each holding 95 %."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pyvista as pv

from desurvey.spread import StructureSpread, cones, ellipsoids
from viewer import theme
from viewer.scene.build import DrawnSheet, Scene

__all__ = ["with_doubt"]

Floats = npt.NDArray[np.float64]

MOST = 60
"""Discs whose doubt is drawn: more would hide each other."""

CONE_LENGTH = 1.6
"""Length of a cone in radii of its disc."""


def with_doubt(scene: Scene, spread: StructureSpread, chosen: npt.NDArray[np.bool_]) -> Scene:
    """Return a scene with the doubt of some of its discs.

    Parameters
    ----------
    scene : Scene
    spread : StructureSpread
        Of all structures of the project.
    chosen : (n,) bool array
        Which of the scene's discs.
    """
    which = np.flatnonzero(chosen)[:MOST]
    rows = scene.discs.index[which]
    if not len(which):
        return scene
    places = _ellipsoids(scene.discs.centre[which], spread.position[rows])
    poles = _cones(scene, which, spread.pole[rows])
    shapes = [("doubt of place", places, theme.OKABE_ITO["black"]), ("doubt of pole", poles, theme.OKABE_ITO["orange"])]
    added = tuple(DrawnSheet(name, mesh, colour, what="doubt") for name, mesh, colour in shapes if mesh.n_cells)
    return replace(scene, sheets=(*scene.sheets, *added))


def _ellipsoids(centre: Floats, covariance: Floats) -> pv.PolyData:
    """Return the ellipsoids that hold the true places with 95 %, as triangles."""
    shape = ellipsoids(covariance)
    ball = pv.Icosphere(nsub=2)
    axes = shape.semi_axes[:, :, None] * shape.directions
    known = np.isfinite(axes).all(axis=(1, 2))
    points = centre[known, None, :] + np.asarray(ball.points, dtype=float) @ axes[known]
    return _copies(points, ball.regular_faces)


def _cones(scene: Scene, which: npt.NDArray[np.int64], covariance: Floats) -> pv.PolyData:
    """Return the cones that hold the true poles with 95 %, from the middle of each disc along its normal."""
    shape = cones(covariance)
    known = np.isfinite(shape.half_angles_deg).all(axis=1)
    around = 2 * np.pi * np.arange(SIDES) / SIDES
    wide = np.tan(np.deg2rad(np.minimum(shape.half_angles_deg[known], 80.0)))
    rim = np.cos(around)[:, None] * (wide[:, 0, None] * shape.directions[known][:, 0])[:, None]
    rim = rim + np.sin(around)[:, None] * (wide[:, 1, None] * shape.directions[known][:, 1])[:, None]
    tip, normal = scene.discs.centre[which][known], scene.discs.normal[which][known]
    length = CONE_LENGTH * scene.discs.radius[which][known]
    ends = tip[:, None] + length[:, None, None] * (normal[:, None] + rim)
    here = 1 + np.arange(SIDES)
    faces = np.column_stack([np.zeros(SIDES, dtype=np.int64), here, 1 + here % SIDES])
    return _copies(np.concatenate([tip[:, None], ends], axis=1), faces)


SIDES = 24


def _copies(points: Floats, triangles: npt.NDArray[np.int64]) -> pv.PolyData:
    """Return many copies of one set of triangles, (n, corners, 3) points, as one mesh."""
    count, corners = points.shape[:2]
    mesh = pv.PolyData()
    if count:
        mesh.points = points.reshape(-1, 3).astype(np.float32)
        index = (triangles[None] + corners * np.arange(count)[:, None, None]).reshape(-1, 3)
        mesh.faces = np.column_stack([np.full(len(index), 3), index]).ravel()
    return mesh
