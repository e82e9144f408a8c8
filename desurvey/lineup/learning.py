"""Learning how faults behave here from the faults there are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from desurvey.lineup.partition import Grouping
from desurvey.lineup.sheet import PLACE, PLANE, Habit, fitted
from desurvey.lineup.weighing import Memo, Problem

__all__ = ["learnt", "log_prior"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

MOST_LEARNT_FROM = (12, 40)
"""Faults, and picks of each, that waviness and scatter are learnt from: more would not change them, only take long."""


def learnt(problem: Problem, state: Grouping) -> Problem:
    """Return the problem with waviness, scatter and position errors fitted to the faults there are.

    One factor after another is moved along a grid to where the evidence, times a broad log-normal prior about the
    settings, is greatest.
    """
    if not state.sheets:
        return problem
    settings = problem.settings
    base = Habit.of(settings, problem.habit.span)
    habit = _with_shares(problem, state, base)
    for _ in range(2):
        for name, (factors, width) in GRIDS.items():
            trials = [replace(habit, **{name: getattr(base, name) * f}) for f in factors]
            value = [_evidence(problem, state, h) for h in trials] - 0.5 * (np.log(factors) / width) ** 2
            habit = trials[int(np.argmax(value))]
    return replace(problem, habit=habit, memo=Memo())


GRIDS = {
    "amplitude": (np.array([0.25, 0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.2, 3.0, 4.5, 7.0]), 0.7),
    "scatter": (np.array([0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 3.0, 4.5]), 0.5),
    "position_scale": (np.array([0.25, 0.5, 0.75, 1.0, 1.4, 2.0]), 0.5),
    "distance": (np.array([0.1, 0.15, 0.22, 0.33, 0.5, 0.75, 1.0, 1.4, 2.0]), 0.6),
    "depth": (np.array([1.0, 1.5, 2.2, 3.5, 5.0, 8.0]), 0.7),
}
"""Multiples of the settings that are tried, and the width of the log-normal prior about them (common practice)."""


def log_prior(problem: Problem) -> float:
    """Return the log prior density of the hyperparameters that a grid was tried for, up to a constant."""
    base = Habit.of(problem.settings, problem.habit.span)
    off = [np.log(getattr(problem.habit, name) / getattr(base, name)) / width for name, (_, width) in GRIDS.items()]
    return -0.5 * float(np.square(off).sum())


def _with_shares(problem: Problem, state: Grouping, base: Habit) -> Habit:
    """Return how faults behave here with the shares that their picks show, each a mean with what was expected."""
    inside = ~state.null
    picks, believed = problem.picks, state.believed[inside]
    angular = (picks.oriented | picks.cone_only)[inside]
    members = int(inside.sum())
    crossings = len(np.unique(np.column_stack([picks.hole, state.group])[inside], axis=0))

    def share(found: int, of: int, expected: float) -> float:
        return float((found + expected * SHARES_WEIGHT) / (of + SHARES_WEIGHT))

    return replace(
        problem.habit,
        lost=share(int((~believed[:, PLANE] & angular).sum()), int(angular.sum()), base.lost),
        displaced=share(int((~believed[:, PLACE]).sum()), members, base.displaced),
        zone_rate=share(members - crossings, crossings, base.zone_rate),
    )


SHARES_WEIGHT = 20.0
"""Picks that the expected shares count for."""


def _evidence(problem: Problem, state: Grouping, habit: Habit) -> float:
    """Return the evidence of the largest faults, thinned, for a habit."""
    total = 0.0
    faults, most = MOST_LEARNT_FROM
    size = np.bincount(state.group[state.group >= 0], minlength=len(state.sheets))
    for number in np.argsort(-size, kind="stable")[:faults]:
        rows = np.flatnonzero(state.group == number)
        rows = rows[:: -(-len(rows) // most)]
        sheet = state.sheets[number]
        picks, believed = problem.picks[rows], state.believed[rows]
        total += fitted(picks, believed, habit, sheet.axes[2], curved=sheet.curved, turns=0).evidence
    return total
