"""From a project to its suspects: whole holes first, then runs, then readings, then survey stations.

A hole that is wrong as a whole would make all of its runs look wrong, so it is put right (in memory) before runs are
weighed. What is accused at each step, and how false accusations are held down, is said in :mod:`desurvey.suspects`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import softmax

from desurvey.blunders import BLUNDERS as BLUNDERS_BY_NAME
from desurvey.blunders import corrected, named, rates
from desurvey.progress import Progress, part, silent
from desurvey.shown import shown
from desurvey.suspects.alike import Group, put_right, surest_group, turn_left
from desurvey.suspects.holes import HoleFindings, find_holes
from desurvey.suspects.learning import Sigmas, learn
from desurvey.suspects.readings import Readings, Runs
from desurvey.suspects.weighing import BLUNDERS, Expectation, Verdict, density, log_area_ratio, offset_table, would_show

__all__ = ["Found", "find", "reading_suspects", "run_suspects"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LEAST_SURE = 0.9
"""Probability of a blunder below which no run is accused."""

LEAST_NAMED = 0.5
"""Share of a run's blame that its likeliest blunder must have: more than all others together."""


@shown
class Found(NamedTuple):
    """All that was found.

    Attributes
    ----------
    holes : HoleFindings
    groups : list of Group
        Runs that are wrong alike, of a tool or a crew, or of a whole hole.
    readings : Readings
        Those of holes and groups found wrong put right.
    expected : Expectation
        Of every reading.
    verdict : Verdict
        On every run.
    run, run_blunder : (k,) int arrays
        Runs accused, and of what (index into ``BLUNDERS``).
    reading, reading_blunder, reading_evidence, reading_probability : (j,) arrays
        Rows of single readings accused, of what (index into ``READING_BLUNDERS``), and how surely.
    would_show : (r,) array
        Chance that a line on the wrong side of a run would have been found.
    """

    holes: HoleFindings
    groups: list[Group]
    readings: Readings
    expected: Expectation
    verdict: Verdict
    run: Ints
    run_blunder: Ints
    reading: Ints
    reading_blunder: Ints
    reading_evidence: Floats
    reading_probability: Floats
    would_show: Floats


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
    sigmas : Errors
    progress : callable
        Told the share of the work that is done.
    """
    holes = find_holes(readings, collar, north_offset_deg, sigmas, part(progress, 0.0, HOLES_SHARE))
    readings, groups = holes.readings, list[Group]()
    lessons, expected, verdict = learn(readings, runs, holes.lessons, sigmas, part(progress, HOLES_SHARE, 1.0))
    while (group := surest_group(readings, runs, expected, verdict, sigmas, groups)) and len(groups) < MOST_GROUPS:
        readings, runs = put_right(readings, runs, group)
        lessons, expected, verdict = learn(readings, runs, lessons, sigmas)
        if BLUNDERS_BY_NAME[group.blunder].free:
            left = turn_left(readings, runs, expected, sigmas, group)
            readings, runs = put_right(readings, runs, group._replace(turn_deg=left))
            group = group._replace(turn_deg=group.turn_deg + left)
        groups.append(group)
    run, blunder = run_suspects(verdict)
    single = reading_suspects(readings, expected, np.isin(readings.run, run))
    offsets = offset_table(runs, float(np.rad2deg(sigmas.offset)))
    shows = would_show(readings, expected, offsets, verdict, LEAST_SURE, LEAST_NAMED)
    shows[run[blunder == BLUNDERS.index("line_side")]] = 1.0  # it did show
    return Found(holes, groups, readings, expected, verdict, run, blunder, *single, shows)


MOST_GROUPS = 12
"""Groups looked for: each is put right, and all is learnt anew, before the next."""


HOLES_SHARE = 0.75
"""Share of the work that goes into whole holes: 69 to 94 % from 1,600 to 19,000 readings, and 27 holes to 60."""


def run_suspects(verdict: Verdict) -> tuple[Ints, Ints]:
    """Return the runs accused, surest first, and of which blunder."""
    innocent = verdict.probability[:, 0]
    order = np.argsort(innocent, kind="stable")
    blame = verdict.probability[order, 1:]
    one = blame.max(axis=1, initial=0.0) > LEAST_NAMED * blame.sum(axis=1)
    taken = order[(innocent[order] <= 1 - LEAST_SURE) & one]
    return taken, np.argmax(verdict.probability[taken, 1:], axis=1)


READING_SURE = 0.99
READING_BLUNDERS = named("reading")


def reading_suspects(readings: Readings, expected: Expectation, accused: Bools) -> tuple[Ints, Ints, Floats, Floats]:
    """Return single readings accused, of which of ``READING_BLUNDERS``, the evidence and the probability of it.

    One reading can be anything, a stray, with the density of strays; only where a kind is told so sharply that a
    blunder explains the reading far better than a stray does is it accused.
    """
    rows = np.flatnonzero(expected.informed() & ~accused)
    few, alpha, beta = expected.take(rows), readings.alpha_deg[rows], readings.beta_deg[rows]
    logs = [_reading_density(few, alpha, beta)]
    for blunder in READING_BLUNDERS:
        right_alpha, right_beta = corrected(alpha, beta, blunder, 0.0)
        logs.append(_reading_density(few, right_alpha, right_beta) + log_area_ratio(alpha, right_alpha))
    table, prior = np.stack(logs, axis=1), rates("reading")
    chance = softmax(table + np.log(np.append(1 - prior.sum(), prior)), axis=1)
    taken = np.flatnonzero(chance[:, 0] <= 1 - READING_SURE)
    best = np.argmax(chance[taken, 1:], axis=1)
    return rows[taken], best, table[taken, 1 + best] - table[taken, 0], chance[taken, 1 + best]


def _reading_density(few: Expectation, alpha_deg: Floats, beta_deg: Floats) -> Floats:
    return np.asarray(np.log(density(few, np.deg2rad(alpha_deg)[:, None], np.deg2rad(beta_deg)[:, None])[:, 0]))
