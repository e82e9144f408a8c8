"""Radial kernels with two derivatives, and the covariance between values and gradients of a random field.

A field s with covariance φ(|x − y|) has, with d = x − y, φ₁ = φ′/r and φ₂ = (φ″ − φ′/r)/r²::

    cov(s(x),  s(y))  =  φ                cov(s(x),  ∇s(y)) = −φ₁ d
    cov(∇s(x), s(y))  =  φ₁ d             cov(∇s(x), ∇s(y)) = −(φ₁ I + φ₂ d dᵀ)

These are the blocks of the generalised (Hermite–Birkhoff) system. Functionals are ordered: all values, then the
first, second (and third) components of all gradients. Coordinates are already centred, turned and scaled.

References
----------
Wendland (2005), Scattered Data Approximation, chapter 16: Hermite–Birkhoff interpolation and its block system.
Duchon (1977), Lecture Notes in Mathematics 571, 85–100: φ = r³ asks for a linear polynomial. Rasmussen & Williams
(2006), Gaussian Processes for Machine Learning, eq. 4.17: the Matérn covariance. Chilès & Delfiner (2012),
Geostatistics, section 4.5: generalised covariances.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from desurvey.shown import shown

__all__ = ["CHUNK", "Kernel", "Profile", "Sites", "covariance", "cross_covariance", "field_sums", "profile"]

Floats = npt.NDArray[np.float64]
Kernel = Literal["cubic", "matern32", "matern52"]

CHUNK = 1 << 18
"""Pairs handled at a time: 2 MiB a temporary array, so that the passes over it stay in the processor's cache."""


@shown
class Profile(NamedTuple):
    """φ, φ₁ = φ′/r and φ₂ = (φ″ − φ′/r)/r² at given distances.

    φ₂ of r³ and of Matérn 3/2 grows as 1/r; at r = 0, where it is only ever multiplied by d dᵀ = 0, it is given as 0.
    """

    value: Floats
    first: Floats
    second: Floats


@shown
class Sites(NamedTuple):
    """Where a field's values (n, d) and its gradients (g, d) are taken, in d = 2 or 3 scaled coordinates."""

    values: Floats
    gradients: Floats

    @property
    def size(self) -> int:
        """Number of functionals, n + d g."""
        return len(self.values) + self.gradients.size

    @property
    def dimensions(self) -> int:
        """Number of coordinates, d."""
        return int(self.values.shape[1])


def profile(kernel: Kernel, distance: Floats) -> Profile:
    """Return a kernel's profile at scaled distances.

    *cubic* is r³, a generalised covariance with no range of its own; the others are the Matérn covariances of
    smoothness 3/2 and 5/2 and range 1. All have the second derivative at 0 that gradient data need; r and r² log r do
    not.

    Examples
    --------
    >>> profile("cubic", np.array([0.0, 2.0])).value
    array([0., 8.])
    """
    if kernel == "cubic":
        return Profile(distance**2 * distance, 3.0 * distance, _over(3.0, distance))
    if kernel == "matern32":
        scaled = np.sqrt(3.0) * distance
        decay = np.exp(-scaled)
        return Profile((1.0 + scaled) * decay, -3.0 * decay, _over(np.sqrt(27.0) * decay, distance))
    scaled = np.sqrt(5.0) * distance
    decay = np.exp(-scaled)
    first = (-5.0 / 3.0) * (1.0 + scaled) * decay
    return Profile((1.0 + scaled + scaled**2 / 3.0) * decay, first, (25.0 / 3.0) * decay)


def _over(share: Floats | float, distance: Floats) -> Floats:
    """Return a share over the distance, 0 where that is 0."""
    return np.divide(share, distance, out=np.zeros_like(distance), where=distance > 0.0)


def covariance(kernel: Kernel, sites: Sites) -> Floats:
    """Return the lower triangle of the covariance of all functionals with each other, shape (N, N), column-major.

    What stands above the diagonal is not meant to be read. N = n + d g; the cost is N²/2 kernel values and as much
    memory as the matrix itself.
    """
    n, g = len(sites.values), len(sites.gradients)
    out = np.zeros((sites.size, sites.size), order="F")
    step = max(1, CHUNK // max(n, g, 1))
    together = np.array_equal(sites.values, sites.gradients)  # the same distances three times over
    for start in range(0, n, step):
        part = slice(start, min(start + step, n))
        source = sites.values[part]
        near = profile(kernel, cdist(sites.values, source))
        out[:n, part] = near.value
        first = near.first if together else profile(kernel, cdist(sites.gradients, source)).first
        gaps = [_gap(sites.gradients, source, i) for i in range(sites.dimensions)]
        for i, gap in enumerate(gaps):
            out[n + i * g : n + (i + 1) * g, part] = first * gap
        if together:
            _gradient_columns(out, part, (n, g), near, gaps)
    for start in () if together else range(0, g, step):
        part = slice(start, min(start + step, g))
        source = sites.gradients[part]
        gaps = [_gap(sites.gradients, source, i) for i in range(sites.dimensions)]
        _gradient_columns(out, part, (n, g), profile(kernel, cdist(sites.gradients, source)), gaps)
    return out


def _gradient_columns(out: Floats, part: slice, counts: tuple[int, int], near: Profile, gaps: list[Floats]) -> None:
    """Fill the gradient-to-gradient blocks of some columns, on and below the diagonal of blocks."""
    n, g = counts
    for j, gap in enumerate(gaps):
        columns = slice(n + j * g + part.start, n + j * g + part.stop)
        along = near.second * gap
        for i in range(j, len(gaps)):
            block = along * gaps[i]
            if i == j:
                block += near.first
            np.negative(block, out=out[n + i * g : n + (i + 1) * g, columns])


def cross_covariance(kernel: Kernel, sites: Sites, points: Floats) -> Floats:
    """Return the covariance of all functionals with the field's values at points, shape (N, M), column-major."""
    n, g = len(sites.values), len(sites.gradients)
    out = np.empty((sites.size, len(points)), order="F")
    out[:n] = profile(kernel, cdist(sites.values, points)).value
    first = profile(kernel, cdist(sites.gradients, points)).first
    for i in range(sites.dimensions):
        out[n + i * g : n + (i + 1) * g] = first * _gap(sites.gradients, points, i)
    return out


def _gap(to: Floats, origin: Floats, axis: int) -> Floats:
    return to[:, axis, None] - origin[None, :, axis]


def field_sums(
    kernel: Kernel, nodes: tuple[Floats, Floats, Floats], points: Floats, gradient: bool = True
) -> tuple[Floats, Floats]:
    """Return Σ aφ − φ₁ (d·b) over the nodes, and its gradient, at points.

    Parameters
    ----------
    kernel : {"cubic", "matern32", "matern52"}
        The kernel.
    nodes : (position (k, d), a (k,), b (k, d))
        Sources: the weight of the value and of the gradient at each; zero where a node has none.
    points : (M, d) array
        Where to evaluate, in the same scaled coordinates.
    gradient : bool
        Whether the gradient is wanted; without it the second array is empty.

    Returns
    -------
    values : (M,) array
    gradients : (M, d) array
    """
    position, weight, slope = nodes
    offset = np.einsum("ij,ij->i", position, slope)
    values = np.empty(len(points))
    gradients = np.empty((len(points) if gradient else 0, points.shape[1]))
    step = max(1, CHUNK // max(1, len(position)))
    for start in range(0, len(points), step):
        part = slice(start, start + step)
        here = points[part]
        shape = profile(kernel, cdist(here, position))
        along = here @ slope.T - offset
        values[part] = shape.value @ weight - np.einsum("ij,ij->i", shape.first, along)
        if gradient:
            pull = shape.first * weight - shape.second * along
            gradients[part] = here * pull.sum(axis=1)[:, None] - pull @ position - shape.first @ slope
    return values, gradients
