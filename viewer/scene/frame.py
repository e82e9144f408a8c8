"""The box that a scene stands in: local origin, floor, and where the grid lines and their labels go.

VTK and the browser draw in float32, which at a northing of 5,400,000 m is good to half a metre only. All geometry is
therefore built relative to a local origin near the middle of the data, and labels say the true coordinates. Elevations
are not shifted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from viewer import theme

__all__ = ["LocalFrame", "framed"]

Floats = npt.NDArray[np.float64]

PARTS = 6
"""About how many grid squares lie along the longest side of the box."""


@dataclass(frozen=True, slots=True, eq=False)
class LocalFrame:
    """Local origin and box of a scene.

    Attributes
    ----------
    origin : (3,) array
        Easting, northing and 0: what is taken from true coordinates. A corner of the grid.
    low, high : (3,) arrays
        Corners of the box in local coordinates, whole numbers of steps. The floor lies at ``low[2]``.
    step : float
        Spacing of the grid in all three directions, metres.
    """

    origin: Floats
    low: Floats
    high: Floats
    step: float

    @property
    def size(self) -> Floats:
        """Sides of the box in metres, shape (3,)."""
        return self.high - self.low

    @property
    def reach(self) -> float:
        """Diagonal of the box in metres: what sizes of symbols are measured against."""
        return float(np.linalg.norm(self.size))

    def local(self, position: npt.ArrayLike) -> Floats:
        """Return true coordinates (n, 3) relative to the local origin."""
        return np.asarray(position, dtype=float) - self.origin

    def true(self, position: npt.ArrayLike) -> Floats:
        """Return local coordinates (n, 3) as true ones."""
        return np.asarray(position, dtype=float) + self.origin

    def ticks(self, axis: int) -> Floats:
        """Return where the grid lines cross an axis (0 east, 1 north, 2 up), local coordinates."""
        count = round(self.size[axis] / self.step)
        return np.asarray(self.low[axis] + self.step * np.arange(count + 1))


def framed(position: npt.ArrayLike) -> LocalFrame:
    """Return the frame of a cloud of points.

    Parameters
    ----------
    position : (n, 3) array
        True coordinates (E, N, U) of what is to be shown, metres; rows that are not finite are left out.

    Returns
    -------
    Frame
        With grid lines on round coordinates and at least one square in every direction. Without a single point it is
        a box of 100 m at the origin.

    Examples
    --------
    >>> frame = framed([[500010.0, 5400020.0, 210.0], [500410.0, 5400220.0, -40.0]])
    >>> frame.step, frame.true(frame.low).tolist()
    (50.0, [500000.0, 5400000.0, -50.0])
    """
    points = np.asarray(position, dtype=float).reshape(-1, 3)
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        points = np.array([[0.0, 0.0, 0.0], [100.0, 100.0, 100.0]])
    low, high = points.min(axis=0), points.max(axis=0)
    step = theme.nice_step(max(float((high - low).max()), 1.0), PARTS)
    low, high = np.floor(low / step) * step, np.ceil(high / step) * step
    high = np.maximum(high, low + step)
    origin = np.array([*(np.round((low + high) / 2 / step) * step)[:2], 0.0])
    return LocalFrame(origin, low - origin, high - origin, step)
