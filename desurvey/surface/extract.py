"""From a fitted field to a mesh: cell size, band, net, clipping and the uncertainty painted on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.surface.band import Lattice, grown, net, onto_surface
from desurvey.surface.clip import Outside, beyond, beyond_hull, joined
from desurvey.surface.field import Field
from desurvey.surface.mesh import Mesh
from desurvey.surface.patches import patched
from desurvey.surface.picks import Picks
from desurvey.surface.refine import Needs, refined

__all__ = ["Edge", "Extracted", "LevelOf", "Surfaces", "extracted"]

Floats = npt.NDArray[np.float64]


class Surfaces(Protocol):
    """A fitted field, solved in one piece or in patches, or a fault of the line-up."""

    @property
    def picks(self) -> Picks:
        """Picks as used."""
        ...

    @property
    def axes(self) -> Floats:
        """Unit vectors u, v, w in rows: w is the pole of the mean plane."""
        ...

    def value(self, points: Floats, surface: int = 0) -> Floats:
        """Return the field less a surface's level, metres."""
        ...

    def value_and_gradient(self, points: Floats, surface: int = 0) -> tuple[Floats, Floats]:
        """Return the same and its gradient in (E, N, U)."""
        ...

    def deviation(self, points: Floats, surface: int = 0) -> Floats:
        """Return the kriging standard deviation, metres."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class LevelOf:
    """One surface of a field."""

    field: Surfaces
    surface: int

    def value(self, points: Floats) -> Floats:
        """Return the field less the surface's level, metres."""
        return self.field.value(points, self.surface)

    def value_and_gradient(self, points: Floats) -> tuple[Floats, Floats]:
        """Return the same and its gradient."""
        return self.field.value_and_gradient(points, self.surface)

    @property
    def picks(self) -> Floats:
        """Positions of the picks on the surface, (n, 3)."""
        return np.asarray(self.field.picks.position[self.field.picks.surface == self.surface])


@dataclass(frozen=True, slots=True)
class Edge:
    """Where a surface ends.

    Attributes
    ----------
    shape : {"hull", "distance"}
        The picks' convex hull in their mean plane plus ``margin``, or within ``margin`` of the nearest pick.
    margin : float or None
        Metres. Left out: a quarter of the picks' half extent, or 50 m for a single pick.
    """

    shape: Literal["hull", "distance"] = "hull"
    margin: float | None = None

    def limit(self, picks: Floats, axes: Floats) -> Outside:
        """Return the limit as a function of points, the hull seen along the third of three axes."""
        margin = self.metres(picks)
        if self.shape == "distance":
            return beyond(picks, margin)
        return beyond_hull(picks, picks.mean(axis=0), axes, margin)

    def metres(self, picks: Floats) -> float:
        """Return the margin in metres."""
        if self.margin is not None:
            return self.margin
        half = float(np.linalg.norm(picks - picks.mean(axis=0), axis=1).max())
        return 0.25 * half if half > 0.0 else 50.0


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Extracted:
    """A surface's mesh, and what it took.

    Attributes
    ----------
    mesh : Mesh
        Clipped, with 1-σ in metres at each vertex.
    cell : float
        Edge of the smallest triangles, about, metres.
    tolerance : float
        Distance between mesh and surface up to which larger triangles are left as they are, metres.
    evaluated : int
        Nodes of the band at which the field was evaluated.
    """

    mesh: Mesh
    cell: float
    tolerance: float
    evaluated: int


def extracted(
    field: Surfaces,
    surface: int = 0,
    *,
    cell: float | None = None,
    tolerance: float | None = None,
    edge: Edge | None = None,
    limits: tuple[Outside, ...] = (),
) -> Extracted:
    """Return the mesh of a surface.

    Parameters
    ----------
    field : Field, Patched or FaultField
        What it is a surface of.
    surface : int
        Which of its surfaces.
    cell : float, optional
        Edge of the smallest triangles in metres; left out, a hundredth of the surface's size.
    tolerance : float, optional
        Where edges up to four times as long stay this close to the surface (and σ along them within ``SHARE`` or this
        of straight), they are left so; left out, a fiftieth of the cell. 0: all are of the smallest size.
    edge : Edge, optional
        Where it ends.
    limits : tuple of callables
        Further limits (:mod:`desurvey.surface.clip`): the ground, an older fault.

    Raises
    ------
    DataProblem
        When nothing is left inside the limits.
    """
    level, edge = LevelOf(field, surface), edge or Edge()
    picks = level.picks
    outside = joined(edge.limit(picks, field.axes), *limits)
    cell = cell if cell is not None else _cell(picks, edge)
    if not cell > 0.0:
        raise DataProblem("the cell must be a length above 0 m", value=cell)
    tolerance = tolerance if tolerance is not None else 0.02 * cell
    rounds = _halvings(picks, cell) if tolerance > 0.0 else 0
    coarse, evaluated = _net(level, field.axes, cell * 2**rounds, outside)
    needs = Needs(
        lambda points: onto_surface(level, points, cell * 2**rounds),
        _sigma_of(field, surface),
        outside,
        tolerance,
        SHARE,
    )
    whole = refined(Mesh(coarse.vertices, coarse.triangles, needs.sigma(coarse.vertices)), needs, rounds)
    mesh = whole.clipped(outside(whole.vertices))
    if not len(mesh.triangles):
        raise _nothing_left()
    mesh = mesh.near(picks)  # a limit may cut off a far sheet through which no pick passes
    return Extracted(Mesh(needs.onto(mesh.vertices), mesh.triangles, mesh.sigma), cell, tolerance, evaluated)


def _nothing_left() -> DataProblem:
    return DataProblem("nothing of the surface is left inside its limits", hint="check the ground and the older fault")


SHARE = 0.05
"""Share of σ by which it may stray from straight between two vertices: what a map of σ in ten colours can't show."""


def _net(level: LevelOf, axes: Floats, cell: float, outside: Outside) -> tuple[Mesh, int]:
    """Return the net of a surface in cells of one size, a little beyond its limits, and the nodes evaluated."""
    # half a cell off the mean plane: on a flat surface no node has a value whose sign is rounding
    grid = Lattice(level.picks.mean(axis=0) + 0.5 * cell * axes[2], axes, cell)
    band = grown(level, grid, _seeds(level, cell), lambda centres: outside(centres) < 2.0 * cell)
    if not len(band.cells):
        raise _nothing_left()
    vertices, triangles = net(level, grid, band)
    return Mesh(vertices, triangles, np.full(len(vertices), np.nan)), band.evaluated


def _halvings(picks: Floats, cell: float) -> int:
    """Return how often the first triangles may be halved: two picks never share one, for σ dips at each of them."""
    if len(picks) < 2:
        return HALVINGS
    apart = float(np.median(np.asarray(cKDTree(picks).query(picks, k=2)[0])[:, 1]))
    return int(np.clip(np.floor(np.log2(max(0.5 * apart / cell, 1.0))), 0, HALVINGS))


HALVINGS = 2
"""Most times that the first triangles are halved: with four times the smallest size folds are still met."""

CELLS = 100
"""Cells across a surface, unless told otherwise: about ten thousand quads."""


def _cell(picks: Floats, edge: Edge) -> float:
    half = float(np.linalg.norm(picks - picks.mean(axis=0), axis=1).max())
    return 2.0 * (half + edge.metres(picks)) / CELLS


def _seeds(level: LevelOf, cell: float) -> Floats:
    """Return the picks moved onto the surface: with a nugget it need not pass through them."""
    points = level.picks
    for _ in range(5):
        value, gradient = level.value_and_gradient(points)
        slope = np.einsum("ij,ij->i", gradient, gradient)
        step = np.divide(value, slope, out=np.zeros_like(value), where=slope > 0.0)
        points = points - step[:, None] * gradient
    kept = np.linalg.norm(points - level.picks, axis=1) < 1e3 * cell
    return np.asarray(points[kept])


def _sigma_of(field: Surfaces, surface: int) -> Callable[[Floats], Floats]:
    """Return the surface's 1-σ along its normal as a function of its points: the field's over its gradient, metres."""
    quick = patched(field.picks, field.model) if isinstance(field, Field) and len(field.picks) > NEARBY else field

    def sigma(points: Floats) -> Floats:
        _, gradient = field.value_and_gradient(points, surface)
        deviation = quick.deviation(points, surface)
        far = np.isnan(deviation)
        if far.any():
            deviation[far] = field.deviation(points[far], surface)
        return np.asarray(deviation / np.linalg.norm(gradient, axis=1))

    return sigma


NEARBY = 200
"""Picks above which σ is that of patches, which costs a point nothing more with more picks: larger than that of one
system by 1 % in the median and 20 % at most (never smaller), for picks beyond the hundred nearest hardly count."""
