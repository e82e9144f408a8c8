"""From a fitted field to a mesh: cell size, band, net, clipping and the uncertainty painted on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.surface.band import Grid, grown, net, onto_surface
from desurvey.surface.clip import Outside, beyond, beyond_hull, joined
from desurvey.surface.mesh import Mesh
from desurvey.surface.model import Model
from desurvey.surface.picks import Picks

__all__ = ["Edge", "Extracted", "LevelOf", "Surfaces", "extracted"]

Floats = npt.NDArray[np.float64]


class Surfaces(Protocol):
    """A fitted field, solved in one piece or in patches."""

    @property
    def picks(self) -> Picks:
        """Picks as used."""
        ...

    @property
    def model(self) -> Model:
        """Frame and covariance."""
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

    def limit(self, picks: Floats, model: Model) -> Outside:
        """Return the limit as a function of points."""
        margin = self.metres(picks)
        if self.shape == "distance":
            return beyond(picks, margin)
        return beyond_hull(picks, picks.mean(axis=0), model.axes, margin)

    def metres(self, picks: Floats) -> float:
        """Return the margin in metres."""
        if self.margin is not None:
            return self.margin
        half = float(np.linalg.norm(picks - picks.mean(axis=0), axis=1).max())
        return 0.25 * half if half > 0.0 else 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Extracted:
    """A surface's mesh, and what it took.

    Attributes
    ----------
    mesh : Mesh
        Clipped, with 1-σ in metres at each vertex.
    cell : float
        Edge of the cells, metres.
    evaluated : int
        Nodes at which the field was evaluated.
    """

    mesh: Mesh
    cell: float
    evaluated: int


def extracted(
    field: Surfaces,
    surface: int = 0,
    *,
    cell: float | None = None,
    edge: Edge | None = None,
    limits: tuple[Outside, ...] = (),
) -> Extracted:
    """Return the mesh of a surface.

    Parameters
    ----------
    field : Field or Patched
        A fitted field.
    surface : int
        Which of its surfaces.
    cell : float, optional
        Edge of the cells in metres; left out, a hundredth of the surface's size.
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
    outside = joined(edge.limit(picks, field.model), *limits)
    cell = cell if cell is not None else _cell(picks, edge)
    if not cell > 0.0:
        raise DataProblem("the cell must be a length above 0 m", value=cell)
    # half a cell off the mean plane: on a flat surface no node has a value whose sign is rounding
    grid = Grid(picks.mean(axis=0) + 0.5 * cell * field.model.axes[2], field.model.axes, cell)
    band = grown(level, grid, _seeds(level, cell), lambda centres: outside(centres) < 2.0 * cell)
    if not len(band.cells):
        raise DataProblem(
            "nothing of the surface is left inside its limits", hint="check the ground and the older fault"
        )
    vertices, triangles = net(level, grid, band)
    mesh = Mesh(vertices, triangles, np.full(len(vertices), np.nan)).clipped(outside(vertices))
    if not len(mesh.triangles):
        raise DataProblem(
            "nothing of the surface is left inside its limits", hint="check the ground and the older fault"
        )
    mesh = mesh.near(picks)  # a limit may cut off a far sheet through which no pick passes
    vertices = onto_surface(level, mesh.vertices, cell)  # those on cut edges lie on chords
    return Extracted(Mesh(vertices, mesh.triangles, _sigma(field, surface, vertices)), cell, band.evaluated)


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


def _sigma(field: Surfaces, surface: int, vertices: Floats) -> Floats:
    """Return the surface's 1-σ along its normal: the field's deviation over the length of its gradient, metres."""
    _, gradient = field.value_and_gradient(vertices, surface)
    return np.asarray(field.deviation(vertices, surface) / np.linalg.norm(gradient, axis=1))
