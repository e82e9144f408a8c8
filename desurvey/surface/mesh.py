"""A triangulated surface: cutting it along the zero line of a function of its vertices, telling its pieces apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["Mesh"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Mesh:
    """Triangles, anticlockwise seen from the side to which the surface's normals point.

    Attributes
    ----------
    vertices : (V, 3) array
        Easting, northing, elevation, metres.
    triangles : (T, 3) array of int
        Rows of ``vertices``.
    sigma : (V,) array
        1-σ of the surface along its own normal, metres; NaN where it isn't known.
    """

    vertices: Floats
    triangles: Ints
    sigma: Floats

    def __post_init__(self) -> None:
        """Check shapes and make the arrays read-only."""
        count = len(self.vertices)
        if self.vertices.shape != (count, 3) or self.triangles.shape[1:] != (3,) or self.sigma.shape != (count,):
            raise DataProblem("a mesh needs vertices (V, 3), triangles (T, 3) and a sigma for each vertex")
        if self.triangles.size and not 0 <= self.triangles.min() <= self.triangles.max() < count:
            raise DataProblem("triangles must name rows of the vertices", value=int(self.triangles.max()))
        for array in (self.vertices, self.triangles, self.sigma):
            array.setflags(write=False)

    @property
    def corners(self) -> Floats:
        """Coordinates of the triangles' corners, (T, 3, 3)."""
        return self.vertices[self.triangles]

    @property
    def areas(self) -> Floats:
        """Areas of the triangles, m², (T,)."""
        a, b, c = np.moveaxis(self.corners, 1, 0)
        return np.asarray(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1))

    def clipped(self, outside: Floats) -> Mesh:
        """Return the part of the mesh on which a function of the vertices is negative.

        Parameters
        ----------
        outside : (V,) array
            For example a distance in metres, positive where the surface has to go. Along the cut it is taken as
            linear on each edge, so the cut is as straight as the mesh is fine. NaN counts as outside.
        """
        level = np.where(np.isfinite(outside), outside, np.inf)
        inside = level < 0.0
        corners_in = inside[self.triangles]
        count = corners_in.sum(axis=1)
        edges, vertices, sigma = self._cut_edges(level, inside)
        one = _from_lone(self.triangles[count == 1], corners_in[count == 1])
        two = _from_lone(self.triangles[count == 2], ~corners_in[count == 2])
        tip = np.column_stack([one[:, 0], edges(one[:, 0], one[:, 1]), edges(one[:, 0], one[:, 2])])
        left, right = edges(two[:, 0], two[:, 1]), edges(two[:, 0], two[:, 2])
        trapezium = np.vstack(
            [np.column_stack([left, two[:, 1], two[:, 2]]), np.column_stack([left, two[:, 2], right])]
        )
        return Mesh(vertices, np.vstack([self.triangles[count == 3], tip, trapezium]), sigma).compact()

    def _cut_edges(self, level: Floats, inside: Flags) -> tuple[_EdgeIndex, Floats, Floats]:
        """Return an index of the vertices on cut edges, and vertices and sigma with those appended."""
        sides = self.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
        cut = np.unique(np.sort(sides[inside[sides[:, 0]] != inside[sides[:, 1]]], axis=1), axis=0)
        kept = inside[cut[:, 0]]
        first, second = np.where(kept, cut[:, 0], cut[:, 1]), np.where(kept, cut[:, 1], cut[:, 0])
        with np.errstate(invalid="ignore"):
            share = np.where(np.isinf(level[second]), 0.0, level[first] / (level[first] - level[second]))
        new = self.vertices[first] + share[:, None] * (self.vertices[second] - self.vertices[first])
        sigma = self.sigma[first] + share * (self.sigma[second] - self.sigma[first])
        index = _EdgeIndex(cut[:, 0] * len(level) + cut[:, 1], len(level))
        return index, np.vstack([self.vertices, new]), np.append(self.sigma, sigma)

    def pieces(self) -> Ints:
        """Return the number of the connected piece that each vertex belongs to, (V,)."""
        count = len(self.vertices)
        ends = np.concatenate([self.triangles[:, [0, 1]], self.triangles[:, [1, 2]]])
        graph = coo_array((np.ones(len(ends), dtype=bool), (ends[:, 0], ends[:, 1])), shape=(count, count))
        return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)

    def near(self, points: Floats) -> Mesh:
        """Return the connected pieces that come nearest to any of the points."""
        piece = self.pieces()
        wanted = np.isin(piece, piece[cKDTree(self.vertices).query(points)[1]])
        return Mesh(self.vertices, self.triangles[wanted[self.triangles[:, 0]]], self.sigma).compact()

    def compact(self) -> Mesh:
        """Return the mesh without unused vertices and without triangles that have collapsed to a line."""
        corners = self.triangles
        keep = (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 2] != corners[:, 0])
        used, triangles = np.unique(corners[keep], return_inverse=True)
        return Mesh(self.vertices[used], triangles.reshape(-1, 3), self.sigma[used])


@shown
@dataclass(frozen=True, slots=True, eq=False)
class _EdgeIndex:
    """Which new vertex stands on the edge between two old ones."""

    codes: Ints
    vertices: int

    def __call__(self, a: Ints, b: Ints) -> Ints:
        return self.vertices + np.searchsorted(self.codes, np.minimum(a, b) * self.vertices + np.maximum(a, b))


def _from_lone(triangles: Ints, lone: Flags) -> Ints:
    """Return triangles turned so that the corner that differs from the other two stands first."""
    turn = (np.argmax(lone, axis=1)[:, None] + np.arange(3)) % 3 if len(triangles) else np.zeros((0, 3), dtype=np.int64)
    return np.take_along_axis(triangles, turn, axis=1)
