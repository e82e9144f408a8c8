"""One fault as a wavy sheet: what its picks say of its surface, with every uncertainty carried.

In a frame whose third axis is nearly the fault's normal the surface is w = f(u, v). Before the picks are seen, f is::

    f(u, v) = a + b·u + c·v  [+ gentle curvature]  +  waviness(u, v)

a plane that may lie anywhere and any way, plus a Gaussian process of small amplitude. A position measures f, a plane
measures its two slopes, an alpha measures one combination of them: all linear, all with Gaussian errors, so that
evidence, predictions and leave-one-out predictions are exact matrix algebra.

References
----------
Rasmussen & Williams (2006), Gaussian Processes for Machine Learning: equations 2.23 to 2.30 (prediction, evidence),
5.12 (leave-one-out from the inverse), section 9.4 (derivatives as data).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack

from desurvey.lineup.picks import LineupSettings, Picks
from desurvey.shown import shown

__all__ = [
    "Guess",
    "Habit",
    "Readings",
    "Sheet",
    "bent",
    "design_of",
    "fitted",
    "frame_of",
    "joint_covariance",
    "log_density",
    "offsets",
    "prior_of",
    "readings",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

UNSEEN = 1.0 / (2.0 * np.pi)
"""Variance of a reading that isn't there: a Gaussian of this variance has density 1 at its centre."""

DISPLACED_M = 6.0
"""Standard deviation along the hole of a pick at a wrong depth: a rod or two miscounted, a tally not put right, core
put back in the wrong box (common practice, no source)."""

PLACE, PLANE = 0, 1
"""Columns of what is believed of a pick, (m, 2): its logged place, its orientation."""

FEWEST_FOR_CURVATURE = 7
"""Holes below which a fault is taken as plane: a quadratic surface has six unknowns, and one place has to check it."""

CURVATURE = 2e-4
"""Prior standard deviation of a curved fault's second derivatives per metre: a radius of some kilometres."""


@dataclass(frozen=True, slots=True)
class Habit:
    """How faults of this project behave.

    Attributes
    ----------
    amplitude, distance : float
        Standard deviation of the waviness and the distance over which it changes, metres.
    scatter : float
        Scatter of small-scale orientation in each direction, radians.
    position_scale : float
        Factor on the standard deviations of position.
    span : float
        Extent of the drilled volume, metres: the offset of a fault's plane is anywhere within it.
    depth : float
        Scatter of logged places about the surface, metres: of a zone of several picks, that over its thickness.
    lost, displaced : float
        Shares of the picks of faults whose orientation means nothing, and that lie at a wrong depth.
    zone_rate : float
        Expected number of further picks in the same hole.
    """

    amplitude: float
    distance: float
    scatter: float
    position_scale: float
    span: float
    depth: float = 0.4
    lost: float = 0.02
    displaced: float = 0.003
    zone_rate: float = 0.05

    @classmethod
    def of(cls, settings: LineupSettings, span: float) -> Self:
        """Return what is expected before any fault is seen."""
        return cls(
            settings.waviness_m, settings.waviness_range_m, np.deg2rad(settings.pole_scatter_deg), 1.0, span,
            settings.depth_m, settings.lost, settings.displaced, settings.zone_rate,
        )  # fmt: skip


@shown
class Readings(NamedTuple):
    """Picks as linear readings of a surface in a frame: three rows a pick.

    Attributes
    ----------
    place : (m, 2) array
        u and v, metres.
    value : (m, 3) array
        Distance along the normal, then slopes (or one combination of them and nothing).
    rows : (m, 3, 3) array
        Coefficients of each reading on f, ∂f/∂u and ∂f/∂v.
    noise : (m, 3, 3) array
        Covariance of the readings.
    pierce : (m,) array
        Sine of the angle between hole and plane, at least 0.02.
    shared : (m,) array
        Standard deviation along the normal of the hole's position, which all its picks share, metres.
    """

    place: Floats
    value: Floats
    rows: Floats
    noise: Floats
    pierce: Floats
    shared: Floats


@shown
class Guess(NamedTuple):
    """Predicted readings: mean (m, 3) and covariance (m, 3, 3), the reading's own errors included."""

    mean: Floats
    covariance: Floats


@shown
@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Sheet:
    """A surface given its picks.

    Attributes
    ----------
    centre : (3,) array
        Origin of the frame.
    axes : (3, 3) array
        Rows: two axes in the plane and the upward normal of the reference plane.
    curved : bool
        Whether gentle curvature is allowed for.
    habit : Habit
        How faults behave here.
    readings : Readings
        Those of the members.
    hole : (n,) int array
        Holes of the members.
    unit : float
        Length by which the trend's unknowns are scaled, metres.
    trend : (p,) array
        Posterior mean of the trend: offset, slopes, and second derivatives if curved, scaled by ``unit``.
    trend_covariance : (p, p) array
        Its posterior covariance.
    core : (3n, 3n) array
        Inverse covariance of waviness and noise of all readings.
    half_size : float
        Half the log determinant of that covariance.
    lever : (3n, p) array
        ``core`` times the readings' coefficients on the trend.
    inverse : (3n, 3n) array
        Inverse covariance of all readings, the trend's prior included.
    weights : (3n,) array
        ``inverse`` times the readings.
    evidence : float
        Log density of the readings, the surface integrated out.
    """

    centre: Floats
    axes: Floats
    curved: bool
    habit: Habit
    readings: Readings
    hole: Ints
    unit: float
    trend: Floats
    trend_covariance: Floats
    core: Floats
    half_size: float
    lever: Floats
    inverse: Floats
    weights: Floats
    evidence: float

    def guess(self, picks: Picks, *, believed: Bools | None = None) -> tuple[Readings, Guess]:
        """Return what the sheet's picks in *other* holes say the readings of any picks should be.

        A pick in a hole of the sheet is predicted with that hole's members left out.
        """
        seen = readings(picks, self.centre, self.axes, self.habit, believed)
        across, level, guess = self._predicted(seen)
        _leave_out_own_hole(self, picks.hole, across, level, guess)
        return seen, Guess(guess.mean, guess.covariance + seen.noise)

    def level(self, place: Floats) -> Floats:
        """Return f at places (u, v) from all members, shape (m,)."""
        return self._mean(place, 1)[:, 0]

    def level_and_slopes(self, place: Floats) -> Floats:
        """Return f, ∂f/∂u and ∂f/∂v at places (u, v) from all members, shape (m, 3)."""
        return self._mean(place, 3)

    def _mean(self, place: Floats, parts: int) -> Floats:
        kernel = _kernel(place, self.readings.place, self.habit)[:, :parts]
        weights = np.einsum("nrb,nr->nb", self.readings.rows, self.weights.reshape(-1, 3))
        trend = _basis(place, self.unit, self.curved)[:, :parts] @ self.trend
        return np.asarray(np.einsum("mpnb,nb->mp", kernel, weights) + trend)

    def trend_at(self, place: Floats) -> tuple[Floats, Floats]:
        """Return the plane's (or curved trend's) level at places (u, v) and its variance, shape (m,) each."""
        basis = _basis(place, self.unit, self.curved)[:, 0]
        return basis @ self.trend, np.asarray(np.einsum("mp,pq,mq->m", basis, self.trend_covariance, basis))

    def surface(self, place: Floats) -> tuple[Floats, Floats]:
        """Return f with its slopes, (m, 3), and their covariance, (m, 3, 3), at places (u, v) from all members."""
        _, _, guess = self._predicted(_bare(place))
        return guess.mean, guess.covariance

    def shared(self, place: Floats, other: Floats) -> Floats:
        """Return the covariance of f at places (m, 2) with f at others (k, 2), given all members, shape (m, k)."""
        return self._shared(place, other, 1)[:, 0]

    def shared_with_slopes(self, place: Floats, other: Floats) -> Floats:
        """Return the covariance of f, ∂f/∂u and ∂f/∂v at places with f at others, given all members, (m, 3, k)."""
        return self._shared(place, other, 3)

    def _shared(self, place: Floats, other: Floats, parts: int) -> Floats:
        across = [_covariance(_bare(p), self.readings, self.habit)[:, :n] for p, n in ((place, parts), (other, 1))]
        left = [
            _basis(p, self.unit, self.curved)[:, : far.shape[1]] - far @ self.lever
            for p, far in zip((place, other), across, strict=True)
        ]
        prior = _kernel(place, other, self.habit)[:, :parts, :, 0]
        known = across[0] @ self.core @ across[1][:, 0].T
        return np.asarray(prior - known + left[0] @ self.trend_covariance @ left[1][:, 0].T)

    def _predicted(self, seen: Readings) -> tuple[Floats, Floats, Guess]:
        """Return waviness shared with the members, (m, 3, 3n), the trend's coefficients, and the prediction.

        Written through the trend's posterior (Rasmussen & Williams 2006, equation 2.42): with the trend's wide prior in
        the covariance, predictions would be small differences of large numbers.
        """
        across = _covariance(seen, self.readings, self.habit)
        level = seen.rows @ _basis(seen.place, self.unit, self.curved)
        mean = across @ self.weights + level @ self.trend
        left = level - across @ self.lever
        weighed = (across.reshape(-1, len(self.core)) @ self.core).reshape(across.shape)  # one product for all picks
        covariance = _own_covariance(seen, self.habit) - weighed @ np.swapaxes(across, 1, 2)
        covariance += left @ self.trend_covariance @ np.swapaxes(left, 1, 2)
        return across, level, Guess(mean, covariance)


def _bare(place: Floats) -> Readings:
    """Return readings of f and its slopes at places (u, v), without errors or values."""
    count = len(place)
    rows = np.broadcast_to(np.eye(3), (count, 3, 3))
    return Readings(place, np.zeros((count, 3)), rows, np.zeros((count, 3, 3)), np.ones(count), np.zeros(count))


def frame_of(normal: Floats) -> Floats:
    """Return axes with the given upward normals as third rows, shape (..., 3, 3)."""
    helper = np.where(np.abs(normal[..., 2:3]) < 0.9, np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]))
    first = _cross(helper, normal)
    first /= np.sqrt((first**2).sum(axis=-1, keepdims=True))
    axes = np.empty((*normal.shape, 3))
    axes[..., 0, :], axes[..., 1, :], axes[..., 2, :] = first, _cross(normal, first), normal
    return axes


def _cross(one: Floats, other: Floats) -> Floats:
    """Return the cross product, written out: ``np.cross`` takes ten times as long on a few vectors."""
    out = np.empty(np.broadcast_shapes(one.shape, other.shape))
    for axis in range(3):
        up, down = (axis + 1) % 3, (axis + 2) % 3
        out[..., axis] = one[..., up] * other[..., down] - one[..., down] * other[..., up]
    return out


def readings(picks: Picks, centre: Floats, axes: Floats, habit: Habit, believed: Bools | None = None) -> Readings:
    """Return picks as readings of a surface in frames.

    Parameters
    ----------
    picks : Picks
        m of them.
    centre, axes : (3,) and (3, 3) arrays, or one a pick
        Origin and axes of the frame, the third near the fault's normal.
    habit : Habit
        Scatter of orientations and factor on position errors.
    believed : (m, 2) bool array, optional
        Where the second is False the orientation is not read, where the first is, the place is some metres off.

    Notes
    -----
    A plane at a small angle δ from the reference plane has slopes −δ (the logarithmic map keeps δ an angle, so that it
    can be weighed in radians). Alpha, arcsin|n·t|, changes with the slopes s of the surface by −sign(n·t)(t·e)s/cos α.
    """
    count = len(picks)
    local, shared = offsets(picks, centre, axes, habit)
    normal = axes[..., 2, :]
    value, rows, noise = np.zeros((count, 3)), np.zeros((count, 3, 3)), np.zeros((count, 3, 3))
    value[:, 0] = local[:, 2]
    rows[:, 0, 0] = 1.0
    noise[:, 1, 1] = noise[:, 2, 2] = UNSEEN
    along = (picks.tangent * normal).sum(axis=1)
    noise[:, 0, 0] = shared**2 + habit.depth**2
    usable = np.ones(count, dtype=bool)
    if believed is not None:
        usable = believed[:, PLANE]
        noise[:, 0, 0] += np.where(believed[:, PLACE], 0.0, (DISPLACED_M * along) ** 2)
    for which, read in ((usable & picks.oriented, _read_planes), (usable & picks.cone_only, _read_cones)):
        if which.any():
            read(picks, axes, habit, which, along, value, rows, noise)
    return Readings(local[:, :2], value, rows, noise, np.maximum(np.abs(along), 0.02), shared)


def _turned(axes: Floats, vectors: Floats) -> Floats:
    """Return vectors (m, 3) in a frame, or each in its own."""
    return vectors @ axes.T if axes.ndim == 2 else np.asarray(np.einsum("mij,mj->mi", axes, vectors))


def offsets(picks: Picks, centre: Floats, axes: Floats, habit: Habit) -> tuple[Floats, Floats]:
    """Return the places of picks in a frame, (m, 3), and the deviation along the normal that a hole shares, (m,)."""
    normal = axes[..., 2, :]
    spread = ((picks.position_covariance @ normal[..., None])[..., 0] * normal).sum(axis=1)
    return _turned(axes, picks.position - centre), habit.position_scale * np.sqrt(spread)


def _of(axes: Floats, which: Bools) -> Floats:
    return axes if axes.ndim == 2 else axes[which]


def _read_planes(
    picks: Picks, axes: Floats, habit: Habit, which: Bools, along: Floats, value: Floats, rows: Floats, noise: Floats
) -> None:
    """Fill in the slopes of picks with planes."""
    axes = _of(axes, which)
    local = _turned(axes, picks.normal[which])
    local = np.where(local[:, 2:] < 0.0, -local, local)
    flat = np.hypot(local[:, 0], local[:, 1])
    angle = np.arctan2(flat, local[:, 2])
    ratio = np.where(flat > 1e-12, angle / np.where(flat > 0.0, flat, 1.0), 1.0)
    value[which, 1:] = -ratio[:, None] * local[:, :2]
    rows[which, 1, 1] = rows[which, 2, 2] = 1.0
    tilted = axes[..., :2, :]
    spread = tilted @ picks.pole_covariance[which] @ np.swapaxes(tilted, -1, -2)
    noise[which, 1:, 1:] = spread + habit.scatter**2 * np.eye(2)


def _read_cones(
    picks: Picks, axes: Floats, habit: Habit, which: Bools, along: Floats, value: Floats, rows: Floats, noise: Floats
) -> None:
    """Fill in the one combination of slopes that an alpha measures."""
    sine = np.clip(np.abs(along[which]), 0.0, 1.0)
    cosine = np.maximum(np.sqrt(1.0 - sine**2), 0.1)
    sign = np.where(along[which] < 0.0, -1.0, 1.0)
    slope = -(sign / cosine)[:, None] * _turned(_of(axes, which)[..., :2, :], picks.tangent[which])
    value[which, 1] = picks.alpha[which] - np.arcsin(sine)
    rows[which, 1, 1:] = slope
    noise[which, 1, 1] = picks.alpha_sigma[which] ** 2 + habit.scatter**2


def fitted(
    picks: Picks, believed: Bools, habit: Habit, normal: Floats, *, curved: bool = False, turns: int = 2
) -> Sheet:
    """Return the sheet through picks.

    Parameters
    ----------
    picks : Picks
        The members.
    believed : (n, 2) bool array
        Whose place and whose orientation is believed.
    habit : Habit
        How faults behave here.
    normal : (3,) array
        A first idea of the normal; the frame is turned to the fitted plane ``turns`` times.
    curved : bool
        Allow for gentle curvature.
    """
    centre = picks.position.mean(axis=0)
    for turn in range(turns + 1):
        axes = frame_of(normal if normal[2] >= 0.0 else -normal)
        read = _Read.of(picks, believed, habit, centre, axes)
        trend = read.trend(curved)
        if turn == turns or np.hypot(*(slopes := trend.mean[1:3] / trend.unit)) < TURNED_ENOUGH:
            break
        normal = np.array([-slopes[0], -slopes[1], 1.0]) @ axes
        normal = normal / np.linalg.norm(normal)
    return read.sheet(trend)


TURNED_ENOUGH = 0.01
"""Slope of the fitted plane in its frame, below which the frame is turned no more."""


def bent(sheet: Sheet) -> Sheet:
    """Return a plane's sheet in the same frame with gentle curvature allowed for."""
    read = _Read(sheet.centre, sheet.axes, sheet.habit, sheet.readings, sheet.hole, sheet.core, sheet.half_size)
    return read.sheet(read.trend(curved=True))


class _Trend(NamedTuple):
    """The trend given the readings, with what leads there."""

    curved: bool
    unit: float
    mean: Floats
    covariance: Floats
    lever: Floats
    half_size: float  # half the log determinant of its posterior precision, less that of its prior


class _Read(NamedTuple):
    """The readings of a fault in a frame, their own covariance inverted."""

    centre: Floats
    axes: Floats
    habit: Habit
    readings: Readings
    hole: Ints
    core: Floats
    half_size: float

    @classmethod
    def of(cls, picks: Picks, believed: Bools, habit: Habit, centre: Floats, axes: Floats) -> Self:
        seen = readings(picks, centre, axes, habit, believed)
        return cls(centre, axes, habit, seen, picks.hole, *_inverted(joint_covariance(seen, picks.hole, habit)))

    def trend(self, curved: bool) -> _Trend:
        unit = float(max(np.sqrt((self.readings.place**2).sum(axis=1).mean()), 10.0))
        design = design_of(self.readings, unit, curved)
        prior = prior_of(self.habit, unit, curved)
        lever = self.core @ design
        precision = design.T @ lever
        precision.flat[:: len(prior) + 1] += 1.0 / prior
        covariance, half_size = _inverted(precision)
        mean = covariance @ (lever.T @ self.readings.value.ravel())
        return _Trend(curved, unit, mean, covariance, lever, half_size + 0.5 * float(np.log(prior).sum()))

    def sheet(self, trend: _Trend) -> Sheet:
        value = self.readings.value.ravel()
        weights = self.core @ value - trend.lever @ trend.mean
        inverse = self.core - trend.lever @ trend.covariance @ trend.lever.T
        size = self.half_size + trend.half_size
        evidence = -0.5 * value @ weights - size - 0.5 * len(value) * np.log(2 * np.pi)
        return Sheet(
            self.centre, self.axes, trend.curved, self.habit, self.readings, self.hole, trend.unit, trend.mean,
            trend.covariance, self.core, self.half_size, trend.lever, inverse, weights, float(evidence),
        )  # fmt: skip


def _inverted(covariance: Floats) -> tuple[Floats, float]:
    """Return the inverse of a covariance and half the logarithm of its determinant, by LAPACK's Cholesky routines."""
    factor, fault = lapack.dpotrf(covariance, lower=1)  # zeros above the diagonal, and so has the inverse
    if fault:
        raise np.linalg.LinAlgError("the covariance of a fault's readings is not positive definite")
    half_size = float(np.log(factor.diagonal()).sum())
    inverse, _ = lapack.dpotri(factor, lower=1)
    whole = inverse + inverse.T
    whole.flat[:: len(whole) + 1] *= 0.5
    return whole, half_size


def prior_of(habit: Habit, unit: float, curved: bool) -> Floats:
    """Return the prior variances of the trend's unknowns: anywhere in the span, any way, perhaps gently curved.

    At its centre the prior density of the slopes is 1/2π, that of a normal on the half sphere, and the offset's is
    1/span.
    """
    plane = [habit.span**2 / (2 * np.pi), unit**2, unit**2]
    bent = CURVATURE**2 * unit**4
    return np.array([*plane, 2 * bent, bent, 2 * bent] if curved else plane)


def design_of(seen: Readings, unit: float = 1.0, curved: bool = False) -> Floats:
    """Return the readings' coefficients on the trend's unknowns, (3n, 3 or 6)."""
    design = np.asarray(seen.rows @ _basis(seen.place, unit, curved))
    return design.reshape(-1, design.shape[2])


def _basis(place: Floats, unit: float, curved: bool) -> Floats:
    """Return what f, ∂f/∂u and ∂f/∂v gain from each unknown of the trend, (m, 3, 3 or 6).

    The unknowns are offset, slopes, second derivatives uu, uv, vv, as they are with ``unit`` as the unit of u and v.
    """
    u, v = place[:, 0] / unit, place[:, 1] / unit
    out = np.zeros((len(place), 3, 6 if curved else 3))
    out[:, 0, 0], out[:, 0, 1], out[:, 0, 2] = 1.0, u, v
    out[:, 1, 1] = out[:, 2, 2] = 1.0 / unit
    if curved:
        out[:, 0, 3], out[:, 0, 4], out[:, 0, 5] = u * u / 2, u * v, v * v / 2
        out[:, 1, 3] = out[:, 2, 4] = u / unit
        out[:, 1, 4] = out[:, 2, 5] = v / unit
    return out


def joint_covariance(seen: Readings, hole: Ints, habit: Habit) -> Floats:
    """Return the covariance of waviness and noise of all readings of a fault, shape (3n, 3n).

    Picks of one hole share that hole's position error.
    """
    count = len(hole)
    total = _covariance(seen, seen, habit).reshape(count * 3, count * 3)
    grid = total.reshape(count, 3, count, 3)
    rows = np.arange(count)
    grid[rows, :, rows, :] += seen.noise
    same = (hole[:, None] == hole) & ~np.eye(count, dtype=bool)
    if same.any():
        grid[:, 0, :, 0] += np.where(same, np.outer(seen.shared, seen.shared), 0.0)
    return total


def _kernel(first: Floats, second: Floats, habit: Habit) -> Floats:
    """Return the covariance of the waviness (f, ∂f/∂u, ∂f/∂v) between places, shape (m, 3, n, 3)."""
    gap = [first[:, None, a] - second[:, a] for a in range(2)]
    wave = habit.amplitude**2 * np.exp((gap[0] ** 2 + gap[1] ** 2) * (-0.5 / habit.distance**2))
    slope = [wave * part / habit.distance**2 for part in gap]
    out = np.empty((len(first), 3, len(second), 3))
    out[:, 0, :, 0] = wave
    for a in range(2):
        out[:, 0, :, 1 + a] = slope[a]
        out[:, 1 + a, :, 0] = -slope[a]
        for b in range(2):
            out[:, 1 + a, :, 1 + b] = slope[a] * gap[b] / -(habit.distance**2)
        out[:, 1 + a, :, 1 + a] += wave / habit.distance**2
    return out


def _covariance(first: Readings, second: Readings, habit: Habit) -> Floats:
    """Return the covariance that readings share through the waviness, shape (m, 3, 3n)."""
    count, members = len(first.place), len(second.place)
    kernel = _kernel(first.place, second.place, habit)
    half = np.matmul(first.rows, kernel.reshape(count, 3, 3 * members)).reshape(count, 3, members, 3)
    full = half[..., :1] * second.rows[:, :, 0]
    for column in (1, 2):  # written out: a product of many 3 × 3 matrices is slow
        full += half[..., column, None] * second.rows[:, :, column]
    shared: Floats = full.reshape(count, 3, 3 * members)
    return shared


def _own_covariance(seen: Readings, habit: Habit) -> Floats:
    """Return the waviness' covariance of each pick's readings with themselves, shape (m, 3, 3)."""
    kernel = habit.amplitude**2 * np.diag([1.0, habit.distance**-2, habit.distance**-2])
    return np.asarray(seen.rows @ kernel @ np.swapaxes(seen.rows, 1, 2))


def _leave_out_own_hole(sheet: Sheet, hole: Ints, across: Floats, level: Floats, guess: Guess) -> None:
    """Take the members of each pick's own hole out of its prediction, in place.

    With Q the inverse covariance of all readings and h the rows of a hole, the inverse without them is
    Q − Q[:, h] Q[h, h]⁻¹ Q[h, :] (the rows h of it are then zero). Q times the covariance that the trend's prior gives
    is the lever times the trend's posterior covariance.
    """
    matches = hole[:, None] == sheet.hole
    pick = np.flatnonzero(matches.any(axis=1))
    if not len(pick):
        return
    most = int(matches[pick].sum(axis=1).max())
    order = np.argsort(~matches[pick], axis=1, kind="stable")[:, :most]
    real = np.repeat(np.take_along_axis(matches[pick], order, axis=1), 3, axis=1)
    rows = (3 * order[:, :, None] + np.arange(3)).reshape(len(pick), -1)
    block = np.where(
        real[:, None] & real[:, :, None], sheet.inverse[rows[:, :, None], rows[:, None]], np.eye(rows.shape[1])
    )
    weights = np.where(real, sheet.weights[rows], 0.0)
    lever = (sheet.lever @ sheet.trend_covariance)[rows]
    crossed = sheet.inverse[rows] @ np.swapaxes(across[pick], 1, 2) + lever @ np.swapaxes(level[pick], 1, 2)
    crossed = np.where(real[:, :, None], crossed, 0.0)  # (p, h, 3)
    solved = np.linalg.solve(block, np.concatenate([crossed, weights[:, :, None]], axis=2))
    guess.mean[pick] -= np.einsum("phr,ph->pr", crossed, solved[..., 3])
    guess.covariance[pick] += np.einsum("phr,phs->prs", crossed, solved[..., :3])


def log_density(difference: Floats, covariance: Floats) -> Floats:
    """Return the log density of centred Gaussians of three dimensions at differences (..., 3)."""
    c = covariance  # a Cholesky factor written out: fast on millions of 3 × 3, and on a handful
    l00 = np.sqrt(c[..., 0, 0])
    l10, l20 = c[..., 1, 0] / l00, c[..., 2, 0] / l00
    l11 = np.sqrt(c[..., 1, 1] - l10**2)
    l21 = (c[..., 2, 1] - l20 * l10) / l11
    l22 = np.sqrt(c[..., 2, 2] - l20**2 - l21**2)
    x = difference[..., 0] / l00
    y = (difference[..., 1] - l10 * x) / l11
    z = (difference[..., 2] - l20 * x - l21 * y) / l22
    return np.asarray(-0.5 * (x * x + y * y + z * z) - np.log(l00 * l11 * l22) - 1.5 * np.log(2 * np.pi))
