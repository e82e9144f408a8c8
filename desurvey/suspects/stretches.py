"""A hole's readings against the field learnt without the hole: the likelihood, its uncertainty along the hole included.

Along one hole the field of axes is unsure of itself in a way that changes slowly, so the readings of a hole must not be
counted as so many independent witnesses. The hole is cut into ``PARTS`` stretches; the field learnt without the hole
gives each an axis and all of them a joint covariance C. What is unknown, the shift f of the true axes from the
expected ones, has the prior N(0, C) and is taken at its likeliest with the curvature there (Laplace's approximation)::

    log p(readings) ≈ Σ log mixture(reading − f) − ½ fᵀ C⁻¹ f − ½ log det(I + C Λ)

Λ is what the readings themselves know of f. The mixture has a broad part for stray readings and for runs that are
wrong on their own, so one bad run does not condemn a hole.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown
from desurvey.suspects import expectation
from desurvey.suspects.learning import Lesson, Sigmas
from desurvey.suspects.readings import Readings

__all__ = ["Ground", "Stretches"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PARTS = 12
"""Stretches of a hole; shorter than any fold that could be followed from hole to hole."""

SPOILT = 0.06
"""Share of readings in runs that are wrong on their own, added to the kind's strays."""

SHIFT_TURNS = 6


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """One lesson seen hole by hole: which readings stand in which stretch, and each field without each hole."""

    lesson: Lesson
    rows: Ints
    stretch: Ints
    holes: int
    variance: Floats
    shared: float
    without: tuple[tuple[Floats, Floats], ...]

    @classmethod
    def of(cls, readings: Readings, lesson: Lesson, holes: int, sigmas: Sigmas) -> Stretches:
        """Cut holes into stretches of equal depth between their first reading of the kind and their last."""
        logged = np.isfinite(readings.alpha_deg[lesson.members] + readings.beta_deg[lesson.members])
        rows = lesson.members[logged]
        hole, depth = readings.hole[rows], readings.depth[rows]
        top, bottom = np.full(holes, np.inf), np.full(holes, -np.inf)
        np.minimum.at(top, hole, depth)
        np.maximum.at(bottom, hole, depth)
        part = np.floor((depth - top[hole]) / (bottom - top + 1.0)[hole] * PARTS).astype(np.int64)
        node_hole = np.zeros(int(lesson.node.max()) + 1, dtype=np.int64)
        node_hole[lesson.node] = readings.hole[lesson.members]
        cosine = np.cos(np.deg2rad(readings.alpha_deg[rows]))
        shares = np.bincount(lesson.node)[lesson.node][logged]  # readings that share the honest error of one line
        reading = (sigmas[0] ** 2 + (sigmas[1] ** 2 + shares * sigmas.line**2) * cosine**2) / 2
        without = tuple(field.dropping_groups(node_hole, holes) for field in lesson.fields)
        return cls(lesson, rows, hole * PARTS + part, holes, reading, sigmas.hole, without)

    def ground(self, position: Floats) -> list[Ground]:
        """Return what each set's field, learnt without each hole, expects along it, the readings lying at a place."""
        place = self._places(position[self.rows])
        return [Ground.of(f, w, place, self.shared) for f, w in zip(self.lesson.fields, self.without, strict=True)]

    def log_likelihood(self, readings: Readings, ground: list[Ground], doubt: float) -> Floats:
        """Return the log likelihood of each hole's readings, (h,)."""
        normal = readings.normal[self.rows]
        return self._likeliest([(g.residual(normal, self.stretch), g.covariance(doubt)) for g in ground])

    def summed(self, values: Floats) -> Floats:
        """Return the sum of a value over each hole's readings."""
        return np.asarray(np.bincount(self.stretch // PARTS, values[self.rows], self.holes))

    def _places(self, position: Floats) -> Floats:
        """Return a place for each stretch, (h, PARTS, 3): the mean of its readings, the hole's where it has none."""
        count = np.bincount(self.stretch, minlength=self.holes * PARTS)
        total = np.stack([np.bincount(self.stretch, c, len(count)) for c in position.T], axis=1)
        total, count = total.reshape(self.holes, PARTS, 3), count.reshape(self.holes, PARTS, 1)
        whole = total.sum(axis=1, keepdims=True) / np.maximum(count.sum(axis=1, keepdims=True), 1)
        return np.where(count > 0, total / np.maximum(count, 1), whole)

    def _likeliest(self, sets: list[tuple[Floats, Floats]]) -> Floats:
        """Return the evidence with the shifts at their likeliest (expectation–maximisation)."""
        lesson, size = self.lesson, self.holes * PARTS
        stray = min(lesson.stray + SPOILT, 0.9)
        shift = [np.zeros((size, 2)) for _ in sets]
        variance = lesson.scatter[:, None] ** 2 + self.variance
        height = (1 - stray) * lesson.share[:, None] / (2 * np.pi * variance)
        for turn in range(SHIFT_TURNS + 1):
            square = np.stack([((r - f[self.stretch]) ** 2).sum(axis=1) for (r, _), f in zip(sets, shift, strict=True)])
            normal = height * np.exp(-0.5 * square / variance)
            total = normal.sum(axis=0) + stray / (2 * np.pi)
            weight = normal / total / variance
            costs = np.zeros(self.holes)
            for member, (residual, covariance) in enumerate(sets):
                known = np.bincount(self.stretch, weight[member], size).astype(float)
                sums = [np.bincount(self.stretch, weight[member] * c, size) for c in residual.T]
                moment = np.stack(sums, axis=1).astype(float)
                if turn < SHIFT_TURNS:
                    shift[member] = _likeliest_shift(covariance, known, moment)
                else:
                    costs += _cost(covariance, known, moment, shift[member])
        return np.bincount(self.stretch // PARTS, np.log(total), self.holes) - costs


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Axes expected in the stretches of the holes, two directions square to each, and how unsure they are together.

    ``by_field`` and ``by_hole`` are covariances (h, 2P, 2P) of the angles along those directions: by what the field
    does not know, and by an honest error of the whole hole.
    """

    axis: Floats
    one: Floats
    two: Floats
    by_field: Floats
    by_hole: Floats

    @classmethod
    def of(cls, field: expectation.Field, without: tuple[Floats, Floats], place: Floats, shared: float) -> Ground:
        """Return what a field, learnt without each hole, expects at places (h, PARTS, 3) of its stretches.

        ``shared`` is the honest error that all readings of a hole share, radians.
        """
        shape = place.shape
        features, lost = field.features_at(place.reshape(-1, 3))
        features = features.reshape(*shape[:2], -1)
        weights, spread = without
        axes = expectation.axes_of((features @ weights).reshape(-1, 5), np.zeros(shape[0] * PARTS))
        covariance = features @ spread @ features.swapaxes(1, 2)
        covariance[:, np.arange(PARTS), np.arange(PARTS)] += lost.reshape(shape[:2])
        one, two = _square_to(axes.axis)
        frame = np.stack([one.reshape(shape), two.reshape(shape)], axis=2).reshape(shape[0], 2 * PARTS, 3)
        axis = np.repeat(axes.axis.reshape(shape), 2, axis=1)
        gap = np.repeat(axes.gap.reshape(shape[:2]), 2, axis=1)
        # How an error of the tensor, of one size in all components, turns two axes along two directions together.
        across = frame @ axis.swapaxes(1, 2)
        together = (frame @ frame.swapaxes(1, 2)) * (axis @ axis.swapaxes(1, 2)) + across * across.swapaxes(1, 2)
        together /= 2 * gap[:, :, None] * gap[:, None, :]
        moment = np.cross(axis, frame)  # a small turn of everything about any line
        by_hole = shared**2 * moment @ moment.swapaxes(1, 2)
        return cls(axes.axis, one, two, np.repeat(np.repeat(covariance, 2, axis=1), 2, axis=2) * together, by_hole)

    def covariance(self, doubt: float) -> Floats:
        """Return the joint covariance of the expected axes, radians², (h, 2P, 2P)."""
        joint = doubt * self.by_field + self.by_hole
        size = np.sqrt(np.maximum(np.einsum("hii->hi", joint), 1e-12))
        held = np.minimum(1.0, FARTHEST / size)
        return np.asarray(joint * held[:, :, None] * held[:, None, :])

    def residual(self, normal: Floats, stretch: Ints) -> Floats:
        """Return the angles from the axes of their stretches to poles, radians, (n, 2): the arc, laid flat."""
        one, two = self.one[stretch], self.two[stretch]
        cosine = np.einsum("ij,ij->i", normal, self.axis[stretch])
        flat = np.stack([np.einsum("ij,ij->i", normal, one), np.einsum("ij,ij->i", normal, two)], axis=1)
        sine = np.hypot(flat[:, 0], flat[:, 1])
        stretched = np.where(cosine < 0, -1.0, 1.0) * np.arctan2(sine, np.abs(cosine)) / np.maximum(sine, 1e-12)
        return np.asarray(flat * stretched[:, None])


FARTHEST = np.deg2rad(45.0)
"""Doubt about an axis beyond which it is not known at all."""


def _square_to(axis: Floats) -> tuple[Floats, Floats]:
    """Return two unit vectors square to each axis and to one another."""
    least = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    one = np.cross(axis, least)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    return one, np.cross(axis, one)


def _likeliest_shift(covariance: Floats, known: Floats, moment: Floats) -> Floats:
    """Return f = (C⁻¹ + Λ)⁻¹ m as C B⁻¹ m with B = I + Λ C, so that C need not be regular."""
    holes, size = covariance.shape[:2]
    both = np.repeat(known.reshape(holes, PARTS), 2, axis=1)
    system = np.eye(size) + both[:, :, None] * covariance
    return (covariance @ np.linalg.solve(system, moment.reshape(holes, size, 1))).reshape(-1, 2)


def _cost(covariance: Floats, known: Floats, moment: Floats, shift: Floats) -> Floats:
    """Return ½ fᵀ C⁻¹ f + ½ log det(I + C Λ) of each hole; at the likeliest f, C⁻¹ f = m − Λ f."""
    holes, size = covariance.shape[:2]
    both = np.repeat(known.reshape(holes, PARTS), 2, axis=1)
    flat = shift.reshape(holes, size)
    force = moment.reshape(holes, size) - both * flat
    _, volume = np.linalg.slogdet(np.eye(size) + both[:, :, None] * covariance)
    return np.asarray(0.5 * np.einsum("hi,hi->h", flat, force) + 0.5 * volume)
