"""Structure contours: lines of equal elevation on a mesh."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.surface.mesh import Mesh

__all__ = ["Contour", "contours"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@shown
class Contour(NamedTuple):
    """One line: its elevation in metres and its points, (n, 3); a closed line ends where it began."""

    elevation: float
    points: Floats


def contours(mesh: Mesh, interval: float, base: float = 0.0) -> list[Contour]:
    """Return the lines of equal elevation on a mesh.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    interval : float
        Metres between elevations.
    base : float
        An elevation that has a line, if the mesh reaches it.

    Returns
    -------
    list of Contour
        From the lowest up; each walks with the higher ground on its left, seen along the mesh's normals.

    Raises
    ------
    DataProblem
        When the interval isn't above 0.
    """
    if not interval > 0.0:
        raise DataProblem("the interval of structure contours must be above 0 m", value=interval)
    height = mesh.vertices[:, 2]
    first = int(np.ceil((height.min() - base) / interval))
    last = int(np.floor((height.max() - base) / interval))
    elevations = [base + step * interval for step in range(first, last + 1)]
    return [line for elevation in elevations for line in _at(mesh, elevation)]


def _at(mesh: Mesh, elevation: float) -> list[Contour]:
    """Return the lines at one elevation."""
    high = mesh.vertices[:, 2] >= elevation
    corner = high[mesh.triangles]
    cut = mesh.triangles[corner.any(axis=1) & ~corner.all(axis=1)]
    following = np.roll(cut, -1, axis=1)
    up, down = high[following] & ~high[cut], high[cut] & ~high[following]
    count = len(mesh.vertices)
    enter = _edge_codes(cut[down], following[down], count)  # walking with the high side on the left
    leave = _edge_codes(cut[up], following[up], count)
    codes, place = np.unique(np.concatenate([enter, leave]), return_inverse=True)
    points = _crossings(mesh.vertices, codes, count, elevation)
    return [Contour(elevation, points[rows]) for rows in _chained(place[: len(enter)], place[len(enter) :], len(codes))]


def _edge_codes(a: Ints, b: Ints, count: int) -> Ints:
    return np.asarray(np.minimum(a, b) * count + np.maximum(a, b))


def _crossings(vertices: Floats, codes: Ints, count: int, elevation: float) -> Floats:
    """Return where the edges pass an elevation."""
    begin, end = vertices[codes // count], vertices[codes % count]
    share = (elevation - begin[:, 2]) / (end[:, 2] - begin[:, 2])
    return np.asarray(begin + share[:, None] * (end - begin))


def _chained(begin: Ints, end: Ints, count: int) -> list[Ints]:
    """Return directed segments joined into lines; open ones start at a point that no segment ends in."""
    following = np.full(count, -1)
    following[begin] = end
    ended = np.zeros(count, dtype=bool)
    ended[end] = True
    left = np.zeros(count, dtype=bool)
    left[begin] = True
    lines = []
    starts = np.concatenate([begin[~ended[begin]], begin]).tolist()
    step = following.tolist()
    for start in starts:  # each point of each line is walked once
        if not left[start]:
            continue
        line = [start]
        while left[line[-1]]:
            left[line[-1]] = False
            line.append(step[line[-1]])
        lines.append(np.array(line))
    return lines
