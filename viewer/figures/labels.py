"""Names on a drawing that don't lie on each other: shared out along a line, or placed around their points.

All lengths are millimetres on the paper. Both functions give the same answer every time.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from desurvey.ragged import numbered

__all__ = ["placed", "points_in", "spread", "without_overlap"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

RINGS: Final = (0.8, 2.5, 4.5, 7.0, 10.0, 14.0, 19.0, 25.0, 32.0)
"""Distances from a point to the near edge of its name that are tried, nearest first."""

BEARINGS: Final = np.deg2rad([45, 135, 315, 225, 90, 0, 180, 270, 22, 68, 112, 158, 202, 248, 292, 338])
"""Directions that are tried on each ring, clockwise from up; a name is easiest to read up and to the right."""

CELL: Final = 0.5
"""Millimetres to which it is known whether a name lies on a drawn point."""

CROSSING: Final = 1.5
"""Cost of a name lying on one drawn point, in millimetres of distance that it is worth moving to avoid it."""


def spread(wanted: Floats, sizes: Floats, low: float, high: float) -> Floats:
    """Return positions along a line that keep names apart and as near as they can be to where they are wanted.

    Parameters
    ----------
    wanted : (n,) array
        Wished centres.
    sizes : (n,) array
        Lengths that the names take up along the line, gaps included.
    low, high : float
        Ends of the line. When the names together are longer than it, they are closed up evenly.

    Notes
    -----
    Least squares with an order: the blocks of touching names are found by pooling adjacent violators, each block
    standing at the mean of what its members want.

    Examples
    --------
    >>> spread(np.array([10.0, 11.0, 40.0]), np.array([6.0, 6.0, 6.0]), 0.0, 100.0).tolist()
    [7.5, 13.5, 40.0]
    """
    if not len(wanted):
        return np.zeros(0)
    order = np.argsort(wanted, kind="stable")
    size = sizes[order] * min(1.0, (high - low) / float(sizes.sum()))
    before = np.cumsum(size) - size / 2  # centre of each name if all stood shoulder to shoulder from 0
    start = np.clip(_isotonic(wanted[order] - before), low, high - size.sum())
    out = np.empty_like(wanted)
    out[order] = start + before
    return out


def _isotonic(values: Floats) -> Floats:
    """Return the non-decreasing sequence nearest to ``values`` in the least-squares sense."""
    means: list[float] = []
    counts: list[int] = []
    for value in values.tolist():
        means.append(value)
        counts.append(1)
        while len(means) > 1 and means[-2] > means[-1]:
            count = counts[-2] + counts[-1]
            mean = (means[-2] * counts[-2] + means[-1] * counts[-1]) / count
            means[-2:], counts[-2:] = [mean], [count]
    return np.repeat(means, counts)


def placed(points: Floats, sizes: Floats, drawn: Floats, box: tuple[float, float, float, float]) -> Floats:
    """Return the centres of names around their points, NaN for a name that finds no free place.

    Parameters
    ----------
    points : (n, 2) array
        What the names belong to.
    sizes : (n, 2) array
        Width and height of each name.
    drawn : (k, 2) array
        Points of the drawing that names had better not lie on (they may, when all else is worse).
    box : tuple
        Left, bottom, right, top of the drawing; names stay inside.

    Notes
    -----
    Greedy: names are placed in the order given, each at the cheapest free place on the rings around its point. No
    two names ever overlap.
    """
    out = np.full((len(points), 2), np.nan)
    taken = np.empty((0, 4))
    counted = _Counted(drawn, box)
    for i, (point, size) in enumerate(zip(points, sizes, strict=True)):
        centres = _candidates(point, size)
        boxes = np.hstack([centres - size / 2, centres + size / 2])
        free = _inside(boxes, box) & ~_overlap(boxes, taken).any(axis=1)
        if not free.any():
            continue
        cost = np.linalg.norm(centres - point, axis=1) + CROSSING * counted.within(boxes)
        best = int(np.argmin(np.where(free, cost, np.inf)))
        out[i] = centres[best]
        taken = np.vstack([taken, boxes[best]])
    return out


def without_overlap(centres: Floats, sizes: Floats, taken: Floats | None = None) -> Ints:
    """Return the rows of the names that can be written where they are, first come first served.

    Parameters
    ----------
    centres, sizes : (n, 2) arrays
        Where they stand, and their widths and heights.
    taken : (k, 4) array, optional
        Boxes (left, bottom, right, top) that are taken already.
    """
    boxes = np.hstack([centres - sizes / 2, centres + sizes / 2])
    taken = np.empty((0, 4)) if taken is None else taken
    kept: list[int] = []
    for i in np.flatnonzero(~_overlap(boxes, taken).any(axis=1)).tolist():
        if not _overlap(boxes[i : i + 1], boxes[kept]).any():
            kept.append(i)
    return np.asarray(kept, dtype=np.int64)


class _Counted:
    """How many points lie in any box, to half a millimetre: running sums over the cells of a grid."""

    def __init__(self, points: Floats, box: tuple[float, float, float, float]) -> None:
        self.origin = np.array(box[:2])
        self.shape = np.ceil((np.array(box[2:]) - self.origin) / CELL).astype(np.int64) + 1
        cell = np.floor((points - self.origin) / CELL).astype(np.int64)
        cell = cell[np.all((cell >= 0) & (cell < self.shape), axis=1)]
        counts = np.bincount(cell[:, 0] * self.shape[1] + cell[:, 1], minlength=int(self.shape.prod()))
        self.sums = np.pad(counts.reshape(self.shape).cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))

    def within(self, boxes: Floats) -> Floats:
        """Return the number of points in each box (left, bottom, right, top)."""
        low = np.clip(np.floor((boxes[:, :2] - self.origin) / CELL), 0, self.shape).astype(np.int64)
        high = np.clip(np.ceil((boxes[:, 2:] - self.origin) / CELL), 0, self.shape).astype(np.int64)
        (left, bottom), (right, top) = low.T, high.T
        inside = self.sums[right, top] - self.sums[left, top] - self.sums[right, bottom] + self.sums[left, bottom]
        return np.asarray(inside, dtype=np.float64)


def points_in(low: Floats, high: Floats, points: Floats) -> Ints:
    """Return how many of the points lie in each box given by its corners ``low`` and ``high``, (n, 2) arrays."""
    order = np.argsort(points[:, 0], kind="stable")
    x, y = points[order].T
    first, past = np.searchsorted(x, low[:, 0]), np.searchsorted(x, high[:, 0])
    number = past - first
    row, within = numbered(number)
    within = within + first[row]
    hit = (y[within] > low[row, 1]) & (y[within] < high[row, 1])
    return np.bincount(row, weights=hit, minlength=len(low)).astype(np.int64)


def _candidates(point: Floats, size: Floats) -> Floats:
    """Return the centres to try, (rings × bearings, 2): the near edge of the name lies on the ring."""
    away = np.stack([np.sin(BEARINGS), np.cos(BEARINGS)], axis=1)
    centres = point + away[None] * (np.asarray(RINGS)[:, None, None] + size / 2)
    return centres.reshape(-1, 2)


def _inside(boxes: Floats, box: tuple[float, float, float, float]) -> Bools:
    left, bottom, right, top = box
    left, bottom, right, top = box
    return np.asarray((boxes[:, 0] >= left) & (boxes[:, 1] >= bottom) & (boxes[:, 2] <= right) & (boxes[:, 3] <= top))


def _overlap(boxes: Floats, others: Floats) -> Bools:
    """Return which boxes (rows) overlap which others (columns)."""
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    return np.asarray(np.all(low < high, axis=2))
