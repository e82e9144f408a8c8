"""A partition of the picks into faults, and how picks change sides until nothing gets better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from desurvey.lineup.sheet import Sheet
from desurvey.lineup.weighing import (
    Null,
    Problem,
    gains_of,
    hole_count,
    raw_worth,
    seen_by,
    sheet_of,
    view_of,
    worth,
)
from desurvey.progress import Progress, silent
from desurvey.shown import shown

__all__ = [
    "FOUND_BY_LOOKING",
    "Grouping",
    "chances",
    "kept_apart",
    "refitted",
    "settled",
    "state_of",
    "trimmed",
    "without_doubtful",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FOUND_BY_LOOKING = 2.0
"""Log odds against every fault, for it was looked for: the best of the many sets that chance offers.

In 60 worlds of faults of 3 to 6 picks and 60 of none, 5 of 7 faults with log odds below 5 were true, and 38 of 38 above
(seeds 2000 to 2059 of ``faulted.WEAK`` and ``faulted.NULL``).
"""

DOUBTFUL = 0.5
"""Probability below which picks are not called a fault, but said to be a candidate (:mod:`.odds`)."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Grouping:
    """A partition of the picks.

    Attributes
    ----------
    group : (m,) int array
        Number of each pick's fault, −1 for none.
    believed : (m, 2) bool array
        Whether its place and its orientation is believed.
    sheets : tuple of Sheet
        One a fault.
    raw : (k,) array
        Log probability of each fault's picks and crossings.
    total : float
        Log probability of the whole, up to a constant.
    """

    group: Ints
    believed: Bools
    sheets: tuple[Sheet, ...]
    raw: Floats
    total: float

    @property
    def null(self) -> Bools:
        """Picks of no fault, shape (m,)."""
        return self.group < 0


def state_of(problem: Problem, group: Ints, believed: Bools, sheets: list[Sheet], raw: list[float]) -> Grouping:
    """Return a partition with its total: what its faults are worth and what its unrelated picks are."""
    total = float(np.sum(raw)) + problem.background.total(group < 0) if len(group) else 0.0
    return Grouping(group, believed, tuple(sheets), np.array(raw, dtype=float), total)


def chances(problem: Problem, state: Grouping) -> Floats:
    """Return the probability of each fault that its picks are one fault rather than unrelated, shape (k,)."""
    unrelated, total = state.null, problem.background.total
    dissolved = [total(unrelated | (state.group == number)) for number in range(len(state.sheets))]
    return np.asarray(expit(state.raw + total(unrelated) - np.array(dissolved) - FOUND_BY_LOOKING))


def without_doubtful(problem: Problem, state: Grouping) -> Grouping:
    """Return the partition with the faults dissolved that are more probably chance."""
    while len(state.sheets) and (chance := chances(problem, state)).min() < DOUBTFUL:
        worst = int(np.argmin(chance))
        group = np.where(state.group == worst, -1, state.group)
        kept = [number for number in range(len(state.sheets)) if number != worst]
        number_of = np.full(len(state.sheets) + 1, -1)
        number_of[kept] = np.arange(len(kept))
        believed = state.believed | (group < 0)[:, None]
        sheets = [state.sheets[number] for number in kept]
        state = state_of(problem, number_of[group], believed, sheets, state.raw[kept].tolist())
    return state


def kept_apart(problem: Problem, group: Ints) -> bool:
    """Return whether a partition keeps apart what a person said."""
    taken = [group[rows][group[rows] >= 0] for rows in problem.apart]
    return all(len(np.unique(numbers)) == len(numbers) for numbers in taken)


def _keep_apart(problem: Problem, gain: Floats, chosen: Ints) -> None:
    """Leave in each fault, in place, only the best of the picks that a person keeps apart."""
    for rows in problem.apart:
        for column in np.unique(chosen[rows][chosen[rows] >= 0]):
            here = rows[chosen[rows] == column]
            chosen[np.delete(here, np.argmax(gain[here, column]))] = -1


def trimmed(problem: Problem, rows: Ints, normal: Floats, null: Null) -> tuple[Ints, Bools, Sheet]:
    """Return a set of picks without those that the others speak against, which orientations to believe, the sheet."""
    believed = np.ones((len(problem.picks), 2), dtype=bool)
    while True:
        sheet = sheet_of(problem, rows, believed, normal)
        gain, believe = gains_of(seen_by(problem, sheet, rows), null)
        worst = int(np.argmin(gain))
        changed = not np.array_equal(believed[rows], believe)
        believed[rows] = believe
        if gain[worst] >= 0.0 or len(rows) <= problem.settings.least_holes:
            return rows, believed, sheet_of(problem, rows, believed, normal) if changed else sheet
        believed[rows[worst]] = True
        rows = np.delete(rows, worst)


def settled(
    problem: Problem,
    state: Grouping,
    active: list[int],
    null: Null | None = None,
    rounds: int = 12,
    *,
    progress: Progress = silent,
) -> Grouping:
    """Return the partition after picks have changed sides among some faults until nothing gets better.

    Only the active faults change; picks of the others stay where they are.
    """
    best = state
    for turn in range(1, rounds + 1):
        trial, active = _swept(problem, state, active, null or Null.of(problem, state.group))
        progress(1.0 - 0.5**turn)  # how many rounds there will be nobody knows: half of what is left
        if np.array_equal(trial.group, state.group) and np.array_equal(trial.believed, state.believed):
            return trial if trial.total >= best.total else best
        if trial.total > best.total + 1e-9:
            best = trial
        state = trial
    return best


def _swept(problem: Problem, state: Grouping, active: list[int], null: Null) -> tuple[Grouping, list[int]]:
    """Return the partition after every pick has taken its best side once, and the active faults' new numbers."""
    count = len(problem.picks)
    gain = np.full((count, len(active)), -np.inf)
    believe = np.ones((count, len(active), 2), dtype=bool)
    open_to = state.null | np.isin(state.group, active)
    for column, number in enumerate(active):
        view = view_of(problem, state.sheets[number])
        free = open_to[view.which]
        odds, fits = gains_of(view, null)
        gain[view.which[free], column], believe[view.which[free], column] = odds[free], fits[free]
    chosen = _assigned(problem, gain)
    group, believed = state.group.copy(), state.believed.copy()
    group[open_to] = -1
    taken = chosen >= 0
    group[taken] = np.array(active, dtype=np.int64)[chosen[taken]]
    believed[taken] = believe[taken, chosen[taken]]
    believed[open_to & ~taken] = True
    return refitted(problem, state, group, believed, active, null)


def refitted(
    problem: Problem,
    state: Grouping,
    group: Ints,
    believed: Bools,
    active: list[int],
    null: Null | None = None,
) -> tuple[Grouping, list[int]]:
    """Return the partition with the active faults fitted anew, those no longer worth their while dissolved."""
    null = null or Null.of(problem, group)
    sheets: list[Sheet] = []
    raws: list[float] = []
    still: list[int] = []
    number_of = np.full(len(state.sheets) + 1, -1)
    for number, old in enumerate(state.sheets):
        sheet, raw = old, float(state.raw[number])
        if number in active:
            rows = np.flatnonzero(group == number)
            if hole_count(problem, rows) < problem.settings.least_holes:
                continue
            if not _same(problem, state, number, rows, believed):
                sheet = sheet_of(problem, rows, believed, old.axes[2])
            raw = raw_worth(problem, sheet, rows, believed, null)
            if worth(raw, rows, null) <= 0.0:
                continue
            still.append(len(sheets))
        number_of[number] = len(sheets)
        sheets.append(sheet)
        raws.append(raw)
    group = number_of[group]
    return state_of(problem, group, believed | (group < 0)[:, None], sheets, raws), still


def _same(problem: Problem, state: Grouping, number: int, rows: Ints, believed: Bools) -> bool:
    """Return whether a fault's sheet is still that of its picks."""
    sheet = state.sheets[number]
    before = np.flatnonzero(state.group == number)
    known = sheet.habit is problem.habit and len(sheet.hole) == len(rows)
    return known and np.array_equal(before, rows) and np.array_equal(state.believed[rows], believed[rows])


def _assigned(problem: Problem, gain: Floats) -> Ints:
    """Return the column each pick goes to, −1 for none: the best pairs first, one pick a hole and fault.

    Further picks of the same hole then join where they lie within a zone's length of the first.
    """
    count, columns = gain.shape
    chosen = np.full(count, -1)
    if not columns:
        return chosen
    pick, column = np.nonzero(gain > 0.0)
    order = np.argsort(-gain[pick, column], kind="stable")
    pick, column = pick[order], column[order]
    crossing = problem.picks.hole[pick] * columns + column
    while len(pick):
        _, first = np.unique(pick, return_index=True)
        _, first_crossing = np.unique(crossing, return_index=True)
        both = np.intersect1d(first, first_crossing)
        chosen[pick[both]] = column[both]
        left = ~np.isin(pick, pick[both]) & ~np.isin(crossing, crossing[both])
        pick, column, crossing = pick[left], column[left], crossing[left]
    chosen = _with_zones(problem, gain, chosen)
    _keep_apart(problem, gain, chosen)
    return chosen


def _with_zones(problem: Problem, gain: Floats, chosen: Ints) -> Ints:
    """Let free picks join the fault of a pick in the same hole within a zone's length."""
    free = np.flatnonzero((chosen < 0) & (gain.max(axis=1) > problem.odds - problem.zone_odds))
    first = np.flatnonzero(chosen >= 0)
    if not len(free) or not len(first):
        return chosen
    hole, depth = problem.picks.hole, problem.picks.depth
    close = (hole[free][:, None] == hole[first]) & (np.abs(depth[free][:, None] - depth[first]) <= problem.zone_m)
    worth = np.where(close, gain[free][:, chosen[first]], -np.inf)
    best = np.argmax(worth, axis=1)
    good = worth[np.arange(len(free)), best] > problem.odds - problem.zone_odds
    chosen[free[good]] = chosen[first[best[good]]]
    return chosen
