"""Picks that belong to no fault: how thickly they lie along the holes, and which way.

Their places are uniform along all holes, at a rate that is itself unknown. Their poles are partly uniform on the
sphere, partly like each other: a smooth density of the unrelated poles themselves, each judged by the others. So a
direction that many unrelated joints share proves little, and a rare one much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from desurvey.lineup.picks import Picks
from desurvey.shown import shown

__all__ = ["Background", "background_of", "half_sphere"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

KERNEL_DEG = 10.0
"""Width of the kernel by which the poles of unrelated picks are smoothed."""

SHARE = 0.5
"""Weight of those smoothed poles against a uniform sphere."""

CELLS = 1200
"""Cells of the half sphere into which poles are sorted, about 4° wide: well below the kernel's width."""

PRIOR_PICKS = 5.0
"""How many unrelated poles the uniform sphere counts for, so that a handful does not make a density."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """What is needed to weigh picks as unrelated, whichever of them are.

    Attributes
    ----------
    drilled : float
        Length of all holes, metres.
    oriented : (m,) bool array
        Picks with a pole.
    cell : (m,) int array
        Cell of each pole on the half sphere (0 where there is none).
    kernel : (c, c) array
        Density per steradian at a cell from a pole in another.
    cone : (m,) array
        Log density of the alpha of picks that have only that, 0 elsewhere.
    """

    drilled: float
    oriented: Bools
    cell: Ints
    kernel: Floats
    cone: Floats

    def pole(self, unrelated: Bools) -> Floats:
        """Return the log density of each pick's orientation, its own kernel left out, shape (m,)."""
        lying = unrelated & self.oriented
        density = self.kernel @ np.bincount(self.cell[lying], minlength=len(self.kernel))
        own = np.where(lying, np.diag(self.kernel)[self.cell], 0.0)
        others = lying.sum() - lying
        smooth = (density[self.cell] - own + PRIOR_PICKS / (2 * np.pi)) / (others + PRIOR_PICKS)
        mixed = SHARE * smooth + (1.0 - SHARE) / (2 * np.pi)
        return np.where(self.oriented, np.log(mixed), self.cone)

    def place(self, unrelated: Bools) -> float:
        """Return the log density per metre of hole of one more unrelated pick."""
        return float(np.log((unrelated.sum() + 1.0) / self.drilled))

    def total(self, unrelated: Bools) -> float:
        """Return the log probability of all unrelated picks (places: a Poisson process of unknown rate)."""
        count = float(unrelated.sum())
        return float(gammaln(count + 1.0) - count * np.log(self.drilled) + self.pole(unrelated)[unrelated].sum())


def background_of(picks: Picks, drilled: float) -> Background:
    """Return the background of picks in holes of a total length."""
    centre = half_sphere(CELLS)
    oriented = picks.oriented
    cell = np.zeros(len(picks), dtype=np.int64)
    cell[oriented] = np.argmax(np.abs(picks.normal[oriented] @ centre.T), axis=1)
    used, cell = np.unique(cell, return_inverse=True)
    centre = centre[used]
    concentration = 1.0 / np.deg2rad(KERNEL_DEG) ** 2
    kernel = concentration / (2 * np.pi) * np.exp(concentration * (np.abs(centre @ centre.T) - 1.0))
    cone = np.zeros(len(picks))
    only = picks.cone_only
    cone[only] = np.log(np.maximum(np.cos(picks.alpha[only]), 0.05))
    return Background(drilled, oriented, cell, kernel, cone)


def half_sphere(count: int) -> Floats:
    """Return directions spread evenly over the upper half sphere (a spiral of equal areas), shape (count, 3)."""
    up = (np.arange(count) + 0.5) / count
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    flat = np.sqrt(1.0 - up**2)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), up])
