"""Moves that change a partition at one stroke: sets of picks put in as a fault, faults made one.

Each is tried, picks are let change sides, and it is kept only when the whole has become more probable.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from desurvey.lineup.candidates import Candidates
from desurvey.lineup.partition import Grouping, kept_apart, refitted, settled, state_of, trimmed
from desurvey.lineup.weighing import Null, Problem, hole_count
from desurvey.progress import Progress, part, silent

__all__ = ["improved", "lies_near", "like_pairs", "merged"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NEAR_SIGMA, NEAR_M = 4.0, 5.0
"""Standard deviations of a plane, and metres, within which half of the picks of a fault must lie to try a merger."""

TRIALS = 6000
"""Candidates put in on trial, times picks: all that matter among hundreds of picks, the best few among thousands."""


def improved(problem: Problem, state: Grouping, found: Candidates, progress: Progress = silent) -> Grouping:
    """Return the partition after every move that makes the whole more probable."""
    state = settled(problem, state, list(range(len(state.sheets))), progress=part(progress, 0.0, 0.4))
    for begin, end in ((0.4, 0.7), (0.7, 1.0)):
        before = state.total
        state = _with_inserted(problem, state, found, part(progress, begin, end))
        state = _with_merged(problem, state)
        if state.total <= before + 1e-6:
            break
    return state


def _with_inserted(problem: Problem, state: Grouping, found: Candidates, progress: Progress) -> Grouping:
    """Return the partition after candidates have been tried as new faults, taking picks from the others."""
    tried, most = 0, int(np.clip(TRIALS / max(len(problem.picks), 1), 6, 40))
    for member, normal in zip(found.member, found.normal, strict=True):
        if tried >= most:
            break
        rows = np.flatnonzero(member)
        if hole_count(problem, rows) < problem.settings.least_holes or _known(state, rows):
            continue
        tried += 1
        trial = _inserted(problem, state, rows, normal)
        progress(tried / most)
        if trial.total > state.total + 1e-6 and kept_apart(problem, trial.group):
            state = trial
    return state


def _known(state: Grouping, rows: Ints) -> bool:
    """Return whether a set lies wholly within one of the faults there are."""
    first = state.group[rows[0]]
    return bool(first >= 0 and np.all(state.group[rows] == first))


def _inserted(problem: Problem, state: Grouping, rows: Ints, normal: Floats) -> Grouping:
    """Return the partition with a set of picks made a fault of its own, whoever had them before."""
    rows, believe, sheet = trimmed(problem, rows, normal, Null.of(problem, state.group))
    robbed = sorted(set(state.group[rows].tolist()) - {-1})
    group, believed = state.group.copy(), state.believed.copy()
    group[rows] = len(state.sheets)
    believed[rows] = believe[rows]
    longer = state_of(problem, group, believed, [*state.sheets, sheet], [*state.raw, 0.0])
    active = [*robbed, len(state.sheets)]
    trial, active = refitted(problem, longer, group, believed, active)
    return settled(problem, trial, active)


def _with_merged(problem: Problem, state: Grouping) -> Grouping:
    """Return the partition after pairs of faults have been tried as one; a pair is tried once while neither changes."""
    while True:
        better = next((trial for trial in _mergers(problem, state) if trial is not None), None)
        if better is None:
            return state
        state = better


def _mergers(problem: Problem, state: Grouping) -> Iterator[Grouping | None]:
    """Yield, for each pair of like faults not tried before, the partition with it merged, or None if no better.

    Faults are alike when their planes are within 25° and half the smaller lies near the larger.
    """
    if len(state.sheets) < 2:
        return
    members = [np.flatnonzero(state.group == number).tobytes() for number in range(len(state.sheets))]
    for larger, smaller in like_pairs(state):
        pair = (members[larger], members[smaller])
        if pair in problem.memo.unmerged:
            continue
        problem.memo.unmerged.add(pair)
        if lies_near(problem, state, larger, smaller):
            trial = merged(problem, state, larger, smaller, best=state)
            better = trial.total > state.total + 1e-6 and kept_apart(problem, trial.group)
            yield trial if better else None


def like_pairs(state: Grouping) -> list[tuple[int, int]]:
    """Return pairs of faults of like attitude, the larger of each first."""
    normal = np.array([sheet.axes[2] for sheet in state.sheets])
    first, second = np.nonzero(np.triu(np.abs(normal @ normal.T) > np.cos(np.deg2rad(25.0)), 1))
    size = np.array([len(sheet.hole) for sheet in state.sheets])
    swap = size[first] < size[second]
    larger, smaller = np.where(swap, second, first), np.where(swap, first, second)
    return list(zip(larger.tolist(), smaller.tolist(), strict=True))


def lies_near(problem: Problem, state: Grouping, larger: int, smaller: int) -> bool:
    """Return whether half the picks of a fault lie as near the plane of another as that is known, and a little more."""
    sheet = state.sheets[larger]
    local = (problem.picks.position[state.group == smaller] - sheet.centre) @ sheet.axes.T
    level, variance = sheet.trend_at(local[:, :2])
    room = NEAR_M + NEAR_SIGMA * np.sqrt(variance + problem.habit.amplitude**2)
    return bool(np.mean(np.abs(local[:, 2] - level) < room) >= 0.5)


def merged(problem: Problem, state: Grouping, first: int, second: int, *, best: Grouping | None) -> Grouping:
    """Return the partition with two faults made one: one takes what it can of the other, the rest is free.

    The better of both ways round and ``best`` is returned.
    """
    rows = np.flatnonzero((state.group == first) | (state.group == second))
    picks = problem.picks
    for keep, give in ((first, second), (second, first)):
        held = np.unique(picks.hole[state.group == keep])
        if keep == second and not np.isin(held, picks.hole[state.group == give]).any():
            break  # no hole has both: either way round is the same
        joined = rows[(state.group[rows] == keep) | ~np.isin(picks.hole[rows], held)]
        group = state.group.copy()
        group[state.group == give] = -1
        group[joined] = keep
        trial, active = refitted(problem, state, group, state.believed, [keep, give])
        trial = settled(problem, trial, active)
        if best is None or trial.total > best.total:
            best = trial
    return best or state
