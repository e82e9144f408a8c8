"""Where faults might be: sets of picks grown from every oriented pick, all at once.

From each oriented pick and each of its most likely partners a plane is grown pick by pick. The plane is known with a
covariance that shrinks with each pick (a Kalman filter of three unknowns), so that a far pick is judged no more
strictly than what is known so far allows.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.lineup.picks import Picks
from desurvey.lineup.sheet import Habit, Readings, frame_of, log_density, readings
from desurvey.progress import Progress, followed, silent
from desurvey.ragged import offsets_of
from desurvey.shown import shown

__all__ = ["Candidates", "candidates", "through_places"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NEIGHBOURS = 250
"""Nearest picks looked at from a seed."""

NEIGHBOURS_OF_MANY = 140
"""The same among more than a thousand picks, where growth need only start a fault."""

PARTNERS = 6
"""First partners tried from a seed."""

LONGEST = 40
"""Picks after which growth stops; the grouping adds the rest."""

TOGETHER = 100_000
"""Pairs of a seed and a neighbour handled at once: bounds the memory, and is a fifth faster than four times as many."""


@shown
class Candidates(NamedTuple):
    """Sets of picks that might be one fault, the best first.

    Attributes
    ----------
    member : (c, m) bool array
        The picks of each set.
    normal : (c, 3) array
        Upward unit normal of its plane.
    score : (c,) array
        Log odds against all its picks being unrelated, before counting how many sets were tried.
    """

    member: Bools
    normal: Floats
    score: Floats


class _Growth(NamedTuple):
    mean: Floats  # (s, 3) offset and slopes
    covariance: Floats  # (s, 3, 3)
    member: Bools  # (s, n) of the neighbours
    taken: Bools  # (s, n) neighbours in a hole that has a member
    score: Floats  # (s,)


def candidates(
    picks: Picks,
    habit: Habit,
    null: Floats,
    odds: float,
    seeds: Bools | None = None,
    most: int = 4000,
    *,
    progress: Progress = silent,
) -> Candidates:
    """Return sets of picks that might be one fault.

    Parameters
    ----------
    picks : Picks
        m of them.
    habit : Habit
        How faults behave here; the waviness is taken as independent from pick to pick.
    null : (m,) array
        Log density of each pick's readings if it is unrelated (per metre of hole and radian).
    odds : float
        Log odds that a fault is logged where it is drilled through.
    seeds : (m,) bool array, optional
        Picks to grow from; all if not given.
    most : int
        Sets kept at most.
    progress : callable
        Told the share of the seeds that are done.
    """
    start = np.flatnonzero(picks.oriented if seeds is None else picks.oriented & seeds)
    if len(start) < 2:  # a plane needs an orientation to grow from, and a second pick
        return Candidates(np.zeros((0, len(picks)), dtype=bool), np.zeros((0, 3)), np.zeros(0))
    near = _neighbours(picks, start)
    partners = PARTNERS if len(start) <= 400 else 2
    size = max(1, TOGETHER // (near.shape[1] * partners))
    parts = [
        _grown(picks, habit, null, odds, start[i : i + size], near[i : i + size], partners)
        for i in followed(range(0, len(start), size), progress)
    ]
    member = np.concatenate([p.member for p in parts])
    normal = np.concatenate([p.normal for p in parts])
    score = np.concatenate([p.score for p in parts])
    order = np.argsort(-score, kind="stable")
    order = order[(score[order] > 0.0) & (member[order].sum(axis=1) >= 2)]
    _, first = np.unique(np.packbits(member[order], axis=1), axis=0, return_index=True)
    order = order[np.sort(first)][:most]
    return Candidates(member[order], normal[order], score[order])


TRIPLES = 6000
"""Planes through three places that are tried: all of 34 picks, a sample of more."""

KEPT = 200
"""Of them, the best that are kept."""


def through_places(picks: Picks, habit: Habit, null: Floats, odds: float, asked: Bools) -> Candidates:
    """Return sets of picks about planes through three places, for picks that have no orientation to grow from.

    Parameters as of :func:`candidates`; ``asked`` says which picks may take part. Every pick within three standard
    deviations of a plane, by its place and its alpha or orientation, is of the set, one a hole.
    """
    rows = np.flatnonzero(asked)
    triple = _triples(rows, picks.hole)
    first = picks.position[triple[:, 0]]
    normal = np.cross(picks.position[triple[:, 1]] - first, picks.position[triple[:, 2]] - first)
    size = np.linalg.norm(normal, axis=1)
    wide = size > WIDE_M**2
    if not wide.any():
        return Candidates(np.zeros((0, len(picks)), dtype=bool), np.zeros((0, 3)), np.zeros(0))
    triple, first, normal = triple[wide], first[wide], normal[wide] / size[wide, None]
    normal = np.where(normal[:, 2:] < 0.0, -normal, normal)
    along = np.abs(normal @ picks.tangent.T)  # (t, m)
    spread = np.einsum("ti,mij,tj->tm", normal, picks.position_covariance, normal)
    variance = habit.position_scale**2 * spread + 2.0 * habit.amplitude**2
    offset = normal @ picks.position.T - np.einsum("ti,ti->t", normal, first)[:, None]
    density = -0.5 * (offset**2 / variance + np.log(2 * np.pi * variance))
    turned = _angles(picks, habit, normal, along)
    score = density + turned + np.log(np.maximum(along, 0.02)) + odds - null
    score = np.where(asked & (offset**2 < 9.0 * variance), score, -np.inf)
    member = _best_of_holes(score, picks.hole) & (score > 0.0)
    total = np.where(member, score, 0.0).sum(axis=1) - np.log(habit.span) - np.log(2 * np.pi)
    order = np.argsort(-total, kind="stable")
    order = order[member[order].sum(axis=1) >= 3][: 4 * KEPT]
    _, unique = np.unique(np.packbits(member[order], axis=1), axis=0, return_index=True)
    order = order[np.sort(unique)][:KEPT]
    return Candidates(member[order], normal[order], total[order])


WIDE_M = 10.0
"""Square root of twice the area below which three places don't make a plane, metres."""


def _triples(rows: Ints, hole: Ints) -> Ints:
    """Return triples of picks of three holes: all of them, or an even sample."""
    count = len(rows)
    if count * (count - 1) * (count - 2) // 6 <= TRIPLES:
        triple = np.array(list(combinations(rows.tolist(), 3)), dtype=np.int64).reshape(-1, 3)
    else:
        triple = rows[np.random.default_rng(0).integers(count, size=(2 * TRIPLES, 3))]
    holes = np.sort(hole[triple], axis=1)
    return triple[np.all(holes[:, 1:] != holes[:, :-1], axis=1)][:TRIPLES]


def _angles(picks: Picks, habit: Habit, normal: Floats, along: Floats) -> Floats:
    """Return the log density of each pick's orientation or alpha, given planes, (t, m); 0 where it has neither."""
    out = np.zeros(along.shape)
    cone, oriented = picks.cone_only, picks.oriented
    variance = picks.alpha_sigma[cone] ** 2 + habit.scatter**2
    miss = np.arcsin(np.clip(along[:, cone], 0.0, 1.0)) - picks.alpha[cone]
    out[:, cone] = -0.5 * (miss**2 / variance + np.log(2 * np.pi * variance))
    size = np.trace(picks.pole_covariance[oriented], axis1=1, axis2=2) / 2.0 + habit.scatter**2
    angle = np.arccos(np.clip(np.abs(normal @ picks.normal[oriented].T), 0.0, 1.0))
    out[:, oriented] = -0.5 * angle**2 / size - np.log(2 * np.pi * size)
    return out


def _best_of_holes(score: Floats, hole: Ints) -> Bools:
    """Return which picks are the best of their hole in each row."""
    _, number, count = np.unique(hole, return_inverse=True, return_counts=True)
    begin = offsets_of(count)[:-1]
    best = np.maximum.reduceat(score[:, np.argsort(number, kind="stable")], begin, axis=1)
    return np.asarray(score == best[:, number])


def _neighbours(picks: Picks, seeds: Ints) -> Ints:
    """Return the nearest picks of each seed, itself first."""
    from scipy.spatial import KDTree  # spatial is slow to import and only the line-up needs it

    count = min(NEIGHBOURS if len(picks) <= 1000 else NEIGHBOURS_OF_MANY, len(picks))
    _, near = KDTree(picks.position).query(picks.position[seeds], k=count)
    near = near.reshape(len(seeds), count).astype(np.int64)
    at = np.argmax(near == seeds[:, None], axis=1)
    rows = np.arange(len(seeds))
    near[rows, at] = near[:, 0]
    near[:, 0] = seeds
    return near


def _grown(picks: Picks, habit: Habit, null: Floats, odds: float, seeds: Ints, near: Ints, partners: int) -> Candidates:
    count, width = near.shape
    axes = frame_of(picks.normal[seeds])
    flat = near.ravel()
    read = readings(picks[flat], np.repeat(picks.position[seeds], width, axis=0), np.repeat(axes, width, axis=0), habit)
    seen = Readings(*(a.reshape(count, width, *a.shape[1:]) for a in read))
    seen.noise[..., 0, 0] += habit.amplitude**2
    hole = picks.hole[near]
    reward = odds + np.log(seen.pierce) - null[near]
    growth = _start(seen, hole)
    gain = np.where(growth.taken, -np.inf, _gain(growth, seen) + reward)
    first = np.argpartition(-gain, min(partners, width) - 1, axis=1)[:, :partners]
    rows = np.repeat(np.arange(count), first.shape[1])
    growth = _rows(growth, rows)
    seen, hole, reward = Readings(*(a[rows] for a in seen)), hole[rows], reward[rows]
    growth = growth._replace(score=reward[:, 0].copy())
    growth = _joined(growth, seen, hole, first.ravel(), gain[rows, first.ravel()])
    live = np.arange(len(rows))
    for _ in range(LONGEST):
        part = _rows(growth, live)
        some = Readings(*(a[live] for a in seen))
        gain = np.where(part.taken, -np.inf, _gain(part, some) + reward[live])
        best = np.argmax(gain, axis=1)
        step = gain[np.arange(len(live)), best]
        going = step > 0.0
        if not going.any():
            break
        live = live[going]
        part, some = _rows(part, going), Readings(*(a[going] for a in some))
        moved = _joined(part, some, hole[live], best[going], step[going])
        for whole, new in zip(growth, moved, strict=True):
            whole[live] = new
    member = np.zeros((len(rows), len(picks)), dtype=bool)
    member[np.arange(len(rows))[:, None], near[rows]] = growth.member
    slopes = np.column_stack([-growth.mean[:, 1:], np.ones(len(rows))])
    normal = np.einsum("si,sij->sj", slopes, axes[rows])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    score = growth.score - np.log(habit.span) - np.log(2 * np.pi)
    return Candidates(member, np.where(normal[:, 2:] < 0.0, -normal, normal), score)


def _rows(growth: _Growth, rows: Ints | Bools) -> _Growth:
    return _Growth(
        growth.mean[rows], growth.covariance[rows], growth.member[rows], growth.taken[rows], growth.score[rows]
    )


def _start(seen: Readings, hole: Ints) -> _Growth:
    """Return the planes known from the seeds alone."""
    count, width = hole.shape
    member = np.zeros((count, width), dtype=bool)
    member[:, 0] = True
    return _Growth(np.zeros((count, 3)), seen.noise[:, 0].copy(), member, hole == hole[:, :1], np.zeros(count))


def _matrix(seen: Readings) -> Floats:
    """Return the coefficients of the readings on offset and slopes of a plane, (..., 3, 3)."""
    u, v = seen.place[..., 0], seen.place[..., 1]
    matrix = seen.rows.copy()
    matrix[..., 0, 1], matrix[..., 0, 2] = u, v
    return matrix


def _gain(growth: _Growth, seen: Readings) -> Floats:
    """Return the log density of every neighbour's readings given each plane, (s, n)."""
    matrix = _matrix(seen)
    half = np.matmul(matrix, growth.covariance[:, None])
    spread = np.matmul(half, np.swapaxes(matrix, -1, -2)) + seen.noise
    miss = seen.value - np.einsum("snij,sj->sni", matrix, growth.mean)
    return log_density(miss, spread)


def _joined(growth: _Growth, seen: Readings, hole: Ints, column: Ints, gain: Floats) -> _Growth:
    """Return the planes after one more pick each."""
    rows = np.arange(len(column))
    one = Readings(*(a[rows, column] for a in seen))
    matrix = _matrix(one)
    half = np.matmul(matrix, growth.covariance)
    spread = np.matmul(half, np.swapaxes(matrix, 1, 2)) + one.noise
    lift = np.swapaxes(np.linalg.solve(spread, half), 1, 2)
    mean = growth.mean + np.einsum("sij,sj->si", lift, one.value - np.einsum("sij,sj->si", matrix, growth.mean))
    covariance = growth.covariance - np.matmul(lift, half)
    covariance = 0.5 * (covariance + np.swapaxes(covariance, 1, 2))
    member = growth.member.copy()
    member[rows, column] = True
    taken = growth.taken | (hole == hole[rows, column][:, None])
    return _Growth(mean, covariance, member, taken, growth.score + gain)
