"""What a pole should be at a place, learnt from the poles around it: a smooth field of axes.

A pole is an axis: n and −n are the same plane. The field is therefore learnt for the tensor n nᵀ − I/3, which does
not know the sign and stays smooth through folds of any amplitude, through vertical and through horizontal. Each of its
five independent components is a Gaussian process of the position with the same covariance::

    cov(T(x), T(x′)) = level² + swing² · (1 + r + r²/3) exp(−r)        r = √5 |x − x′| / reach

*level* lets the mean attitude be anything, *swing* is how far the folding turns it and *reach* over what distance
(Matérn covariance with ν = 5/2: smooth, yet not so stiff as to promise what a few holes can't know). An observation is
the mean tensor of a run's readings of one kind, a *node*. Reach (in each
direction of space: a fold hardly changes along its axis), swing and the run-to-run part of the noise come from the
maximum of the marginal likelihood.

The process is carried from hole to hole by at most ``CENTRES`` inducing points. Within a hole it is exact: the part
that the inducing points can't carry is not taken for noise but keeps its covariance, hole by hole (in blocks of at most
``BLOCK`` nodes). A fold of 40 m, lost between holes 60 m apart, is read run by run in each of them, and so a run is
expected to point where its neighbours in the hole do. The cost still grows linearly with the data, and both answers
that the suspects need are in closed form: what the field is at a run *without that run*, and along a hole *without that
hole*.

References
----------
Rasmussen & Williams (2006), Gaussian Processes for Machine Learning, sections 4.2 (Matérn), 5.4.2 (leaving one out) and
5.4.1 (marginal likelihood).
Snelson & Ghahramani (2007), AISTATS, Proc. Machine Learning Research 2:524: the sparse form, exact in blocks ("PIC").
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

__all__ = ["Axes", "Field", "Nodes", "axes_of", "correlation", "fit", "tensors"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CENTRES = 220
"""Most inducing points; with 30 holes of 250 m that is one every 35 m along each hole."""

BLOCK = 64
"""Most nodes of a hole that are taken together exactly: 200 m of runs of 3 m."""

ENOUGH = 210
"""Nodes from which reach, swing and nugget are estimated, exactly; more make the search slower and no better ..."""

TOGETHER = 6
"""... taken as so many neighbours at a time, for what changes within 20 m shows only there."""

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
    hole : (m,) int array
        Code of the hole that each stands in; nodes of a hole follow one another down the hole.
    """

    position: Floats
    tensor: Floats
    noise: Floats
    hole: Ints


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
    features, loaded : (m, p + 1) arrays
        Φ, and D⁻¹ Φ, of the nodes; D is the covariance that the features leave, hole by hole.
    inverse : (b, q, q) array
        D⁻¹, block by block.
    rows : (b, q) int array
        Nodes of each block, filled up with −1.
    root : (p + 1, p + 1) array
        Upper Cholesky factor of A = I + Φᵀ D⁻¹ Φ.
    weights : (p + 1, 5) array
        A⁻¹ Φᵀ D⁻¹ y.
    """

    shape: Shape
    centres: Floats
    lower: Floats
    nodes: Nodes
    features: Floats
    loaded: Floats
    inverse: Floats
    rows: Ints
    root: Floats
    weights: Floats

    def refit(self, nodes: Nodes) -> Field:
        """Return the field with the same parameters learnt from other values of its nodes."""
        return _solve(self.shape, self.centres, nodes, self.lower)

    def _left(self) -> Floats:
        """Return K⁻¹ y of the nodes' covariance K = Φ Φᵀ + D, (m, 5)."""
        filled = np.vstack([self.nodes.tensor, np.zeros(5)])[self.rows]
        return _unfilled(self.inverse @ filled, self.rows) - self.loaded @ self.weights

    def without_self(self) -> tuple[Floats, Floats]:
        """Return tensor (m, 5) and variance (m,) of the field at each node, learnt without that node."""
        half = linalg.solve_triangular(self.root, self.loaded.T, trans="T", check_finite=False)
        own = _unfilled(np.einsum("bqq->bq", self.inverse)[:, :, None], self.rows)[:, 0]
        precise = np.maximum(own - np.einsum("pm,pm->m", half, half), 1e-9)
        noise = self.nodes.noise + self.shape.nugget**2
        return self.nodes.tensor - self._left() / precise[:, None], np.maximum(1 / precise - noise, 1e-9)

    def features_at(self, position: Floats) -> tuple[Floats, Floats]:
        """Return features (m, p) at places and the prior variance (m,) that the inducing points can't carry."""
        return _features(self.shape, self.centres, self.lower, position)

    def dropping_groups(self, group: Ints, groups: int) -> tuple[Floats, Floats]:
        """Return weights (g, p, 5) and covariance (g, p, p) of the features learnt without each group of nodes.

        Parameters
        ----------
        group : (m,) int array
            Code of each node's group, 0 to ``groups`` − 1: whole holes, or several.

        Notes
        -----
        The precision of the features is a sum over nodes, so that of a group is taken off: m p² + g p³ operations.
        """
        rows = _padded(group, groups)
        features, loaded, tensor = (  # the last row stands for "none"
            np.vstack([values, np.zeros(values.shape[1])])[rows]
            for values in (self.features, self.loaded, self.nodes.tensor)
        )
        precision = self.root.T @ self.root - features.swapaxes(1, 2) @ loaded
        moment = self.loaded.T @ self.nodes.tensor - loaded.swapaxes(1, 2) @ tensor
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


def _unfilled(values: Floats, rows: Ints) -> Floats:
    """Return values (b, q, k) of blocks as rows of nodes, (m, k)."""
    there = rows >= 0
    out = np.empty((np.count_nonzero(there), values.shape[2]))
    out[rows[there]] = values[there]
    return out


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
    The parameters are the stretching of space divided by the reach (a lower triangular 3 × 3 matrix L), swing and
    nugget; they are sought by L-BFGS with the gradient in closed form (Rasmussen & Williams, equation 5.9) on
    ``ENOUGH`` nodes. A prior λ (tr M / ∛det M − 3), M = Lᵀ L, holds the reaches in different directions together until
    the nodes know better. The likelihood may have a peak for each scale of folding: the search begins from the best of
    several reaches.
    """
    sample = _Sample.of(nodes)
    if start is None:
        begins = [_pack(np.eye(3) / reach, *sample.swings(share)) for reach in REACHES for share in SHARES]
        begin = min(begins, key=lambda one: sample.misfit(one)[0])
    else:
        begin = _pack(start.shape.warp / start.shape.reach, start.shape.swing, start.shape.nugget)
    extent = float(np.max(np.ptp(nodes.position, axis=0))) + LEAST_REACH
    least, most = -np.log(FARTHEST_REACH * extent), -np.log(LEAST_REACH)
    bounds = [(least, most)] * 3 + [(-np.exp(most), np.exp(most))] * 3 + [(np.log(1e-3), np.log(10.0))] * 2
    begin = np.clip(begin, *np.transpose(bounds))
    options = {"maxiter": ITERATIONS, "ftol": 1e-5, "gtol": 0.05}
    best = optimize.minimize(  # type: ignore[call-overload]
        sample.misfit, begin, jac=True, method="L-BFGS-B", bounds=bounds, options=options
    )
    stretch, swing, nugget = _unpack(best.x)
    _, size, way = np.linalg.svd(stretch)
    warp = np.maximum(size / size[0], LEAST_STRETCH)[:, None] * way
    return _solve(Shape(warp, 1 / float(size[0]), swing, nugget), _thinned(nodes.position @ warp.T, CENTRES), nodes)


REACHES = (7.0, 20.0, 60.0, 180.0)
"""Metres; reaches from which the search may begin: from folds that a hole alone can show to those of a district ..."""

SHARES = (0.1, 0.6)
"""... and shares of the variance that may at first be noise from run to run."""

LEAST_REACH, FARTHEST_REACH = 4.0, 4.0
"""Metres, hardly more than a run; and in units of the project's extent."""

ITERATIONS = 25

ISOTROPY = 1.5
"""λ of the prior on the stretching: a reach five times as long in one direction costs 4 in log likelihood."""

LEAST_STRETCH = 0.2
"""However straight a fold looks in the holes drilled so far, its axis is not trusted beyond five reaches."""


def _pack(stretch: Floats, swing: float, nugget: float) -> Floats:
    """Return parameters: logs of the diagonal of L, its three other entries, logs of swing and nugget."""
    lower = np.linalg.cholesky((stretch.T @ stretch)[::-1, ::-1])[::-1, ::-1].T  # L with Lᵀ L as it was
    return np.concatenate([np.log(np.diag(lower)), lower[_BELOW], np.log([swing, max(nugget, 1e-3)])])


def _unpack(parameters: Floats) -> tuple[Floats, float, float]:
    stretch = np.diag(np.exp(parameters[:3]))
    stretch[_BELOW] = parameters[3:6]
    swing, nugget = np.exp(parameters[6:])
    return stretch, float(swing), float(nugget)


_BELOW = (np.array([1, 2, 2]), np.array([0, 0, 1]))


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """Some of the nodes, few enough for the exact process: what the parameters are estimated from."""

    nodes: Nodes

    @classmethod
    def of(cls, nodes: Nodes) -> _Sample:
        block = np.arange(len(nodes.noise)) // TOGETHER
        some = block % -(-len(nodes.noise) // ENOUGH) == 0
        return cls(Nodes(nodes.position[some], nodes.tensor[some], nodes.noise[some], nodes.hole[some]))

    def swings(self, share: float) -> tuple[float, float]:
        """Return swing and nugget when a share of the scatter of the nodes is noise."""
        variance = max(float(np.mean(np.var(self.nodes.tensor, axis=0))), 1e-6)
        return float(np.sqrt((1 - share) * variance)), float(np.sqrt(share * variance))

    def misfit(self, parameters: Floats) -> tuple[float, Floats]:
        """Return minus the log posterior of the parameters, up to a constant, and its gradient."""
        stretch, swing, nugget = _unpack(parameters)
        place = (self.nodes.position - self.nodes.position.mean(axis=0)) @ stretch.T
        scaled = np.sqrt(5.0) * _distances(place, place)
        decay = swing**2 * np.exp(-scaled)
        folding = (1 + scaled + scaled**2 / 3) * decay
        covariance = folding + LEVEL**2
        covariance.flat[:: len(covariance) + 1] += self.nodes.noise + nugget**2 + 1e-9
        lower = linalg.cholesky(covariance, lower=True, check_finite=False)
        solved = linalg.cho_solve((lower, True), self.nodes.tensor, check_finite=False)
        inverse = linalg.lapack.dpotri(lower, lower=1)[0]
        inverse += np.tril(inverse, -1).T
        value = 0.5 * np.sum(solved * self.nodes.tensor) + 5 * np.sum(np.log(np.diag(lower)))
        slope = 2.5 * inverse - 0.5 * solved @ solved.T  # of the misfit by the covariance
        # With squared distance q in stretched space, dk/dq = −5/6 (1 + s) e⁻ˢ; Σ Gᵢⱼ (xᵢ−xⱼ)(xᵢ−xⱼ)ᵀ in two products.
        by_square = slope * (-5 / 6) * (1 + scaled) * decay
        origin = self.nodes.position - self.nodes.position.mean(axis=0)
        outer = 2 * (origin.T @ (by_square.sum(axis=1)[:, None] * origin) - origin.T @ by_square @ origin)
        by_stretch = 2 * stretch @ outer
        metric, volume = np.sum(stretch**2), np.exp(np.sum(parameters[:3]) * 2 / 3)
        value += ISOTROPY * (metric / volume - 3)
        by_stretch = by_stretch + ISOTROPY * 2 * stretch / volume
        by_log = np.diag(by_stretch) * np.diag(stretch) - ISOTROPY * (2 / 3) * metric / volume
        by_swing = 2 * np.sum(slope * folding)
        by_nugget = 2 * nugget**2 * np.trace(slope)
        return float(value), np.concatenate([by_log, by_stretch[_BELOW], [by_swing, by_nugget]])


class Shape(NamedTuple):
    """Parameters of a field's covariance."""

    warp: Floats
    reach: float
    swing: float
    nugget: float


def _solve(shape: Shape, centres: Floats, nodes: Nodes, lower: Floats | None = None) -> Field:
    if lower is None:
        between = correlation(_distances(centres, centres) / shape.reach)
        between.flat[:: len(between) + 1] += 1e-6
        lower = linalg.cholesky(between, lower=True, check_finite=False)
    features, _ = _features(shape, centres, lower, nodes.position)
    rows = _blocks(nodes.hole)
    there = rows >= 0
    filled = np.vstack([features, np.zeros(features.shape[1])])[rows]
    place = (nodes.position @ shape.warp.T)[rows] / shape.reach
    left = shape.swing**2 * correlation(_distances(place, place)) - filled[:, :, 1:] @ filled[:, :, 1:].swapaxes(1, 2)
    left *= there[:, :, None] & there[:, None, :]
    every = np.arange(rows.shape[1])
    left[:, every, every] = np.maximum(left[:, every, every], 0.0)
    left[:, every, every] += np.where(there, (nodes.noise + shape.nugget**2)[rows] + 1e-9, 1.0)
    inverse = np.linalg.inv(left)
    loaded = _unfilled(inverse @ filled, rows)
    precision = features.T @ loaded
    precision.flat[:: len(precision) + 1] += 1.0
    root = linalg.cholesky(precision, check_finite=False)
    weights = linalg.cho_solve((root, False), loaded.T @ nodes.tensor, check_finite=False)
    return Field(shape, centres, lower, nodes, features, loaded, inverse * there[:, :, None], rows, root, weights)


def _blocks(hole: Ints) -> Ints:
    """Return the nodes of each block, (b, q), filled up with −1: holes, long ones in parts of like size."""
    code, first, count = np.unique(hole, return_index=True, return_counts=True)
    parts = -(-count // BLOCK)
    which = np.searchsorted(code, hole)
    part = (np.arange(len(hole)) - first[which]) * parts[which] // count[which]
    offset = np.cumsum(parts) - parts
    return _padded(offset[which] + part, int(parts.sum()))


def _features(shape: Shape, centres: Floats, lower: Floats, position: Floats) -> tuple[Floats, Floats]:
    cross = correlation(_distances(centres, position @ shape.warp.T) / shape.reach)
    part = linalg.solve_triangular(lower, cross, lower=True, check_finite=False)
    lost = shape.swing**2 * np.maximum(1.0 - np.einsum("pm,pm->m", part, part), 0.0)
    return np.column_stack([np.full(len(position), LEVEL), shape.swing * part.T]), lost


def _distances(one: Floats, other: Floats) -> Floats:
    """Return distances between two lots of points, or between two lots in each of several blocks."""
    square = (one**2).sum(axis=-1)[..., :, None] + (other**2).sum(axis=-1)[..., None, :]
    return np.asarray(np.sqrt(np.maximum(square - 2 * one @ other.swapaxes(-1, -2), 0.0)))


def correlation(ratio: Floats) -> Floats:
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
