"""How well the pole of a plane measured on core is known.

A small error turns the unit normal n by a small vector in the plane square to it. With t the hole's tangent and e the
long axis of the ellipse (∂n/∂α = e), the sources, each independent of the others::

    δn = δα · e + (δβ + δline) · (t × n) + M δt
    M  = (t · n) I − t nᵀ − roll · (t × n)(t × z)ᵀ          roll = (Z · t) / |Z − (Z · t) t|

M is what an error δt of the survey's direction does: it carries the core with it, and it rolls the orientation line,
which follows gravity (Z up, z the high side) or grid north (Z north). *line* is the mark's own error and the tilt error
of the tool, rolled by tilt / |Z − (Z · t) t|: tilt / cos(dip) for gravity.

The trace of the covariance is the mean square angle between the true and the computed pole. For a plane and a hole
whose direction is known it is σ_α² + cos² α (σ_β² + σ_line²).

Errors of a line are common to all readings of a run: do not average them away.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from desurvey import curvature
from desurvey.spread.sigmas import Sigmas

__all__ = ["line_sigma_deg", "plane_covariance", "pole_covariance", "pole_sigma_deg"]

Floats = npt.NDArray[np.float64]

UNKNOWN_ROLL_DEG = 180.0 / np.sqrt(3.0)
"""Standard deviation of a roll that is known not at all (even over a full turn): no line is worse than that."""


def pole_covariance(
    tangent: Floats,
    normal: Floats,
    direction: Floats | None = None,
    sigmas: Sigmas | None = None,
    line: npt.ArrayLike = "low",
) -> Floats:
    """Return the covariance of unit normals in their tangent planes, rad², shape (n, 3, 3).

    Parameters
    ----------
    tangent, normal : (n, 3) arrays
        Down-hole unit tangent and unit normal (either sign: the covariance is the same). NaN gives NaN.
    direction : (n, 3, 3) array, optional
        Covariance of the tangent, rad² (:attr:`desurvey.spread.PointSpread.direction`); none if not given.
    sigmas : Sigmas, optional
        1-σ errors; the defaults if not given.
    line : str or (n,) array of {"low", "high", "north"}
        What the orientation line marks. Low and high have the same error.

    Returns
    -------
    (n, 3, 3) array
        Symmetric, with the normal as null direction. Linear: fit for angles up to some 20°.
    """
    sigmas = Sigmas() if sigmas is None else sigmas
    turned = np.cross(tangent, normal)
    along = np.sum(tangent * normal, axis=1)
    roll = np.deg2rad(np.hypot(sigmas.beta_deg, line_sigma_deg(tangent, sigmas, line)))
    total = _alpha_part(tangent, normal, along, np.deg2rad(sigmas.alpha_deg))
    total += _dyads(roll[:, None] * turned)
    if direction is not None:
        matrix = along[:, None, None] * np.eye(3) - tangent[:, :, None] * normal[:, None, :]
        upright, flat = _upright(tangent, line)
        matrix -= turned[:, :, None] * _roll_of_direction(tangent, upright, flat)[:, None, :]
        total += matrix @ direction @ matrix.transpose(0, 2, 1)
    return total


def plane_covariance(normal: Floats, sigmas: Sigmas | None = None) -> Floats:
    """Return the covariance of unit normals of planes logged as dip and dip direction, rad², shape (n, 3, 3)."""
    sigmas = Sigmas() if sigmas is None else sigmas
    return np.asarray(np.deg2rad(sigmas.plane_deg) ** 2 * (np.eye(3) - _dyads(normal)))


def pole_sigma_deg(covariance: Floats) -> Floats:
    """Return the root-mean-square angle in degrees between true and computed pole, shape (n,).

    It is the total angle, √trace: √2 times the standard deviation in any one direction when those are all equal.
    """
    return np.asarray(np.rad2deg(np.sqrt(np.trace(covariance, axis1=-2, axis2=-1))))


def line_sigma_deg(tangent: Floats, sigmas: Sigmas, line: npt.ArrayLike = "low") -> Floats:
    """Return the 1-σ error of the orientation line in degrees around the core, shape (n,).

    It is √(line² + (tilt / cos dip)²) for a gravity line, with the angle from the north-south line in the place of
    the dip for a north line, and no more than the 103.9° of a roll that is not known at all.
    """
    _, flat = _upright(tangent, line)
    with np.errstate(divide="ignore"):
        rolled = np.hypot(sigmas.line_deg, sigmas.tilt_deg / flat)
    return np.asarray(np.minimum(rolled, UNKNOWN_ROLL_DEG))


def _alpha_part(tangent: Floats, normal: Floats, along: Floats, sigma: float) -> Floats:
    """Return the part of alpha; even over all directions where the plane is square to the core (alpha 90)."""
    axis = tangent - along[:, None] * normal
    size = np.linalg.norm(axis, axis=1)
    square = size < curvature.VERTICAL
    axis = axis / np.where(square, 1.0, size)[:, None]
    even = 0.5 * (np.eye(3) - normal[:, :, None] * normal[:, None, :])
    return np.where(square[:, None, None], even, _dyads(axis)) * sigma**2


def _upright(tangent: Floats, line: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return the axis Z that the line follows, (n, 3), and the length of its part square to the hole, (n,)."""
    north = np.broadcast_to(np.asarray(line, dtype=np.str_), tangent.shape[:1]) == "north"
    axis = np.where(north[:, None], np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    return axis, np.linalg.norm(np.cross(tangent, axis), axis=1)


def _roll_of_direction(tangent: Floats, axis: Floats, flat: Floats) -> Floats:
    """Return the vector whose product with a direction error δt is the roll of the line that goes with it, (n, 3).

    Zero on a hole along the axis, where the line is undefined and its roll is not known anyway.
    """
    sideways = np.cross(tangent, axis)
    lean = np.sum(tangent * axis, axis=1)
    defined = flat > curvature.VERTICAL
    scale = np.where(defined, lean / np.where(defined, flat, 1.0) ** 2, 0.0)
    return scale[:, None] * sideways


def _dyads(vectors: Floats) -> Floats:
    return np.asarray(vectors[:, :, None] * vectors[:, None, :])
