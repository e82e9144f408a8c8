"""Keep a surface on its side of rock that it did not cut.

Drilled rock without the surface gives inequalities, sᵢ · side ≥ clearance. The field of least energy that honours
them (the most probable one under its Gaussian model) touches some of the points and ignores the rest: the active ones
become equalities. Which are active follows from non-negative least squares on the kriging covariance of the
candidates, which are the worst offender of each interval, renewed until none offends.

References
----------
Lawson & Hanson (1974), Solving Least Squares Problems, chapter 23: least distance programming through NNLS.
"""

from __future__ import annotations

from typing import Protocol, Self, TypeVar

import numpy as np
import numpy.typing as npt
from scipy import linalg
from scipy.optimize import nnls

from desurvey.problems import DataProblem
from desurvey.surface.picks import Picks, Sides

__all__ = ["clearance_of", "respected", "sides_taken"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CLEARANCE = 1e-3
"""How far a surface keeps from rock that it did not cut, as a share of its half extent: enough to tell the side."""

STIFF = 1e-12
"""Variance beside the model's amplitude below which the picks leave a point no room at all."""

ROUNDS = 30
"""Most renewals of the candidates; a handful is usual."""


class Valued(Protocol):
    """Anything that has a value at points."""

    def value(self, points: Floats, surface: int = 0) -> Floats:
        """Return values at points (n, 3), metres, (n,)."""
        ...


class Holding(Valued, Protocol):
    """What can be made to take given values at points, at the least energy."""

    @property
    def amplitude(self) -> float:
        """Variance of its waves, m²."""
        ...

    def covariance(self, points: Floats) -> Floats:
        """Return the covariance of the values at points with each other, m², (k, k)."""
        ...

    def holding(self, points: Floats, value: Floats) -> Self:
        """Return it with these values at these points."""
        ...


F = TypeVar("F", bound=Holding)


def clearance_of(picks: Picks) -> float:
    """Return how far the surface of some picks keeps from rock that it did not cut, metres."""
    return CLEARANCE * float(np.linalg.norm(picks.position - picks.position.mean(axis=0), axis=1).max())


def respected(field: F, sides: Sides, clearance: float) -> F:
    """Return the field with its (first) surface kept on its side of drilled rock.

    Parameters
    ----------
    field : Field, FaultField
        That of the picks alone.
    sides : Sides
        Points of drilled rock.
    clearance : float
        Metres that the field keeps from 0 there.

    Raises
    ------
    DataProblem
        When picks without uncertainty and side points can't both be honoured.
    """
    side = sides_taken(field, sides)
    candidates = np.empty(0, dtype=np.int64)
    current = field
    for _ in range(ROUNDS):
        short = clearance - side * current.value(sides.position)
        worst = _worst(short, sides.interval, 1e-3 * clearance)
        if not len(worst):
            return current
        candidates = np.union1d(candidates, worst)
        active = candidates[_active(field, sides.position[candidates], side[candidates], clearance)]
        current = field.holding(sides.position[active], np.asarray(side[active] * clearance))
    raise _contradiction()


def _contradiction() -> DataProblem:
    return DataProblem(
        "no smooth surface passes through the picks and keeps clear of the intervals that did not meet it",
        hint="look for a pick or an interval that is wrong, or let the surface end before that hole",
    )


def sides_taken(field: Valued, sides: Sides) -> Ints:
    """Return the side of each point: as given, else the one on which the field puts most of its interval, (k,)."""
    value = field.value(sides.position)
    interval = np.unique(sides.interval, return_inverse=True)[1]
    mean = np.bincount(interval, weights=value)
    guessed = np.where(mean >= 0.0, 1, -1)[interval]
    return np.where(sides.side == 0, guessed, sides.side)


def _worst(short: Floats, interval: Ints, tolerance: float) -> Ints:
    """Return the index of the point of each interval that falls shortest, where it does."""
    order = np.lexsort((short, interval))
    last = np.append(np.diff(interval[order]) != 0, True)
    worst = order[last]
    return np.asarray(worst[short[worst] > tolerance])


def _active(field: Holding, points: Floats, side: Ints, clearance: float) -> npt.NDArray[np.bool_]:
    """Return which candidates the least-energy field touches, by NNLS on the dual ½ λᵀ Σ λ − λᵀ short, λ ≥ 0."""
    spread = field.covariance(points) * np.outer(side, side)
    variance = np.einsum("ii->i", spread)  # a view
    if np.any(variance <= STIFF * field.amplitude):
        raise _contradiction()
    variance += 1e-9 * variance.mean()
    root = linalg.cholesky(spread, lower=True)
    short = clearance - side * field.value(points)
    force, _ = nnls(root.T, linalg.solve_triangular(root, short, lower=True))
    return np.asarray(force > 0.0)
