"""Core angles ↔ true orientations: the kernels and the table of oriented structures.

Frame (E, N, U). ``tangent`` points down the hole; ``reference`` is the unit vector, square to the hole, at which the
orientation line lies (the low side −h, the high side h, or grid north made square to the hole). Angles are degrees:

* *alpha*, 0 to 90: acute angle between the core axis and a plane;
* *beta*, 0 to 360: clockwise, looking down the hole, from the line to the **down-hole** apex of the ellipse that the
  plane cuts on the core;
* *gamma*, 0 to 360: in the plane, clockwise, looking down the hole along its normal, from that apex to a line.

With r(β) = cos β · reference + sin β · (tangent × reference)::

    long axis  e = cos α · tangent + sin α · r
    normal     n = sin α · tangent − cos α · r          (down-hole side)
    line         = cos γ · e + sin γ · (tangent × r)

References
----------
Marjoribanks (2010), Geological Methods in Mineral Exploration and Mining, 2nd ed., appendix D: the same construction on
a stereographic net (the pole lies 90° − α from the core axis, away from the apex of the ellipse).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from desurvey import curvature

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "STEEP_LIMIT_DEG",
    "apparent_dip",
    "core_angles",
    "dip_of_plane",
    "gamma_of_line",
    "line_in_plane",
    "long_axis",
    "plane_normal",
    "reference_line",
    "trend_and_plunge",
    "upward",
    "vector_of_line",
    "vector_of_plane",
]

Floats = npt.NDArray[np.float64]
Strings = npt.NDArray[np.str_]

STEEP_LIMIT_DEG = 2.0
"""A gravity line within this angle of vertical gives no orientation (DESIGN.md section 3: a finding, not a number)."""


def reference_line(tangent: Floats, line: npt.ArrayLike | Sequence[str]) -> Floats:
    """Return the unit vector at which the orientation line lies on the core, shape (n, 3).

    Parameters
    ----------
    tangent : (n, 3) array
        Unit tangent down the hole.
    line : (n,) array of {"low", "high", "north"}
        What the line marks: the low side, the high side, or the side towards grid north (steep holes).

    Returns
    -------
    (n, 3) array
        NaN where the line is undefined: a gravity line on a vertical hole, a north line on a flat hole that runs due
        north or south.

    Notes
    -----
    This is geometry only. That a gravity line means nothing already within 2° of vertical is judged by
    :func:`oriented`.
    """
    line = np.broadcast_to(np.asarray(line, dtype=np.str_), tangent.shape[:-1])
    high = curvature.high_side(tangent)
    north = np.array([0.0, 1.0, 0.0]) - tangent[..., 1:2] * tangent
    size = np.linalg.norm(north, axis=-1, keepdims=True)
    north = np.where(size > curvature.VERTICAL, north / np.where(size > 0, size, 1.0), np.nan)
    side = np.where(line == "low", -1.0, 1.0)[..., None]
    return np.where((line == "north")[..., None], north, side * high)


def _apex(tangent: Floats, reference: Floats, beta_deg: npt.ArrayLike) -> Floats:
    """Return r(β), the radial direction of the down-hole apex of the ellipse."""
    beta = np.deg2rad(beta_deg)[..., None]
    return np.cos(beta) * reference + np.sin(beta) * np.cross(tangent, reference)


def plane_normal(tangent: Floats, reference: Floats, alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike) -> Floats:
    """Return the unit normal of planes on the down-hole side, shape (n, 3).

    Parameters
    ----------
    tangent, reference : (n, 3) arrays
        Down-hole unit tangent and the direction of the orientation line.
    alpha_deg, beta_deg : (n,) arrays
        Core angles in degrees.

    Examples
    --------
    A hole that plunges 60° due north with a low-side line: alpha 30 at beta 180 is a plane dipping 30° north.

    >>> tangent = curvature.tangent(np.array([0.0]), np.deg2rad([-60.0]))
    >>> normal = plane_normal(tangent, reference_line(tangent, ["low"]), [30.0], [180.0])
    >>> [angle.round(6).item() for angle in dip_of_plane(normal)]
    [30.0, 0.0]
    """
    alpha = np.deg2rad(alpha_deg)[..., None]
    return np.sin(alpha) * tangent - np.cos(alpha) * _apex(tangent, reference, beta_deg)


def long_axis(tangent: Floats, reference: Floats, alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike) -> Floats:
    """Return the unit vector along the ellipse's long axis towards its down-hole apex, shape (n, 3)."""
    alpha = np.deg2rad(alpha_deg)[..., None]
    return np.cos(alpha) * tangent + np.sin(alpha) * _apex(tangent, reference, beta_deg)


def line_in_plane(
    tangent: Floats,
    reference: Floats,
    alpha_deg: npt.ArrayLike,
    beta_deg: npt.ArrayLike,
    gamma_deg: npt.ArrayLike,
) -> Floats:
    """Return the unit vector of lines logged by gamma on their planes, shape (n, 3)."""
    gamma = np.deg2rad(gamma_deg)[..., None]
    square = np.cross(tangent, _apex(tangent, reference, beta_deg))
    return np.cos(gamma) * long_axis(tangent, reference, alpha_deg, beta_deg) + np.sin(gamma) * square


def upward(normal: Floats) -> Floats:
    """Return the normals turned to point up (or level), the same axes otherwise."""
    return np.where(normal[..., 2:3] < 0.0, -normal, normal)


def dip_of_plane(normal: Floats) -> tuple[Floats, Floats]:
    """Return dip (0 to 90) and dip direction (0 to 360) in degrees of planes with the given unit normals.

    A horizontal plane has no dip direction: NaN. A vertical plane has two; the one its normal points to is given.
    """
    up = upward(normal)
    flat = np.hypot(up[..., 0], up[..., 1])
    dip = np.rad2deg(np.arctan2(flat, up[..., 2]))
    direction = _bearing(up)
    return dip, np.where(flat > HORIZONTAL, direction, np.nan)


HORIZONTAL = 1e-9
"""Horizontal part of a unit normal below which a plane is horizontal: 6e-8°, far inside any reading."""


def _bearing(vector: Floats) -> Floats:
    bearing = np.rad2deg(np.arctan2(vector[..., 0], vector[..., 1])) % 360.0
    return np.where(bearing >= 360.0, 0.0, bearing)


def vector_of_plane(dip_deg: npt.ArrayLike, dip_direction_deg: npt.ArrayLike) -> Floats:
    """Return the upward unit normal of planes given by dip and dip direction in degrees, shape (n, 3).

    A missing dip direction is taken as 0 where the dip is 0, and gives NaN elsewhere.
    """
    dip = np.deg2rad(np.asarray(dip_deg, dtype=float))
    direction = np.deg2rad(np.where(np.equal(dip_deg, 0.0), np.nan_to_num(dip_direction_deg), dip_direction_deg))
    sine = np.sin(dip)
    return np.stack([sine * np.sin(direction), sine * np.cos(direction), np.cos(dip)], axis=-1)


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
    azimuth = np.deg2rad(azimuth_deg)
    down = normal[..., 0] * np.sin(azimuth) + normal[..., 1] * np.cos(azimuth)
    none = np.hypot(down, normal[..., 2]) < HORIZONTAL
    return np.where(none, np.nan, np.rad2deg(np.arctan2(down, normal[..., 2])))


def trend_and_plunge(line: Floats) -> tuple[Floats, Floats]:
    """Return trend (0 to 360) and plunge (0 to 90, down) in degrees of lines, whichever way their vectors point."""
    down = np.where(line[..., 2:3] > 0.0, -line, line)
    flat = np.hypot(down[..., 0], down[..., 1])
    return _bearing(down), np.rad2deg(np.arctan2(-down[..., 2], flat))


def vector_of_line(trend_deg: npt.ArrayLike, plunge_deg: npt.ArrayLike) -> Floats:
    """Return the downward unit vector of lines given by trend and plunge in degrees, shape (n, 3)."""
    return curvature.tangent(np.deg2rad(trend_deg), -np.deg2rad(plunge_deg))


def core_angles(tangent: Floats, reference: Floats, normal: Floats) -> tuple[Floats, Floats]:
    """Return alpha and beta in degrees of planes with the given unit normals: the inverse of :func:`plane_normal`.

    Either sign of the normal gives the same answer. Where the plane is square to the core (alpha 90) beta has no
    meaning and is NaN; where it contains the core axis (alpha 0) beta and beta + 180 are the same plane, and the one
    that belongs to the normal as given is returned.
    """
    along = np.einsum("...i,...i->...", tangent, normal)
    down_hole = np.where((along < 0.0)[..., None], -normal, normal)
    side = np.cross(tangent, reference)
    towards_line = -np.einsum("...i,...i->...", down_hole, reference)
    towards_side = -np.einsum("...i,...i->...", down_hole, side)
    across = np.hypot(towards_line, towards_side)
    alpha = np.rad2deg(np.arctan2(np.abs(along), across))
    beta = np.rad2deg(np.arctan2(towards_side, towards_line)) % 360.0
    beta = np.where(beta >= 360.0, 0.0, beta)
    return alpha, np.where(across > HORIZONTAL, beta, np.nan)


def gamma_of_line(
    tangent: Floats, reference: Floats, alpha_deg: npt.ArrayLike, beta_deg: npt.ArrayLike, line: Floats
) -> Floats:
    """Return gamma in degrees (0 to 360) of unit vectors lying in planes given by their core angles."""
    along = np.einsum("...i,...i->...", line, long_axis(tangent, reference, alpha_deg, beta_deg))
    square = np.einsum("...i,...i->...", line, np.cross(tangent, _apex(tangent, reference, beta_deg)))
    gamma = np.rad2deg(np.arctan2(square, along)) % 360.0
    return np.where(gamma >= 360.0, 0.0, gamma)
