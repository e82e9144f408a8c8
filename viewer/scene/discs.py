"""Structures as discs: one mesh for all of them, cell *i* being disc *i*, and which disc a line of sight meets."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyvista as pv

__all__ = ["SIDES", "bases", "disc_mesh", "first_disc"]

Floats = npt.NDArray[np.float64]

SIDES = 16
"""Corners of a disc; with 16 the polygon's area is 2.6 % less than the circle's."""


def bases(normal: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return strike and down-dip unit vectors of planes, each of shape (n, 3).

    Parameters
    ----------
    normal : (n, 3) array
        Unit normals (E, N, U), upward. The strike is the horizontal direction with the plane dipping to its right;
        on a horizontal plane it is north.

    Examples
    --------
    >>> strike, down = bases([[0.0, 0.6, 0.8]])  # dips north at 37°
    >>> strike.tolist(), down.tolist()
    ([[-1.0, 0.0, 0.0]], [[0.0, 0.8, -0.6]])
    """
    normal = np.asarray(normal, dtype=float)
    flat = np.hypot(normal[:, 0], normal[:, 1])
    level = flat < LEVEL
    safe = np.where(level, 1.0, flat)
    strike = np.column_stack([-normal[:, 1] / safe, normal[:, 0] / safe, np.zeros(len(normal))])
    strike[level] = (0.0, 1.0, 0.0)
    return strike + 0.0, np.cross(strike, normal) + 0.0


LEVEL = 1e-9
"""Horizontal part of a unit normal below which a plane has no strike."""


def disc_mesh(centre: Floats, normal: Floats, radius: npt.ArrayLike, sides: int = SIDES) -> pv.PolyData:
    """Return discs as one mesh of polygons; cell *i* is disc *i*.

    Parameters
    ----------
    centre : (n, 3) array
        Local coordinates.
    normal : (n, 3) array
        Upward unit normals.
    radius : float or (n,) array
        Metres.
    """
    count = len(centre)
    mesh = pv.PolyData()
    if not count:
        return mesh
    strike, down = bases(normal)
    angle = 2 * np.pi * np.arange(sides) / sides
    reach = np.broadcast_to(np.asarray(radius, dtype=float), (count,))[:, None, None]
    rim = np.cos(angle)[None, :, None] * strike[:, None, :] + np.sin(angle)[None, :, None] * down[:, None, :]
    mesh.points = (centre[:, None, :] + reach * rim).reshape(-1, 3).astype(np.float32)
    index = np.arange(count * sides).reshape(count, sides)
    mesh.faces = np.column_stack([np.full(count, sides), index]).ravel()
    mesh.cell_data["Normals"] = np.asarray(normal, dtype=np.float32)
    return mesh


def first_disc(
    centre: Floats, normal: Floats, radius: npt.ArrayLike, start: npt.ArrayLike, direction: npt.ArrayLike
) -> tuple[int, float]:
    """Return the disc that a line of sight meets first, and how far along.

    Parameters
    ----------
    centre, normal : (n, 3) arrays
        Discs in local coordinates.
    radius : float or (n,) array
        Metres.
    start, direction : (3,) arrays
        The eye and where it looks (of any length).

    Returns
    -------
    index : int
        −1 when it meets none.
    distance : float
        Metres from ``start``; infinite when it meets none.

    Notes
    -----
    With eye *o*, unit direction *v*, centre *c* and normal *n* the plane is met at s = n·(c − o) / n·v, and the disc
    when |o + s v − c| is at most the radius. A disc seen exactly edge-on is not met. Discs beat VTK's pickers here:
    those miss some of many small polygons.
    """
    eye, sight = np.asarray(start, dtype=float), np.asarray(direction, dtype=float)
    sight = sight / np.linalg.norm(sight)
    facing = normal @ sight
    with np.errstate(divide="ignore", invalid="ignore"):
        along = np.einsum("ij,ij->i", normal, centre - eye) / facing
    along = np.where((facing != 0.0) & (along > 0.0), along, np.inf)
    reached = np.where(np.isfinite(along), along, 0.0)
    away = np.linalg.norm(eye + reached[:, None] * sight - centre, axis=1)
    along = np.where(away <= radius, along, np.inf)
    if not np.isfinite(along).any():
        return -1, np.inf
    nearest = int(along.argmin())
    return nearest, float(along[nearest])
