"""Directions in space: vectors (E, N, U) ↔ azimuth, trend and plunge, dip and dip direction; angles between them.

Angles are degrees. Azimuths run clockwise from grid north. A plane is its unit normal, either way round; dip (0 to 90)
and dip direction (0 to 360) say the same. A line is a unit vector, either way round; plunge is positive down.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from desurvey import curvature
from desurvey.problems import DataProblem

__all__ = [
    "HORIZONTAL",
    "apparent_dip",
    "azimuth",
    "between",
    "dip_of_plane",
    "trend_and_plunge",
    "upward",
    "vector_of_line",
    "vector_of_plane",
]

Floats = npt.NDArray[np.float64]


def azimuth(vector: Floats) -> Floats:
    """Return the azimuth of vectors (..., 3) or (..., 2), degrees clockwise from north, 0 to just under 360.

    Examples
    --------
    >>> azimuth(np.array([[1.0, 0.0, 5.0], [-1.0, 1.0, 0.0]]))
    array([ 90., 315.])
    """
    turn = np.rad2deg(np.arctan2(vector[..., 0], vector[..., 1]))
    turn = np.where(turn < 0.0, turn + 360.0, turn)
    return np.where(turn >= 360.0, 0.0, turn)  # a tiny negative angle rounds up to the full circle


def between(one: Floats, other: Floats) -> Floats:
    """Return the angle between unit vectors (..., 3) in degrees, 0 to 180, exact for small ones too; NaN stays NaN.

    Examples
    --------
    >>> between(np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0])).round(9).item()
    90.0
    """
    apart, along = np.linalg.norm(one - other, axis=-1), np.linalg.norm(one + other, axis=-1)
    return np.asarray(np.rad2deg(2.0 * np.arctan2(apart, along)))


def upward(normal: Floats) -> Floats:
    """Return the normals turned to point up (or level), the same axes otherwise."""
    return np.where(normal[..., 2:3] < 0.0, -normal, normal)


def dip_of_plane(normal: Floats) -> tuple[Floats, Floats]:
    """Return dip (0 to 90) and dip direction (0 to 360) in degrees of planes with the given unit normals.

    A horizontal plane has no dip direction: NaN. A vertical plane has two; the one its normal points to is given.
    """
    east, north, up = normal[..., 0], normal[..., 1], normal[..., 2]
    upwards = np.where(up < 0.0, -1.0, 1.0)
    flat = np.sqrt(east * east + north * north)
    dip = np.rad2deg(np.arctan2(flat, np.abs(up)))
    direction = azimuth(upwards[..., None] * normal)
    return dip, np.where(flat > HORIZONTAL, direction, np.nan)


HORIZONTAL = 1e-9
"""Horizontal part of a unit normal below which a plane is horizontal: 6e-8°, far inside any reading."""


def vector_of_plane(dip_deg: npt.ArrayLike, dip_direction_deg: npt.ArrayLike) -> Floats:
    """Return the upward unit normal of planes given by dip and dip direction in degrees, shape (n, 3).

    A missing dip direction is taken as 0 where the dip is 0, and gives NaN elsewhere.

    Raises
    ------
    DataProblem
        When a dip is not 0 to 90; NaN gives NaN.
    """
    dip = np.deg2rad(_dip(dip_deg))
    direction = np.deg2rad(np.where(np.equal(dip_deg, 0.0), np.nan_to_num(dip_direction_deg), dip_direction_deg))
    sine = np.sin(dip)
    return np.stack([sine * np.sin(direction), sine * np.cos(direction), np.cos(dip)], axis=-1)


def _dip(dip_deg: npt.ArrayLike) -> Floats:
    dip = np.asarray(dip_deg, dtype=float)
    outside = (dip < 0.0) | (dip > 90.0)
    if outside.any():
        hint = "the dip of a plane is measured down from the horizontal; an overturned bed dips less than 90° too"
        raise DataProblem("the dip of a plane must lie within 0 to 90", value=dip[outside].flat[0], hint=hint)
    return dip


def apparent_dip(dip_deg: npt.ArrayLike, dip_direction_deg: npt.ArrayLike, azimuth_deg: npt.ArrayLike) -> Floats:
    """Return the apparent dip of planes in a vertical section, degrees: positive down towards the azimuth.

    Parameters
    ----------
    dip_deg, dip_direction_deg : (n,) arrays
        Planes, degrees. A horizontal plane needs no dip direction.
    azimuth_deg : float or (n,) array
        Horizontal direction of the section, clockwise from grid north.

    Returns
    -------
    (n,) array
        −90 to 90; NaN for a vertical plane parallel to the section, which has no trace in it.

    Notes
    -----
    tan δ' = tan δ · cos(dip direction − azimuth), in any textbook of structural geology, e.g. Ragan (2009), *Structural
    Geology: An Introduction to Geometrical Techniques*, 4th ed., ch. 1 (there with the angle from the strike).

    Examples
    --------
    >>> apparent_dip([45.0, 45.0, 45.0], [90.0, 90.0, 90.0], [90.0, 270.0, 0.0]).round(9) + 0.0
    array([ 45., -45.,   0.])
    """
    normal = vector_of_plane(dip_deg, dip_direction_deg)
    along = np.deg2rad(azimuth_deg)
    down = normal[..., 0] * np.sin(along) + normal[..., 1] * np.cos(along)
    none = np.hypot(down, normal[..., 2]) < HORIZONTAL
    return np.where(none, np.nan, np.rad2deg(np.arctan2(down, normal[..., 2])))


def trend_and_plunge(line: Floats) -> tuple[Floats, Floats]:
    """Return trend (0 to 360) and plunge (0 to 90, down) in degrees of lines, whichever way their vectors point."""
    down = np.where(line[..., 2:3] > 0.0, -line, line)
    flat = np.hypot(down[..., 0], down[..., 1])
    return azimuth(down), np.rad2deg(np.arctan2(-down[..., 2], flat))


def vector_of_line(trend_deg: npt.ArrayLike, plunge_deg: npt.ArrayLike) -> Floats:
    """Return the downward unit vector of lines given by trend and plunge in degrees, shape (n, 3)."""
    return curvature.tangent(np.deg2rad(trend_deg), -np.deg2rad(plunge_deg))
