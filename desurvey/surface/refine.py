"""Refine a coarse mesh of a surface only where it is needed: where the surface bends, its σ does, or a limit cuts it.

Each edge is tested at its middle: how far that lies from the surface, how far the surface's σ there is from the mean of
the ends', and, where the edge meets a limit, how far that is from straight. An edge that fails is split at the point
of the surface beside its middle, and the triangles on both its sides with it, so that neighbours always share whole
edges and no crack can open. If any edge of a triangle is split its longest one is too, which keeps triangles from
becoming thin.

References
----------
Rivara (1984), International Journal for Numerical Methods in Engineering 20, 745–756: bisection of the longest edge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown
from desurvey.surface.mesh import Mesh

__all__ = ["Needs", "refined"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@shown
@dataclass(frozen=True, slots=True)
class Needs:
    """What a mesh has to follow, and how closely.

    Attributes
    ----------
    onto : callable
        Takes points (n, 3) near the surface onto it.
    sigma : callable
        The surface's 1-σ at points of it, metres (n,).
    outside : callable
        Metres beyond the limits, (n,); nothing is refined where it is above 0.
    tolerance : float
        Largest distance from the surface, and from a limit's line, that the middle of an edge may have, metres.
    share : float
        Largest difference of σ, as a share of it; differences below the tolerance pass too.
    """

    onto: Callable[[Floats], Floats]
    sigma: Callable[[Floats], Floats]
    outside: Callable[[Floats], Floats]
    tolerance: float
    share: float


@shown
@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """The edges of a mesh.

    Attributes
    ----------
    ends : (E, 2) array of int
        Rows of the vertices.
    of_triangle : (T, 3) array of int
        The three of each triangle; edge k begins at corner k.
    middle, sigma : (E, 3) and (E,) arrays
        The point of the surface beside the middle and its σ, NaN until they are asked for.
    """

    ends: Ints
    of_triangle: Ints
    middle: Floats
    sigma: Floats

    @property
    def codes(self) -> Ints:
        """One number for each edge."""
        return np.asarray(self.ends[:, 0] << 32 | self.ends[:, 1])

    def know(self, rows: Ints, mesh: Mesh, needs: Needs) -> None:
        """Fill in the middles of some edges where they are not known yet."""
        rows = rows[np.isnan(self.middle[rows, 0])]
        self.middle[rows] = needs.onto(mesh.vertices[self.ends[rows]].mean(axis=1))

    def know_sigma(self, rows: Ints, mesh: Mesh, needs: Needs) -> None:
        """Fill in σ at the middles of some edges where it is not known yet."""
        self.know(rows, mesh, needs)
        rows = rows[np.isnan(self.sigma[rows])]
        self.sigma[rows] = needs.sigma(self.middle[rows])


def refined(mesh: Mesh, needs: Needs, rounds: int) -> Mesh:
    """Return a mesh whose edges pass the tests, or have been halved ``rounds`` times.

    Parameters
    ----------
    mesh : Mesh
        A mesh with its vertices on the surface, and their σ.
    needs : Needs
        What it has to follow.
    rounds : int
        Most times that an edge is halved.
    """
    passed = np.empty(0, dtype=np.int64)
    for _ in range(rounds):
        edges = _edges(mesh)
        asked = np.flatnonzero(~np.isin(edges.codes, passed))
        failed = np.zeros(len(edges.ends), dtype=bool)
        failed[asked] = _fail(mesh, edges, asked, needs)
        if not failed.any():
            return mesh
        passed = np.union1d(passed, edges.codes[asked[~failed[asked]]])
        mesh = _split(mesh, edges, _with_longest(mesh, edges, failed), needs)
    return mesh


def _edges(mesh: Mesh) -> _Edges:
    sides = np.sort(np.stack([mesh.triangles, np.roll(mesh.triangles, -1, axis=1)], axis=2), axis=2)
    ends, place = np.unique(sides.reshape(-1, 2), axis=0, return_inverse=True)
    return _Edges(ends, place.reshape(-1, 3), np.full((len(ends), 3), np.nan), np.full(len(ends), np.nan))


def _fail(mesh: Mesh, edges: _Edges, asked: Ints, needs: Needs) -> Flags:
    """Return which of the edges asked about fail a test at their middle; the costly tests come last."""
    failed = np.zeros(len(edges.ends), dtype=bool)
    chord = mesh.vertices[edges.ends[asked]].mean(axis=1)
    limit, between = needs.outside(mesh.vertices)[edges.ends[asked]], needs.outside(chord)
    inside = np.column_stack([limit, between]) < 0.0
    crossing = inside.any(axis=1) & ~inside.all(axis=1)
    failed[asked] = crossing & (np.abs(between - limit.mean(axis=1)) > needs.tolerance)
    rest = inside.any(axis=1) & ~failed[asked]
    rows, chord = asked[rest], chord[rest]
    edges.know(rows, mesh, needs)
    failed[rows] = np.linalg.norm(edges.middle[rows] - chord, axis=1) > needs.tolerance
    rows = rows[~failed[rows]]
    edges.know_sigma(rows, mesh, needs)
    sigma = edges.sigma[rows]
    bent = np.abs(sigma - mesh.sigma[edges.ends[rows]].mean(axis=1))
    failed[rows] = bent > np.maximum(needs.share * sigma, needs.tolerance)
    return failed[asked]


def _with_longest(mesh: Mesh, edges: _Edges, failed: Flags) -> Flags:
    """Return the edges to split: those that failed, and the longest one of every triangle that has one to split."""
    span = np.diff(mesh.vertices[edges.ends], axis=1)[:, 0]
    longest = edges.of_triangle[np.arange(len(mesh.triangles)), _argmax(np.linalg.norm(span, axis=1), edges)]
    split = failed.copy()
    while True:
        more = longest[split[edges.of_triangle].any(axis=1)]
        if split[more].all():
            return split
        split[more] = True


def _argmax(length: Floats, edges: _Edges) -> Ints:
    return np.asarray(np.argmax(length[edges.of_triangle], axis=1), dtype=np.int64)


def _split(mesh: Mesh, edges: _Edges, split: Flags, needs: Needs) -> Mesh:
    """Return the mesh with some edges halved."""
    rows = np.flatnonzero(split)
    edges.know_sigma(rows, mesh, needs)
    number = np.full(len(split), -1)
    number[rows] = len(mesh.vertices) + np.arange(len(rows))
    middle = number[edges.of_triangle]
    count = (middle >= 0).sum(axis=1)
    vertices = np.vstack([mesh.vertices, edges.middle[rows]])
    parts = [mesh.triangles[count == 0]]
    parts += _halved(*_turned(mesh, middle, count == 1, lambda m: m >= 0))
    parts += _in_three(*_turned(mesh, middle, count == 2, lambda m: m < 0), vertices)
    parts += _in_four(mesh.triangles[count == 3], middle[count == 3])
    return Mesh(vertices, np.vstack(parts), np.append(mesh.sigma, edges.sigma[rows]))


def _turned(mesh: Mesh, middle: Ints, rows: Flags, lone: Callable[[Ints], Flags]) -> tuple[Ints, Ints]:
    """Return corners and middles of some triangles, turned so that the edge unlike the other two stands first."""
    some = middle[rows]
    turn = (np.argmax(lone(some), axis=1)[:, None] + np.arange(3)) % 3
    return np.take_along_axis(mesh.triangles[rows], turn, axis=1), np.take_along_axis(some, turn, axis=1)


def _halved(corner: Ints, middle: Ints) -> list[Ints]:
    """Return the halves of triangles whose first edge is split."""
    (a, b, c), m = corner.T, middle[:, 0]
    return [np.column_stack([a, m, c]), np.column_stack([m, b, c])]


def _in_three(corner: Ints, middle: Ints, vertices: Floats) -> list[Ints]:
    """Return the parts of triangles of which all edges but the first are split, cut along the shorter diagonal."""
    (a, b, c), (_, m, n) = corner.T, middle.T
    first = np.linalg.norm(vertices[a] - vertices[m], axis=1) <= np.linalg.norm(vertices[b] - vertices[n], axis=1)
    left = np.where(first, [a, b, m], [a, b, n]).T
    right = np.where(first, [a, m, n], [n, b, m]).T
    return [left, right, np.column_stack([n, m, c])]


def _in_four(corner: Ints, middle: Ints) -> list[Ints]:
    """Return the quarters of triangles with all edges split."""
    (a, b, c), (m, n, o) = corner.T, middle.T
    return [np.column_stack(part) for part in ((a, m, o), (m, b, n), (o, n, c), (m, n, o))]
