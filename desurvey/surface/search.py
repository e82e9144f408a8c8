"""Search a few parameters for the lowest misfit, and walk the points around it that are nearly as good.

Both step on lattices, so the answer does not hang on rounding: it is the same for data that are turned, moved, scaled
or listed in another order.

References
----------
Hooke & Jeeves (1961), Journal of the ACM 8, 212–229 (direct search). Rue, Martino & Chopin (2009), Journal of the Royal
Statistical Society B 71, 319–392, section 3.1 (exploring a posterior on a grid that is scaled to its own spread).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heappop, heappush

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown

__all__ = ["Bounds", "Misfit", "lowest", "plausible"]

Steps = tuple[float, ...]


@shown
@dataclass(frozen=True, slots=True)
class Bounds:
    """Where parameters may go, in steps.

    Attributes
    ----------
    low, high : tuple of float
        Bounds of each.
    free : tuple of int
        Those that are searched; the others stay where they start.
    """

    low: Steps
    high: Steps
    free: tuple[int, ...]


@shown
@dataclass(frozen=True, slots=True)
class Misfit:
    """A function of steps that remembers what it was asked."""

    function: Callable[[Steps], float]
    known: dict[Steps, float] = field(default_factory=dict)

    def __call__(self, steps: Steps) -> float:
        """Return the misfit at some steps."""
        if steps not in self.known:
            self.known[steps] = self.function(steps)
        return self.known[steps]


FIRST, LAST = 4.0, 0.5
"""Steps that the search begins and ends with."""


def lowest(misfit: Misfit, box: Bounds, start: Steps, first: float = FIRST) -> Steps:
    """Return the lattice point from which no step of ``LAST`` lowers the misfit."""
    best, step = start, first
    moves = _moves(len(start), box.free)
    while step >= LAST:
        moved = False
        for move in moves:
            trial = _bounded(np.array(best) + step * move, box)
            if misfit(trial) < misfit(best) - 1e-6:
                best, moved = trial, True
        step = step if moved else step / 2.0
    return best


def _bounded(steps: npt.NDArray[np.float64], box: Bounds) -> Steps:
    return tuple(float(s) for s in np.clip(steps, box.low, box.high))


def _moves(size: int, free: tuple[int, ...]) -> npt.NDArray[np.float64]:
    """Return the steps of the search: along each free axis and the diagonals of each two, for ridges run across."""
    axes = np.eye(size)[list(free)]
    pairs = [(a, b) for i, a in enumerate(axes) for b in axes[i + 1 :]]
    single = [sign * axis for axis in axes for sign in (-1, 1)]
    return np.array(single + [s * a + t * b for a, b in pairs for s in (-1, 1) for t in (-1, 1)])


RISE = 1.5
"""Rise of the misfit (−2 log probability) that one step along an axis should bring at least: about 1.2 σ. On a grid of
such spacing sums over a bell curve are right to a percent or two."""

DEPTH = 10.0
"""Rise of the misfit up to which points are walked: 3.2 σ."""

MOST = 100
"""Points walked at most: along a ridge that runs across the axes there would be many hundreds."""


def plausible(misfit: Misfit, box: Bounds, best: Steps) -> list[Steps]:
    """Return the points of a lattice through the best one whose misfit is not much above the lowest.

    The lattice's spacing along each axis is the smallest power of √2 that raises the misfit enough. Its points are
    walked from neighbour to neighbour, the best first, and ``MOST`` at most.
    """
    stride = np.array([_stride(misfit, box, best, axis) if axis in box.free else 0.0 for axis in range(len(best))])

    def steps(place: tuple[int, ...]) -> Steps:
        return tuple((np.array(best) + np.array(place) * stride).tolist())

    walked: list[Steps] = []
    centre = tuple(0 for _ in best)
    met, front = {centre}, [(misfit(best), centre)]  # counted in whole strides, so that no point is met twice
    while front and len(walked) < MOST:
        _, here = heappop(front)
        walked.append(steps(here))
        for axis in box.free:
            for place in ((*here[:axis], here[axis] + way, *here[axis + 1 :]) for way in (-1, 1)):
                inside = box.low[axis] <= steps(place)[axis] <= box.high[axis]
                if inside and place not in met and misfit(steps(place)) < misfit(best) + DEPTH:
                    met.add(place)
                    heappush(front, (misfit(steps(place)), place))
    return sorted(walked)


def _stride(misfit: Misfit, box: Bounds, best: Steps, axis: int) -> float:
    """Return the power of √2 of steps along an axis that raises the misfit by ``RISE``."""
    step = 0.25
    while step < 8.0:
        beside = [misfit(trial) for trial in _beside(best, axis, step, box)]
        if not beside or min(beside) >= misfit(best) + RISE:
            break
        step *= np.sqrt(2.0)
    return step


def _beside(steps: Steps, axis: int, step: float, box: Bounds) -> list[Steps]:
    """Return the two neighbours along an axis, without those out of bounds."""
    moved = [steps[axis] - step, steps[axis] + step]
    return [(*steps[:axis], value, *steps[axis + 1 :]) for value in moved if box.low[axis] <= value <= box.high[axis]]
