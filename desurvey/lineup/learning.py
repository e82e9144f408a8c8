"""Learning how faults behave here from the faults there are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from desurvey.lineup.partition import Grouping
from desurvey.lineup.sheet import Habit, fitted
from desurvey.lineup.weighing import Memo, Problem

__all__ = ["learnt"]

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
    base = replace(
        problem.habit,
        amplitude=settings.waviness_m,
        distance=settings.waviness_range_m,
        scatter=np.deg2rad(settings.pole_scatter_deg),
        position_scale=1.0,
    )
    habit = problem.habit
    steps = {
        "amplitude": (np.array([0.25, 0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.2, 3.0]), 0.7),
        "scatter": (np.array([0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0]), 0.4),
        "position_scale": (np.array([0.25, 0.5, 0.75, 1.0, 1.4, 2.0]), 0.5),
        "distance": (np.array([0.5, 0.75, 1.0, 1.4, 2.0]), 0.4),
    }
    for _ in range(2):
        for name, (factors, width) in steps.items():
            trials = [replace(habit, **{name: getattr(base, name) * f}) for f in factors]
            value = [_evidence(problem, state, h) for h in trials] - 0.5 * (np.log(factors) / width) ** 2
            habit = trials[int(np.argmax(value))]
    return replace(problem, habit=habit, memo=Memo())


def _evidence(problem: Problem, state: Grouping, habit: Habit) -> float:
    """Return the evidence of the largest faults, thinned, for a habit."""
    total = 0.0
    faults, most = MOST_LEARNT_FROM
    size = np.bincount(state.group[state.group >= 0], minlength=len(state.sheets))
    for number in np.argsort(-size, kind="stable")[:faults]:
        rows = np.flatnonzero(state.group == number)
        rows = rows[:: -(-len(rows) // most)]
        sheet = state.sheets[number]
        picks, trusted = problem.picks[rows], state.trusted[rows]
        total += fitted(picks, trusted, habit, sheet.axes[2], curved=sheet.curved, turns=0).evidence
    return total
