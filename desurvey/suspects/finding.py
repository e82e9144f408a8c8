"""From a project to its suspects: whole holes first, then runs, then readings, then survey stations.

A hole that is wrong as a whole would make all of its runs look wrong, so it is put right (in memory) before runs are
weighed. What is accused at each step, and how false accusations are held down, is said in :mod:`desurvey.suspects`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.progress import Progress, part, silent
from desurvey.suspects.holes import HoleFindings, find_holes
from desurvey.suspects.learning import Sigmas, learn
from desurvey.suspects.readings import Readings, Runs
from desurvey.suspects.weighing import BLUNDERS, Expectation, Verdict, density, log_area_ratio

__all__ = ["Found", "corrected", "find", "reading_suspects", "run_suspects"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

FALSE_SHARE = 0.01
"""Share of false accusations that is accepted among the accused runs, as expected from their probabilities ..."""

LEAST_SURE = 0.9
"""... and the probability below which no run is accused whatever the share."""

LEAST_NAMED = 0.5
"""Share of a run's blame that its likeliest blunder must have: more than all others together."""


class Found(NamedTuple):
    """All that was found.

    Attributes
    ----------
    holes : HoleFindings
    expected : Expectation
        Of every reading.
    verdict : Verdict
        On every run.
    run, run_blunder : (k,) int arrays
        Runs accused, and of what (index into ``BLUNDERS``).
    reading, reading_blunder, reading_evidence : (j,) arrays
        Rows of single readings accused, and of what.
    """

    holes: HoleFindings
    expected: Expectation
    verdict: Verdict
    run: Ints
    run_blunder: Ints
    reading: Ints
    reading_blunder: Ints
    reading_evidence: Floats


def find(
    readings: Readings,
    runs: Runs,
    collar: Floats,
    north_offset_deg: float,
    sigmas: Sigmas,
    progress: Progress = silent,
) -> Found:
    """Weigh all holes, runs and readings.

    Parameters
    ----------
    readings, runs
        As logged.
    collar : (h, 3) array
        Collar of each hole, in the order of the codes in ``readings.hole``.
    north_offset_deg : float
        What the project adds to magnetic azimuths to get grid ones; 0 when it does not say.
    sigmas : pair of float
        Errors of reading alpha and beta, radians.
    progress : callable
        Told the share of the work that is done.
    """
    holes = find_holes(readings, collar, north_offset_deg, sigmas, part(progress, 0.0, HOLES_SHARE))
    _, expected, verdict = learn(holes.readings, runs, holes.lessons, sigmas, part(progress, HOLES_SHARE, 1.0))
    run, blunder = run_suspects(verdict)
    single, which, evidence = reading_suspects(holes.readings, expected, np.isin(readings.run, run))
    return Found(holes, expected, verdict, run, blunder, single, which, evidence)


HOLES_SHARE = 0.75
"""Share of the work that goes into whole holes: 69 to 94 % from 1,600 to 19,000 readings, and 27 holes to 60."""


def run_suspects(verdict: Verdict) -> tuple[Ints, Ints]:
    """Return the runs accused, surest first, and of which blunder.

    Notes
    -----
    Runs are taken in order of their probability of being as logged, as long as the mean of it over those taken (the
    expected share of false accusations, the Bayesian false discovery rate) stays below ``FALSE_SHARE``.
    """
    innocent = verdict.probability[:, 0]
    order = np.argsort(innocent, kind="stable")
    share = np.cumsum(innocent[order]) / np.arange(1, len(order) + 1)
    blame = verdict.probability[order, 1:]
    named = blame.max(axis=1, initial=0.0) > LEAST_NAMED * blame.sum(axis=1)
    taken = order[(innocent[order] <= 1 - LEAST_SURE) & named]
    return taken, np.argmax(verdict.probability[taken, 1:], axis=1)


READING_RATE = 0.005
"""Share of single readings with a blunder of their own (common practice, no source)."""

READING_SURE = 0.99
READING_BLUNDERS = ("beta_reversed", "alpha_complement")


def reading_suspects(readings: Readings, expected: Expectation, accused: Bools) -> tuple[Ints, Ints, Floats]:
    """Return single readings accused, of which blunder (index into ``BLUNDERS``), and the evidence.

    One reading can be anything, a stray, with the density of strays; only where a kind is told so sharply that a
    blunder explains the reading far better than a stray does is it accused.
    """
    rows = np.flatnonzero(expected.informed() & ~accused)
    few = expected.take(rows)
    logged = np.log(_reading_density(readings, few, rows, ""))
    logs = [logged + np.log(1 - READING_RATE)]
    for blunder in READING_BLUNDERS:
        alpha, _ = corrected(readings.alpha_deg[rows], readings.beta_deg[rows], blunder, 0.0)
        area = log_area_ratio(readings.alpha_deg[rows], alpha)
        likelihood = np.log(_reading_density(readings, few, rows, blunder))
        logs.append(likelihood + area + np.log(READING_RATE / len(READING_BLUNDERS)))
    table = np.stack(logs, axis=1)
    chance = np.exp(table - table.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    taken = np.flatnonzero(chance[:, 0] <= 1 - READING_SURE)
    best = np.argmax(table[taken, 1:], axis=1)
    evidence = table[taken, 1 + best] - np.log(READING_RATE / len(READING_BLUNDERS)) - logged[taken]
    codes = np.array([BLUNDERS.index(b) for b in READING_BLUNDERS])
    return rows[taken], codes[best], evidence


def _reading_density(readings: Readings, few: Expectation, rows: Ints, blunder: str) -> Floats:
    alpha, beta = corrected(readings.alpha_deg[rows], readings.beta_deg[rows], blunder, 0.0)
    return density(few, np.deg2rad(alpha)[:, None], np.deg2rad(beta)[:, None])[:, 0]


def corrected(
    alpha_deg: Floats, beta_deg: Floats, blunder: npt.ArrayLike, roll_deg: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Return the core angles that logged ones should have been, were the blunder true.

    Parameters
    ----------
    alpha_deg, beta_deg : (n,) arrays
        As logged.
    blunder : str or (n,) array of str
        A name of DESIGN.md section 5; those of the survey leave core angles as they are.
    roll_deg : float or (n,) array
        Degrees clockwise, looking down the hole, that the line sits from where it should; only for ``run_rolled``.

    Examples
    --------
    >>> corrected(np.array([30.0]), np.array([350.0]), "run_rolled", 20.0)
    (array([30.]), array([10.]))
    """
    blunder = np.asarray(blunder, dtype=np.str_)
    alpha = np.where(blunder == "alpha_complement", 90.0 - alpha_deg, alpha_deg)
    roll = np.select([blunder == "line_side", blunder == "run_rolled"], [180.0, np.nan_to_num(roll_deg)], 0.0)
    beta = np.where(blunder == "beta_reversed", -beta_deg, beta_deg) + roll
    return alpha, beta % 360.0
