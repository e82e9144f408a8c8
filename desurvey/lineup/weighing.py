"""What a fault is worth: the weight of one set of picks as a fault, and of each pick for or against it.

A fault's picks are weighed by the evidence of their sheet (:mod:`.sheet`), the surface integrated out; by how often the
holes that cross it have it logged; and by what is expected of faults (:class:`.LineupSettings`).
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeVar, cast
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt
from scipy.special import betaln

from desurvey.lineup.background import Background
from desurvey.lineup.crossings import Course, among, crossings, nearest, reach_of
from desurvey.lineup.picks import LineupSettings, Picks
from desurvey.lineup.sheet import (
    DISPLACED_M,
    FEWEST_FOR_CURVATURE,
    PLACE,
    PLANE,
    Habit,
    Readings,
    Sheet,
    bent,
    fitted,
    log_density,
    offsets,
)
from desurvey.shown import shown

__all__ = [
    "Memo",
    "Null",
    "Problem",
    "View",
    "gains_of",
    "hole_count",
    "raw_worth",
    "seen_by",
    "sheet_of",
    "view_of",
    "worth",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

T = TypeVar("T")

LOGGED_WEIGHT = 2.5
"""How many crossings the expected rate of logging counts for."""

CURVATURE_ODDS = 2.0
"""Log odds against a fault being curved beyond its waviness (common practice, no source)."""

FEWEST_ODDS = 3.0
"""Log odds against a fault of the least number of holes: three places always lie in a plane, and there are many threes.

With it and the default number of faults, about 1 in 40 worlds of nothing but unrelated picks shows a fault
(tests/benchmarks/lineup_report.py).
"""

GATE_M = 20.0
"""Metres from its plane within which every pick is looked at: it may be displaced."""

ZONE_SIGMAS = 6.0
"""Scatter of places along a zone that its picks may lie apart, met at 45°."""

GATE_SIGMA = 6.0
"""Standard deviations from a sheet beyond which a pick is not looked at."""


MEMORY = 4_000_000
"""Squared picks of the sheets that are kept for when they are asked for again: 0.6 GB of matrices at most."""


class Memo:
    """What was worked out while partitions are tried; nothing in it changes an answer.

    Attributes
    ----------
    unmerged : set of pairs of bytes
        Pairs of faults, by their picks, that have been tried as one.
    """

    def __init__(self) -> None:
        self.unmerged: set[tuple[bytes, bytes]] = set()
        self._of: WeakKeyDictionary[Sheet, dict[str, Any]] = WeakKeyDictionary()
        self._sheets: OrderedDict[tuple[bytes, ...], Sheet] = OrderedDict()
        self._size = 0

    def of(self, what: str, sheet: Sheet, work: Callable[[], T]) -> T:
        """Return what was worked out for a sheet before, or work it out; it is kept as long as the sheet lasts."""
        known = self._of.setdefault(sheet, {})
        if what not in known:
            known[what] = work()
        return cast("T", known[what])

    def sheet(self, key: tuple[bytes, ...], work: Callable[[], Sheet]) -> Sheet:
        """Return a sheet that was fitted before, or fit it; those asked for longest ago are forgotten."""
        if key in self._sheets:
            self._sheets.move_to_end(key)
            return self._sheets[key]
        self._sheets[key] = sheet = work()
        self._size += len(sheet.hole) ** 2
        while self._size > MEMORY:
            _, old = self._sheets.popitem(last=False)
            self._size -= len(old.hole) ** 2
        return sheet


@shown
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
    apart : tuple of int arrays
        Picks that a person keeps apart: in each no two of one fault.
    memo : Memo
        What was worked out for it. The one part that changes.
    """

    picks: Picks
    settings: LineupSettings
    habit: Habit
    course: Course
    background: Background
    apart: tuple[Ints, ...] = ()
    memo: Memo = field(default_factory=Memo, repr=False)

    @property
    def odds(self) -> float:
        """Log odds that a fault is logged where it is drilled through."""
        return float(np.log(self.settings.logged / (1.0 - self.settings.logged)))

    @property
    def lost(self) -> Floats:
        """Probability that each pick's orientation means nothing, shape (m,)."""
        return np.clip(1.0 - (1.0 - self.habit.lost) * (1.0 - self.picks.distrust), 0.0, 1.0 - 1e-6)

    @property
    def zone_m(self) -> float:
        """Length of a hole within which picks may be one zone, metres."""
        return max(self.settings.zone_m, ZONE_SIGMAS * self.habit.depth)

    @property
    def zone_odds(self) -> float:
        """Log rate of further picks of a zone at a crossing."""
        return float(np.log(self.habit.zone_rate))


@shown
class Null(NamedTuple):
    """Log density of picks as unrelated ones: of the place per metre of hole, and of each orientation."""

    place: float
    pole: Floats

    @classmethod
    def of(cls, problem: Problem, group: Ints) -> Null:
        """Return it for a partition."""
        return cls(problem.background.place(group < 0), problem.background.pole(group < 0))

    @classmethod
    def sparse(cls, problem: Problem) -> Null:
        """Return it for a start: half of all picks unrelated, lying any way."""
        pole = problem.background.pole(np.zeros(len(problem.picks), dtype=bool))
        return cls(float(np.log(0.5 * (len(pole) + 1) / problem.course.length)), pole)


def sheet_of(problem: Problem, rows: Ints, believed: Bools, normal: Floats) -> Sheet:
    """Return the sheet through picks, gently curved where that makes them more probable."""
    key = (rows.tobytes(), believed[rows].tobytes(), normal.tobytes())
    return problem.memo.sheet(key, lambda: _sheet_of(problem, rows, believed, normal))


def _sheet_of(problem: Problem, rows: Ints, believed: Bools, normal: Floats) -> Sheet:
    flat = fitted(problem.picks[rows], believed[rows], problem.habit, normal)
    if hole_count(problem, rows) < FEWEST_FOR_CURVATURE:
        return flat
    curved = bent(flat)
    return curved if curved.evidence > flat.evidence + CURVATURE_ODDS else flat


def raw_worth(problem: Problem, sheet: Sheet, rows: Ints, believed: Bools, null: Null) -> float:
    """Return the log probability of a fault: of its readings, of which orientations are lost, of its crossings."""
    picks = problem.picks
    angular = picks.oriented[rows] | picks.cone_only[rows]
    lost = problem.lost[rows]
    orientation = np.where(believed[rows, PLANE], np.log1p(-lost), np.log(lost) + null.pole[rows])
    wrong = problem.habit.displaced
    fine = int(believed[rows, PLACE].sum())
    astray = fine * np.log1p(-wrong) + (len(rows) - fine) * np.log(wrong)
    logged, missed, _ = crossed(problem, sheet)
    further = len(rows) - logged
    crossing = _binomial(problem, logged, missed) + problem.zone_odds * further - problem.habit.zone_rate * logged
    seen = np.log(sheet.readings.pierce).sum() + orientation[angular].sum() + astray
    prior = np.log(problem.settings.faults) - (FEWEST_ODDS if logged <= problem.settings.least_holes else 0.0)
    return float(sheet.evidence + seen + crossing + prior)


def worth(raw: float, rows: Ints, null: Null) -> float:
    """Return the log odds of a fault against all its picks being unrelated."""
    return raw - float((null.place + null.pole[rows]).sum())


def crossed(problem: Problem, sheet: Sheet) -> tuple[int, int, tuple[Floats, float]]:
    """Return how many holes have the fault logged, how many miss it within its reach, and what reach that is."""
    return problem.memo.of("crossed", sheet, lambda: _count_crossed(problem, sheet))


def _count_crossed(problem: Problem, sheet: Sheet) -> tuple[int, int, tuple[Floats, float]]:
    _, first = np.unique(sheet.hole, return_index=True)
    members = sheet.readings.place[first]
    reach = reach_of(members, problem.settings.reach)
    cut = crossings(problem.course, sheet.centre, sheet.axes)
    missed = ~among(cut.hole, sheet.hole) & (nearest(cut.place, members) <= reach)
    return len(first), int(missed.sum()), (members, reach)


def _binomial(problem: Problem, logged: int, missed: int) -> float:
    """Return the log probability of which crossings are logged, their rate uncertain (beta-binomial)."""
    yes, no = LOGGED_WEIGHT * problem.settings.logged, LOGGED_WEIGHT * (1.0 - problem.settings.logged)
    return float(betaln(yes + logged, no + missed) - betaln(yes, no))


@shown
class View(NamedTuple):
    """Picks near a sheet as it sees them, whatever the unrelated ones are like."""

    which: Ints
    density: Floats  # log density (m, 4): all believed, not the orientation, not the place, neither
    angular: Bools  # picks with an orientation
    odds: Floats  # log odds of the hole having the fault logged, and of the angle at which it is met


BELIEVED = np.array([(True, True), (True, False), (False, True), (False, False)])
"""What is believed, place and orientation, in each column of a view's densities."""


def view_of(problem: Problem, sheet: Sheet) -> View:
    """Return the picks near a sheet as it sees them."""
    return problem.memo.of("view", sheet, lambda: seen_by(problem, sheet, _near(problem, sheet)))


def seen_by(problem: Problem, sheet: Sheet, which: Ints) -> View:
    """Return the given picks as a sheet sees them, each judged by the members in other holes."""
    picks = problem.picks[which]
    seen, guess = sheet.guess(picks)
    miss = seen.value - guess.mean
    angular = picks.oriented | picks.cone_only
    lost, wrong = problem.lost[which], problem.habit.displaced
    fine, gone = np.where(angular, np.log1p(-lost), 0.0), np.where(angular, np.log(lost), -np.inf)
    density = np.empty((len(which), 4))
    for column, said in ((0, np.log1p(-wrong)), (2, np.log(wrong))):
        density[:, column] = said + fine + log_density(miss, guess.covariance)
        density[:, column + 1] = said + gone + _line_density(miss[:, 0], guess.covariance[:, 0, 0])
        guess.covariance[:, 0, 0] += (DISPLACED_M * seen.pierce) ** 2
    return View(which, density, angular, np.log(seen.pierce) + _chance(problem, sheet, picks, seen))


def gains_of(view: View, null: Null) -> tuple[Floats, Bools]:
    """Return the log odds of picks belonging to a sheet rather than to nothing, and what to believe of them, (m, 2).

    A member is judged by the picks of the other holes.
    """
    density = view.density - np.where(view.angular, null.pole[view.which], 0.0)[:, None] * BELIEVED[:, PLANE]
    most = density.max(axis=1)
    total = most + np.log(np.exp(density - most[:, None]).sum(axis=1))
    return total + view.odds - null.place, BELIEVED[np.argmax(density, axis=1)]


def _chance(problem: Problem, sheet: Sheet, picks: Picks, seen: Readings) -> Floats:
    """Return the log odds that a pick's hole has the fault logged, by how often the other holes have it."""
    logged, missed, (members, reach) = crossed(problem, sheet)
    own = among(picks.hole, sheet.hole)
    yes = LOGGED_WEIGHT * problem.settings.logged + logged - own
    no = LOGGED_WEIGHT * (1.0 - problem.settings.logged) + missed
    far = np.linalg.norm(seen.place[:, None] - members, axis=2)
    far = np.where(picks.hole[:, None] == np.unique(sheet.hole), np.inf, far).min(axis=1)
    inside = far <= reach
    return np.asarray(np.log(yes) - np.log(np.where(inside, np.maximum(no - ~own, 0.2), yes + no)))


def _line_density(miss: Floats, variance: Floats) -> Floats:
    return np.asarray(-0.5 * miss**2 / variance - 0.5 * np.log(2 * np.pi * variance))


def _near(problem: Problem, sheet: Sheet) -> Ints:
    """Return the picks that might belong to a sheet by their distance from its plane and how well that is known."""
    local, shared = offsets(problem.picks, sheet.centre, sheet.axes, problem.habit)
    level, variance = sheet.trend_at(local[:, :2])
    sigma = np.sqrt(variance + shared**2 + problem.habit.depth**2 + 2.0 * problem.habit.amplitude**2)
    return np.flatnonzero(np.abs(local[:, 2] - level) < np.maximum(GATE_SIGMA * sigma, GATE_M))


def hole_count(problem: Problem, rows: Ints) -> int:
    """Return in how many holes picks lie."""
    return len(set(problem.picks.hole[rows].tolist()))
