"""Learning what to expect of each reading from the others, and how much to trust each.

Expectation and trust need each other: the field of axes should not learn from wrong runs, and which runs are wrong is
judged against the field. They are found in turns, as in expectation–maximisation: fit the field, weigh the runs, let
each run teach with its probability of being right, and again.

Most kinds are one set: one axis everywhere, turning smoothly. Joints may be several. A kind that is badly told by one
field is tried with up to ``MOST_SETS`` fields at once, and as many are kept as predict readings best that had no part
in the prediction. A kind that follows no field (veins pointing anywhere) is left out: it says nothing of a line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from desurvey.progress import Progress, followed, part, silent
from desurvey.shown import shown
from desurvey.suspects import expectation
from desurvey.suspects.readings import Errors, Readings, Runs, groups
from desurvey.suspects.weighing import Expectation, Verdict, offset_table, weigh

__all__ = ["Lesson", "expect", "learn", "lessons_of", "relearn"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Sigmas = Errors

FEWEST = 30
"""Readings of a kind below which nothing is expected of it."""

MOST_SETS = 4

POOR_SCATTER = np.deg2rad(16.0)
POOR_STRAY = 0.15
"""One field tells a kind badly when the rest scatters more, or more readings stray: then several sets are tried."""

SET_GAIN = 0.05
"""Least gain in log density a reading for one set more."""

MOST_STRAY = 0.5
MOST_SCATTER = np.deg2rad(30.0)
"""A kind beyond these has no expectation worth the name."""

TURNS = 3
"""Times that fields and trust are found in turn; trust changes little after the second."""

LEAST_TRUST = 1e-4


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """What has been learnt of one kind: m readings in some nodes (a node is a run), s sets.

    Attributes
    ----------
    members, node : (m,) int arrays
        Rows of the readings, and the node of each.
    fields : tuple of Field
        One a set.
    scatter, share : (s,) arrays
        Natural scatter about the field, radians, and share of each set.
    stray : float
        Share of readings that follow no set.
    belongs : (s, m) array
        Probability that a reading belongs to a set.
    score : float
        Mean log density of a reading, each predicted without its own run.
    """

    members: Ints
    node: Ints
    fields: tuple[expectation.Field, ...]
    scatter: Floats
    share: Floats
    stray: float
    belongs: Floats
    score: float = -np.inf

    def tells(self) -> bool:
        """Return whether the kind has an expectation worth the name."""
        return self.stray < MOST_STRAY and bool(np.any(self.scatter < MOST_SCATTER))


def learn(
    readings: Readings, runs: Runs, lessons: list[Lesson], sigmas: Sigmas, progress: Progress = silent
) -> tuple[list[Lesson], Expectation, Verdict]:
    """Return what is expected of each reading, and the verdict on each run, by turns of the two."""
    trust = np.ones(len(readings.depth))
    offsets = offset_table(runs, float(np.rad2deg(sigmas.offset)))
    for turn in range(TURNS):
        step = part(progress, turn / TURNS, (turn + 1) / TURNS)
        if turn:
            lessons = [
                _study(lesson, readings, trust, sigmas, afresh=turn == 1)
                for lesson in followed(lessons, part(step, 0.0, 0.8))
            ]
        expected = expect(readings, lessons, sigmas)
        verdict = weigh(readings, expected, offsets, float(np.rad2deg(sigmas.line)))
        right = np.append(verdict.probability[:, 0], 1.0)  # the last is for readings of no run (−1)
        trust = right[readings.run]
        step(1.0)
    return lessons, expected, verdict


def lessons_of(readings: Readings, sigmas: Sigmas, progress: Progress = silent) -> list[Lesson]:
    """Return a first lesson on every kind that has an expectation, all readings being trusted."""
    node = readings.node()
    members = [np.flatnonzero(readings.kind == kind) for kind in np.unique(readings.kind)]
    members = [rows for rows in members if len(rows) >= FEWEST]
    done = np.append(0.0, np.cumsum([len(rows) for rows in members])) / max(sum(map(len, members)), 1)
    lessons = [
        _first(readings, rows, groups(node[rows]), sigmas, part(progress, *done[rank : rank + 2].tolist()))
        for rank, rows in enumerate(members)
    ]
    return [lesson for lesson in lessons if lesson.tells()]


def relearn(
    readings: Readings, lessons: list[Lesson], trust: Floats, sigmas: Sigmas, progress: Progress = silent
) -> list[Lesson]:
    """Return the lessons learnt afresh, each reading teaching as far as it is trusted (n,)."""
    return [_study(lesson, readings, trust, sigmas, afresh=True) for lesson in followed(lessons, progress)]


def _first(readings: Readings, members: Ints, node: Ints, sigmas: Sigmas, progress: Progress) -> Lesson:
    """Return a lesson with as many sets as predict best."""
    trust = np.ones(len(readings.depth))
    best = _begin(readings, members, node, 1)
    best = _study(best, readings, trust, sigmas, afresh=True)
    progress(0.1)
    if np.all(best.scatter < POOR_SCATTER) and best.stray < POOR_STRAY:
        return best
    for sets in range(2, MOST_SETS + 1):
        trial = _begin(readings, members, node, sets)
        for afresh in (True, False):
            trial = _study(trial, readings, trust, sigmas, afresh=afresh)
            progress(0.1 * (sets * (sets + 1) / 2 - (0.5 * sets if afresh else 0)))  # a study takes time for each set
        if trial.score < best.score + SET_GAIN:
            break
        best = trial
    return best


def _begin(readings: Readings, members: Ints, node: Ints, sets: int) -> Lesson:
    """Return a lesson not yet studied, its sets begun at the densest clusters of poles."""
    normal = readings.normal[members]
    some = normal[:: max(1, len(normal) // 600)]  # enough to see where the clusters are
    cosine = np.abs(some @ some.T)
    density = np.sum(np.exp((cosine**2 - 1) / CLUSTER_WIDTH), axis=1)
    near = np.empty((sets, len(normal)))
    for member in range(sets):
        centre = int(np.argmax(density))
        near[member] = np.exp(((normal @ some[centre]) ** 2 - 1) / CLUSTER_WIDTH)
        density = density * (cosine[centre] < CLUSTER_APART)
    belongs = near / (near.sum(axis=0) + 0.01) if sets > 1 else np.full((1, len(normal)), 0.98)
    return Lesson(members, node, (), np.full(sets, BEGIN_SCATTER), belongs.mean(axis=1), 0.02, belongs)


BEGIN_SCATTER = np.deg2rad(12.0)
CLUSTER_WIDTH = 2 * np.sin(np.deg2rad(15.0)) ** 2
CLUSTER_APART = np.cos(np.deg2rad(35.0))
"""How wide a cluster of poles is looked for, and how far the next must be."""


def _study(lesson: Lesson, readings: Readings, trust: Floats, sigmas: Sigmas, *, afresh: bool) -> Lesson:
    """Return the lesson studied again: fields (their parameters too if afresh), scatter, shares and strays."""
    belief = trust[lesson.members]
    fields = []
    for member in range(len(lesson.scatter)):
        nodes = _nodes(lesson, readings, lesson.belongs[member] * belief, lesson.scatter[member], sigmas)
        old = lesson.fields[member] if lesson.fields else None
        fields.append(expectation.fit(nodes, old) if afresh or old is None else old.refit(nodes))
    lesson = replace(lesson, fields=tuple(fields))
    square, doubt = _distances(lesson, readings)
    reading = _reading_variance(readings.alpha_deg[lesson.members], sigmas)
    return _sort(lesson, square, doubt + reading, belief)


def _nodes(lesson: Lesson, readings: Readings, weight: Floats, scatter: float, sigmas: Sigmas) -> expectation.Nodes:
    """Return the mean tensor of each node; a component scatters by √2 σ where the pole does by σ."""
    weight = np.maximum(weight, LEAST_TRUST)
    total = np.bincount(lesson.node, weight)
    mean = _node_means(expectation.tensors(readings.normal[lesson.members]), lesson.node, weight)
    position = _node_means(readings.position[lesson.members], lesson.node, weight)
    variance = scatter**2 + np.mean(_reading_variance(readings.alpha_deg[lesson.members], sigmas))
    hole = np.empty(len(total), dtype=np.int64)
    hole[lesson.node] = readings.hole[lesson.members]
    return expectation.Nodes(position, mean, 2 * variance / total, hole)


def _node_means(values: Floats, node: Ints, weight: Floats) -> Floats:
    total = np.bincount(node, weight)
    return np.stack([np.bincount(node, weight * column) / total for column in values.T], axis=1)


def _reading_variance(alpha_deg: Floats, sigmas: Sigmas) -> Floats:
    """Return what reading the angles adds to the scatter of a pole, mean of the two directions, radians²."""
    cosine = np.cos(np.deg2rad(np.nan_to_num(alpha_deg)))
    return np.asarray((sigmas[0] ** 2 + (sigmas[1] * cosine) ** 2) / 2)


def _distances(lesson: Lesson, readings: Readings) -> tuple[Floats, Floats]:
    """Return squared angles (s, m) of readings to their sets' axes without their own node, and the axes' variance."""
    normal = readings.normal[lesson.members]
    square, doubt = np.empty(lesson.belongs.shape), np.empty(lesson.belongs.shape)
    for member, field in enumerate(lesson.fields):
        axes = _expected_axes(field)
        cosine = np.abs(np.einsum("ij,ij->i", normal, axes.axis[lesson.node]))
        square[member] = np.arccos(np.minimum(cosine, 1.0)) ** 2
        doubt[member] = axes.variance[lesson.node]
    return square, doubt


def _expected_axes(field: expectation.Field) -> expectation.Axes:
    """Return the axis of each node foretold by the others; what varies from run to run is part of the doubt."""
    mean, variance = field.without_self()
    return expectation.axes_of(mean, variance + field.shape.nugget**2)


def _sort(lesson: Lesson, square: Floats, known: Floats, belief: Floats) -> Lesson:
    """Return the lesson with scatter, shares and strays at their likeliest (expectation–maximisation)."""
    scatter, share, stray = lesson.scatter, lesson.share / lesson.share.sum(), lesson.stray
    for _ in range(SORT_TURNS):
        variance = scatter[:, None] ** 2 + known
        normal = (1 - stray) * share[:, None] * np.exp(-0.5 * square / variance) / (2 * np.pi * variance)
        total = normal.sum(axis=0) + stray / (2 * np.pi)
        belongs = normal / total
        weight = belongs * belief
        members = weight.sum(axis=1) + 1e-9
        # The excess of each half square over what is known is weighed by how much it tells of the scatter.
        tells = weight / variance**2
        excess = np.sum(tells * (square / 2 - known), axis=1) / (tells.sum(axis=1) + 1e-9)
        scatter = np.sqrt(np.maximum(excess, LEAST_SCATTER**2))
        share = members / members.sum()
        stray = float((np.sum(belief) - members.sum() + STRAY_PRIOR[0]) / (np.sum(belief) + STRAY_PRIOR[1]))
    score = float(np.sum(belief * np.log(total)) / np.sum(belief))
    return replace(lesson, scatter=scatter, share=share, stray=stray, belongs=belongs, score=score)


SORT_TURNS = 15
LEAST_SCATTER = np.deg2rad(1.0)
STRAY_PRIOR = (1.0, 50.0)
"""Strays and readings assumed beforehand: 2 %, soon outweighed."""


def expect(readings: Readings, lessons: list[Lesson], sigmas: Sigmas) -> Expectation:
    """Return where each reading is expected to point, learnt without its own run."""
    sets = max((len(lesson.fields) for lesson in lessons), default=1)
    shape = (sets, len(readings.depth))
    along, line, side, share = (np.zeros(shape) for _ in range(4))
    variance, scatter, stray = np.ones(shape), np.ones(shape), np.ones(shape[1])
    for lesson in lessons:
        rows, count = lesson.members, np.bincount(lesson.node)
        stray[rows] = lesson.stray
        for member, field in enumerate(lesson.fields):
            axes = _expected_axes(field)
            core = readings.take(rows).in_core_frame(axes.axis[lesson.node])
            along[member, rows], line[member, rows], side[member, rows] = core
            shared = np.minimum(axes.variance * count, np.pi**2 / 4)[lesson.node]
            variance[member, rows] = lesson.scatter[member] ** 2 + shared
            scatter[member, rows] = lesson.scatter[member] ** 2
            share[member, rows] = lesson.share[member]
    share[:, ~np.isfinite(readings.alpha_deg + readings.beta_deg)] = 0.0
    return Expectation(along, line, side, variance, scatter, share, stray, sigmas.alpha, sigmas.beta)
