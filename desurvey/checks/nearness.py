"""Holes that come so near each other that, for all that is known, they may have met."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from desurvey.checks.context import Context, Floats, Ints
from desurvey.checks.neighbours import pairs_within
from desurvey.problems import Finding, Rule, shortened
from desurvey.ragged import numbered
from desurvey.traces import Points

__all__ = ["RULES", "check_nearness"]

NEAR = Rule(
    "holes_too_near",
    "warning",
    "within their joint uncertainty two holes can be one place twice, or have met",
    "Check collars and surveys of both; keep the drill away from the older hole",
)

RULES = (NEAR,)

STEP_M = 10.0
"""Metres between the points at which holes are compared; between them the shortest way is worked out."""

FARTHEST_M = 25.0
"""Metres beyond which two holes are not near, however badly they are known."""


def check_nearness(context: Context) -> list[Finding]:
    """Return pairs of holes that pass within their joint uncertainty, each pair where it is worst.

    Only pairs that come nearer to each other than their collars are: holes fanned out from one pad start together.
    """
    traces = context.traces
    hole, depth = _points(traces.end)
    if len(traces.hole_ids) < 2:
        return []
    points = traces.at(hole, depth)
    first, second = _pairs(hole, points.position, traces.position[traces.offsets[:-1]])
    if not len(first):
        return []
    down, along = _nearest(points, first, second)
    one = _Ends(hole[first], (depth[first] + down).clip(min=0.0))
    other = _Ends(hole[second], (depth[second] + along).clip(min=0.0))
    apart = traces.at(*other).position - traces.at(*one).position
    distance = np.linalg.norm(apart, axis=1)
    limit = context.limits.near_sigmas * _sigma(context, one, other, apart / np.maximum(distance, 1e-9)[:, None])
    ratio = distance / np.maximum(limit, 1e-9)
    worst = _worst_of_pairs(one.hole, other.hole, ratio)
    names = traces.hole_ids
    return [
        context.whole(
            NEAR,
            "surveys",
            f"passes {distance[i]:.1f} m from '{shortened(names[other.hole[i]])}' at {other.depth[i]:.0f} m; "
            f"{context.limits.near_sigmas:g} σ of their distance are {limit[i]:.1f} m",
            str(names[one.hole[i]]),
            round(float(one.depth[i]), 1),
        )
        for i in worst[ratio[worst] < 1.0].tolist()
    ]


class _Ends(NamedTuple):
    """Points on holes: one end each of the shortest ways between two holes."""

    hole: Ints
    depth: Floats


def _sigma(context: Context, one: _Ends, other: _Ends, along: Floats) -> Floats:
    """Return the standard deviation of the distance of pairs of points, given the directions between them."""
    from desurvey import spread  # takes longer to import than all other checks, and most holes are far apart

    known = spread.project_spread(context.project, context.traces)
    covariance = known.at(*one).position + known.at(*other).position
    return np.asarray(np.sqrt(np.einsum("ni,nij,nj->n", along, covariance, along)))


def _nearest(points: Points, first: Ints, second: Ints) -> tuple[Floats, Floats]:
    """Return how far down either hole from a pair of points two holes are nearest, taken as straight for a step."""
    one, other = points.tangent[first], points.tangent[second]
    between = points.position[first] - points.position[second]
    cosine, down, along = (np.einsum("ni,ni->n", a, b) for a, b in ((one, other), (one, between), (other, between)))
    sine2 = np.maximum(1.0 - cosine**2, 1e-9)
    moved = ((cosine * along - down) / sine2).clip(-STEP_M, STEP_M)
    return moved, (along + cosine * moved).clip(-STEP_M, STEP_M)


def _points(end: Floats) -> tuple[Ints, Floats]:
    """Return hole and depth of points at even steps down every hole."""
    counts = np.floor(np.nan_to_num(end) / STEP_M).astype(np.int64).clip(min=0) + 1
    hole, number = numbered(counts)
    return hole, np.multiply(number, STEP_M, dtype=np.float64)


def _pairs(hole: Ints, position: Floats, collar: Floats) -> tuple[Ints, Ints]:
    """Return pairs of near points of different holes, the lower numbered hole first."""
    used = np.flatnonzero(np.isfinite(position).all(axis=1))
    if len(used) < 2:
        return used[:0], used[:0]
    pairs = used[pairs_within(position[used], FARTHEST_M)].reshape(-1, 2)
    pairs = pairs[hole[pairs[:, 0]] != hole[pairs[:, 1]]]
    first, second = np.sort(pairs, axis=1).T
    distance = np.linalg.norm(position[first] - position[second], axis=1)
    nearer = distance < np.linalg.norm(collar[hole[first]] - collar[hole[second]], axis=1) - STEP_M
    return first[nearer], second[nearer]


def _worst_of_pairs(first: Ints, second: Ints, ratio: Floats) -> Ints:
    """Return, for each pair of holes, the place of its worst pair of points."""
    order = np.lexsort([ratio, second, first])
    key = np.column_stack([first, second])[order]
    leads = np.ones(len(order), dtype=bool)
    leads[1:] = (key[1:] != key[:-1]).any(axis=1)
    return np.asarray(order[leads], dtype=np.int64)
