"""Triangulate a level surface from a narrow band of cells that grows outward from known points of it.

Cells are visited only if the surface reaches them through a face from a cell that it crosses, so the field is
evaluated beside the surface and nowhere else, and sheets that no pick belongs to are never found. Each crossed cell
gives one vertex, the mean of the crossings of its edges, moved onto the surface by Newton steps along the gradient;
each crossed edge joins the four vertices around it. Cells are addressed by whole numbers along the axes of the
surface's own frame.

References
----------
Gibson (1998), MICCAI, Lecture Notes in Computer Science 1496, 888–898: surface nets; Wyvill, McPheeters & Wyvill
(1986), The Visual Computer 2, 227–234: following a surface from cell to cell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["Band", "Lattice", "LevelSet", "grown", "net", "onto_surface"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

CORNERS = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
"""Corners of a cell; corner 4 i + 2 j + k."""

EDGES = np.array([[a, b] for a in range(8) for b in range(a + 1, 8) if np.abs(CORNERS[a] - CORNERS[b]).sum() == 1])
"""The twelve edges, as pairs of corners."""

HALF = 1 << 20
"""Cells are counted from −2²⁰ to 2²⁰ along each axis, so that three indices pack into one 63-bit number."""

NEWTON = 5
"""Most steps that bring a vertex onto the surface; two or three are usual, for the net starts within a cell."""


class LevelSet(Protocol):
    """A field of which the zero level is wanted; NaN where it isn't defined."""

    def value(self, points: Floats) -> Floats:
        """Return values at points (n, 3), shape (n,)."""
        ...

    def value_and_gradient(self, points: Floats) -> tuple[Floats, Floats]:
        """Return values (n,) and gradients (n, 3) at points (n, 3)."""
        ...


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """A lattice of cubes: node (i, j, k) stands at ``origin + (i, j, k) @ axes * cell``."""

    origin: Floats
    axes: Floats
    cell: float

    def position(self, index: npt.NDArray[np.generic]) -> Floats:
        """Return the place of (fractional) node indices, (n, 3)."""
        return self.origin + (np.asarray(index, dtype=float) @ self.axes) * self.cell

    def containing(self, points: Floats) -> Ints:
        """Return the indices of the cells that contain points, (n, 3)."""
        return np.floor((points - self.origin) @ self.axes.T / self.cell).astype(np.int64)


@shown
class Band(NamedTuple):
    """The cells that a surface crosses.

    Attributes
    ----------
    cells : (C,) array of int
        Their packed indices, sorted.
    values : (C, 8) array
        The field at their corners.
    evaluated : int
        How many nodes the field was evaluated at.
    """

    cells: Ints
    values: Floats
    evaluated: int


def pack(index: Ints) -> Ints:
    """Return one number for each (i, j, k)."""
    shifted = index + HALF
    return (shifted[..., 0] << 42) | (shifted[..., 1] << 21) | shifted[..., 2]


def unpack(code: Ints) -> Ints:
    """Return (i, j, k) of packed indices."""
    mask = (1 << 21) - 1
    return np.stack([code >> 42, (code >> 21) & mask, code & mask], axis=-1) - HALF


def grown(
    level: LevelSet, grid: Lattice, seeds: Floats, wanted: Callable[[Floats], Flags], limit: int = 20_000_000
) -> Band:
    """Return the band of crossed cells connected to seeds.

    Parameters
    ----------
    level : Level
        The field.
    grid : Grid
        The cells.
    seeds : (k, 3) array
        Points on, or within a cell of, the surface.
    wanted : callable
        Tells of cell centres (n, 3) whether the surface is wanted there.
    limit : int
        Most nodes to evaluate.

    Raises
    ------
    DataProblem
        When the band passes the limit: the cell is too small for the surface's size.
    """
    around = np.array([[i, j, k] for i in (-1, 0, 1) for j in (-1, 0, 1) for k in (-1, 0, 1)])
    front = np.unique(pack((grid.containing(seeds)[:, None] + around).reshape(-1, 3)))
    nodes, values = np.empty(0, dtype=np.int64), np.empty(0)
    seen = front
    cells: list[Ints] = []
    while len(front):
        front = front[wanted(grid.position(unpack(front) + 0.5))]
        corners = pack(unpack(front)[:, None] + CORNERS)
        new = np.setdiff1d(corners, nodes)
        if len(nodes) + len(new) > limit:
            raise DataProblem(
                f"the surface crosses more than {limit // 4:,} cells of {grid.cell:g} m", hint="choose a larger cell"
            )
        order = np.argsort(merged := np.concatenate([nodes, new]), kind="stable")
        values = np.concatenate([values, level.value(grid.position(unpack(new)))])[order]
        nodes = merged[order]
        at_corners = values[np.searchsorted(nodes, corners)]
        crossed = _mixed(at_corners)
        cells.append(front[crossed])
        front = np.setdiff1d(_across_faces(front[crossed], at_corners[crossed]), seen)
        seen = np.union1d(seen, front)
    found = np.sort(np.concatenate(cells))
    corners = pack(unpack(found)[:, None] + CORNERS)
    return Band(found, values[np.searchsorted(nodes, corners)], len(nodes))


def _mixed(values: Floats) -> Flags:
    """Return whether the corners lie on both sides, and all are defined."""
    positive = values >= 0.0
    return np.asarray(positive.any(axis=1) & ~positive.all(axis=1) & np.isfinite(values).all(axis=1))


def _across_faces(cells: Ints, values: Floats) -> Ints:
    """Return the cells on the other side of faces that the surface crosses."""
    index = unpack(cells)
    out = []
    for axis in range(3):
        for side in (0, 1):
            face = values[:, CORNERS[:, axis] == side]
            step = np.zeros(3, dtype=np.int64)
            step[axis] = 2 * side - 1
            out.append(pack(index[_mixed(face)] + step))
    return np.unique(np.concatenate(out))


def net(level: LevelSet, grid: Lattice, band: Band) -> tuple[Floats, Ints]:
    """Return vertices on the surface and triangles, anticlockwise seen from the field's positive side."""
    vertices = onto_surface(level, grid.position(_mean_crossing(band)), grid.cell)
    index = unpack(band.cells)
    quads = [_quads(band, index, axis) for axis in range(3)]
    return vertices, _halves(vertices, np.concatenate(quads))


def _mean_crossing(band: Band) -> Floats:
    """Return the mean of the crossings of each cell's edges, as fractional node indices."""
    first, second = band.values[:, EDGES[:, 0]], band.values[:, EDGES[:, 1]]
    crossed = (first >= 0.0) != (second >= 0.0)
    share = np.divide(first, first - second, out=np.zeros_like(first), where=crossed)
    begin, along = CORNERS[EDGES[:, 0]], CORNERS[EDGES[:, 1]] - CORNERS[EDGES[:, 0]]
    total = np.einsum("ce,ei->ci", crossed.astype(float), begin) + np.einsum("ce,ei->ci", share, along)
    return np.asarray(unpack(band.cells) + total / crossed.sum(axis=1)[:, None])


def onto_surface(level: LevelSet, points: Floats, reach: float) -> Floats:
    """Return points moved onto the surface by Newton steps along the gradient, none farther than ``reach``."""
    moved, open_rows = points.copy(), np.arange(len(points))
    for _ in range(NEWTON):
        value, gradient = level.value_and_gradient(moved[open_rows])
        slope = np.einsum("ij,ij->i", gradient, gradient)
        step = np.divide(value, slope, out=np.zeros_like(value), where=(slope > 0.0) & np.isfinite(value * slope))
        moved[open_rows] -= step[:, None] * np.where(np.isfinite(gradient), gradient, 0.0)
        # a step leaves an error of about its square: half the digits are enough to stop at
        open_rows = open_rows[np.abs(step) * np.sqrt(slope) > 1e-5 * reach]
    strayed = ~(np.linalg.norm(moved - points, axis=1) <= reach)
    return np.where(strayed[:, None], points, moved)


def _quads(band: Band, index: Ints, axis: int) -> Ints:
    """Return the quads around crossed edges that start at the cells' lowest corners and run along one axis."""
    ahead = 4 >> axis
    begin, end = band.values[:, 0] >= 0.0, band.values[:, ahead] >= 0.0
    crossed = np.flatnonzero(begin != end)
    b, c = np.zeros(3, dtype=np.int64), np.zeros(3, dtype=np.int64)
    b[(axis + 1) % 3] = c[(axis + 2) % 3] = 1
    ring = pack(index[crossed][:, None] - np.array([b * 0, b, b + c, c]))
    place = np.minimum(np.searchsorted(band.cells, ring), len(band.cells) - 1)
    whole = (band.cells[place] == ring).all(axis=1)
    place, downward = place[whole], begin[crossed][whole]
    return np.asarray(np.where(downward[:, None], place[:, ::-1], place))


def _halves(vertices: Floats, quads: Ints) -> Ints:
    """Return quads cut along their shorter diagonal."""
    corner = vertices[quads]
    first = np.linalg.norm(corner[:, 0] - corner[:, 2], axis=1) <= np.linalg.norm(corner[:, 1] - corner[:, 3], axis=1)
    turned = np.where(first[:, None], quads, np.roll(quads, -1, axis=1))
    return np.concatenate([turned[:, [0, 1, 2]], turned[:, [0, 2, 3]]])
