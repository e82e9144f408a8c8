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

import dataclasses
from dataclasses import dataclass, replace

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

FEWEST = 5
"""Readings of a hole from which it can be judged as a whole."""

FORETOLD = np.deg2rad(14.0)
"""Most uncertainty of an axis, 1 σ, at which the other holes are said to foretell it."""

SHIFT_TURNS = 5


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
    of_hole: Ints
    without: tuple[tuple[Floats, Floats], ...]
    first: Ints = dataclasses.field(init=False)

    def __post_init__(self) -> None:
        """Note the first reading of each stretch; readings stand in the order of their stretches."""
        object.__setattr__(self, "first", np.flatnonzero(np.diff(self.stretch, prepend=-1)))

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
        of_hole = np.bincount(hole, minlength=holes)
        order = np.argsort(hole * PARTS + part, kind="stable")
        rows, hole, part, reading = rows[order], hole[order], part[order], reading[order]
        whole = cls(
            lesson, rows, hole * PARTS + part, holes, np.tile(reading, (len(without), 1)), sigmas.hole, of_hole, without
        )
        return whole._foretold(readings)

    def _foretold(self, readings: Readings) -> Stretches:
        """Return these with only the readings of which the other holes tell anything.

        What changes within a stretch is added to the variance of its readings. Where the axis is uncertain by more than
        ``FORETOLD`` a normal law about it would only say which attitudes are common: that accuses nobody.
        """
        position = readings.position[self.rows]
        ground = self.ground(readings.position)
        away = position - self._places(position).reshape(-1, 3)[self.stretch]
        count = np.maximum(np.bincount(self.stretch, minlength=self.holes * PARTS), 1)
        variance, doubt = self.variance.copy(), np.zeros(len(self.rows))
        for member, (field, below) in enumerate(zip(self.lesson.fields, ground, strict=True)):
            shape = field.shape
            square = np.bincount(self.stretch, ((away @ shape.warp.T) ** 2).sum(axis=1), len(count)) / count
            within = shape.swing**2 * (1 - expectation.correlation(np.sqrt(2 * square) / shape.reach))
            turn = (within / (2 * below.gap**2))[self.stretch]
            variance[member] += turn
            known = np.einsum("hii->hi", below.by_field)[:, ::2].ravel()[self.stretch] + turn
            doubt += self.lesson.share[member] * np.minimum(known, np.pi**2 / 4)
        told = doubt < FORETOLD**2
        return replace(self, rows=self.rows[told], stretch=self.stretch[told], variance=variance[:, told])

    def ground(self, position: Floats) -> list[Ground]:
        """Return what each set's field, learnt without each hole, expects along it, the readings lying at a place."""
        place = self._places(position[self.rows])
        return [Ground.of(f, w, place, self.shared) for f, w in zip(self.lesson.fields, self.without, strict=True)]

    def only(self, holes: npt.NDArray[np.bool_]) -> Stretches:
        """Return these of some of the holes, (h,)."""
        hole, part = np.divmod(self.stretch, PARTS)
        kept = holes[hole]
        code = np.cumsum(holes) - 1
        stretch = code[hole[kept]] * PARTS + part[kept]
        count = int(np.count_nonzero(holes))
        return replace(self, rows=self.rows[kept], stretch=stretch, variance=self.variance[:, kept], holes=count)

    def log_likelihood(
        self, readings: Readings, ground: list[Ground], doubts: Floats, turns: int = SHIFT_TURNS
    ) -> Floats:
        """Return the log likelihood of each hole's readings under each doubt, by stretches, (d, h, PARTS)."""
        normal = readings.normal[self.rows]
        sets, pay = [], np.zeros((len(doubts), self.holes, PARTS))
        for g, scatter, reading, share in zip(
            ground, self.lesson.scatter, self.variance, self.lesson.share, strict=True
        ):
            residual, covariance = g.residual(normal, self.stretch), g.covariance(doubts)
            apart = self._apart(residual, covariance, scatter**2 + reading, doubts[:, 2])
            every = np.arange(2 * PARTS)
            covariance[:, :, every, every] += APART**2 * np.repeat(apart, 2, axis=2)
            chance = np.clip(doubts[:, 2, None, None], 1e-9, 1.0)
            cost = np.where(apart, np.log(chance), np.log1p(-np.where(chance < 1e-6, 0.0, chance)))
            pay += share * cost * self._present()
            sets.append((residual, covariance))
        return self._likeliest(sets, turns) + pay

    def told(self) -> npt.NDArray[np.bool_]:
        """Return of which holes half of the readings of the kind, and at least ``FEWEST``, are foretold, (h,)."""
        count = np.bincount(self.stretch // PARTS, minlength=self.holes)
        return np.asarray((count >= FEWEST) & (2 * count >= self.of_hole))

    def _present(self) -> Floats:
        """Return 1 for stretches with readings, else 0, (h, PARTS)."""
        return (np.bincount(self.stretch, minlength=self.holes * PARTS) > 0).reshape(self.holes, PARTS).astype(float)

    def _apart(self, residual: Floats, covariance: Floats, variance: Floats, chance: Floats) -> npt.NDArray[np.bool_]:
        """Return which stretches are likelier to stand in ground apart, anywhere, than as foretold, (d, h, PARTS)."""
        weight = (1 / variance)[None]
        known = np.maximum(self._by_stretch(weight), 1e-12)
        mean = np.stack([self._by_stretch(weight * c) / known for c in residual.T], axis=2)[0]
        square = (mean**2).sum(axis=1).reshape(self.holes, PARTS)
        narrow = np.einsum("dhii->dhi", covariance)[:, :, ::2] + (1 / known).reshape(self.holes, PARTS)
        wide = narrow + APART**2
        gain = square / 2 * (1 / narrow - 1 / wide) - np.log(wide / narrow)
        odds = np.log(np.maximum(chance, 1e-300)) - np.log1p(-np.minimum(chance, 1 - 1e-9))
        return np.asarray(gain + odds[:, None, None] > 0) & (self._present() > 0)

    def summed(self, values: Floats) -> Floats:
        """Return the sum of a value over the readings of each stretch, (h, PARTS)."""
        return self._by_stretch(values[None, self.rows]).reshape(self.holes, PARTS)

    def _places(self, position: Floats) -> Floats:
        """Return a place for each stretch, (h, PARTS, 3): the mean of its readings, the hole's where it has none."""
        count = np.bincount(self.stretch, minlength=self.holes * PARTS)
        total = np.stack([np.bincount(self.stretch, c, len(count)) for c in position.T], axis=1)
        total, count = total.reshape(self.holes, PARTS, 3), count.reshape(self.holes, PARTS, 1)
        whole = total.sum(axis=1, keepdims=True) / np.maximum(count.sum(axis=1, keepdims=True), 1)
        return np.where(count > 0, total / np.maximum(count, 1), whole)

    def _likeliest(self, sets: list[tuple[Floats, Floats]], turns: int) -> Floats:
        """Return the evidence with the shifts at their likeliest (expectation–maximisation), (d, h, PARTS)."""
        lesson, doubts = self.lesson, len(sets[0][1])
        stray = min(lesson.stray + SPOILT, 0.9)
        shift = [np.zeros((doubts, self.holes * PARTS, 2)) for _ in sets]
        variance = (lesson.scatter[:, None] ** 2 + self.variance)[:, None, :]
        height = (1 - stray) * lesson.share[:, None, None] / (2 * np.pi * variance)
        # Begin with what each reading would be told without a shift: no second peak is run into that lies farther off.
        wide = np.stack([v + _own(c)[:, self.stretch] for v, (_, c) in zip(variance, sets, strict=True)])
        square = np.stack([(residual**2).sum(axis=1) for residual, _ in sets])[:, None, :]
        normal = (1 - stray) * lesson.share[:, None, None] * np.exp(-0.5 * square / wide) / (2 * np.pi * wide)
        weight = normal / (normal.sum(axis=0) + stray / (2 * np.pi)) / variance
        for _ in range(turns):
            force = []
            for member, (residual, covariance) in enumerate(sets):
                known = self._by_stretch(weight[member])
                moment = np.stack([self._by_stretch(weight[member] * c) for c in residual.T], axis=2)
                shift[member] = _likeliest_shift(covariance, known, moment)
                force.append(moment - known[:, :, None] * shift[member])  # C⁻¹ f, of the weights that gave this f
            away = [r - f[:, self.stretch] for (r, _), f in zip(sets, shift, strict=True)]
            normal = height * np.exp(-0.5 * np.stack([(a**2).sum(axis=2) for a in away]) / variance)
            total = normal.sum(axis=0) + stray / (2 * np.pi)
            weight = normal / total / variance
        out = self._by_stretch(np.log(total)).reshape(doubts, self.holes, PARTS)
        for member, (_, covariance) in enumerate(sets):
            out -= 0.5 * (force[member] * shift[member]).sum(axis=2).reshape(out.shape)
            out -= 0.5 / PARTS * _volume(covariance, self._by_stretch(weight[member]))[:, :, None]
        return out

    def _by_stretch(self, values: Floats) -> Floats:
        """Return the sums of values (d, n) over the readings of each stretch, (d, h PARTS)."""
        out = np.zeros((len(values), self.holes * PARTS))
        if len(self.first):
            out[:, self.stretch[self.first]] = np.add.reduceat(values, self.first, axis=1)
        return out


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
    gap: Floats
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
        by_field = np.repeat(np.repeat(covariance, 2, axis=1), 2, axis=2) * together
        return cls(axes.axis, one, two, axes.gap, by_field, by_hole)

    def only(self, holes: npt.NDArray[np.bool_]) -> Ground:
        """Return the ground of some of the holes, (h,)."""
        of_stretch = np.repeat(holes, PARTS)
        axis, one, two, gap = (part[of_stretch] for part in (self.axis, self.one, self.two, self.gap))
        return Ground(axis, one, two, gap, self.by_field[holes], self.by_hole[holes])

    def covariance(self, doubts: Floats) -> Floats:
        """Return the joint covariance of the expected axes, radians², (d, h, 2P, 2P).

        Parameters
        ----------
        doubts : (d, 3) array
            Factors on what the field does not know, and on the honest error of the whole hole (:data:`DOUBTS`).
        """
        joint = doubts[:, 0, None, None, None] * self.by_field + doubts[:, 1, None, None, None] * self.by_hole
        size = np.sqrt(np.maximum(np.einsum("dhii->dhi", joint), 1e-12))
        held = np.minimum(1.0, FARTHEST / size)
        return np.asarray(joint * held[:, :, :, None] * held[:, :, None, :])

    def residual(self, normal: Floats, stretch: Ints) -> Floats:
        """Return the angles from the axes of their stretches to poles, radians, (n, 2): the arc, laid flat."""
        one, two = self.one[stretch], self.two[stretch]
        cosine = np.einsum("ij,ij->i", normal, self.axis[stretch])
        flat = np.stack([np.einsum("ij,ij->i", normal, one), np.einsum("ij,ij->i", normal, two)], axis=1)
        sine = np.hypot(flat[:, 0], flat[:, 1])
        stretched = np.where(cosine < 0, -1.0, 1.0) * np.arctan2(sine, np.abs(cosine)) / np.maximum(sine, 1e-12)
        return np.asarray(flat * stretched[:, None])


APART = 1.0
"""Radians; spread of the axes of a stretch that stands apart: as dense at its middle as what may point anywhere."""

FARTHEST = np.deg2rad(45.0)
"""Doubt about an axis beyond which it is not known at all."""


def _square_to(axis: Floats) -> tuple[Floats, Floats]:
    """Return two unit vectors square to each axis and to one another."""
    least = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    one = np.cross(axis, least)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    return one, np.cross(axis, one)


def _likeliest_shift(covariance: Floats, known: Floats, moment: Floats) -> Floats:
    """Return f = (C⁻¹ + Λ)⁻¹ m as C B⁻¹ m with B = I + Λ C, so that C need not be regular; (d, h P, 2)."""
    doubts, holes, size = covariance.shape[:3]
    both = np.repeat(known.reshape(doubts, holes, PARTS), 2, axis=2)
    system = np.eye(size) + both[..., None] * covariance
    return (covariance @ np.linalg.solve(system, moment.reshape(doubts, holes, size, 1))).reshape(doubts, -1, 2)


def _own(covariance: Floats) -> Floats:
    """Return the variance of each stretch's own axis, (d, h P)."""
    return np.asarray(np.einsum("dhii->dhi", covariance)[:, :, ::2].reshape(len(covariance), -1))


def _volume(covariance: Floats, known: Floats) -> Floats:
    """Return log det(I + C Λ) of each hole, (d, h)."""
    doubts, holes, size = covariance.shape[:3]
    both = np.repeat(known.reshape(doubts, holes, PARTS), 2, axis=2)
    return np.asarray(np.linalg.slogdet(np.eye(size) + both[..., None] * covariance)[1])
