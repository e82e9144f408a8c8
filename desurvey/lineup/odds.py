"""How sure a grouping is as a whole: each fault against chance and against a merger, and what may be a fault besides.

The search keeps the one partition that is most probable. Here its rivals are weighed with it: the same partition with
a fault's picks taken for unrelated ones, with two faults made one, and with a set of unrelated picks made a fault. Each
is a partition like any other, so the difference of the totals is the log posterior odds of the two readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from desurvey.lineup.grouping import sought
from desurvey.lineup.moves import lies_near, like_pairs, merged
from desurvey.lineup.partition import FOUND_BY_LOOKING, Grouping, trimmed
from desurvey.lineup.weighing import Null, Problem, gains_of, hole_count, raw_worth, seen_by
from desurvey.orient import dip_of_plane
from desurvey.shown import shown

__all__ = ["Merger", "Perhaps", "mergers", "perhaps"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LOOKED_AT = 12
"""Sets of unrelated picks that are weighed, the best by their growth."""

WORTH_SAYING = 0.02
"""Probability from which a set of unrelated picks is called a candidate."""


class Merger(NamedTuple):
    """Two faults read as one."""

    first: int
    second: int
    probability: float


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Perhaps:
    """Picks that may be a fault, but of which that can't be told.

    Attributes
    ----------
    name : str
        C1, C2, …
    rows : (n,) int array
        The picks.
    member : (n,) array
        Probability of each belonging to it, if it is a fault.
    probability : float
        That it is one.
    dip, dip_direction : float
        Degrees.
    """

    name: str
    rows: Ints
    member: Floats
    probability: float
    dip: float
    dip_direction: float


def mergers(problem: Problem, state: Grouping) -> tuple[Merger, ...]:
    """Return the pairs of faults that lie near each other and alike, with the probability that the two are one."""
    pairs = like_pairs(state) if len(state.sheets) > 1 else []
    near = [pair for pair in pairs if lies_near(problem, state, *pair)]
    trials = [merged(problem, state, *pair, best=None) for pair in near]
    return tuple(
        Merger(*pair, float(expit(trial.total - state.total)))
        for pair, trial in zip(near, trials, strict=True)
        if len(trial.sheets) == len(state.sheets) - 1
    )


def perhaps(problem: Problem, state: Grouping) -> tuple[Perhaps, ...]:
    """Return sets of unrelated picks that may be faults, the likeliest first, no pick in two."""
    if not state.null.any():
        return ()
    null, least = Null.of(problem, state.group), problem.settings.least_holes
    weighed = []
    found = sought(problem, null, state.null)
    for member, normal in zip(found.member[:LOOKED_AT], found.normal[:LOOKED_AT], strict=True):
        rows = np.flatnonzero(member & state.null)
        if hole_count(problem, rows) < least:
            continue
        rows, believed, sheet = trimmed(problem, rows, normal, null)
        if hole_count(problem, rows) < least:
            continue
        total = problem.background.total
        rest = state.null.copy()
        rest[rows] = False
        gain = raw_worth(problem, sheet, rows, believed, null) + total(rest) - total(state.null)
        inside = expit(gains_of(seen_by(problem, sheet, rows), null)[0])
        weighed.append((float(expit(gain - FOUND_BY_LOOKING)), rows, inside, sheet.axes[2]))
    out: list[Perhaps] = []
    for probability, rows, inside, normal in sorted(weighed, key=lambda one: -one[0]):
        if probability >= WORTH_SAYING and not any(np.isin(rows, one.rows).any() for one in out):
            dip, direction = (float(part) for part in dip_of_plane(normal))
            out.append(Perhaps(f"C{len(out) + 1}", rows, inside, probability, dip, direction))
    return tuple(out)
