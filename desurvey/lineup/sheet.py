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
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.lineup.picks import Picks

__all__ = [
    "Guess",
    "Habit",
    "Readings",
    "Sheet",
    "fitted",
    "frame_of",
    "joint_covariance",
    "log_density",
    "readings",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

UNSEEN = 1.0 / (2.0 * np.pi)
"""Variance of a reading that isn't there: a Gaussian of this variance has density 1 at its centre."""

DEPTH_SIGMA = 0.4
"""Metres: how well the place of a fault is defined, in the core and by its roughness (common practice, no source)."""

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
    """

    amplitude: float
    distance: float
    scatter: float
    position_scale: float
    span: float


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
    """

    place: Floats
    value: Floats
    rows: Floats
    noise: Floats
    pierce: Floats


class Guess(NamedTuple):
    """Predicted readings: mean (m, 3) and covariance (m, 3, 3), the reading's own errors included."""

    mean: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True, eq=False)
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
    inverse : (3n, 3n) array
        Inverse covariance of all readings.
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
    inverse: Floats
    weights: Floats
    evidence: float

    def guess(self, picks: Picks, *, trusted: Bools | None = None) -> tuple[Readings, Guess]:
        """Return what the sheet's picks in *other* holes say the readings of any picks should be.

        A pick in a hole of the sheet is predicted with that hole's members left out.
        """
        seen = readings(picks, self.centre, self.axes, self.habit, trusted)
        across = _covariance(seen, self.readings, self.habit, self.curved)
        mean = across @ self.weights
        prior = _own_covariance(seen, self.habit, self.curved)
        covariance = prior - across @ (self.inverse @ np.swapaxes(across, 1, 2))
        _leave_out_own_hole(self, picks.hole, across, mean, covariance)
        return seen, Guess(mean, covariance + seen.noise)

    def level(self, place: Floats) -> Floats:
        """Return f at places (u, v) from all members, shape (m,)."""
        kernel = _kernel(place, self.readings.place, self.habit, self.curved)[..., 0, :]
        weights = np.einsum("nrb,nr->nb", self.readings.rows, self.weights.reshape(-1, 3))
        return np.asarray(np.einsum("mnb,nb->m", kernel, weights))

    def surface(self, place: Floats) -> tuple[Floats, Floats]:
        """Return f with its slopes, (m, 3), and their covariance, (m, 3, 3), at places (u, v) from all members."""
        count = len(place)
        bare = Readings(
            place, np.zeros((count, 3)), np.broadcast_to(np.eye(3), (count, 3, 3)), np.zeros((count, 3, 3)), np.ones(count)
        )
        across = _covariance(bare, self.readings, self.habit, self.curved)
        covariance = _own_covariance(bare, self.habit, self.curved) - across @ (
            self.inverse @ np.swapaxes(across, 1, 2)
        )
        return across @ self.weights, covariance


def frame_of(normal: Floats) -> Floats:
    """Return axes with the given upward normals as third rows, shape (..., 3, 3)."""
    helper = np.where(np.abs(normal[..., 2:3]) < 0.9, np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]))
    first = np.cross(helper, normal)
    first /= np.linalg.norm(first, axis=-1, keepdims=True)
    return np.stack([first, np.cross(normal, first), normal], axis=-2)


def readings(picks: Picks, centre: Floats, axes: Floats, habit: Habit, trusted: Bools | None = None) -> Readings:
    """Return picks as readings of a surface in frames.

    Parameters
    ----------
    picks : Picks
        m of them.
    centre, axes : (3,) and (3, 3) arrays, or one a pick
        Origin and axes of the frame, the third near the fault's normal.
    habit : Habit
        Scatter of orientations and factor on position errors.
    trusted : (m,) bool array, optional
        Where False the orientation is not read.

    Notes
    -----
    A plane at a small angle δ from the reference plane has slopes −δ (the logarithmic map keeps δ an angle, so that it
    can be weighed in radians). Alpha, arcsin|n·t|, changes with the slopes s of the surface by −sign(n·t)(t·e)s/cos α.
    """
    local = np.einsum("...ij,mj->mi", axes, picks.position - centre) if axes.ndim == 2 else np.einsum(
        "mij,mj->mi", axes, picks.position - centre
    )
    full = np.broadcast_to(axes, (len(picks), 3, 3))
    count = len(picks)
    value, rows, noise = np.zeros((count, 3)), np.zeros((count, 3, 3)), np.zeros((count, 3, 3))
    value[:, 0] = local[:, 2]
    rows[:, 0, 0] = 1.0
    normal = full[:, 2]
    spread = np.einsum("mi,mij,mj->m", normal, picks.position_covariance, normal)
    noise[:, 0, 0] = habit.position_scale**2 * spread + DEPTH_SIGMA**2
    noise[:, 1, 1] = noise[:, 2, 2] = UNSEEN
    along = np.einsum("mi,mi->m", normal, picks.tangent)
    usable = np.ones(count, dtype=bool) if trusted is None else trusted
    _read_planes(picks, full, habit, usable & picks.oriented, value, rows, noise)
    _read_cones(picks, full, habit, usable & picks.cone_only, along, value, rows, noise)
    return Readings(local[:, :2], value, rows, noise, np.maximum(np.abs(along), 0.02))


def _read_planes(
    picks: Picks, axes: Floats, habit: Habit, which: Bools, value: Floats, rows: Floats, noise: Floats
) -> None:
    """Fill in the slopes of picks with planes."""
    local = np.einsum("mij,mj->mi", axes[which], picks.normal[which])
    local = np.where(local[:, 2:] < 0.0, -local, local)
    flat = np.hypot(local[:, 0], local[:, 1])
    angle = np.arctan2(flat, local[:, 2])
    ratio = np.where(flat > 1e-12, angle / np.where(flat > 0.0, flat, 1.0), 1.0)
    value[which, 1:] = -ratio[:, None] * local[:, :2]
    rows[which, 1, 1] = rows[which, 2, 2] = 1.0
    tilted = axes[which][:, :2]
    spread = np.einsum("mai,mij,mbj->mab", tilted, picks.pole_covariance[which], tilted)
    noise[which, 1:, 1:] = spread + habit.scatter**2 * np.eye(2)


def _read_cones(
    picks: Picks, axes: Floats, habit: Habit, which: Bools, along: Floats, value: Floats, rows: Floats, noise: Floats
) -> None:
    """Fill in the one combination of slopes that an alpha measures."""
    sine = np.clip(np.abs(along[which]), 0.0, 1.0)
    cosine = np.maximum(np.sqrt(1.0 - sine**2), 0.1)
    sign = np.where(along[which] < 0.0, -1.0, 1.0)
    slope = -(sign / cosine)[:, None] * np.einsum("mai,mi->ma", axes[which][:, :2], picks.tangent[which])
    value[which, 1] = picks.alpha[which] - np.arcsin(sine)
    rows[which, 1, 1:] = slope
    noise[which, 1, 1] = picks.alpha_sigma[which] ** 2 + habit.scatter**2


def fitted(
    picks: Picks, trusted: Bools, habit: Habit, normal: Floats, *, curved: bool = False, turns: int = 2
) -> Sheet:
    """Return the sheet through picks.

    Parameters
    ----------
    picks : Picks
        The members.
    trusted : (n,) bool array
        Whose orientation is believed.
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
        sheet = _solved(picks, trusted, habit, centre, axes, curved)
        if turn == turns:
            break
        slopes = _plane_part(sheet)
        normal = np.array([-slopes[0], -slopes[1], 1.0]) @ axes
        normal = normal / np.linalg.norm(normal)
        if np.hypot(*slopes) < 0.01:
            break
    return sheet


def _solved(picks: Picks, trusted: Bools, habit: Habit, centre: Floats, axes: Floats, curved: bool) -> Sheet:
    seen = readings(picks, centre, axes, habit, trusted)
    total = joint_covariance(seen, picks.hole, habit, curved=curved)
    value = seen.value.ravel()
    lower = np.linalg.cholesky(total)
    inverse = np.linalg.inv(total)
    weights = inverse @ value
    evidence = -0.5 * value @ weights - np.log(np.diag(lower)).sum() - 0.5 * len(value) * np.log(2 * np.pi)
    return Sheet(centre, axes, curved, habit, seen, picks.hole, inverse, weights, float(evidence))


def joint_covariance(seen: Readings, hole: Ints, habit: Habit, *, curved: bool = False, plane: bool = True) -> Floats:
    """Return the covariance of all readings of a fault, noise included, shape (3n, 3n).

    Without ``plane`` it is that of waviness and noise alone, for a fit of the plane by least squares. Picks of one hole
    share that hole's position error.
    """
    count = len(hole)
    total = _covariance(seen, seen, habit, curved, plane).reshape(count * 3, count * 3)
    grid = total.reshape(count, 3, count, 3)
    rows = np.arange(count)
    grid[rows, :, rows, :] += seen.noise
    same = (hole[:, None] == hole) & ~np.eye(count, dtype=bool)
    if same.any():
        sigma = np.sqrt(seen.noise[:, 0, 0] - DEPTH_SIGMA**2)
        grid[:, 0, :, 0] += np.where(same, np.outer(sigma, sigma), 0.0)
    return total


def _plane_part(sheet: Sheet) -> Floats:
    """Return the slopes of the plane's part of the fitted surface, shape (2,)."""
    seen = sheet.readings
    slopes = np.zeros((len(seen.place), 2, 3))  # covariance of the plane's slopes with f and its slopes at each place
    slopes[:, :, 0] = seen.place
    slopes[:, 0, 1] = slopes[:, 1, 2] = 1.0
    across = np.einsum("nab,nrb->anr", slopes, seen.rows).reshape(2, -1)
    return np.asarray(across @ sheet.weights)


def _kernel(first: Floats, second: Floats, habit: Habit, curved: bool, plane: bool = True) -> Floats:
    """Return the prior covariance of (f, ∂f/∂u, ∂f/∂v) between places, shape (m, n, 3, 3)."""
    gap = first[:, None] - second
    wave = habit.amplitude**2 * np.exp(-0.5 * np.einsum("mna,mna->mn", gap, gap) / habit.distance**2)
    scaled = gap / habit.distance**2
    dot = first @ second.T
    out = np.empty((*dot.shape, 3, 3))
    out[..., 0, 0] = wave
    for a in range(2):
        out[..., 0, 1 + a] = wave * scaled[..., a]
        out[..., 1 + a, 0] = -wave * scaled[..., a]
        for b in range(2):
            out[..., 1 + a, 1 + b] = -wave * scaled[..., a] * scaled[..., b]
        out[..., 1 + a, 1 + a] += wave / habit.distance**2
    if plane:
        out[..., 0, 0] += dot + (habit.span / np.sqrt(2 * np.pi)) ** 2
        out[..., 0, 1:] += first[:, None]
        out[..., 1:, 0] += second
        out[..., 1, 1] += 1.0
        out[..., 2, 2] += 1.0
    if curved:
        _add_curvature(out, first, second, dot)
    return out


def _add_curvature(out: Floats, first: Floats, second: Floats, dot: Floats) -> None:
    """Add the covariance of a quadratic surface, half the squared curvature times (x·x')² and its derivatives."""
    scale = 0.5 * CURVATURE**2
    out[..., 0, 0] += scale * dot**2
    for a in range(2):
        out[..., 0, 1 + a] += 2 * scale * dot * first[:, None, a]
        out[..., 1 + a, 0] += 2 * scale * dot * second[:, a]
        for b in range(2):
            out[..., 1 + a, 1 + b] += 2 * scale * second[:, a] * first[:, None, b]
        out[..., 1 + a, 1 + a] += 2 * scale * dot


def _covariance(first: Readings, second: Readings, habit: Habit, curved: bool, plane: bool = True) -> Floats:
    """Return the prior covariance between readings, noise left out, shape (m, 3, 3n)."""
    kernel = _kernel(first.place, second.place, habit, curved, plane)
    half = np.matmul(first.rows[:, None], kernel)
    full = np.matmul(half, np.swapaxes(second.rows, 1, 2)[None])
    return np.ascontiguousarray(np.swapaxes(full, 1, 2)).reshape(len(first.place), 3, -1)


def _own_covariance(seen: Readings, habit: Habit, curved: bool) -> Floats:
    """Return the prior covariance of each pick's readings with themselves, shape (m, 3, 3)."""
    place = seen.place
    kernel = np.zeros((len(place), 3, 3))
    size = np.einsum("ma,ma->m", place, place)
    kernel[:, 0, 0] = habit.amplitude**2 + size + (habit.span / np.sqrt(2 * np.pi)) ** 2
    kernel[:, 0, 1:] = kernel[:, 1:, 0] = place
    kernel[:, 1, 1] = kernel[:, 2, 2] = habit.amplitude**2 / habit.distance**2 + 1.0
    if curved:
        scale = 0.5 * CURVATURE**2
        kernel[:, 0, 0] += scale * size**2
        kernel[:, 0, 1:] += 2 * scale * size[:, None] * place
        kernel[:, 1:, 0] += 2 * scale * size[:, None] * place
        kernel[:, 1:, 1:] += 2 * scale * (place[:, :, None] * place[:, None] + size[:, None, None] * np.eye(2))
    return np.asarray(np.einsum("mri,mij,msj->mrs", seen.rows, kernel, seen.rows))


def _leave_out_own_hole(sheet: Sheet, hole: Ints, across: Floats, mean: Floats, covariance: Floats) -> None:
    """Take the members of each pick's own hole out of its prediction, in place.

    With Q the inverse covariance of all readings and h the rows of a hole, the inverse without them is
    Q − Q[:, h] Q[h, h]⁻¹ Q[h, :] (the rows h of it are then zero).
    """
    matches = hole[:, None] == sheet.hole
    pick = np.flatnonzero(matches.any(axis=1))
    if not len(pick):
        return
    most = int(matches[pick].sum(axis=1).max())
    order = np.argsort(~matches[pick], axis=1, kind="stable")[:, :most]
    real = np.take_along_axis(matches[pick], order, axis=1)
    rows = (3 * order[:, :, None] + np.arange(3)).reshape(len(pick), -1)
    real = np.repeat(real, 3, axis=1)
    columns = np.where(real[:, :, None], sheet.inverse[rows], 0.0)  # (p, h, 3n)
    block = np.take_along_axis(columns, np.broadcast_to(rows[:, None], (*rows.shape, rows.shape[1])), axis=2)
    block = np.where(real[:, None] & real[:, :, None], block, np.eye(rows.shape[1]))
    weights = np.where(real, sheet.weights[rows], 0.0)
    crossed = np.matmul(columns, np.swapaxes(across[pick], 1, 2))  # (p, h, 3)
    solved = np.linalg.solve(block, np.concatenate([crossed, weights[:, :, None]], axis=2))
    mean[pick] -= np.einsum("phr,ph->pr", crossed, solved[..., 3])
    covariance[pick] += np.einsum("phr,phs->prs", crossed, solved[..., :3])


def log_density(difference: Floats, covariance: Floats) -> Floats:
    """Return the log density of centred Gaussians of three dimensions at differences (m, 3), shape (m,)."""
    lower = np.linalg.cholesky(covariance)
    solved = np.linalg.solve(lower, difference[..., None])[..., 0]
    log_size = np.log(np.einsum("...ii->...i", lower)).sum(axis=-1)
    return np.asarray(-0.5 * (solved**2).sum(axis=-1) - log_size - 1.5 * np.log(2 * np.pi))
