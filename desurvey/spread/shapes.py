"""Covariances as shapes that can be drawn: ellipsoids around positions and cones around poles."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown

__all__ = ["Cones", "Ellipsoids", "cones", "ellipsoids"]

Floats = npt.NDArray[np.float64]


@shown
class Ellipsoids(NamedTuple):
    """Ellipsoids that hold the true position with a stated probability.

    Attributes
    ----------
    semi_axes : (n, 3) array
        Metres, longest first.
    directions : (n, 3, 3) array
        Row k is the unit vector (E, N, U) of semi-axis k; the three are right-handed.
    """

    semi_axes: Floats
    directions: Floats


@shown
class Cones(NamedTuple):
    """Elliptical cones about unit normals that hold the true normal with a stated probability.

    Attributes
    ----------
    half_angles_deg : (n, 2) array
        Widest first, at most 90.
    directions : (n, 2, 3) array
        Unit vectors square to the normal and to each other: the normal tipped by half-angle k towards row k lies on
        the cone.
    """

    half_angles_deg: Floats
    directions: Floats


def ellipsoids(covariance: Floats, probability: float = 0.95) -> Ellipsoids:
    """Return the ellipsoids of position covariances (n, 3, 3) in m².

    The semi-axes are the square roots of the eigenvalues times √χ²₃(probability), 2.795 at 95 %.

    Examples
    --------
    >>> ellipsoids(np.diag([1.0, 4.0, 9.0])[None]).semi_axes.round(3)
    array([[8.386, 5.591, 2.795]])
    """
    semi_axes, directions = _axes(covariance, 3, probability)
    directions[:, 2] *= np.sign(np.linalg.det(np.nan_to_num(directions)))[:, None]
    return Ellipsoids(semi_axes, directions)


def cones(covariance: Floats, probability: float = 0.95) -> Cones:
    """Return the cones of pole covariances (n, 3, 3) in rad².

    The half-angles are the square roots of the two larger eigenvalues times √χ²₂(probability), 2.448 at 95 %.
    """
    half_angles, directions = _axes(covariance, 2, probability)
    return Cones(np.minimum(np.rad2deg(half_angles[:, :2]), 90.0), directions[:, :2])


def _axes(covariance: Floats, degrees_of_freedom: int, probability: float) -> tuple[Floats, Floats]:
    from scipy.special import chdtri  # a fifth of a second that commands without ellipsoids needn't wait

    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1, not {probability}")
    known = np.asarray(np.isfinite(covariance).all(axis=(1, 2)))
    values, vectors = np.linalg.eigh(np.where(known[:, None, None], covariance, np.eye(3)))
    size = np.sqrt(np.clip(values[:, ::-1], 0.0, None) * chdtri(degrees_of_freedom, 1.0 - probability))
    directions = vectors.transpose(0, 2, 1)[:, ::-1]
    return np.where(known[:, None], size, np.nan), np.where(known[:, None, None], directions, np.nan)
