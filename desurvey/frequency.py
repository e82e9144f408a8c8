"""How often the planes of a set are met, and how far apart they stand, whatever way the holes run.

The frequency λ of a set is the number of its planes a metre along its mean pole; the spacing is 1/λ. A hole at the
angle α to a plane meets such planes in proportion to sin α, so each met counts for 1/sin α (Terzaghi 1965), but for no
more than 1/sin 20°: no weight makes up for planes that were never met. What that cap and the blind zone lose is put
right in the length of core instead. Over core of direction t, weights add up to λ c(t) a metre, where

    c(t) = E[min(1, |n · t| / sin 20°)]

over the normals n of the set (Fisher's law about its mean), so that λ = Σ w / ∫ c ds. Core at a fair angle to the set
counts whole, core along its planes for little.

The interval is that of a weighted sum of Poisson counts (Fay & Feuer 1997; for even weights Garwood's exact one). A
plane more would have the greatest weight that the set can have in this core. Its variance grows where holes differ by
more than chance, and with what isn't known of c: the mean pole and the scatter of the set. A set that most of the core
runs along therefore has a wide interval, and one that no core can meet has no upper end.

Planes are taken to be small against the distances of the holes: one great plane met by ten holes is one, not ten.

References
----------
Terzaghi (1965), Géotechnique 15, 287–304. Fay & Feuer (1997), Statistics in Medicine 16, 791–801; Garwood (1936),
Biometrika 28, 437–442; Fisher, Lewis & Embleton (1987), Statistical Analysis of Spherical Data: the interval of κ (all
three from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from desurvey import sphere
from desurvey.ragged import last_at_or_above
from desurvey.shown import shown
from desurvey.traces import Traces

__all__ = ["Cored", "Law", "Rate", "core_of", "domains_at", "law_of", "rate_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Strings = npt.NDArray[np.str_]

LONGEST_M = 10.0
"""Pieces of core are cut to this length where nothing else cuts them: holes bend little in it."""

PROBABILITY = 0.95
RINGS, AROUND = 24, 24
"""Normals that stand for the law of a set: quantiles of the angle to its mean, and directions around."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Cored:
    """Pieces of core in which structures could be logged.

    Attributes
    ----------
    hole : (p,) int array
        Index of the hole.
    depth : (p,) array
        Of the middle, metres.
    length : (p,) array
        Metres of core in it: what was recovered.
    tangent : (p, 3) array
        Direction of the hole there.
    """

    hole: Ints
    depth: Floats
    length: Floats
    tangent: Floats

    def part(self, chosen: Bools) -> Cored:
        """Return some of the pieces."""
        return Cored(self.hole[chosen], self.depth[chosen], self.length[chosen], self.tangent[chosen])


@shown
class Law(NamedTuple):
    """How the poles of a set lie: Fisher's law of poles folded about their mean.

    Attributes
    ----------
    mean : AxialMean
        Mean pole with its elliptical cone of 95 %.
    kappa, kappa_low, kappa_high : float
        Fisher's κ = (n − 1)/(n − R), n the effective number, with its 95 % interval; NaN for fewer than two poles.
    """

    mean: sphere.AxialMean
    kappa: float
    kappa_low: float
    kappa_high: float


class Rate(NamedTuple):
    """Planes a metre along the mean pole with the ends of the 95 % interval, and the share of core that is blind."""

    frequency: float
    low: float
    high: float
    blind: float


def core_of(traces: Traces, drilled: Bools, runs: pd.DataFrame, cuts: pd.DataFrame | None = None) -> Cored:
    """Return the core of the drilled holes in pieces.

    Parameters
    ----------
    traces : Traces
    drilled : (H,) bool array
        Holes that are meant.
    runs : pandas.DataFrame
        Core runs: ``hole_id``, ``depth_from``, ``depth_to``, ``recovered``. A hole without any was cored whole.
    cuts : pandas.DataFrame, optional
        Intervals at whose ends pieces are cut besides.
    """
    run_hole, tops, bottoms = _placed(traces, drilled, runs)
    marks = [(run_hole, tops), (run_hole, bottoms)]
    if cuts is not None:
        cut_hole, first, last = _placed(traces, drilled, cuts)
        marks += [(cut_hole, first), (cut_hole, last)]
    steps = np.ceil(np.where(drilled, traces.end, 0.0) / LONGEST_M).astype(np.int64)
    step_hole = np.repeat(np.arange(len(steps)), steps)
    number = np.arange(len(step_hole)) - np.repeat(np.cumsum(steps) - steps, steps)
    which = np.flatnonzero(drilled)
    marks += [(step_hole, number * LONGEST_M), (which, traces.end[which])]
    hole, depth = (np.concatenate([pair[i] for pair in marks]) for i in (0, 1))
    hole, depth = np.unique(np.stack([hole, np.minimum(depth, traces.end[hole])]), axis=1)
    piece = np.flatnonzero((np.diff(hole) == 0) & (np.diff(depth) > 1e-9))
    hole, middle, length = hole[piece].astype(np.int64), (depth[piece] + depth[piece + 1]) / 2, np.diff(depth)[piece]
    length = length * _recovered(traces, drilled, runs, hole, middle)
    kept = length > 0.0
    hole, middle, length = hole[kept], middle[kept], length[kept]
    return Cored(hole, middle, length, traces.at(hole, middle).tangent)


def domains_at(traces: Traces, cuts: pd.DataFrame, hole: Ints, depth: Floats) -> Strings:
    """Return the domain at places on holes, (n,), "" where no interval says one.

    Parameters
    ----------
    traces : Traces
    cuts : pandas.DataFrame
        ``hole_id``, ``depth_from``, ``depth_to``, ``domain``; the last that begins above a place counts.
    hole, depth : (n,) arrays
        Index of the hole, −1 for none, and metres.
    """
    everywhere = np.ones(len(traces.hole_ids), dtype=bool)
    cut_hole, top, bottom, domain = _placed(traces, everywhere, cuts, "domain")
    if not len(cut_hole):
        return np.full(len(hole), "", dtype=np.str_)
    place = last_at_or_above(cut_hole, top, hole, depth)
    inside = (place >= 0) & (depth <= bottom[place])
    return np.where(inside, domain.astype(np.str_)[place], "")


def _placed(traces: Traces, drilled: Bools, table: pd.DataFrame, *more: str) -> tuple[npt.NDArray[Any], ...]:
    """Return hole, top, bottom and further columns of intervals of the holes that are meant, sorted."""
    hole = traces.index(table["hole_id"].to_numpy(dtype=np.str_))
    top, bottom = (table[name].to_numpy(dtype=float) for name in ("depth_from", "depth_to"))
    use = np.flatnonzero((hole >= 0) & (bottom > top) & (top >= 0.0))
    use = use[drilled[hole[use]]]
    use = use[np.lexsort((top[use], hole[use]))]
    return hole[use], top[use], bottom[use], *(table[name].to_numpy()[use] for name in more)


def _recovered(traces: Traces, drilled: Bools, runs: pd.DataFrame, hole: Ints, depth: Floats) -> Floats:
    """Return the share of each place that is core: 1 in holes without runs, 0 between runs."""
    share = (runs["recovered"] / (runs["depth_to"] - runs["depth_from"])).fillna(1.0).clip(0.0, 1.0)
    run_hole, top, bottom, share_of = _placed(traces, drilled, runs.assign(share=share), "share")
    if not len(run_hole):
        return np.ones(len(hole))
    run = last_at_or_above(run_hole, top, hole, depth)
    inside = (run >= 0) & (depth <= bottom[run])
    return np.where(inside, share_of[run], np.where(np.isin(hole, run_hole), 0.0, 1.0))


def law_of(poles: Floats, weights: Floats) -> Law:
    """Return mean pole and scatter of the members of a set.

    Parameters
    ----------
    poles : (n, 3) array
        The sign of each is of no effect; of none nothing is known.
    weights : (n,) array
        Weights > 0; n counts as their effective number.

    Notes
    -----
    2 (n − R) κ has the χ² law with 2 (n − 1) degrees of freedom.
    """
    if not len(poles):
        nothing = sphere.AxialMean(np.full(3, np.nan), np.nan, np.full(2, np.nan), np.full((2, 3), np.nan), 0.0)
        return Law(nothing, np.nan, np.nan, np.nan)
    mean = sphere.axial_mean(poles, weights)
    number = mean.number
    side = sphere.folded(poles, mean.axis)
    total = (weights[:, None] * side).sum(axis=0) / weights.sum()
    lost = number * (1.0 - float(np.linalg.norm(total)))
    if number <= 1.0 + 1e-9 or lost <= 0.0:
        return Law(mean, np.nan, np.nan, np.nan)
    low, high = (float(stats.chi2.ppf((1.0 + end * PROBABILITY) / 2, 2 * (number - 1.0))) for end in (-1, 1))
    return Law(mean, (number - 1.0) / lost, low / (2 * lost), high / (2 * lost))


def rate_of(law: Law, core: Cored, hole: Ints, weights: Floats, oriented: float = 1.0) -> Rate:
    """Return how often the planes of a set are met along their mean pole.

    Parameters
    ----------
    law : Law
        Of the set.
    core : Cored
        All core in which its planes could be met.
    hole : (n,) int array
        Of each plane that was met in it; may be empty.
    weights : (n,) array
        Terzaghi's weight of each.
    oriented : float
        Share of all planes of the kind that have an orientation, by which the length of core counts less.
    """
    total = core.length.sum() * oriented
    if not total > 0.0:
        return Rate(np.nan, np.nan, np.nan, np.nan)
    # directions that are alike to half a degree are worked out once
    tangent, place = np.unique(core.tangent.round(2), axis=0, return_inverse=True)
    tangent = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
    by_tangent = oriented * np.bincount(place.ravel(), core.length, len(tangent)).astype(np.float64)
    normals = _true_normals(law.mean.axis, law.kappa, tangent, by_tangent)
    seen = _seen(tangent, normals)
    length = float(seen @ by_tangent)
    met = np.abs(tangent @ law.mean.axis)
    limit = np.sin(np.deg2rad(sphere.TERZAGHI_CAP_DEG))
    blind = float(by_tangent[met < limit].sum() / total)
    known = float(weights.sum())
    between = _between_holes(core.hole, core.length * oriented * seen[place.ravel()], hole, weights)
    unsure = _unsure(law, tangent, by_tangent, length)
    variance = max(float(np.sum(weights**2)), between) + (known * unsure) ** 2
    largest = 1.0 / np.maximum(np.abs(tangent @ normals.T), limit).min()
    low, high = _gamma_interval(known, variance, float(largest))
    return Rate(known / length, low / length, high / length, blind)


def _normals(axis: Floats, kappa: float) -> Floats:
    """Return unit vectors (m, 3) that stand for Fisher's law about an axis; the axis alone where κ isn't known."""
    if not np.isfinite(kappa):
        return axis[None]
    below = (np.arange(RINGS) + 0.5) / RINGS
    cosine = np.maximum(1.0 + np.log1p(-below * -np.expm1(-2.0 * kappa)) / kappa, -1.0)
    turn = 2.0 * np.pi * (np.arange(AROUND) + 0.5) / AROUND
    one = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    one /= np.linalg.norm(one)
    around = np.cos(turn)[:, None] * one + np.sin(turn)[:, None] * np.cross(axis, one)
    sine = np.sqrt(np.maximum(1.0 - cosine**2, 0.0))
    return np.asarray((cosine[:, None, None] * axis + sine[:, None, None] * around).reshape(-1, 3))


def _seen(tangent: Floats, normals: Floats) -> Floats:
    """Return c of the module for each direction of core, (h,)."""
    limit = np.sin(np.deg2rad(sphere.TERZAGHI_CAP_DEG))
    return np.asarray(np.minimum(np.abs(tangent @ normals.T) / limit, 1.0).mean(axis=1))


def _true_normals(axis: Floats, kappa: float, tangent: Floats, by_tangent: Floats) -> Floats:
    """Return normals that stand for the law of which mean pole and κ as they were met are what this core shows.

    Capped weights lean away from the blind zone, and so do a mean and a scatter found with them. The law is moved until
    what the core would show of it is what it showed.
    """
    true_axis, true_kappa = axis, kappa
    if not np.isfinite(kappa):
        return axis[None]
    limit = np.sin(np.deg2rad(sphere.TERZAGHI_CAP_DEG))
    for _ in range(ROUNDS):
        normals = _normals(true_axis, true_kappa)
        shown_weight = by_tangent @ np.minimum(np.abs(tangent @ normals.T) / limit, 1.0)
        resultant = shown_weight @ normals / max(float(shown_weight.sum()), 1e-300)
        spread = float(np.linalg.norm(resultant))
        lean = resultant / spread - true_axis
        true_axis = axis - lean
        true_axis = true_axis / np.linalg.norm(true_axis)
        true_kappa = float(np.clip(kappa * true_kappa * (1.0 - spread), kappa / MOST_MOVED, kappa * MOST_MOVED))
    return _normals(true_axis, true_kappa)


ROUNDS = 10
"""Of moving the law; it is settled to a hundredth of its cone after five or six."""

MOST_MOVED = 4.0
"""Greatest factor by which κ is moved: beyond it the core shows too little of a set to say more."""


def _unsure(law: Law, tangent: Floats, by_tangent: Floats, length: float) -> float:
    """Return the relative 1 σ of the length that counts, from what isn't known of mean pole and κ."""
    if not np.isfinite(law.kappa):
        return 0.0

    def counted(axis: Floats, kappa: float) -> float:
        return float(_seen(tangent, _true_normals(axis, kappa, tangent, by_tangent)) @ by_tangent)

    away = np.deg2rad(np.nan_to_num(law.mean.cone_deg)) / np.sqrt(stats.chi2.ppf(PROBABILITY, 2))
    by_axis = [
        counted(np.cos(angle) * law.mean.axis + np.sin(angle) * towards, law.kappa)
        - counted(np.cos(angle) * law.mean.axis - np.sin(angle) * towards, law.kappa)
        for angle, towards in zip(away.tolist(), np.nan_to_num(law.mean.cone_axes), strict=True)
    ]
    sigmas = float(stats.norm.ppf((1.0 + PROBABILITY) / 2))
    by_kappa = (counted(law.mean.axis, law.kappa_low) - counted(law.mean.axis, law.kappa_high)) / sigmas
    return float(np.linalg.norm([*by_axis, by_kappa])) / 2 / length


def _between_holes(core_hole: Ints, seen: Floats, hole: Ints, weights: Floats) -> float:
    """Return the variance of Σ w that the holes' differences from one another show; 0 for fewer than two holes."""
    holes = int(core_hole.max()) + 1
    length = np.bincount(core_hole, seen, holes)
    met = np.bincount(hole, weights, holes)
    used = length > 0.0
    count = int(used.sum())
    if count < 2:
        return 0.0
    expected = met.sum() / length.sum() * length
    return float(np.sum((met - expected)[used] ** 2) * count / (count - 1))


def _gamma_interval(total: float, variance: float, largest: float) -> tuple[float, float]:
    """Return the 95 % interval of the mean of a weighted sum of Poisson counts (Fay & Feuer 1997).

    >>> [round(end, 3) for end in _gamma_interval(10.0, 10.0, 1.0)]  # Garwood's for a count of 10
    [4.795, 18.39]
    """
    tail = (1.0 - PROBABILITY) / 2
    low = stats.gamma.ppf(tail, total**2 / variance, scale=variance / total) if total > 0.0 else 0.0
    more, wider = total + largest, variance + largest**2
    return float(low), float(stats.gamma.isf(tail, more**2 / wider, scale=wider / more))
