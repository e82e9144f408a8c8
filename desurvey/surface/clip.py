"""Where a surface ends: the picks' hull with a margin, a distance from them, the ground, an older fault.

Each is a function of points (n, 3) that gives metres, negative where the surface stays. ``Mesh.clipped`` cuts along
its zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator
from scipy.spatial import ConvexHull, QhullError, cKDTree

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.surface.band import LevelSet

__all__ = ["Outside", "beyond", "beyond_hull", "beyond_older", "joined", "over_ground"]

Floats = npt.NDArray[np.float64]
Outside = Callable[[Floats], Floats]


def joined(*limits: Outside) -> Outside:
    """Return the limit that keeps a surface only where all the limits do."""

    def outside(points: Floats) -> Floats:
        return np.asarray(np.max([limit(points) for limit in limits], axis=0))

    return outside


def beyond(picks: Floats, distance: float) -> Outside:
    """Return how far points lie beyond a distance from the nearest pick, metres."""
    tree = cKDTree(picks)

    def outside(points: Floats) -> Floats:
        return np.asarray(tree.query(points)[0]) - distance

    return outside


@shown
@dataclass(frozen=True, slots=True, eq=False)
class _Hull:
    """Convex hull of picks seen along the pole of their mean plane."""

    corners: Floats
    centre: Floats
    axes: Floats
    buffer: float
    thickness: tuple[float, float]

    def __call__(self, points: Floats) -> Floats:
        """Return metres beyond the hull and its buffer, in the mean plane or across it."""
        local = (points - self.centre) @ self.axes.T
        across = np.maximum(local[:, 2] - self.thickness[1], self.thickness[0] - local[:, 2])
        return np.maximum(_to_polygon(local[:, :2], self.corners), across) - self.buffer


def beyond_hull(picks: Floats, centre: Floats, axes: Floats, buffer: float) -> Outside:
    """Return how far points lie beyond the picks' convex hull plus a buffer, metres.

    Parameters
    ----------
    picks : (n, 3) array
        Picks.
    centre, axes : (3,) and (3, 3) arrays
        Frame of the mean plane: its third axis is the pole along which the hull is looked at.
    buffer : float
        Metres beyond the hull in the plane; corners are rounded. Across the plane the limit is the picks' own range
        plus the same buffer plus half their range in the plane, so that only sheets that run away are cut by it.
    """
    local = (picks - centre) @ axes.T
    room = 0.5 * float(np.ptp(local[:, :2], axis=0).max())
    thickness = (float(local[:, 2].min()) - room, float(local[:, 2].max()) + room)
    return _Hull(_hull_corners(local[:, :2]), centre, axes, buffer, thickness)


def _hull_corners(flat: Floats) -> Floats:
    """Return the corners anticlockwise; the two ends of points on one line, the one point of points that coincide."""
    try:
        return flat[ConvexHull(flat).vertices] if len(flat) > 2 else np.unique(flat, axis=0)
    except QhullError:
        along = np.linalg.svd(flat - flat.mean(axis=0), full_matrices=False)[2][0]
        return flat[[np.argmin(flat @ along), np.argmax(flat @ along)]]


def _to_polygon(points: Floats, corners: Floats) -> Floats:
    """Return the distance to a convex polygon given anticlockwise, negative inside it."""
    away, inside = np.full(len(points), np.inf), np.full(len(points), len(corners) > 2)
    for begin, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):  # tens of corners
        side, to = end - begin, points - begin
        share = np.clip(to @ side / max(float(side @ side), np.finfo(float).tiny), 0.0, 1.0)
        away = np.minimum(away, np.hypot(*(to - share[:, None] * side).T))
        inside &= side[0] * to[:, 1] - side[1] * to[:, 0] >= 0.0
    return np.where(inside, -away, away)


def over_ground(ground: Floats) -> Outside:
    """Return how far points lie above the ground, metres.

    Parameters
    ----------
    ground : (n, 3) array
        Points of the topography (a survey, a grid's nodes, or collars if there is nothing better). It is linear on
        triangles between them, and beyond their hull as high as the nearest one.

    Raises
    ------
    DataProblem
        With fewer than three points, or points on one line.
    """
    try:
        linear = LinearNDInterpolator(ground[:, :2], ground[:, 2])
    except (QhullError, ValueError) as error:
        raise DataProblem(
            f"the ground needs three points that are not on one line; {len(ground)} were given"
        ) from error
    nearest = NearestNDInterpolator(ground[:, :2], ground[:, 2])

    def outside(points: Floats) -> Floats:
        height = linear(points[:, :2])
        return points[:, 2] - np.where(np.isnan(height), nearest(points[:, :2]), height)

    return outside


def beyond_older(older: LevelSet, picks: Floats) -> Outside:
    """Return how far points lie beyond an older fault, seen from the picks of the surface that ends at it, metres.

    Raises
    ------
    DataProblem
        When the picks lie on both sides, so that the surface can't be said to end at that fault.
    """
    value, gradient = older.value_and_gradient(picks)
    distance = value / np.linalg.norm(gradient, axis=1)
    left, right = int(np.sum(distance < -ON)), int(np.sum(distance > ON))
    if min(left, right) > 0:
        raise DataProblem(
            f"the surface has picks on both sides of the fault that should end it ({left} and {right})",
            hint="swap the two faults if this one is the younger, or leave out the truncation",
        )
    keep = -1.0 if right > 0 else 1.0

    def outside(points: Floats) -> Floats:
        value, gradient = older.value_and_gradient(points)
        return np.asarray(keep * value / np.linalg.norm(gradient, axis=1))

    return outside


ON = 0.5
"""Metres within which a pick counts as on the older fault itself: a pick's depth is logged to no better (common
practice, no source)."""
