"""Which picks are one fault: a partition of all picks, judged as a whole.

Every partition has a probability. A fault's picks are weighed by the evidence of their sheet (:mod:`.sheet`), the
surface integrated out; an unrelated pick by a uniform place along the holes and a density of poles learnt from the
other unrelated picks; each fault and each logged crossing by what is expected of them (:class:`.LineupSettings`). The
search starts from the candidates and improves the partition move by move: picks change sides, sets of picks are put
in whole, faults are merged and dissolved, and a move is kept only when the whole becomes more probable.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from desurvey.lineup.background import background_of
from desurvey.lineup.candidates import Candidates, candidates, through_places
from desurvey.lineup.crossings import Course
from desurvey.lineup.learning import learnt, log_prior
from desurvey.lineup.moves import improved
from desurvey.lineup.partition import Grouping, kept_apart, refitted, settled, state_of, trimmed, without_doubtful
from desurvey.lineup.picks import LineupSettings, Picks
from desurvey.lineup.sheet import Habit, Sheet
from desurvey.lineup.weighing import Memo, Null, Problem, gains_of, hole_count, raw_worth, sheet_of, view_of, worth
from desurvey.progress import Progress, followed, part, silent

__all__ = ["Grouping", "Problem", "gains", "grouped", "regrouped", "sought", "with_fault"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


MANY = 1000
"""Picks beyond which new candidates are grown from unrelated picks only, once there are faults."""


def grouped(
    picks: Picks,
    course: Course,
    settings: LineupSettings,
    apart: tuple[Ints, ...] = (),
    progress: Progress = silent,
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
    apart : tuple of int arrays, optional
        Picks that a person keeps apart.
    progress : callable
        Told the share of the work that is done.
    """
    habit = Habit.of(settings, _span(picks))
    problem = Problem(picks, settings, habit, course, background_of(picks, course.length), apart)
    if not len(picks):
        return problem, state_of(problem, np.full(0, -1), np.ones((0, 2), dtype=bool), [], [])
    if not settings.learn:
        problem, state = _searched(problem, progress)
        return problem, without_doubtful(problem, state)
    found = _searched(problem, part(progress, 0.0, 0.5))
    swarms = _in_swarms(picks)
    if swarms or _much_left(*found):
        other = _searched(_started(problem, ZONED if swarms else ROUGH), part(progress, 0.5, 1.0))
        found = max(found, other, key=_log_posterior)
    problem, state = found
    return problem, without_doubtful(problem, state)


ROUGH = {"amplitude": 4.0, "distance": 1 / 3}
"""Where a second search starts from, as multiples of the settings: rough and folded faults, of which a search that
starts from gentle ones finds pieces."""

ZONED = {"depth": 4.0, "zone_rate": 20.0}
"""Where it starts from instead if picks come in swarms: zones, logged as several picks a hole."""

SWARM_M, SWARM_DEG, SWARM_SHARE = 12.0, 25.0, 0.25
"""Picks come in swarms if this share of them have the next one of their hole within so many metres and degrees."""


def _in_swarms(picks: Picks) -> bool:
    order = np.lexsort([picks.depth, picks.hole])
    hole, depth, normal = picks.hole[order], picks.depth[order], picks.normal[order]
    alike = np.abs((normal[1:] * normal[:-1]).sum(axis=1)) > np.cos(np.deg2rad(SWARM_DEG))  # False without a normal
    near = (hole[1:] == hole[:-1]) & (depth[1:] - depth[:-1] < SWARM_M) & alike
    return bool((np.append(near, False) | np.insert(near, 0, False)).mean() >= SWARM_SHARE)


MUCH_LEFT, BESIDE = 0.6, 0.15
"""Shares that a search from rough faults is for: of all picks, those of no fault; of these, those beside a fault."""

BESIDE_M, BESIDE_DEG = 15.0, 35.0
"""Metres from a fault's plane, and degrees, within which a pick of no fault lies beside it."""


def _much_left(problem: Problem, state: Grouping) -> bool:
    picks, beside = problem.picks, np.zeros(len(problem.picks), dtype=bool)
    left = state.null & (picks.oriented | picks.cone_only)
    for sheet in state.sheets:
        off = (picks.position - sheet.centre) @ sheet.axes[2]
        alike = np.abs(picks.normal @ sheet.axes[2]) > np.cos(np.deg2rad(BESIDE_DEG))  # False without a normal
        beside |= (np.abs(off) < BESIDE_M) & alike
    count = int(left.sum())
    some = count >= problem.settings.least_holes
    return some and (left.mean() > MUCH_LEFT or int((left & beside).sum()) >= max(2.0, BESIDE * count))


def _started(problem: Problem, multiples: dict[str, float]) -> Problem:
    base = problem.habit
    habit = replace(base, **{name: getattr(base, name) * times for name, times in multiples.items()})
    return replace(problem, habit=habit, memo=Memo())


def _log_posterior(found: tuple[Problem, Grouping]) -> float:
    problem, state = found
    return state.total + log_prior(problem)


def _searched(problem: Problem, progress: Progress) -> tuple[Problem, Grouping]:
    """Return the most probable partition found from the problem's hyperparameters, and those it teaches."""
    picks = problem.picks
    grown, packed = SHARES
    first = sought(problem, Null.sparse(problem), progress=part(progress, 0.0, grown))
    state = _packed(problem, first, part(progress, grown, packed))
    turns = 3 if len(picks) <= MANY else 2
    for turn in range(turns):
        step = part(part(progress, packed, 1.0), turn / turns, (turn + 1) / turns)
        before = state.group
        if problem.settings.learn:
            problem = learnt(problem, state)
        state = revalued(problem, state)
        step(0.1)
        seeds = state.null if len(picks) > MANY else None
        found = sought(problem, Null.of(problem, state.group), seeds, part(step, 0.1, 0.35))
        state = improved(problem, state, found, part(step, 0.35, 1.0))
        if np.array_equal(before, state.group):
            break
    return problem, state


def regrouped(problem: Problem, state: Grouping, kept: Bools) -> tuple[Problem, Grouping]:
    """Return the most probable partition of some of the picks, looked for from that of all of them.

    The faults that lose no pick stay as they are until something better is found; what was learnt is kept.
    """
    number = np.full(len(kept), -1)
    number[kept] = np.arange(int(kept.sum()))
    picks = problem.picks[kept]
    apart = tuple(number[rows[kept[rows]]] for rows in problem.apart)
    background = background_of(picks, problem.course.length)
    fewer = replace(problem, picks=picks, background=background, apart=apart, memo=Memo())
    start = state_of(fewer, state.group[kept], state.believed[kept], list(state.sheets), state.raw.tolist())
    nothing = Candidates(np.zeros((0, len(picks)), dtype=bool), np.zeros((0, 3)), np.zeros(0))
    active = np.unique(state.group[~kept & ~state.null]).tolist()
    start = refitted(fewer, start, start.group, start.believed, active)[0] if active else start
    return fewer, without_doubtful(fewer, improved(fewer, start, nothing))


SHARES = (0.25, 0.5)
"""Share of the work after which candidates are grown, and a first partition made of them.

26 and 59 % of the time among 4,900 picks, 21 and 24 % among 235.
"""


def _span(picks: Picks) -> float:
    """Return the extent of the picks, metres: the largest side of their box."""
    if not len(picks):
        return 1.0
    return float(max(np.ptp(picks.position, axis=0).max(), 50.0))


def sought(problem: Problem, null: Null, seeds: Bools | None = None, progress: Progress = silent) -> Candidates:
    """Return candidates grown from oriented picks and, where few have an orientation, from places alone.

    ``seeds`` says which picks they may start from, (m,).
    """
    picks, density = problem.picks, null.place + null.pole
    grown = candidates(picks, problem.habit, density, problem.odds, seeds, progress=progress)
    asked = np.ones(len(picks), dtype=bool) if seeds is None else seeds
    if picks.oriented[asked].mean() >= ENOUGH_ORIENTED:
        return grown
    placed = through_places(picks, problem.habit, density, problem.odds, asked)
    member = np.concatenate([grown.member, placed.member])
    normal, score = np.concatenate([grown.normal, placed.normal]), np.concatenate([grown.score, placed.score])
    order = np.argsort(-score, kind="stable")
    return Candidates(member[order], normal[order], score[order])


ENOUGH_ORIENTED = 0.5
"""Share of oriented picks from which planes are grown from them alone."""


def gains(problem: Problem, state: Grouping, sheet: Sheet) -> tuple[Ints, Floats]:
    """Return the picks near a sheet and the log odds of each belonging to it, the picks of its own hole left out."""
    view = view_of(problem, sheet)
    return view.which, gains_of(view, Null.of(problem, state.group))[0]


def revalued(problem: Problem, state: Grouping) -> Grouping:
    """Return the same partition with everything computed anew."""
    return refitted(problem, state, state.group, state.believed, list(range(len(state.sheets))))[0]


def _packed(problem: Problem, found: Candidates, progress: Progress) -> Grouping:
    """Return a first partition: candidates put in one after another, the best first, if their free picks suffice."""
    count = len(problem.picks)
    null = Null.sparse(problem)
    state = state_of(problem, np.full(count, -1), np.ones((count, 2), dtype=bool), [], [])
    sets = list(zip(found.member, found.normal, strict=True))
    for member, normal in followed(sets, part(progress, 0.0, 0.5)):
        rows = np.flatnonzero(member & state.null)
        if 2 * len(rows) <= member.sum() or hole_count(problem, rows) < problem.settings.least_holes:
            continue
        rows, believed, sheet = trimmed(problem, rows, normal, null)
        if hole_count(problem, rows) < problem.settings.least_holes:
            continue
        raw = raw_worth(problem, sheet, rows, believed, null)
        group = state.group.copy()
        group[rows] = len(state.sheets)
        if worth(raw, rows, null) > 0.0 and kept_apart(problem, group):
            believed = np.where((group == len(state.sheets))[:, None], believed, state.believed)
            state = state_of(problem, group, believed, [*state.sheets, sheet], [*state.raw, raw])
            state = settled(problem, state, [len(state.sheets) - 1], null)
    return settled(problem, state, list(range(len(state.sheets))), progress=part(progress, 0.5, 1.0))


def with_fault(problem: Problem, state: Grouping, rows: Ints) -> Grouping:
    """Return the partition with a set of picks as a fault, whatever the evidence says of it."""
    group = state.group.copy()
    group[rows] = len(state.sheets)
    sheet = sheet_of(problem, rows, state.believed, _first_normal(problem.picks[rows]))
    raw = raw_worth(problem, sheet, rows, state.believed, Null.of(problem, group))
    return state_of(problem, group, state.believed, [*state.sheets, sheet], [*state.raw, raw])


def _first_normal(picks: Picks) -> Floats:
    """Return a first idea of the normal of a set of picks: of their planes, or else of the plane through them."""
    if picks.oriented.any():
        normal = picks.normal[picks.oriented]
        _, vectors = np.linalg.eigh(normal.T @ normal)
        return np.asarray(vectors[:, -1])
    return np.asarray(np.linalg.svd(picks.position - picks.position.mean(axis=0))[2][-1])
