"""Neighbours among points: by the whole matrix of distances where they are few, by a tree where they are many.

The tree is scipy's, whose import takes longer than everything else that a check of a small project does.
"""

from __future__ import annotations

import numpy as np

from desurvey.checks.context import Floats, Ints

__all__ = ["FEW", "nearest", "pairs_within"]

FEW = 2500
"""Points up to which the whole matrix (50 MB) is the shorter way."""


def nearest(points: Floats, count: int) -> tuple[Floats, Ints]:
    """Return distances and places of the nearest other points of each, nearest first, (n, count) each.

    Examples
    --------
    >>> distance, place = nearest(np.array([[0.0, 0.0], [3.0, 4.0], [0.0, 1.0]]), 1)
    >>> distance.ravel(), place.ravel()
    (array([1.        , 4.24264069, 1.        ]), array([2, 2, 0]))
    """
    if len(points) > FEW:
        from scipy.spatial import cKDTree

        distance, place = cKDTree(points).query(points, k=count + 1)
        return _without_self(np.asarray(distance), np.asarray(place, dtype=np.int64))
    matrix = np.sqrt(_squares(points))
    np.fill_diagonal(matrix, np.inf)
    place = np.argsort(matrix, axis=1, kind="stable")[:, :count]
    return np.take_along_axis(matrix, place, axis=1), place.astype(np.int64)


def pairs_within(points: Floats, radius: float) -> Ints:
    """Return pairs of points no farther apart than a radius, (m, 2), the lower place first."""
    if len(points) > FEW:
        from scipy.spatial import cKDTree

        return np.sort(cKDTree(points).query_pairs(radius, output_type="ndarray"), axis=1).astype(np.int64)
    near = np.triu(_squares(points) <= radius**2, k=1)
    return np.column_stack(np.nonzero(near)).astype(np.int64)


def _without_self(distance: Floats, place: Ints) -> tuple[Floats, Ints]:
    """Return neighbours without the point itself, which a tree gives too, and not always first."""
    own = place == np.arange(len(place))[:, None]
    own[~own.any(axis=1), -1] = True  # among many points in one place the point itself may not be given
    keep = ~own
    shape = (len(place), place.shape[1] - 1)
    return distance[keep].reshape(shape), place[keep].reshape(shape)


def _squares(points: Floats) -> Floats:
    """Return the squared distances of all points from all, (n, n): one coordinate at a time, exact for near points."""
    total = np.zeros((len(points), len(points)))
    for coordinate in points.T:
        apart = np.subtract.outer(coordinate, coordinate)
        total += np.multiply(apart, apart, out=apart)
    return total
