"""Watson's law of axes: f(x) ∝ exp(κ (μ · x)²), a cluster about ±μ for κ > 0 and a girdle square to it for κ < 0.

Densities are per steradian of the half sphere, on which an even spread has 1/2π. For a tight cluster the scatter in any
one direction is 1/√(2κ) radians: half the κ of the Fisher law that scatters as much.

Reference
---------
Watson (1965), Biometrika 52, 193–201 (from memory). The integrals are elementary: with t = μ · x, even on [0, 1]
before weighting, ∫ exp(κ t²) dt is e^κ D(√κ)/√κ (D: Dawson's integral) or √π erf(√−κ)/(2√−κ).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import dawsn, erf

__all__ = ["watson_kappa", "watson_log_density"]

Floats = npt.NDArray[np.float64]

FLAT = 1e-3
"""|κ| below which the series about κ = 0 is used: there both are right to some 1e-11."""


def watson_log_density(square: Floats, kappa: npt.ArrayLike) -> Floats:
    """Return the log density per steradian of the half sphere of axes with (μ · x)² = ``square``."""
    kappa = np.asarray(kappa, dtype=float)
    return np.asarray(kappa * (square - 1.0) - np.log(2 * np.pi) - _log_integral(kappa))


def watson_kappa(mean_square: npt.ArrayLike) -> Floats:
    """Return the maximum likelihood κ for a mean of (μ · x)², an eigenvalue of the orientation tensor.

    Parameters
    ----------
    mean_square : array_like
        0 to 1. Above 1/3 a cluster (κ > 0), below a girdle (κ < 0); 1 gives inf, 0 −inf.

    Notes
    -----
    Newton's method on 1/(1 − mean) for clusters and on 1/mean for girdles: both are nearly linear in κ.

    Examples
    --------
    >>> watson_kappa([1 / 3, 0.98]).round(2) + 0.0
    array([ 0.  , 50.52])
    """
    given = np.clip(np.asarray(mean_square, dtype=float), 0.0, 1.0)  # rounding leaves eigenvalues a little outside
    cluster = given >= 1.0 / 3.0
    with np.errstate(divide="ignore"):
        exact = 1.0 / np.where(cluster, 1.0 - given, given)
    target = np.minimum(exact, TIGHT)
    kappa = np.where(cluster, target - 1.5, 1.5 - target / 2)
    for _ in range(STEPS):
        mean, variance = _moments(kappa)
        gap = np.where(cluster, 1.0 - mean, mean)
        slope = np.where(cluster, 1.0, -1.0) * variance / gap**2
        kappa = kappa - (1.0 / gap - target) / slope
    return np.asarray(np.where(exact < TIGHT, kappa, np.where(cluster, exact + 0.5, -exact / 2)))


TIGHT = 1e5
"""1/(1 − mean) or 1/mean from which the first terms of κ's series, 1/(1 − mean) + 1/2 or −1/(2 mean), are exact."""

STEPS = 6
"""Newton steps: six reach the last digits from any start; the rest cost nothing."""


def _log_integral(kappa: Floats) -> Floats:
    """Return log ∫₀¹ exp(κ (t² − 1)) dt."""
    size = np.maximum(np.abs(kappa), FLAT)
    root = np.sqrt(size)
    tight = np.log(dawsn(root) / root)
    flat = size + np.log(np.sqrt(np.pi) * erf(root) / (2 * root))
    series = np.log1p(np.where(np.abs(kappa) < FLAT, kappa * (-2 / 3 + kappa * (4 / 15 - 8 * kappa / 105)), 0.0))
    return np.asarray(np.where(np.abs(kappa) < FLAT, series, np.where(kappa > 0.0, tight, flat)))


def _moments(kappa: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance of t² = (μ · x)²."""
    size = np.where(np.abs(kappa) < FLAT, FLAT, kappa)
    edge = np.exp(-_log_integral(size))
    mean = (edge - 1.0) / (2 * size)
    variance = (edge - 3.0 * mean) / (2 * size) - mean**2
    small = np.abs(kappa) < FLAT
    mean = np.where(small, 1 / 3 + 4 * kappa / 45 + 8 * kappa**2 / 945, mean)
    return mean, np.where(small, 4 / 45 + 16 * kappa / 945, variance)
