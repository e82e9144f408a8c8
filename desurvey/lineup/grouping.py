"""Which picks are one fault: a partition of all picks, judged as a whole.

Every partition has a probability. A fault's picks are weighed by the evidence of their sheet (:mod:`.sheet`), the
surface integrated out; an unrelated pick by a uniform place along the holes and a density of poles learnt from the
other unrelated picks; each fault and each logged crossing by what is expected of them (:class:`.LineupSettings`). The
search starts from the candidates and improves the partition move by move: picks change sides, sets of picks are put
in whole, faults are merged and dissolved, and a move is kept only when the whole becomes more probable.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import betaln

from desurvey.lineup.background import Background, background_of
from desurvey.lineup.candidates import Candidates, candidates
from desurvey.lineup.crossings import Course, crossings, nearest, reach_of
from desurvey.lineup.picks import LineupSettings, Picks, Pins
from desurvey.lineup.sheet import Habit, Readings, Sheet, fitted, log_density, readings

__all__ = ["Grouping", "Problem", "gains", "grouped", "pins_hold"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

ZONE_RATE = 0.1
"""Expected number of further picks of a zone at each crossing (common practice, no source)."""

LOGGED_WEIGHT = 2.5
"""How many crossings the expected rate of logging counts for."""

FEWEST_FOR_CURVATURE = 7
"""Picks below which a fault is taken as plane: a quadratic surface has six unknowns."""

CURVATURE_ODDS = 2.0
"""Log odds against a fault being curved beyond its waviness (common practice, no source)."""

FEWEST_ODDS = 2.0
"""Log odds against a fault of the least number of holes: three places always lie in a plane, and there are many threes.

With it and the default number of faults, about 1 in 40 worlds of nothing but unrelated picks shows a fault
(tests/benchmarks/lineup_report.py).
"""

GATE_SIGMA = 6.0
"""Standard deviations from a sheet beyond which a pick is not looked at."""


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What stays the same while partitions are tried.

    Attributes
    ----------
    picks : Picks
        m of them.
    settings : LineupSettings
        What is taken for granted.
    habit : Habit
        How faults behave here.
    course : Course
        The drilled holes.
    background : Background
        What is known of unrelated picks.
    pins : Pins
        What a person has tied together or kept apart.
    """

    picks: Picks
    settings: LineupSettings
    habit: Habit
    course: Course
    background: Background
    pins: Pins

    @property
    def odds(self) -> float:
        """Log odds that a fault is logged where it is drilled through."""
        return float(np.log(self.settings.logged / (1.0 - self.settings.logged)))

    @property
    def lost(self) -> Floats:
        """Probability that each pick's orientation means nothing, shape (m,)."""
        return np.clip(1.0 - (1.0 - self.settings.lost) * (1.0 - self.picks.distrust), 0.0, 1.0 - 1e-6)


@dataclass(frozen=True, slots=True, eq=False)
class Grouping:
    """A partition of the picks.

    Attributes
    ----------
    group : (m,) int array
        Number of each pick's fault, −1 for none.
    trusted : (m,) bool array
        Whether its orientation is believed.
    sheets : tuple of Sheet
        One a fault.
    raw : (k,) array
        Log probability of each fault's picks and crossings.
    total : float
        Log probability of the whole, up to a constant.
    """

    group: Ints
    trusted: Bools
    sheets: tuple[Sheet, ...]
    raw: Floats
    total: float

    @property
    def null(self) -> Bools:
        """Picks of no fault, shape (m,)."""
        return self.group < 0


def grouped(
    picks: Picks, course: Course, settings: LineupSettings, pins: Pins | None = None
) -> tuple[Problem, Grouping]:
    """Return the most probable partition that was found, with the problem as it was learnt.

    Parameters
    ----------
    picks : Picks
        m of them.
    course : Course
        The drilled holes.
    settings : LineupSettings
        What is taken for granted.
    pins : Pins, optional
        What holds whatever the evidence.
    """
    habit = Habit(
        settings.waviness_m, settings.waviness_range_m, np.deg2rad(settings.pole_scatter_deg), 1.0, _span(picks)
    )
    problem = Problem(picks, settings, habit, course, background_of(picks, course.length), pins or Pins())
    state = _state(problem, np.full(len(picks), -1), np.ones(len(picks), dtype=bool), [], [])
    if not len(picks):
        return problem, state
    state = _packed(problem, _candidates(problem, _Null.sparse(problem)))
    for _ in range(3):
        before = state.group
        if settings.learn:
            problem = _learnt(problem, state)
        state = _revalued(problem, state)
        found = _candidates(problem, _Null.of(problem, state.group))
        state = _improved(problem, state, found)
        if np.array_equal(before, state.group):
            break
    return problem, state


def _span(picks: Picks) -> float:
    """Return the extent of the picks, metres: the largest side of their box."""
    if not len(picks):
        return 1.0
    return float(max(np.ptp(picks.position, axis=0).max(), 50.0))


class _Null(NamedTuple):
    """Log density of picks as unrelated ones: of the place per metre of hole, and of each orientation."""

    place: float
    pole: Floats

    @classmethod
    def of(cls, problem: Problem, group: Ints) -> _Null:
        """Return it for a partition."""
        return cls(problem.background.place(group < 0), problem.background.pole(group < 0))

    @classmethod
    def sparse(cls, problem: Problem) -> _Null:
        """Return it for a start: half of all picks unrelated, lying any way."""
        pole = problem.background.pole(np.zeros(len(problem.picks), dtype=bool))
        return cls(float(np.log(0.5 * (len(pole) + 1) / problem.course.length)), pole)


def _state(problem: Problem, group: Ints, trusted: Bools, sheets: list[Sheet], raw: list[float]) -> Grouping:
    total = float(np.sum(raw)) + problem.background.total(group < 0) if len(group) else 0.0
    return Grouping(group, trusted, tuple(sheets), np.array(raw, dtype=float), total)


def _candidates(problem: Problem, null: _Null) -> Candidates:
    return candidates(problem.picks, problem.habit, null.place + null.pole, problem.odds)


# --- one fault ----------------------------------------------------------------------------------------------------


def _sheet(problem: Problem, rows: Ints, trusted: Bools, normal: Floats) -> Sheet:
    """Return the sheet through picks, gently curved where that makes them more probable."""
    picks = problem.picks[rows]
    flat = fitted(picks, trusted[rows], problem.habit, normal)
    if len(rows) < FEWEST_FOR_CURVATURE:
        return flat
    curved = fitted(picks, trusted[rows], problem.habit, flat.axes[2], curved=True, turns=0)
    return curved if curved.evidence > flat.evidence + CURVATURE_ODDS else flat


def _raw(problem: Problem, sheet: Sheet, rows: Ints, trusted: Bools, null: _Null) -> float:
    """Return the log probability of a fault: of its readings, of which orientations are lost, of its crossings."""
    picks = problem.picks
    angular = picks.oriented[rows] | picks.cone_only[rows]
    lost = problem.lost[rows]
    orientation = np.where(trusted[rows], np.log1p(-lost), np.log(lost) + null.pole[rows])
    logged, missed, _ = _crossed(problem, sheet)
    further = len(rows) - logged
    crossing = _binomial(problem, logged, missed) + _zone_odds(problem) * further
    seen = np.log(sheet.readings.pierce).sum() + orientation[angular].sum()
    prior = np.log(problem.settings.faults) - (FEWEST_ODDS if logged <= problem.settings.least_holes else 0.0)
    return float(sheet.evidence + seen + crossing + prior)


def _worth(raw: float, rows: Ints, null: _Null) -> float:
    """Return the log odds of a fault against all its picks being unrelated."""
    return raw - float((null.place + null.pole[rows]).sum())


def _crossed(problem: Problem, sheet: Sheet) -> tuple[int, int, tuple[Floats, float]]:
    """Return how many holes have the fault logged, how many miss it within its reach, and what reach that is."""
    _, first = np.unique(sheet.hole, return_index=True)
    members = sheet.readings.place[first]
    reach = reach_of(members, problem.settings.reach)
    cut = crossings(problem.course, sheet.centre, sheet.axes)
    missed = ~np.isin(cut.hole, sheet.hole) & (nearest(cut.place, members) <= reach)
    return len(first), int(missed.sum()), (members, reach)


def _binomial(problem: Problem, logged: int, missed: int) -> float:
    """Return the log probability of which crossings are logged, their rate uncertain (beta-binomial)."""
    yes, no = LOGGED_WEIGHT * problem.settings.logged, LOGGED_WEIGHT * (1.0 - problem.settings.logged)
    return float(betaln(yes + logged, no + missed) - betaln(yes, no))


def _zone_odds(problem: Problem) -> float:
    return float(np.log(ZONE_RATE))


def _gains(problem: Problem, sheet: Sheet, which: Ints, null: _Null) -> tuple[Floats, Bools]:
    """Return the log odds of picks belonging to a sheet rather than to nothing, and whether to believe their planes.

    A member is judged by the picks of the other holes.
    """
    picks = problem.picks[which]
    seen, guess = sheet.guess(picks)
    miss = seen.value - guess.mean
    alone = _line_density(miss[:, 0], guess.covariance[:, 0, 0])
    angular = picks.oriented | picks.cone_only
    lost = problem.lost[which]
    full = log_density(miss, guess.covariance) + np.where(angular, np.log1p(-lost) - null.pole[which], 0.0)
    bare = alone + np.where(angular, np.log(lost), -np.inf)
    gain = np.logaddexp(full, bare) + np.log(seen.pierce) - null.place + _chance(problem, sheet, picks, seen)
    return gain, full >= bare


def gains(problem: Problem, state: Grouping, sheet: Sheet) -> tuple[Ints, Floats]:
    """Return the picks near a sheet and the log odds of each belonging to it, the picks of its own hole left out."""
    which = _near(problem, sheet)
    return which, _gains(problem, sheet, which, _Null.of(problem, state.group))[0]


def _chance(problem: Problem, sheet: Sheet, picks: Picks, seen: Readings) -> Floats:
    """Return the log odds that a pick's hole has the fault logged, by how often the other holes have it."""
    logged, missed, (members, reach) = _crossed(problem, sheet)
    own = np.isin(picks.hole, sheet.hole)
    yes = LOGGED_WEIGHT * problem.settings.logged + logged - own
    no = LOGGED_WEIGHT * (1.0 - problem.settings.logged) + missed
    far = np.linalg.norm(seen.place[:, None] - members, axis=2)
    far = np.where(picks.hole[:, None] == np.unique(sheet.hole), np.inf, far).min(axis=1)
    inside = far <= reach
    return np.asarray(np.log(yes) - np.log(np.where(inside, np.maximum(no - ~own, 0.2), yes + no)))


def _line_density(miss: Floats, variance: Floats) -> Floats:
    return np.asarray(-0.5 * miss**2 / variance - 0.5 * np.log(2 * np.pi * variance))


def _near(problem: Problem, sheet: Sheet) -> Ints:
    """Return the picks that might belong to a sheet by their distance from its plane."""
    seen = readings(problem.picks, sheet.centre, sheet.axes, problem.habit, np.zeros(len(problem.picks), dtype=bool))
    members = sheet.readings.place
    spread = np.sqrt((members**2).sum(axis=1).max(initial=0.0)) + 30.0
    far = np.linalg.norm(seen.place, axis=1) / spread
    sigma = np.sqrt(seen.noise[:, 0, 0]) + 2.0 * problem.habit.amplitude + 2.0
    return np.flatnonzero(np.abs(seen.value[:, 0]) < GATE_SIGMA * sigma * (1.0 + far) * 1.5)


# --- the whole ----------------------------------------------------------------------------------------------------


def _revalued(problem: Problem, state: Grouping) -> Grouping:
    """Return the same partition with everything computed anew."""
    return _refitted(problem, state, state.group, state.trusted, list(range(len(state.sheets))))[0]


def _packed(problem: Problem, found: Candidates) -> Grouping:
    """Return a first partition: candidates put in one after another, the best first, if their free picks suffice."""
    count = len(problem.picks)
    null = _Null.sparse(problem)
    state = _state(problem, np.full(count, -1), np.ones(count, dtype=bool), [], [])
    state = _with_pinned(problem, state, null)
    for member, normal in zip(found.member, found.normal, strict=True):
        rows = np.flatnonzero(member & state.null)
        if _holes(problem, rows) < problem.settings.least_holes:
            continue
        rows, trusted, sheet = _trimmed(problem, rows, normal, null)
        if _holes(problem, rows) < problem.settings.least_holes:
            continue
        raw = _raw(problem, sheet, rows, trusted, null)
        group = state.group.copy()
        group[rows] = len(state.sheets)
        if _worth(raw, rows, null) > 0.0 and pins_hold(problem.pins, group):
            trusted = np.where(group == len(state.sheets), trusted, state.trusted)
            state = _state(problem, group, trusted, [*state.sheets, sheet], [*state.raw, raw])
            state = _settled(problem, state, [len(state.sheets) - 1], null)
    return _settled(problem, state, list(range(len(state.sheets))))


def _with_pinned(problem: Problem, state: Grouping, null: _Null) -> Grouping:
    """Return the partition with each set of picks that a person tied together as a fault."""
    for rows in problem.pins.same:
        group = state.group.copy()
        group[rows] = len(state.sheets)
        sheet = _sheet(problem, rows, state.trusted, _first_normal(problem.picks[rows]))
        raw = _raw(problem, sheet, rows, state.trusted, null)
        state = _state(problem, group, state.trusted, [*state.sheets, sheet], [*state.raw, raw])
    return state


def _first_normal(picks: Picks) -> Floats:
    """Return a first idea of the normal of a set of picks: of their planes, or else of the plane through them."""
    if picks.oriented.any():
        normal = picks.normal[picks.oriented]
        _, vectors = np.linalg.eigh(normal.T @ normal)
        return np.asarray(vectors[:, -1])
    return np.asarray(np.linalg.svd(picks.position - picks.position.mean(axis=0))[2][-1])


def pins_hold(pins: Pins, group: Ints) -> bool:
    """Return whether a partition keeps together and apart what a person said."""
    together = all(group[rows[0]] >= 0 and np.all(group[rows] == group[rows[0]]) for rows in pins.same)
    taken = [group[rows][group[rows] >= 0] for rows in pins.different]
    return together and all(len(np.unique(numbers)) == len(numbers) for numbers in taken)


def _keep_pins(problem: Problem, gain: Floats, chosen: Ints) -> None:
    """Put picks where a person wants them, in place: a tied set where it fits best, others out of its way."""
    for rows in problem.pins.different:
        for column in np.unique(chosen[rows][chosen[rows] >= 0]):
            here = rows[chosen[rows] == column]
            chosen[np.delete(here, np.argmax(gain[here, column]))] = -1
    for rows in problem.pins.same:
        column = int(np.argmax(np.maximum(gain[rows], -50.0).sum(axis=0)))
        rivals = np.isin(problem.picks.hole, problem.picks.hole[rows]) & (chosen == column)
        for apart in problem.pins.different:
            if np.isin(rows, apart).any():
                rivals[apart] |= chosen[apart] == column
        chosen[rivals] = -1
        chosen[rows] = column


def _trimmed(problem: Problem, rows: Ints, normal: Floats, null: _Null) -> tuple[Ints, Bools, Sheet]:
    """Return a set of picks without those that the others speak against, which orientations to believe, the sheet."""
    trusted = np.ones(len(problem.picks), dtype=bool)
    while True:
        sheet = _sheet(problem, rows, trusted, normal)
        gain, believe = _gains(problem, sheet, rows, null)
        worst = int(np.argmin(gain))
        changed = not np.array_equal(trusted[rows], believe)
        trusted[rows] = believe
        if gain[worst] >= 0.0 or len(rows) <= problem.settings.least_holes:
            return rows, trusted, _sheet(problem, rows, trusted, normal) if changed else sheet
        trusted[rows[worst]] = True
        rows = np.delete(rows, worst)


def _holes(problem: Problem, rows: Ints) -> int:
    return len(np.unique(problem.picks.hole[rows]))


def _settled(
    problem: Problem, state: Grouping, active: list[int], null: _Null | None = None, rounds: int = 12
) -> Grouping:
    """Return the partition after picks have changed sides among some faults until nothing gets better.

    Only the active faults change; picks of the others stay where they are.
    """
    best = state
    for _ in range(rounds):
        trial, active = _swept(problem, state, active, null or _Null.of(problem, state.group))
        if np.array_equal(trial.group, state.group) and np.array_equal(trial.trusted, state.trusted):
            return trial if trial.total >= best.total else best
        if trial.total > best.total + 1e-9:
            best = trial
        state = trial
    return best


def _swept(problem: Problem, state: Grouping, active: list[int], null: _Null) -> tuple[Grouping, list[int]]:
    """Return the partition after every pick has taken its best side once, and the active faults' new numbers."""
    count = len(problem.picks)
    gain = np.full((count, len(active)), -np.inf)
    believe = np.ones((count, len(active)), dtype=bool)
    open_to = state.null | np.isin(state.group, active)
    for column, number in enumerate(active):
        which = _near(problem, state.sheets[number])
        which = which[open_to[which]]
        gain[which, column], believe[which, column] = _gains(problem, state.sheets[number], which, null)
    column = _assigned(problem, gain)
    group, trusted = state.group.copy(), state.trusted.copy()
    group[open_to] = -1
    taken = column >= 0
    group[taken] = np.array(active, dtype=np.int64)[column[taken]]
    trusted[taken] = believe[taken, column[taken]]
    trusted[open_to & ~taken] = True
    return _refitted(problem, state, group, trusted, active, null)


def _refitted(
    problem: Problem,
    state: Grouping,
    group: Ints,
    trusted: Bools,
    active: list[int],
    null: _Null | None = None,
) -> tuple[Grouping, list[int]]:
    """Return the partition with the active faults fitted anew, those no longer worth their while dissolved."""
    null = null or _Null.of(problem, group)
    sheets, raws, number_of, still = [], [], np.full(len(state.sheets) + 1, -1), []
    for number, old in enumerate(state.sheets):
        sheet, raw = old, float(state.raw[number])
        if number in active:
            rows = np.flatnonzero(group == number)
            tied = any(pin[0] in rows for pin in problem.pins.same)
            if not tied and _holes(problem, rows) < problem.settings.least_holes:
                continue
            sheet = _sheet(problem, rows, trusted, old.axes[2])
            raw = _raw(problem, sheet, rows, trusted, null)
            if not tied and _worth(raw, rows, null) <= 0.0:
                continue
            still.append(len(sheets))
        number_of[number] = len(sheets)
        sheets.append(sheet)
        raws.append(raw)
    group = number_of[group]
    return _state(problem, group, trusted | (group < 0), sheets, raws), still


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
    _keep_pins(problem, gain, chosen)
    return chosen


def _with_zones(problem: Problem, gain: Floats, chosen: Ints) -> Ints:
    """Let free picks join the fault of a pick in the same hole within a zone's length."""
    free = np.flatnonzero((chosen < 0) & (gain.max(axis=1) > problem.odds - _zone_odds(problem)))
    first = np.flatnonzero(chosen >= 0)
    if not len(free) or not len(first):
        return chosen
    hole, depth = problem.picks.hole, problem.picks.depth
    close = (hole[free][:, None] == hole[first]) & (
        np.abs(depth[free][:, None] - depth[first]) <= problem.settings.zone_m
    )
    worth = np.where(close, gain[free][:, chosen[first]], -np.inf)
    best = np.argmax(worth, axis=1)
    good = worth[np.arange(len(free)), best] > problem.odds - _zone_odds(problem)
    chosen[free[good]] = chosen[first[best[good]]]
    return chosen


# --- moves --------------------------------------------------------------------------------------------------------


def _improved(problem: Problem, state: Grouping, found: Candidates) -> Grouping:
    """Return the partition after every move that makes the whole more probable."""
    state = _settled(problem, state, list(range(len(state.sheets))))
    for _ in range(2):
        before = state.total
        state = _with_inserted(problem, state, found)
        state = _with_merged(problem, state)
        if state.total <= before + 1e-6:
            break
    return state


def _with_inserted(problem: Problem, state: Grouping, found: Candidates, most: int = 40) -> Grouping:
    """Return the partition after candidates have been tried as new faults, taking picks from the others."""
    tried = 0
    for member, normal in zip(found.member, found.normal, strict=True):
        if tried >= most:
            break
        rows = np.flatnonzero(member)
        if _holes(problem, rows) < problem.settings.least_holes or _known(state, rows):
            continue
        tried += 1
        trial = _inserted(problem, state, rows, normal)
        if trial.total > state.total + 1e-6 and pins_hold(problem.pins, trial.group):
            state = trial
    return state


def _known(state: Grouping, rows: Ints) -> bool:
    """Return whether a set is, to nine tenths, within one of the faults there are."""
    numbers, counts = np.unique(state.group[rows], return_counts=True)
    return bool(numbers[counts.argmax()] >= 0 and counts.max() >= 0.99 * len(rows))


def _inserted(problem: Problem, state: Grouping, rows: Ints, normal: Floats) -> Grouping:
    """Return the partition with a set of picks made a fault of its own, whoever had them before."""
    rows, believe, sheet = _trimmed(problem, rows, normal, _Null.of(problem, state.group))
    robbed = sorted(set(state.group[rows].tolist()) - {-1})
    group, trusted = state.group.copy(), state.trusted.copy()
    group[rows] = len(state.sheets)
    trusted[rows] = believe[rows]
    longer = _state(problem, group, trusted, [*state.sheets, sheet], [*state.raw, 0.0])
    active = [*robbed, len(state.sheets)]
    trial, active = _refitted(problem, longer, group, trusted, active)
    return _settled(problem, trial, active)


def _with_merged(problem: Problem, state: Grouping) -> Grouping:
    """Return the partition after pairs of faults have been tried as one."""
    pair = _alike(problem, state)
    for first, second in pair:
        if max(first, second) >= len(state.sheets):
            continue
        trial = _merged(problem, state, first, second)
        if trial.total > state.total + 1e-6 and pins_hold(problem.pins, trial.group):
            return _with_merged(problem, trial)
    return state


def _alike(problem: Problem, state: Grouping) -> list[tuple[int, int]]:
    """Return pairs of faults whose planes come near each other at each other's centres."""
    if len(state.sheets) < 2:
        return []
    centre = np.array([s.centre for s in state.sheets])
    normal = np.array([s.axes[2] for s in state.sheets])
    gap = np.abs(np.einsum("abi,ai->ab", centre[None] - centre[:, None], normal))
    apart = np.linalg.norm(centre[None] - centre[:, None], axis=2)
    near = (np.minimum(gap, gap.T) < 10.0 + 0.15 * apart) & (np.abs(normal @ normal.T) > np.cos(np.deg2rad(25.0)))
    first, second = np.nonzero(np.triu(near, 1))
    return list(zip(first.tolist(), second.tolist(), strict=True))


def _merged(problem: Problem, state: Grouping, first: int, second: int) -> Grouping:
    """Return the partition with two faults made one: the first takes what it can of the second, and the rest is free."""
    rows = np.flatnonzero((state.group == first) | (state.group == second))
    picks = problem.picks
    best = state
    for keep, give in ((first, second), (second, first)):
        held = np.unique(picks.hole[state.group == keep])
        joined = rows[(state.group[rows] == keep) | ~np.isin(picks.hole[rows], held)]
        group = state.group.copy()
        group[state.group == give] = -1
        group[joined] = keep
        trial, active = _refitted(problem, state, group, state.trusted, [keep, give])
        trial = _settled(problem, trial, active)
        if trial.total > best.total:
            best = trial
    return best


# --- learning -----------------------------------------------------------------------------------------------------


def _learnt(problem: Problem, state: Grouping) -> Problem:
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
    return replace(problem, habit=habit)


def _evidence(problem: Problem, state: Grouping, habit: Habit) -> float:
    total = 0.0
    for number, sheet in enumerate(state.sheets):
        rows = np.flatnonzero(state.group == number)
        picks, trusted = problem.picks[rows], state.trusted[rows]
        total += fitted(picks, trusted, habit, sheet.axes[2], curved=sheet.curved, turns=0).evidence
    return total
