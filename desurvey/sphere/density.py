"""Density of axes over the net, as the number of standard deviations by which it departs from an even spread.

Both ways put a counter at a direction g and sum a kernel K(|g · x|) over the axes. For n axes spread evenly c = |g · x|
is even on [0, 1], so with m₁ and m₂ the first two moments of K over it the sum has mean n m₁ and standard deviation
σ = √(n (m₂ − m₁²)). Values are (sum − n m₁)/σ. The size of the counter follows Kamb's rule, that the mean be k σ
(k = 3): a small sample gets a wide counter, a large one a sharp one.

* *Kamb*: K = 1 within a cap of the fraction a of the half sphere, half-angle arccos(1 − a). m₁ = m₂ = a, and the rule
  gives a = k²/(n + k²).
* *exponential*: K = exp(f (c − 1)). m₁ = (1 − e^−f)/f, m₂ = (1 − e^−2f)/2f, and the rule gives
  (2/f) tanh(f/2) = k²/(n + k²).

With weights n is the effective number (Σw)²/Σw², and the weights are scaled to add up to it.

Reference
---------
Kamb (1959), Journal of Geophysical Research 64, 1891–1909. The exponential counter by the same rule is our own algebra.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.sphere.projection import from_equal_area
from desurvey.sphere.sampling import effective_number

__all__ = ["NetGrid", "exponential_density", "kamb_density", "kamb_fraction", "net_grid"]

Floats = npt.NDArray[np.float64]

KAMB_SIGMAS = 3.0
"""Kamb (1959): the expected count is three of its standard deviations."""


@shown
class NetGrid(NamedTuple):
    """Square grid over an equal-area net, for contouring.

    Attributes
    ----------
    x, y : (m, m) arrays
        Plane coordinates; the rim of the net has radius 1, and the corners lie on the last circle, radius √2.
    directions : (m, m, 3) array
        Unit vectors; those beyond the rim point up, and as axes carry the contours over it. Clip at the rim.
    """

    x: Floats
    y: Floats
    directions: Floats


def net_grid(count: int = 81) -> NetGrid:
    """Return a grid of count × count points over the equal-area net."""
    line = np.linspace(-1.0, 1.0, count)
    x, y = np.meshgrid(line, line)
    return NetGrid(x, y, from_equal_area(np.stack([x, y], axis=-1)))


def kamb_fraction(number: float, sigmas: float = KAMB_SIGMAS) -> float:
    """Return the fraction of the half sphere that Kamb's counter covers for a number of axes.

    >>> round(kamb_fraction(100), 6)
    0.082569
    """
    return sigmas**2 / (number + sigmas**2)


def kamb_density(
    axes: Floats, directions: Floats, weights: Floats | None = None, sigmas: float = KAMB_SIGMAS
) -> Floats:
    """Return Kamb's density of axes at directions, in standard deviations from an even spread.

    Parameters
    ----------
    axes : (n, 3) array
        Unit vectors; the sign of each is of no effect.
    directions : (..., 3) array
        Where to count, e.g. :attr:`NetGrid.directions`.
    weights : (n,) array, optional
        Weights ≥ 0, e.g. Terzaghi's.
    sigmas : float
        k of Kamb's rule.

    Returns
    -------
    (...) array
        Steps, as counting within a cap is. A common first contour is 2.

    Raises
    ------
    DataProblem
        Without any axis.
    """
    weights, number = _scaled(axes, weights)
    fraction = kamb_fraction(number, sigmas)
    counted = _summed(axes, directions, weights, lambda cosine: (cosine >= 1.0 - fraction).astype(float))
    return np.asarray((counted - number * fraction) / np.sqrt(number * fraction * (1.0 - fraction)))


def exponential_density(
    axes: Floats, directions: Floats, weights: Floats | None = None, sigmas: float = KAMB_SIGMAS
) -> Floats:
    """Return the density of axes at directions with the smooth counter, in standard deviations from an even spread.

    Parameters, errors and units are those of :func:`kamb_density`.
    """
    weights, number = _scaled(axes, weights)
    sharpness = _sharpness(kamb_fraction(number, sigmas))
    first = -np.expm1(-sharpness) / sharpness
    second = -np.expm1(-2 * sharpness) / (2 * sharpness)
    counted = _summed(axes, directions, weights, lambda cosine: _decay(cosine, sharpness))
    return np.asarray((counted - number * first) / np.sqrt(number * (second - first**2)))


def _decay(cosine: Floats, sharpness: float) -> Floats:
    """Return exp(f (c − 1)), written over c. What is below e⁻⁶⁰ is held there: processors are slow on tiny numbers."""
    cosine -= 1.0
    cosine *= sharpness
    np.maximum(cosine, -60.0, out=cosine)
    return np.asarray(np.exp(cosine, out=cosine))


def _sharpness(fraction: float) -> float:
    """Return the f of (2/f) tanh(f/2) = fraction by fixed-point steps from above, which close in on it."""
    sharpness = 2.0 / fraction
    for _ in range(200):
        sharpness = 2.0 / fraction * float(np.tanh(sharpness / 2))
    return sharpness


def _scaled(axes: Floats, weights: Floats | None) -> tuple[Floats, float]:
    """Return weights that add up to the effective number, and that number."""
    weights = np.ones(len(axes)) if weights is None else weights
    if not weights.sum() > 0.0:
        raise DataProblem("a density needs at least one axis", value=f"{len(axes)} axes")
    number = effective_number(weights)
    return weights * (number / weights.sum()), number


BLOCK = 500_000
"""Pairs of axis and direction done at a time: 4 MB, to stay in the processor's cache."""


def _summed(axes: Floats, directions: Floats, weights: Floats, kernel: Callable[[Floats], Floats]) -> Floats:
    """Return Σ w K(|g · x|) at each direction."""
    flat = directions.reshape(-1, 3)
    out = np.empty(len(flat))
    step = max(1, BLOCK // len(axes))
    for first in range(0, len(flat), step):
        rows = slice(first, first + step)
        out[rows] = kernel(np.abs(flat[rows] @ axes.T)) @ weights
    return out.reshape(directions.shape[:-1])
