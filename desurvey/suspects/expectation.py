"""What a pole should be at a place, learnt from the poles around it: a smooth field of axes.

A pole is an axis: n and −n are the same plane. The field is therefore learnt for the tensor n nᵀ − I/3, which does
not know the sign and stays smooth through folds of any amplitude, through vertical and through horizontal. Each of its
five independent components is a Gaussian process of the position with the same covariance::

    cov(T(x), T(x′)) = level² + swing² · (1 + r + r²/3) exp(−r)        r = √5 |x − x′| / reach

*level* lets the mean attitude be anything, *swing* is how far the folding turns it and *reach* over what distance
(Matérn covariance with ν = 5/2: smooth, yet not so stiff as to promise what a few holes can't know). An observation is
the mean tensor of a run's readings of one kind, a *node*. Reach, swing and the run-to-run part of the noise come
from the maximum of the marginal likelihood.

The process is carried by at most ``CENTRES`` inducing points with the diagonal corrected to its exact
value, so that the cost grows linearly with the data, and both answers that the suspects need are in closed form: what
the field is at a run *without that run*, and along a hole *without that hole*.

References
----------
Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, sections 4.2 (Matérn), 5.4.2 (leaving one out) and
5.4.1 (marginal likelihood).
Quiñonero-Candela & Rasmussen (2005), J. Machine Learning Research 6:1939: the sparse form (there "FITC").
Scheidegger (1965), USGS Prof. Paper 525-C: the orientation tensor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize

from desurvey.ragged import numbered
from desurvey.shown import shown

__all__ = ["Axes", "Field", "Nodes", "axes_of", "fit", "tensors"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CENTRES = 220
"""Most inducing points; with 30 holes of 250 m that is one every 35 m along each hole."""

ENOUGH = 350
"""Nodes from which reach, swing and nugget are estimated, exactly; more make them no better and the search slower."""

LEVEL = 1.0
"""Prior standard deviation of the mean tensor's components; they lie between −1 and 1."""

LEAST_GAP = 0.05
"""Least difference of eigenvalues that still counts as a direction; below it the axis is anyone's guess."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Nodes:
    """Mean tensors to learn from.

    Attributes
    ----------
    position : (m, 3) array
        Metres, relative to any origin near by.
    tensor : (m, 5) array
        Mean of the readings' tensors.
    noise : (m,) array
        Variance of each component of that mean from the readings' own scatter.
    """

    position: Floats
    tensor: Floats
    noise: Floats


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Axes:
    """Expected axes and how well they are known.

    Attributes
    ----------
    axis : (m, 3) array
        Unit vectors; the sign means nothing.
    variance : (m,) array
        Variance of the axis in each of the two directions square to it, radians².
    gap : (m,) array
        Difference between the largest eigenvalue and the mean of the other two.
    """

    axis: Floats
    variance: Floats
    gap: Floats


def tensors(normal: Floats) -> Floats:
    """Return the five components of n nᵀ − I/3 on an orthonormal basis, shape (n, 5).

    The basis keeps lengths: the squared distance of two rows is that of the two tensors, entry by entry.
    """
    x, y, z = normal[:, 0], normal[:, 1], normal[:, 2]
    root = float(np.sqrt(2.0))
    return np.stack(
        [(x * x - y * y) / root, (3 * z * z - 1.0) / np.sqrt(6.0), root * x * y, root * y * z, root * x * z], axis=1
    )


def _matrices(tensor: Floats) -> Floats:
    """Return symmetric 3 × 3 matrices of rows of five components: the inverse of :func:`tensors`."""
    out = np.empty((len(tensor), 3, 3))
    root = float(np.sqrt(2.0))
    third = tensor[:, 1] / np.sqrt(6.0)
    out[:, 0, 0] = tensor[:, 0] / root - third
    out[:, 1, 1] = -tensor[:, 0] / root - third
    out[:, 2, 2] = 2 * third
    out[:, 0, 1] = out[:, 1, 0] = tensor[:, 2] / root
    out[:, 1, 2] = out[:, 2, 1] = tensor[:, 3] / root
    out[:, 0, 2] = out[:, 2, 0] = tensor[:, 4] / root
    return out


def axes_of(tensor: Floats, variance: Floats) -> Axes:
    """Return the leading axes of tensors whose components have the given variance.

    Notes
    -----
    First-order perturbation: an error E of the tensor turns the axis n towards u by uᵀ E n / (λ₁ − λᵤ), and uᵀ E n has
    half a component's variance. Where the two leading eigenvalues come close the axis is free, and its variance
    says so.
    """
    value, vector = np.linalg.eigh(_matrices(tensor))
    gap = np.maximum(value[:, 2] - (value[:, 0] + value[:, 1]) / 2, LEAST_GAP)
    least = np.maximum(value[:, 2] - value[:, 1], LEAST_GAP)
    return Axes(vector[:, :, 2], variance / (2 * gap * least), gap)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """A fitted field. Make it with :func:`fit`; a changed weighting of the same nodes is :meth:`refit`.

    Attributes
    ----------
    shape : Shape
        The stretching of space (positions are multiplied by it), distance over which the field then changes, and
        standard deviations of a component: by folding, and from run to run beyond the readings' scatter.
    centres, lower : (p, 3), (p, p) arrays
        Inducing points in the stretched space, and the lower Cholesky factor of their correlations.
    """

    shape: Shape
    centres: Floats
    lower: Floats
    nodes: Nodes
    features: Floats
    noise: Floats
    root: Floats
    """Upper Cholesky factor of A = I + Φᵀ D⁻¹ Φ."""
    weights: Floats
    """A⁻¹ Φᵀ D⁻¹ y, (p, 5)."""

    def refit(self, nodes: Nodes) -> Field:
        """Return the field with the same parameters learnt from other values of its nodes."""
        return _solve(self.shape, self.centres, nodes, self.lower)

    def log_likelihood(self) -> float:
        """Return the log marginal likelihood of the five components together, up to a constant."""
        left = self.nodes.tensor - self.features @ self.weights
        misfit = np.sum(left**2 / self.noise[:, None]) + np.sum(self.weights**2)
        volume = np.sum(np.log(self.noise)) + 2 * np.sum(np.log(np.diag(self.root)))
        return float(-0.5 * (misfit + left.shape[1] * volume))

    def without_self(self) -> tuple[Floats, Floats]:
        """Return tensor (m, 5) and variance (m,) of the field at each node, learnt without that node."""
        half = linalg.solve_triangular(self.root, self.features.T, trans="T", check_finite=False)
        leverage = np.minimum(np.einsum("pm,pm->m", half, half) / self.noise, 1 - 1e-9)
        left = (self.nodes.tensor - self.features @ self.weights) / (1 - leverage)[:, None]
        return self.nodes.tensor - left, self.noise * leverage / (1 - leverage)

    def features_at(self, position: Floats) -> tuple[Floats, Floats]:
        """Return features (m, p) at places and the prior variance (m,) that the inducing points can't carry."""
        return _features(self.shape, self.centres, self.lower, position)

    def dropping_groups(self, group: Ints, groups: int) -> tuple[Floats, Floats]:
        """Return weights (g, p, 5) and covariance (g, p, p) of the features learnt without each group of nodes.

        Parameters
        ----------
        group : (m,) int array
            Code of each node's group, 0 to ``groups`` − 1.

        Notes
        -----
        The precision of the features is a sum over nodes, so that of a group is taken off: m p² + g p³ operations.
        """
        scale = 1 / np.sqrt(self.noise)
        features, tensor = self.features * scale[:, None], self.nodes.tensor * scale[:, None]
        rows = _padded(group, groups)
        features = np.vstack([features, np.zeros(features.shape[1])])[rows]  # the last row stands for "none"
        tensor = np.vstack([tensor, np.zeros(tensor.shape[1])])[rows]
        turned = features.swapaxes(1, 2)
        precision = self.root.T @ self.root - turned @ features
        moment = self.features.T @ (self.nodes.tensor / self.noise[:, None]) - turned @ tensor
        covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        return np.asarray(covariance @ moment), covariance


def _padded(group: Ints, groups: int) -> Ints:
    """Return the rows of each group, (groups, most), filled up with −1."""
    order = np.argsort(group, kind="stable")
    count = np.bincount(group, minlength=groups)
    _, place = numbered(count)
    rows = np.full((groups, max(int(count.max()), 1)), -1)
    rows[group[order], place] = order
    return rows


def fit(nodes: Nodes, start: Field | None = None) -> Field:
    """Return the field of the greatest marginal likelihood.

    Parameters
    ----------
    nodes : Nodes
        At least two; what is down-weighted has a large noise.
    start : Field, optional
        An earlier field of much the same nodes, to begin from.

    Notes
    -----
    Reach, swing and nugget are sought by Nelder and Mead's simplex. Then the space is stretched: the mean square
    gradient of the field found so far says along which directions it changes and how fast, a fold hardly along its
    axis. A stretch is kept only if it makes the nodes likelier.
    """
    best = _search(nodes, np.eye(3), None) if start is None else _search(nodes, start.shape.warp, start)
    for _ in range(STRETCHES if start is None else 1):
        trial = _search(nodes, _stretch(best), best)
        if trial.log_likelihood() <= best.log_likelihood() + LEAST_GAIN:
            break
        best = trial
    return best


REACH_START = 120.0
"""Metres; where the search for the reach begins: folds and drill patterns of common size."""

STRETCHES = 2
LEAST_GAIN = 3.0
"""Times the space is stretched, and the gain in log likelihood worth it (two ratios, three angles more)."""

LEAST_STRETCH = 0.2
"""However straight a fold looks in the holes drilled so far, its axis is not trusted beyond five reaches."""


def _stretch(field: Field) -> Floats:
    """Return the matrix that maps positions to a space in which the field changes alike in all directions."""
    place, step = field.nodes.position, 0.05 * field.shape.reach
    slope = np.empty((len(place), 5, 3))
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        change = field.features_at(place + shift)[0] - field.features_at(place - shift)[0]
        slope[:, :, axis] = change @ field.weights / (2 * step)
    value, vector = np.linalg.eigh(np.einsum("mci,mcj->ij", slope, slope))
    ratio = np.sqrt(np.maximum(value, 0.0) / max(value[2], 1e-30))
    return np.asarray(np.maximum(ratio, LEAST_STRETCH)[:, None] * vector.T)


def _search(nodes: Nodes, warp: Floats, start: Field | None) -> Field:
    """Return the likeliest field in a given stretching of space."""
    centres = _thinned(nodes.position @ warp.T, CENTRES)
    shortest = _nearest_spacing(centres)
    longest = max(4.0 * float(np.max(np.ptp(centres, axis=0))), 2 * shortest)
    if start is None:
        spread = max(float(np.sqrt(np.mean(np.var(nodes.tensor, axis=0)))), 1e-3)
        first = np.array([REACH_START, spread, 0.3 * spread])
    else:
        first = np.maximum(start.shape[1:], [shortest, 1e-3, 1e-3])
    first[0] = np.clip(first[0], 1.05 * shortest, longest)
    sample = _Sample.of(nodes, warp)

    def misfit(parameters: Floats) -> float:
        reach, swing, nugget = np.exp(parameters)
        if not shortest <= reach <= longest or max(swing, nugget) > FARTHEST_SWING:
            return 1e12
        return -sample.log_likelihood(reach, swing, nugget)

    simplex = np.log(first) + np.vstack([np.zeros(3), np.diag([0.4, -0.4, -0.7])])
    trials = TRIALS if start is None else TRIALS // 2
    options = {"initial_simplex": simplex, "maxfev": trials, "xatol": 0.05, "fatol": 0.3}
    best = optimize.minimize(misfit, np.log(first), method="Nelder-Mead", options=options)  # type: ignore[call-overload]
    found = np.exp(best.x)
    return _solve(Shape(warp, *found.tolist()), centres, nodes)


TRIALS = 60
FARTHEST_SWING = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """Some of the nodes, few enough for the exact process: what the parameters are estimated from."""

    distance: Floats
    nodes: Nodes

    @classmethod
    def of(cls, nodes: Nodes, warp: Floats) -> _Sample:
        step = -(-len(nodes.noise) // ENOUGH)
        some = Nodes(nodes.position[::step], nodes.tensor[::step], nodes.noise[::step])
        place = some.position @ warp.T
        return cls(_distances(place, place), some)

    def log_likelihood(self, reach: float, swing: float, nugget: float) -> float:
        """Return the log marginal likelihood of the five components together, up to a constant."""
        covariance = swing**2 * _matern(self.distance / reach) + LEVEL**2
        covariance.flat[:: len(covariance) + 1] += self.nodes.noise + nugget**2 + 1e-9
        lower = linalg.cholesky(covariance, lower=True, check_finite=False)
        white = linalg.solve_triangular(lower, self.nodes.tensor, lower=True, check_finite=False)
        volume = float(np.sum(np.log(np.diag(lower))))
        return float(-0.5 * np.sum(white**2) - len(white.T) * volume)


class Shape(NamedTuple):
    """Parameters of a field's covariance."""

    warp: Floats
    reach: float
    swing: float
    nugget: float


def _solve(shape: Shape, centres: Floats, nodes: Nodes, lower: Floats | None = None) -> Field:
    if lower is None:
        between = _matern(_distances(centres, centres) / shape.reach)
        between.flat[:: len(between) + 1] += 1e-6
        lower = linalg.cholesky(between, lower=True, check_finite=False)
    features, lost = _features(shape, centres, lower, nodes.position)
    noise = nodes.noise + shape.nugget**2 + lost
    scaled = features / noise[:, None]
    precision = features.T @ scaled
    precision.flat[:: len(precision) + 1] += 1.0
    root = linalg.cholesky(precision, check_finite=False)
    weights = linalg.cho_solve((root, False), scaled.T @ nodes.tensor, check_finite=False)
    return Field(shape, centres, lower, nodes, features, noise, root, weights)


def _features(shape: Shape, centres: Floats, lower: Floats, position: Floats) -> tuple[Floats, Floats]:
    cross = _matern(_distances(centres, position @ shape.warp.T) / shape.reach)
    part = linalg.solve_triangular(lower, cross, lower=True, check_finite=False)
    lost = shape.swing**2 * np.maximum(1.0 - np.einsum("pm,pm->m", part, part), 0.0)
    return np.column_stack([np.full(len(position), LEVEL), shape.swing * part.T]), lost


def _distances(one: Floats, other: Floats) -> Floats:
    square = (one**2).sum(1)[:, None] + (other**2).sum(1) - 2 * one @ other.T
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def _matern(ratio: Floats) -> Floats:
    """Return the covariance at distances in units of the reach, 1 at none."""
    scaled = np.sqrt(5.0) * ratio
    return np.asarray((1 + scaled + scaled**2 / 3) * np.exp(-scaled))


def _thinned(position: Floats, most: int) -> Floats:
    """Return centres of the occupied cells of the finest cubic grid that leaves no more than ``most`` of them."""
    above = position - position.min(axis=0)
    size = (float(np.max(above)) + 1.0) / FINEST
    while True:
        cell = np.floor(above / size).astype(np.int64)
        _, code, count = np.unique(cell @ [FINEST**2, FINEST, 1], return_inverse=True, return_counts=True)
        if len(count) <= most:
            break
        size *= 1.25
    return np.stack([np.bincount(code, c) / count for c in position.T], axis=1)


FINEST = 100
"""Cells along the longest side of the first grid that is tried."""


def _nearest_spacing(centres: Floats) -> float:
    """Return the median distance of the centres to their nearest neighbours: the shortest reach they can carry."""
    from scipy.spatial import cKDTree

    if len(centres) < 2:
        return 1.0
    distance = np.asarray(cKDTree(centres).query(centres, k=2)[0])
    return float(np.median(distance[:, 1]))
