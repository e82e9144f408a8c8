"""How likely each run's readings are as logged, and under each blunder.

The density of one reading, given where its kind is expected to point, is a mixture: with probability 1 − stray a normal
law about the expected axis, else anything (uniform over the half sphere). The normal law lives in the two directions
in which alpha and beta move the pole::

    variance along alpha = scatter² + field + σα²          along beta = scatter² + field + (σβ cos α)²

*field* is what the expectation itself is unsure of; as a run's readings share it, each carries it as often as the run
has readings, so that the mean of the run is weighed exactly.

A roll by δ only moves beta, so the log likelihood of a run as a function of the total roll of its line, S(δ), comes
from one table over all δ. Every hypothesis is an average of exp S over what it says about the roll::

    as expected        δ near 0      normal, with the honest error of a line (σ_line, estimated from all runs)
    rock turned        δ near 0      the readings agree with one another about an axis of their own (:func:`turning`)
    line_side          δ near 180    the same about 180
    run_rolled         any δ         uniform outside ± SMALLEST_ROLL
    beta_reversed      δ near 0      with beta read anticlockwise
    alpha_complement   δ near 0      with 90 − alpha

Averaging makes the free roll pay for its freedom: where a plain blunder explains a run as well as a roll that
happens to match does, the plain one wins. With prior odds this gives the probability of each; "as logged" is the rock
as expected or turned. How often rock turns unforeseen is learnt with the share of blunders, from all runs.

Line offsets between runs multiply in: a run rolled by δ sits between an offset of +δ and one of −δ.

**Sign of a roll**: ``roll_deg`` is how many degrees clockwise, looking down the hole, the run's line sits from where it
should. Beta is read clockwise from the line, so true beta = logged beta + roll_deg.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import logit, logsumexp, ndtr, softmax

from desurvey import blunders
from desurvey.shown import shown
from desurvey.suspects.readings import Readings, Runs, groups

__all__ = [
    "BLUNDERS",
    "ROLLS",
    "Expectation",
    "Verdict",
    "density",
    "likeliest_roll",
    "log_area_ratio",
    "offset_table",
    "roll_table",
    "weigh",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLUNDERS = blunders.named("run")

STEP = 3
ROLLS: Floats = np.arange(-180.0, 180.0, STEP)
"""Trial rolls, degrees: finer than the half width that six readings can give one run's likelihood."""

SMALLEST_ROLL = 9.0
"""A smaller roll is the honest error of a line; offsets of 5–10° are kept (CHECK_VALUES section 5)."""

ROWS_AT_ONCE = 20_000
"""Readings weighed together against all rolls: bounds the memory to some 100 MB."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Expectation:
    """Where each reading is expected to point, as one or more sets of its kind.

    Attributes
    ----------
    along, line, side : (s, n) arrays
        The expected axes in the frame of each reading's core: along it, towards its line, a quarter turn on.
    variance : (s, n) array
        Natural scatter and doubt about the expectation, radians², in each direction.
    scatter : (s, n) array
        Natural scatter alone, radians².
    share : (s, n) array
        Share of each set among the readings of the kind; sums to 1 where there is an expectation, else 0.
    stray : (n,) array
        Share of readings that follow no set.
    alpha_sigma, beta_sigma : float
        Errors of reading the core angles, radians.
    """

    along: Floats
    line: Floats
    side: Floats
    variance: Floats
    scatter: Floats
    share: Floats
    stray: Floats
    alpha_sigma: float
    beta_sigma: float

    def take(self, rows: Ints) -> Expectation:
        """Return the expectation of some of the readings."""
        names = ("along", "line", "side", "variance", "scatter", "share")
        return replace(self, **{name: getattr(self, name)[:, rows] for name in names}, stray=self.stray[rows])

    def informed(self) -> Bools:
        """Return which readings have an expectation at all, (n,)."""
        return np.asarray(self.share.sum(axis=0) > 0)


def density(expected: Expectation, alpha: Floats, beta: Floats) -> Floats:
    """Return the density of readings on the half sphere, per steradian, shape (n, g).

    Parameters
    ----------
    expected : Expectation
        Of n readings.
    alpha : (n, 1) array
        Radians.
    beta : (n, g) array
        Trial values of beta, radians.
    """
    out = np.zeros(beta.shape)
    for member in range(len(expected.share)):
        out += expected.share[member][:, None] * _normal_law(expected, member, alpha, beta)
    stray = expected.stray[:, None]
    return np.asarray((1 - stray) * out + stray / (2 * np.pi))


def _normal_law(expected: Expectation, member: int, alpha: Floats, beta: Floats) -> Floats:
    along, line, side = (part[member][:, None] for part in (expected.along, expected.line, expected.side))
    sine, cosine = np.sin(alpha), np.cos(alpha)
    amplitude, phase = np.hypot(line, side), np.arctan2(side, line)
    turned = beta - phase
    radial = amplitude * np.cos(turned)
    square = np.abs(sine * along - cosine * radial)  # |cos| of the angle between pole and axis
    by_alpha = cosine * along + sine * radial
    by_beta = amplitude * np.sin(turned)
    far = np.hypot(by_alpha, by_beta)
    # The arc over its sine: the parts square to the pole become angles on the sphere.
    stretch = (np.arctan2(far, square) / np.maximum(far, 1e-12)) ** 2
    shared = expected.variance[member][:, None]
    alpha_variance = shared + expected.alpha_sigma**2
    beta_variance = shared + (expected.beta_sigma * cosine) ** 2
    exponent = -0.5 * stretch * (by_alpha**2 / alpha_variance + by_beta**2 / beta_variance)
    return np.asarray(np.exp(exponent) / (2 * np.pi * np.sqrt(alpha_variance * beta_variance)))


def log_area_ratio(alpha_deg: Floats, other_deg: Floats) -> Floats:
    """Return the log of cos(other) / cos(alpha): how the area of the sphere that a reading stands for changes.

    What was read are alpha and beta, so densities on the sphere are compared per square degree of those two, which
    covers cos α of it. Without this a complement that crowds steep readings about the core axis would look good.
    """
    cosine = np.cos(np.deg2rad(np.stack([other_deg, alpha_deg])))
    log = np.log(np.maximum(cosine, LEAST_COSINE))
    return np.asarray(log[0] - log[1])


LEAST_COSINE = np.sin(np.deg2rad(2.0))
"""Angles nearer to 90° than they can be read count as no nearer."""


def roll_table(readings: Readings, expected: Expectation, rolls_deg: Floats, run: Ints, runs: int) -> Floats:
    """Return the log likelihood of each run's readings for each roll of its line, (runs, g).

    Readings of run −1 and readings without an expectation do not count; a run without any has a row of zeros.
    """
    out = np.zeros((runs, len(rolls_deg)))
    rows = np.flatnonzero((run >= 0) & expected.informed())
    rolls = np.deg2rad(rolls_deg)
    for some in np.array_split(rows, max(1, -(-len(rows) // ROWS_AT_ONCE))):  # blocks, to bound the memory
        alpha, beta = np.deg2rad(readings.alpha_deg[some]), np.deg2rad(readings.beta_deg[some])
        logs = np.log(density(expected.take(some), alpha[:, None], beta[:, None] + rolls))
        order = np.argsort(run[some], kind="stable")
        present, first = np.unique(run[some][order], return_index=True)
        if len(present):
            out[present] += np.add.reduceat(logs[order], first, axis=0)
    return out


def offset_table(runs: Runs, sigma_deg: float) -> Floats:
    """Return the log likelihood of the line offsets of each run for each roll of its line, (r, len(ROLLS)).

    Parameters
    ----------
    runs : Runs
    sigma_deg : float
        Error of a line offset, the honest errors of the two lines in it included.

    Notes
    -----
    The neighbours are taken to sit where they should, so a share of the offsets is allowed to be anything: that of
    a rolled neighbour, or one that was read wrongly.
    """
    same_hole = runs.hole[1:] == runs.hole[:-1]
    below = np.append(np.where(same_hole, runs.line_offset[1:], np.nan), np.nan)
    above = np.where(np.append(False, same_hole), runs.line_offset, np.nan)
    return _offset_law(above[:, None] - ROLLS, sigma_deg) + _offset_law(below[:, None] + ROLLS, sigma_deg)


STRAY_OFFSETS = 0.15
"""Share of line offsets that say nothing: beside 5 % of rolled runs each has two, and some are misread."""


def _offset_law(misfit_deg: Floats, sigma_deg: float) -> Floats:
    misfit = (misfit_deg + 180.0) % 360.0 - 180.0
    normal = np.exp(-0.5 * (misfit / sigma_deg) ** 2) / (np.sqrt(2 * np.pi) * sigma_deg)
    logs = np.log((1 - STRAY_OFFSETS) * normal + STRAY_OFFSETS / 360.0) - np.log(1 / 360.0)
    return np.where(np.isfinite(misfit), logs, 0.0)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What the readings say about each run.

    Attributes
    ----------
    evidence : (r, 4) array
        Log likelihood ratio of each of ``BLUNDERS`` to "as logged".
    probability : (r, 5) array
        Of "as logged", the rock as expected or turning, and of each of ``BLUNDERS``.
    turned : (r,) array
        Probability that the run is as logged and the rock turns there.
    roll_deg, roll_sigma : (r,) arrays
        The likeliest roll and its standard deviation.
    line_sigma : float
        Honest error of a line, degrees, as estimated over all runs.
    turn_rate, blunder_rate : float
        Shares of the runs where the rock turns, and with a blunder, as estimated over all runs.
    """

    evidence: Floats
    probability: Floats
    turned: Floats
    roll_deg: Floats
    roll_sigma: Floats
    line_sigma: float
    turn_rate: float
    blunder_rate: float


def weigh(readings: Readings, expected: Expectation, offsets: Floats, line_deg: float) -> Verdict:
    """Return the verdict on every run.

    Parameters
    ----------
    readings, expected
        Of all holes.
    offsets : (r, len(ROLLS)) array
        What the line offsets say of each run: :func:`offset_table`.
    line_deg : float
        Honest error of a line as stated; used only where no run says what it is in this project.
    """
    table = roll_table(readings, expected, ROLLS, readings.run, len(offsets))
    informed = np.asarray(table.any(axis=1))
    line_sigma = _line_sigma(table[informed], line_deg)
    logs = _likelihoods(readings, expected, table, offsets, line_sigma)
    roll, sigma = likeliest_roll(table + offsets, line_sigma)
    chance, rates = _probability(logs, informed)
    probability = np.column_stack([chance[:, :2].sum(axis=1), chance[:, 2:]])
    return Verdict(logs[:, 2:] - logs[:, :1], probability, chance[:, 1], roll, sigma, line_sigma, *rates)


def would_show(
    readings: Readings, expected: Expectation, offsets: Floats, verdict: Verdict, sure: float, named: float
) -> Floats:
    """Return the chance that a line on the wrong side of a run would have been found, 0 to 1, (r,).

    Parameters
    ----------
    readings, expected, offsets, verdict
        As of :func:`weigh`; the runs should be as put right, or most of them right.
    sure, named : float
        Probability at which a run is accused, and the share of it that one blunder must have.

    Notes
    -----
    Each run is turned by 180°, with its line offsets, and weighed as it then stands, at the rates that were learnt.
    That is one draw of how its readings may scatter. Were they normal, the log odds L of others like it would have the
    mean L and the variance 2 L, and so the chance that they pass those of ``sure`` is a normal law's.
    """
    turned = readings.relogged(readings.alpha_deg, (readings.beta_deg + 180.0) % 360.0)
    offsets = np.roll(offsets, len(ROLLS) // 2, axis=1)
    table = roll_table(turned, expected, ROLLS, readings.run, len(offsets))
    logs = _likelihoods(turned, expected, table, offsets, verdict.line_sigma)
    posterior = logs + np.log(_prior(verdict.turn_rate, verdict.blunder_rate))
    odds = logsumexp(posterior[:, 2:], axis=1) - logsumexp(posterior[:, :2], axis=1)
    blame = softmax(posterior[:, 2:], axis=1).max(axis=1)
    chance = ndtr((odds - logit(sure)) / np.sqrt(2 * np.maximum(np.abs(odds), 1.0)))
    informed = np.asarray(table.any(axis=1))
    return np.asarray(np.where(informed & (blame > named), chance, 0.0))


def _likelihoods(
    readings: Readings, expected: Expectation, table: Floats, offsets: Floats, line_sigma: float
) -> Floats:
    """Return log likelihoods of each run: as expected, the rock turning, and each of ``BLUNDERS``; zeros if unknown."""
    count, both = len(offsets), table + offsets
    near = np.asarray(np.abs(ROLLS) <= 4 * line_sigma + STEP)
    whole = _near_weights(line_sigma)
    small = whole[near]
    free = np.asarray(np.abs(ROLLS) >= SMALLEST_ROLL, dtype=np.float64)
    columns = [_mean_log(both, whole), turning(readings, expected, count) + _mean_log(offsets, whole)]
    for row in map(blunders.BLUNDERS.__getitem__, BLUNDERS):
        if row.free:
            columns.append(_mean_log(both, free / free.sum()))
        elif np.isfinite(row.turn):
            columns.append(_mean_log(both, np.roll(whole, round(row.turn / STEP))))
        else:
            other = readings.relogged(*blunders.corrected(readings.alpha_deg, readings.beta_deg, row.name, 0.0))
            area = _per_run(readings, expected, log_area_ratio(readings.alpha_deg, other.alpha_deg), count)
            restated = roll_table(other, expected, ROLLS[near], other.run, count) + offsets[:, near]
            columns.append(_mean_log(restated + area[:, None], small))
    informed = np.asarray(table.any(axis=1))
    return np.where(informed[:, None], np.stack(columns, axis=1), 0.0)


def turning(readings: Readings, expected: Expectation, runs: int) -> Floats:
    """Return the log likelihood of each run's readings if the rock itself turns there, (r,).

    Notes
    -----
    The readings of a kind then share an axis of their own, with their natural scatter about it: anywhere (uniform over
    the half sphere) or, as likely, within some ``TURN`` of what is expected. The axis is averaged over by Laplace's
    approximation, exact for one reading. Or, as likely again, they share no axis and each points anywhere.
    """
    rows = np.flatnonzero((readings.run >= 0) & expected.informed())
    few, normal = expected.take(rows), readings.normal[rows]
    group = groups(readings.run[rows], readings.kind[rows])
    size = int(group.max(initial=-1)) + 1
    cosine = np.cos(np.deg2rad(readings.alpha_deg[rows]))
    reading = (expected.alpha_sigma**2 + (expected.beta_sigma * cosine) ** 2) / 2
    variance = (few.share * few.scatter).sum(axis=0) + reading
    belongs = np.ones(len(rows))
    for _ in range(AXIS_TURNS):
        tensor = normal[:, :, None] * normal[:, None, :] * belongs[:, None, None]
        sums = np.stack([np.bincount(group, column, size) for column in tensor.reshape(-1, 9).T], axis=1)
        axis = np.linalg.eigh(sums.reshape(size, 3, 3))[1][:, :, 2]
        normal_law = (1 - few.stray) * _about(normal, axis[group], variance)
        density_ = normal_law + few.stray / (2 * np.pi)
        belongs = np.maximum(normal_law / density_, 1e-3)
    known = 1 / np.bincount(group, belongs / variance, size)  # variance of the common axis
    along_core, to_line = readings.tangent[rows], readings.reference[rows]
    side = np.cross(along_core, to_line)
    near = np.zeros(size)
    _, first = np.unique(group, return_index=True)
    for along, line, across, share in zip(few.along, few.line, few.side, few.share, strict=True):
        place = (
            along[:, None] * readings.tangent[rows] + line[:, None] * readings.reference[rows] + across[:, None] * side
        )
        near += share[first] * _about(axis, place[first], known + TURN**2)
    common = np.bincount(group, np.log(density_), size) + np.log(2 * np.pi * known)
    common += np.log(0.5 * near + 0.5 / (2 * np.pi))
    each = -np.log(2 * np.pi) * np.bincount(group, minlength=size)
    return np.asarray(np.bincount(readings.run[rows][first], np.logaddexp(common, each) - np.log(2), runs), dtype=float)


TURN = np.deg2rad(25.0)
"""How far rock usually turns where it turns unforeseen (common practice, no source)."""

AXIS_TURNS = 3


def _about(normal: Floats, axis: Floats, variance: Floats) -> Floats:
    """Return the density per steradian of axes about others, as a normal law of the angle."""
    angle = np.arccos(np.minimum(np.abs(np.einsum("ij,ij->i", normal, axis)), 1.0))
    return np.asarray(np.exp(-0.5 * angle**2 / variance) / (2 * np.pi * variance))


def _per_run(readings: Readings, expected: Expectation, values: Floats, runs: int) -> Floats:
    """Return the sum of a value over each run's readings that have an expectation."""
    counts = (readings.run >= 0) & expected.informed()
    return np.asarray(np.bincount(readings.run[counts], values[counts], runs))


PRIOR_RATE = float(blunders.rates("run").sum())
"""Share of runs with a blunder before the data are seen, and ..."""
PRIOR_WEIGHT = 100.0
"""... how many runs that opinion is worth against what the project's own runs say."""


def _near_weights(sigma_deg: float) -> Floats:
    weights: Floats = np.exp(-0.5 * (ROLLS / sigma_deg) ** 2)
    return np.asarray(weights / weights.sum())


def _mean_log(logs: Floats, weights: Floats) -> Floats:
    """Return the log of the weighted mean of exp(logs) along rows."""
    with np.errstate(divide="ignore"):
        return np.asarray(logsumexp(logs + np.log(weights), axis=1))


def _line_sigma(table: Floats, stated_deg: float) -> float:
    """Return the honest error of a line that makes the readings of all runs likeliest, degrees.

    A run's likelihood is capped by that of the free roll, so that rolled runs do not widen it.
    """
    trial = np.array([1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0])
    if not len(table):
        return stated_deg
    free = _mean_log(table, np.full(len(ROLLS), 1 / len(ROLLS))) + np.log(PRIOR_RATE)
    score = [np.logaddexp(_mean_log(table, _near_weights(s)), free).sum() for s in trial]
    return float(trial[int(np.argmax(score))])


def _probability(logs: Floats, informed: Bools) -> tuple[Floats, tuple[float, float]]:
    """Return the probability of each hypothesis (as expected, turned, blunders), and the shares of the last two.

    The shares are learnt from the runs themselves. It is these that tell wrong lines from rock that turns: a turn lands
    anywhere, and few turns land where a blunder would; where many runs are off that no blunder explains, the others
    lose their force as well.
    """
    turn, wrong = TURN_RATE, PRIOR_RATE
    total = np.count_nonzero(informed) + PRIOR_WEIGHT
    for _ in range(RATE_TURNS):
        post = softmax(logs + np.log(_prior(turn, wrong)), axis=1)
        turn = float((post[informed, 1].sum() + TURN_RATE * PRIOR_WEIGHT) / total)
        wrong = float((post[informed, 2:].sum() + PRIOR_RATE * PRIOR_WEIGHT) / total)
    return np.asarray(post), (turn, wrong)


def _prior(turn: float, wrong: float) -> Floats:
    return np.concatenate([[1 - turn - wrong, turn], wrong * blunders.rates("run") / PRIOR_RATE])


TURN_RATE = 0.005
"""Share of runs where the rock turns unforeseen, before the data are seen; worth as many runs as the other opinion."""

RATE_TURNS = 30


def likeliest_roll(table: Floats, line_sigma: float) -> tuple[Floats, Floats]:
    """Return the likeliest roll of each run and its σ.

    The roll is the mean of the likelihood about its highest peak; σ is the spread about it of the *whole*
    likelihood, so that a run with a second peak as good admits that it does not know.
    """
    peak = np.argmax(table, axis=1)
    apart = (np.arange(len(ROLLS)) - peak[:, None] + len(ROLLS) // 2) % len(ROLLS) - len(ROLLS) // 2
    weights = np.exp(table - table.max(axis=1, keepdims=True))
    beside = weights * (np.abs(apart) <= PEAK_STEPS)
    mean = (beside * apart).sum(axis=1) / beside.sum(axis=1)
    spread = (weights * (apart - mean[:, None]) ** 2).sum(axis=1) / weights.sum(axis=1)
    roll = (ROLLS[peak] + STEP * mean + 180.0) % 360.0 - 180.0
    return roll, np.sqrt(STEP**2 * spread + line_sigma**2)


PEAK_STEPS = 15
"""Half width of a peak in steps of the trial rolls: 45°, beyond which lies another."""
