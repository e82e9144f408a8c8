"""A vertical slab through the ground, and what lies in it: the geometry of a section.

The onlooker faces the slab squarely. To the *right* is the horizontal direction of the section's azimuth, *into* it the
horizontal direction 90° anticlockwise of that: a section with azimuth 090 looks north and has east on its right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from desurvey import directions
from desurvey.problems import DataProblem, nearest
from desurvey.ragged import numbered
from desurvey.traces import Traces

__all__ = ["Slab", "along_line", "cut_mesh", "even_depths", "fences", "named_fences", "slab_of", "through_holes"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


FENCE_GAP, FENCE_LEAST = 3.0, 15.0
"""Steps across fences that part two of them: times the median step, and metres at least (own choice)."""


@dataclass(frozen=True, slots=True)
class Slab:
    """A vertical slab.

    Attributes
    ----------
    easting, northing : float
        A point of its middle plane, the origin of distances along the section.
    azimuth_deg : float
        Direction to the right of the section, clockwise from grid north.
    thickness : float
        Metres; half of it lies on either side of the middle plane.
    extent : (float, float) or None
        First and last distance along the section that it shows, metres; None: as far as there is something to show.
    """

    easting: float
    northing: float
    azimuth_deg: float
    thickness: float
    extent: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        """Refuse a slab without thickness."""
        if not (np.isfinite(self.thickness) and self.thickness > 0):
            raise DataProblem("the thickness of a section must be more than 0 m", value=self.thickness)

    @property
    def right(self) -> Floats:
        """Unit vector (E, N, U) to the right."""
        azimuth = np.deg2rad(self.azimuth_deg)
        return np.array([np.sin(azimuth), np.cos(azimuth), 0.0])

    @property
    def into(self) -> Floats:
        """Unit vector (E, N, U) away from the onlooker."""
        return np.cross([0.0, 0.0, 1.0], self.right)

    def seen(self, points: Floats) -> Floats:
        """Return distance along the section, elevation, and distance behind its middle plane, shape (..., 3)."""
        away = points - np.array([self.easting, self.northing, 0.0])
        return np.stack([away @ self.right, away[..., 2], away @ self.into], axis=-1)

    def holds(self, seen: Floats) -> Bools:
        """Return which points, as :meth:`seen` gives them, lie in the slab (and in its extent)."""
        inside = np.abs(seen[..., 2]) <= self.thickness / 2
        if self.extent is not None:
            inside &= (seen[..., 0] >= self.extent[0]) & (seen[..., 0] <= self.extent[1])
        return np.asarray(inside, dtype=np.bool_)


def slab_of(traces: Traces, holes: str, line: str, thickness: float) -> Slab:
    """Return the slab that a person asks for, by holes ("TH-01,TH-02") or by a line ("E,N,E,N").

    Raises
    ------
    DataProblem
        When neither or both are given, a hole is unknown, or the line isn't four numbers.
    """
    if bool(holes) == bool(line):
        raise DataProblem(
            "a section needs either holes or a line", hint="give --hole NAME (several times) or --line E,N,E,N"
        )
    if line:
        try:
            east, north, other_east, other_north = (float(word) for word in line.split(","))
        except ValueError as problem:
            raise DataProblem("a section line is four numbers, E,N,E,N", value=line) from problem
        return along_line((east, north), (other_east, other_north), thickness)
    names = [name.strip() for name in holes.split(",")]
    index = traces.index(names)
    for name, hole in zip(names, index.tolist(), strict=True):
        if hole < 0:
            raise DataProblem("there is no such hole", value=name, hint=nearest(name, traces.hole_ids.tolist()))
    return through_holes(traces, index, thickness)


def along_line(start: tuple[float, float], end: tuple[float, float], thickness: float) -> Slab:
    """Return the slab along a line from its left end to its right end, each (easting, northing)."""
    east, north = end[0] - start[0], end[1] - start[1]
    length = float(np.hypot(east, north))
    if length == 0.0:
        raise DataProblem("the two ends of a section line must differ", value=start)
    azimuth = float(directions.azimuth(np.array([east, north])))
    return Slab(start[0], start[1], azimuth, thickness, (0.0, length))


def through_holes(traces: Traces, holes: Ints, thickness: float) -> Slab:
    """Return the slab that fits chosen holes best in plan.

    Parameters
    ----------
    traces : Traces
        Desurveyed holes.
    holes : (n,) int array
        Which of them.
    thickness : float
        Metres.

    Notes
    -----
    The middle plane goes through the mean of points spread evenly along the holes, and strikes along their direction
    of largest spread in plan (the first right singular vector); the section then looks to the northern half of the
    compass (azimuths from just over 0 to 180). Vertical holes in one place have no such direction: it looks north.
    """
    hole, depth = even_depths(traces, holes, step=5.0)
    plan = traces.at(hole, depth).position[:, :2]
    centre = plan.mean(axis=0)
    _, size, axes = np.linalg.svd(plan - centre, full_matrices=False)
    flat = len(size) < 1 or size[0] < 1e-6 * np.sqrt(len(plan))
    azimuth = 90.0 if flat else float(directions.azimuth(axes[0])) % 180.0
    return Slab(float(centre[0]), float(centre[1]), azimuth or 180.0, thickness)


def fences(traces: Traces) -> list[Ints]:
    """Return the holes fence by fence, in order across them; one group when they don't stand on fences.

    Notes
    -----
    Fences run along the holes' common bearing (the axis of their courses in plan). Collars are put in order across it
    and parted wherever the step to the next is more than :data:`FENCE_GAP` times the median step.
    """
    count = len(traces.hole_ids)
    everything = np.arange(count)
    if count < 3:
        return [everything] if count else []
    collar = traces.position[traces.offsets[:-1], :2]
    course = traces.at(everything, traces.end).position[:, :2] - collar
    _, _, axes = np.linalg.svd(course, full_matrices=True)
    across = collar @ axes[1]
    order = np.argsort(across, kind="stable")
    step = np.diff(across[order])
    wide = np.flatnonzero(step > max(FENCE_GAP * float(np.median(step)), FENCE_LEAST)) + 1
    return [np.sort(group) for group in np.split(order, wide)]


def named_fences(traces: Traces, thickness: float) -> list[tuple[str, Slab]]:
    """Return the slab through each fence of holes, with what its section is called."""
    named = []
    for number, holes in enumerate(fences(traces), start=1):
        names = traces.hole_ids[holes].tolist()
        called = f"Section {number} through {names[0]} to {names[-1]}" if len(names) > 1 else f"Section {names[0]}"
        named.append((called, through_holes(traces, holes, thickness)))
    return named


def even_depths(traces: Traces, holes: Ints, step: float) -> tuple[Ints, Floats]:
    """Return (hole, depth) pairs every ``step`` metres down each chosen hole, its collar and its end included."""
    end = traces.end[holes]
    counts = np.ceil(end / step).astype(np.int64) + 1
    row, number = numbered(counts)
    return holes[row], np.minimum(number * step, end[row])


def cut_mesh(seen: Floats, triangles: Ints) -> Floats:
    """Return the lines in which triangles meet the middle plane, (m, 2, 2) of distance along and elevation.

    Parameters
    ----------
    seen : (v, 3) array
        Corners as :meth:`Slab.seen` gives them.
    triangles : (t, 3) int array
        Rows of the corners of each triangle.

    Notes
    -----
    A corner on the plane counts as behind it, so that two triangles sharing an edge give each crossing once.
    """
    corners = seen[triangles]
    side = corners[:, :, 2] >= 0.0
    crossed = side.any(axis=1) & ~side.all(axis=1)
    corners, side = corners[crossed], side[crossed]
    alone = np.argmax(side == (side.sum(axis=1) == 1)[:, None], axis=1)  # the corner that is on its own side
    row = np.arange(len(corners))
    apex = corners[row, alone]
    ends = []
    for other in (1, 2):
        far = corners[row, (alone + other) % 3]
        share = (apex[:, 2] / (apex[:, 2] - far[:, 2]))[:, None]
        ends.append(apex[:, :2] + share * (far[:, :2] - apex[:, :2]))
    return np.stack(ends, axis=1)
