"""The lower hemisphere on paper: equal-area (Schmidt) and equal-angle (Wulff) projection, and curves to draw on it.

Plane coordinates are x to the east and y to the north on a circle of radius 1. With the plunge of the axis, downwards,
its distance from the centre is √2 sin((90° − plunge)/2) or tan((90° − plunge)/2).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "from_equal_angle",
    "from_equal_area",
    "great_circle",
    "lower",
    "project_equal_angle",
    "project_equal_area",
    "small_circle",
]

Floats = npt.NDArray[np.float64]


def lower(axes: Floats) -> Floats:
    """Return axes turned to point down; a horizontal one stays as it is."""
    return np.where(axes[..., 2:] > 0.0, -axes, axes)


def project_equal_area(axes: Floats) -> Floats:
    """Return x and y in the equal-area projection of axes (..., 3), shape (..., 2).

    Examples
    --------
    >>> project_equal_area(np.array([[0, 0, -1.0], [0, 1.0, 0], [0, -1.0, -1.0] / np.sqrt(2)])).round(6) + 0.0
    array([[ 0.      ,  0.      ],
           [ 0.      ,  1.      ],
           [ 0.      , -0.541196]])
    """
    down = lower(axes)
    return np.asarray(down[..., :2] / np.sqrt(1.0 - down[..., 2:]))


def project_equal_angle(axes: Floats) -> Floats:
    """Return x and y in the equal-angle projection of axes (..., 3), shape (..., 2)."""
    down = lower(axes)
    return np.asarray(down[..., :2] / (1.0 - down[..., 2:]))


def from_equal_area(points: Floats) -> Floats:
    """Return the unit vectors (..., 3) of points (..., 2) of the equal-area projection; NaN beyond radius √2.

    Between radius 1 and √2 they are those of the upper hemisphere, which the same formula reaches: values of axes drawn
    a little past the rim so go on without a seam.
    """
    square = np.sum(points**2, axis=-1, keepdims=True)
    with np.errstate(invalid="ignore"):
        flat = points * np.sqrt(2.0 - square)
    return np.where(square <= 2.0, np.concatenate([flat, square - 1.0], axis=-1), np.nan)


def from_equal_angle(points: Floats) -> Floats:
    """Return the unit vectors (..., 3) of points (..., 2) of the equal-angle projection, upward past radius 1."""
    square = np.sum(points**2, axis=-1, keepdims=True)
    return np.asarray(np.concatenate([2.0 * points, square - 1.0], axis=-1) / (1.0 + square))


def small_circle(axis: Floats, half_angle_deg: float, count: int = 181) -> Floats:
    """Return the unit vectors at an angle from an axis, once around and back to the first, shape (count, 3).

    The cone swept by poles of unknown beta about a hole is the small circle of half-angle 90 − alpha.
    """
    turn = np.linspace(0.0, 2 * np.pi, count)
    first = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    first /= np.linalg.norm(first)
    ring = np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * np.cross(axis, first)
    half = np.deg2rad(half_angle_deg)
    return np.asarray(np.cos(half) * axis + np.sin(half) * ring)


def great_circle(normal: Floats, count: int = 91) -> Floats:
    """Return the trace of a plane on the lower hemisphere, from rim to rim, shape (count, 3).

    Parameters
    ----------
    normal : (3,) array
        Unit normal of the plane, of either sign.
    count : int
        Points.
    """
    flat = np.hypot(normal[0], normal[1])
    east, north = (normal[0] / flat, normal[1] / flat) if flat > 0.0 else (0.0, 1.0)
    strike = np.array([-north, east, 0.0])
    steepest = lower(np.cross(normal, strike))
    turn = np.linspace(0.0, np.pi, count)
    return np.asarray(np.cos(turn)[:, None] * strike + np.sin(turn)[:, None] * steepest)
