"""Runs that are wrong alike: those of a tool, a crew, a logger or a shift, or nearly all of a hole.

Two questions are asked of each group of runs.

*Is one plain blunder true of all of them?* A run that is as likely wrong as any says with its probability P of the
blunder what it thinks of that; q is the share of runs with it, of which P was made. If the whole group is so but for a
share ``SPOILT``, the log likelihood ratio to "as any other run" is::

    Σ log((1 − SPOILT) P / q + SPOILT)

so no run can say more for it than that its own blunder is explained, log 1/q, and a run that is surely right says no.
For a line turned far, by one angle for all, P / q is the likelihood of that turn over that of the run in all ways that
it may be, averaged over all angles.

*Does their line sit turned a little against that of the others?* (Two tools used in turn, one 8° off.) No single run
need be wrong enough to be accused. Each run's roll r_i ± s_i, with which its readings are likeliest, is a number that
scatters by the honest error of a line, τ, about a mean of its hole, ω, and of its group::

    r = a + c · (in the group) + hole + run          hole ~ N(0, ω²)     run ~ N(0, τ² + s²)

c and its σ follow by generalised least squares, τ and ω at their likeliest with the turn and without. What readings
are compared with is learnt from both groups, so only the difference between them can be told: the smaller is accused.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit, logsumexp

from desurvey import blunders
from desurvey.shown import shown
from desurvey.suspects.readings import Errors, Readings, Runs
from desurvey.suspects.weighing import BLUNDERS, ROLLS, Expectation, Verdict, likeliest_roll, roll_table

__all__ = ["HOLE", "Group", "put_right", "surest_group", "turn_left"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

HOLE = "hole_id"
"""The column by which the runs of a hole are one group."""

SURE = 0.99
"""Probability from which a group is accused."""

FEWEST = 4
"""Runs that must say something in a group, and outside it."""

SPOILT = 0.1
"""Share of a group's runs that may differ from it."""

LEAST_TURN = 4.0
"""Degrees; a smaller turn of a tool is no blunder (lines up to 5° apart are good: common practice, no source)."""

USUAL_TURN = 15.0
"""Degrees, 1 σ, of the turn of a tool that is turned, before it is seen (common practice, no source)."""

FARTHEST = 30.0
"""Degrees from the median of its group beyond which a run is wrong on its own, and left out."""


@shown
class Group(NamedTuple):
    """Runs that are wrong alike.

    Attributes
    ----------
    column, value : str
        What they share: a column of the runs' table, and the value in it. ``HOLE`` and the name of the hole.
    runs : (k,) int array
    others : int
        Runs that they were compared with.
    blunder : str
    turn_deg, turn_sigma : float
        Clockwise, looking down the hole, of where the line should be; NaN where the line isn't turned.
    evidence, probability : float
    """

    column: str
    value: str
    runs: Ints
    others: int
    blunder: str
    turn_deg: float
    turn_sigma: float
    evidence: float
    probability: float

    @property
    def scope(self) -> blunders.Scope:
        """Whether it is a whole hole or a group."""
        return "hole" if self.column == HOLE else "group"


def surest_group(
    readings: Readings, runs: Runs, expected: Expectation, verdict: Verdict, errors: Errors, known: list[Group]
) -> Group | None:
    """Return the group of runs that is most surely wrong alike, None where none is sure enough.

    Parameters
    ----------
    known : list of Group
        Found before, and put right in the readings: not asked again.
    """
    asked = {(group.column, group.value) for group in known}
    table = roll_table(readings, expected, ROLLS, readings.run, len(runs.hole))
    tells = np.asarray(table.any(axis=1))
    roll, sigma = likeliest_roll(table, 0.0)
    said, turned = _said(verdict), _said_of_turns(table, verdict)
    found: list[tuple[float, int, Group]] = []
    for column, labels in runs.labels.items():
        for value in np.unique(labels[labels != ""]).tolist():
            own, rest = (labels == value) & tells, (labels != value) & (labels != "") & tells
            if (column, value) in asked or min(own.sum(), rest.sum()) < FEWEST:
                continue
            if column != HOLE and own.sum() > rest.sum():
                continue  # there is no majority to measure it against
            answers = _plain(own, said, verdict, "hole" if column == HOLE else "group")
            if column != HOLE:
                answers += _turned(own, rest, roll, sigma, runs.hole, errors) + _turned_far(own, turned, roll, sigma)
            for blunder, turn, turn_sigma, evidence, odds in answers:
                which = np.flatnonzero(labels == value)
                others = int(rest.sum())
                group = Group(column, value, which, others, blunder, turn, turn_sigma, evidence, float(expit(odds)))
                found.append((round(odds, 3), -len(which), group))
    best = max(found, key=lambda one: one[:2], default=None)
    return best[2] if best is not None and best[2].probability > SURE else None


Answer = tuple[str, float, float, float, float]
"""Blunder, turn, its sigma, evidence, posterior log odds."""


def _said(verdict: Verdict) -> Floats:
    """Return what each run says for each of ``BLUNDERS`` being true of its group, (r, b)."""
    share = verdict.blunder_rate * blunders.rates("run") / blunders.rates("run").sum()
    return np.asarray(np.log((1 - SPOILT) * verdict.probability[:, 1:] / share + SPOILT))


def _plain(own: Bools, said: Floats, verdict: Verdict, scope: blunders.Scope) -> list[Answer]:
    """Return the blunders without a free turn that may be true of all runs of a group."""
    rate, out = dict(zip(blunders.named(scope), blunders.rates(scope), strict=True)), []
    for place, name in enumerate(BLUNDERS):
        row = blunders.BLUNDERS[name]
        likely = np.count_nonzero(verdict.probability[own, 1 + place] > 0.5)
        if name in rate and not row.free and likely >= FEWEST:
            evidence = float(said[own, place].sum())
            sigma = float(verdict.line_sigma / np.sqrt(own.sum())) if np.isfinite(row.turn) else float("nan")
            out.append((name, row.turn, sigma, evidence, evidence + float(logit(rate[name]))))
    return out


def _turned(own: Bools, rest: Bools, roll: Floats, sigma: Floats, hole: Ints, errors: Errors) -> list[Answer]:
    """Return the turn of a group's line against that of the others."""
    middle = np.where(own, np.median(roll[own]), np.median(roll[rest]))
    kept = (own | rest) & (np.abs(roll - middle) < FARTHEST)
    if min((kept & own).sum(), (kept & rest).sum()) < FEWEST:
        return []
    ones, inside = np.ones(int(kept.sum())), own[kept].astype(float)
    line = _Line(roll[kept], sigma[kept] ** 2, np.unique(hole[kept], return_inverse=True)[1], errors)
    (none, _, _), (some, turn, turn_variance) = line.fit(ones[:, None]), line.fit(np.stack([ones, inside], axis=1))
    rate = dict(zip(blunders.named("group"), blunders.rates("group"), strict=True))
    out = []
    for name in BLUNDERS:
        if blunders.BLUNDERS[name].free and name in rate and LEAST_TURN <= abs(turn) < FARTHEST:
            # No run can say more than that it is explained: it may be wrong on its own.
            most = -float(np.log(blunders.rates("run")[BLUNDERS.index(name)])) * inside.sum()
            evidence = min(some - none, most)
            odds = evidence - 0.5 * np.log1p(USUAL_TURN**2 / turn_variance) + logit(rate[name])
            out.append((name, turn, float(np.sqrt(turn_variance)), evidence, float(odds)))
    return out


def _said_of_turns(table: Floats, verdict: Verdict) -> Floats:
    """Return what each run says for each of ``ROLLS`` being that of its group, (r, g)."""
    apart = (ROLLS[:, None] - ROLLS + 180.0) % 360.0 - 180.0
    near = np.exp(-0.5 * (apart / verdict.line_sigma) ** 2)
    top = table.max(axis=1, keepdims=True)
    likely = np.log(np.maximum(np.exp(table - top) @ (near / near.sum(axis=0)), 1e-300)) + top
    as_logged = likely[:, np.argmin(np.abs(ROLLS))]
    expected = np.maximum(verdict.probability[:, 0] - verdict.turned, 1e-300)
    any_way = as_logged + np.log1p(-verdict.blunder_rate - verdict.turn_rate) - np.log(expected)
    return np.asarray(np.logaddexp(np.log(1 - SPOILT) + likely - any_way[:, None], np.log(SPOILT)))


def _turned_far(own: Bools, said: Floats, roll: Floats, sigma: Floats) -> list[Answer]:
    """Return the turn of a group's line where it is far, against what is expected of its runs."""
    far = np.abs(ROLLS) >= FARTHEST
    score = said[own][:, far].sum(axis=0)
    off = (roll - ROLLS[far][np.argmax(score)] + 180.0) % 360.0 - 180.0
    kept = own & (np.abs(off) < FARTHEST)
    if kept.sum() < max(FEWEST, own.sum() / 2):
        return []
    evidence = float(logsumexp(score) - np.log(far.sum()))
    turn = float(ROLLS[far][np.argmax(score)] + np.average(off[kept], weights=1 / (sigma[kept] ** 2 + LEAST_TURN**2)))
    spread = float(np.std(off[kept], ddof=1) / np.sqrt(kept.sum()))
    rate = dict(zip(blunders.named("group"), blunders.rates("group"), strict=True))
    names = [name for name in BLUNDERS if blunders.BLUNDERS[name].free and name in rate]
    return [(name, turn, spread, evidence, evidence + float(logit(rate[name]))) for name in names]


def turn_left(readings: Readings, runs: Runs, expected: Expectation, errors: Errors, group: Group) -> float:
    """Return how far the line of a group sits from that of the others, once put right, degrees.

    What a run is compared with is learnt without it, so its neighbours of the other tool count for more than their
    share, and a turn is at first taken for larger than it is.
    """
    table = roll_table(readings, expected, ROLLS, readings.run, len(runs.hole))
    tells, labels = table.any(axis=1), runs.labels[group.column]
    own, rest = (labels == group.value) & tells, (labels != group.value) & (labels != "") & tells
    roll, sigma = likeliest_roll(table, 0.0)
    kept = (own | rest) & (np.abs(roll) < FARTHEST)
    line = _Line(roll[kept], sigma[kept] ** 2, np.unique(runs.hole[kept], return_inverse=True)[1], errors)
    return line.fit(np.stack([np.ones(int(kept.sum())), own[kept].astype(float)], axis=1))[1]


class _Line(NamedTuple):
    """Rolls of runs with their variances and holes, to be fitted by a mean or two."""

    roll: Floats
    variance: Floats
    hole: Ints
    errors: Errors

    def fit(self, design: Floats) -> tuple[float, float, float]:
        """Return the largest log likelihood, and the last coefficient with its variance."""
        shared = np.rad2deg(self.errors.hole)
        return max(self._fitted(design, tau, omega) for tau, omega in product(TAUS, shared * HOLE_FACTORS))

    def _fitted(self, design: Floats, tau: float, omega: float) -> tuple[float, float, float]:
        """Return the same for given standard deviations; V⁻¹ = D⁻¹ less a term of rank one for each hole (Woodbury)."""
        weight = 1 / (self.variance + tau**2)
        by_hole = np.bincount(self.hole, weight)
        less = omega**2 / (1 + omega**2 * by_hole)
        columns = np.column_stack([design, self.roll])
        sums = np.stack([np.bincount(self.hole, weight * column) for column in columns.T], axis=1)
        product_ = (columns * weight[:, None]).T @ columns - (sums * less[:, None]).T @ sums
        normal, right = product_[:-1, :-1], product_[:-1, -1]
        best = np.linalg.solve(normal, right)
        volume = np.log1p(omega**2 * by_hole).sum() - np.log(weight).sum()
        score = -0.5 * (product_[-1, -1] - best @ right + volume)
        return float(score), float(best[-1]), float(np.linalg.inv(normal)[-1, -1])


TAUS = (1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 12.0)
HOLE_FACTORS = np.array([1.0, 2.0, 4.0])
"""Honest errors of a line that are tried, degrees, and of a hole, as multiples of the stated one."""


def put_right(readings: Readings, runs: Runs, group: Group) -> tuple[Readings, Runs]:
    """Return readings and line offsets as they should have been, were the group wrong alike."""
    inside = np.isin(np.arange(len(runs.hole)), group.runs)
    blunder = np.where(np.append(inside, False)[readings.run], group.blunder, "")
    alpha, beta = blunders.corrected(readings.alpha_deg, readings.beta_deg, blunder, group.turn_deg)
    turn = np.where(inside, np.nan_to_num(group.turn_deg), 0.0)
    step = turn - np.where(np.append(False, runs.hole[1:] == runs.hole[:-1]), np.roll(turn, 1), 0.0)
    return readings.relogged(alpha, beta), replace(runs, line_offset=(runs.line_offset - step + 180.0) % 360.0 - 180.0)
