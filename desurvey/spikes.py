"""Survey stations that stick out: a direction that neither neighbour shares, while the neighbours agree.

A station is compared with the direction between its two neighbours, on the sphere. A hole that bends for good also
leaves a station between two directions; so what is weighed is the whole neighbourhood, with the station and without::

    evidence = log p(sticks out) + Σ log p(neighbours, the station left out) − Σ log p(all three as surveyed)

Directions that run smoothly miss that between their neighbours by a normal error in two directions, whose size the
project's own stations give (from their median, which a few spikes can't move), with one station in ten three times
as far off. A spike may be off by anything (normal, σ 20°).
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from desurvey import blunders
from desurvey.shown import shown

__all__ = ["Spikes", "find_spikes"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SPIKE = np.deg2rad(20.0)
ROUGH_SHARE, ROUGH = 0.1, 3.0
LEAST_ERROR = np.deg2rad(0.4)
"""No survey is believed to run smoother than its own instrument reads (CHECK_VALUES section 5)."""

PRIOR_ODDS = float(logit(blunders.rates("station")[0]))
SURE = 0.99
"""Prior log odds of a station being a spike, and the probability at which one is accused."""

NEIGHBOURS = 0.5
"""How far neighbours may be out of line once the station is left out, as a share of its own miss."""

ROUNDS = 5
"""A spike makes its neighbours look odd: the worst of a neighbourhood goes first, then all are weighed again."""


@shown
class Spikes(NamedTuple):
    """Stations accused.

    Attributes
    ----------
    station : (k,) int array
        Row of the station.
    above, below : (k,) int arrays
        Rows of its neighbours.
    angle_deg : (k,) array
        Angle between the station's direction and the one between its neighbours.
    evidence, probability : (k,) arrays
        Log likelihood ratio, and posterior probability of a spike.
    """

    station: Ints
    above: Ints
    below: Ints
    angle_deg: Floats
    evidence: Floats
    probability: Floats


def find_spikes(hole: Ints, depth: Floats, tangent: Floats) -> Spikes:
    """Return the survey stations that stick out.

    Parameters
    ----------
    hole : (n,) int array
        Stations of one hole stand together, in order of depth.
    depth : (n,) array
        Metres.
    tangent : (n, 3) array
        Unit directions.
    """
    kept = np.arange(len(hole))
    found: list[tuple[npt.NDArray[Any], ...]] = []
    for _ in range(ROUNDS):
        evidence, miss = _weigh(hole[kept], depth[kept], tangent[kept])
        worst = _accused(evidence)
        if not worst.any():
            break
        place = np.flatnonzero(worst)
        found.append((kept[place], kept[place - 1], kept[place + 1], miss[place], evidence[place]))
        kept = kept[~worst]
    parts = [np.concatenate(column) for column in zip(*found, strict=True)] if found else [np.zeros(0)] * 5
    station, above, below = (part.astype(np.int64) for part in parts[:3])
    return Spikes(station, above, below, np.rad2deg(parts[3]), parts[4], expit(parts[4] + PRIOR_ODDS))


def _weigh(hole: Ints, depth: Floats, tangent: Floats) -> tuple[Floats, Floats]:
    """Return the evidence that each station sticks out (−inf where it has not two neighbours), and its miss."""
    count = len(hole)
    here = _miss(hole, depth, tangent, 1, 1)
    size = _error(here)
    before = _shifted(_miss(hole, depth, tangent, 1, 2), 1)  # of the station above, the one here left out
    after = _shifted(_miss(hole, depth, tangent, 2, 1), -1)
    smooth = np.nan_to_num(_smooth(here, size))
    ends = np.isnan(here)
    without = np.nan_to_num(_smooth(before, size)) + np.nan_to_num(_smooth(after, size))
    # A neighbour at the end of its hole has nothing to be compared with once the station is left out.
    above = np.where(np.isnan(before), 0.0, _shifted(smooth, 1))
    below = np.where(np.isnan(after), 0.0, _shifted(smooth, -1))
    spike = -0.5 * (here / SPIKE) ** 2 - np.log(2 * np.pi * SPIKE**2)
    evidence = spike + without - (smooth + np.nan_to_num(above) + np.nan_to_num(below))
    # A hole that turns for good leaves its neighbours out of line too: only where they agree does this one stick out.
    apart = np.fmax(before, after) > NEIGHBOURS * here
    return np.where(ends | apart, -np.inf, evidence) if count else here, here


def _miss(hole: Ints, depth: Floats, tangent: Floats, up: int, down: int) -> Floats:
    """Return the angle of each station to the direction between those ``up`` above and ``down`` below, NaN without."""
    row = np.arange(len(hole))
    above, below = np.maximum(row - up, 0), np.minimum(row + down, len(hole) - 1)
    whole = (row - up >= 0) & (row + down < len(hole)) & (hole[above] == hole) & (hole[below] == hole)
    span = np.where(whole, depth[below] - depth[above], 1.0)
    share = ((depth - depth[above]) / np.where(span > 0, span, 1.0))[:, None]
    between = (1 - share) * tangent[above] + share * tangent[below]
    across = np.linalg.norm(np.cross(tangent, between), axis=1)
    return np.where(whole, np.arctan2(across, np.einsum("ij,ij->i", tangent, between)), np.nan)


def _shifted(values: Floats, by: int) -> Floats:
    """Return the values of the row ``by`` above (negative: below), NaN past the ends."""
    out = np.full(len(values), np.nan)
    if by > 0:
        out[by:] = values[:-by]
    else:
        out[:by] = values[-by:]
    return out


def _error(miss: Floats) -> float:
    known = miss[np.isfinite(miss)]
    # Half of the squares of a two-dimensional normal error lie below 2 ln 2 σ².
    size = float(np.sqrt(np.median(known**2) / (2 * np.log(2)))) if len(known) else 0.0
    return max(size, float(LEAST_ERROR))


def _smooth(miss: Floats, size: float) -> Floats:
    def law(sigma: float) -> Floats:
        return np.asarray(np.exp(-0.5 * (miss / sigma) ** 2) / (2 * np.pi * sigma**2))

    return np.asarray(np.log((1 - ROUGH_SHARE) * law(size) + ROUGH_SHARE * law(ROUGH * size) + 1e-300))


def _accused(evidence: Floats) -> Bools:
    """Return which stations are surely spikes and the worst of their neighbourhood."""
    sure = evidence + PRIOR_ODDS > logit(SURE)
    padded = np.concatenate([[-np.inf], evidence, [-np.inf]])
    return np.asarray(sure & (evidence >= padded[:-2]) & (evidence > padded[2:]))
