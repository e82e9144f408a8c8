"""What a hole sees and doesn't see: weights against its sampling bias, and the zone of poles it is blind to.

A hole meets planes of a set in proportion to sin α, α being their angle to it. Weights 1/sin α make up for that, but no
weight makes up for planes that were never met: near α = 0 they are capped.

References
----------
Terzaghi (1965), Géotechnique 15, 287–304: the weights. Goodman (1976), as given by Brady & Brown, Rock Mechanics for
Underground Mining: not to be used for α below 20°.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["TERZAGHI_CAP_DEG", "blind_zone", "effective_number", "squarest", "terzaghi_weights"]

Floats = npt.NDArray[np.float64]

TERZAGHI_CAP_DEG = 20.0
"""Alpha below which weights grow no more (they are 2.92 there), and below which a hole is called blind."""


def terzaghi_weights(normal: Floats, tangent: Floats, cap_deg: float = TERZAGHI_CAP_DEG) -> Floats:
    """Return 1/sin α of planes met by holes, no more than 1/sin(cap), shape (n,).

    Parameters
    ----------
    normal : (n, 3) array
        Unit normals, of either sign.
    tangent : (n, 3) or (3,) array
        Unit tangent of the hole at each plane.
    cap_deg : float
        Alpha in degrees, above 0 and up to 90, below which the weight stays what it is there.

    Examples
    --------
    >>> terzaghi_weights(np.array([[0, 0, 1.0], [1.0, 0, 0]]), np.array([0, 0, -1.0])).round(6)
    array([1.      , 2.923804])
    """
    if not 0.0 < cap_deg <= 90.0:
        raise ValueError(f"cap_deg must lie above 0 and up to 90, not {cap_deg}")
    sine = np.abs(np.sum(normal * tangent, axis=-1))
    return np.asarray(1.0 / np.maximum(sine, np.sin(np.deg2rad(cap_deg))))


def effective_number(weights: Floats) -> float:
    """Return the number of even weights that know as much, (Σw)²/Σw².

    >>> effective_number(np.ones(7))
    7.0
    """
    return float(weights.sum() ** 2 / np.sum(weights**2))


def blind_zone(tangents: Floats, poles: Floats, limit_deg: float = TERZAGHI_CAP_DEG) -> npt.NDArray[np.bool_]:
    """Return which poles each hole is blind to, shape (h, g): planes at less than ``limit_deg`` to the hole.

    Parameters
    ----------
    tangents : (h, 3) array
        Unit tangents of holes, or of pieces of curved ones. What none of them sees is ``.all(axis=0)``.
    poles : (g, 3) array
        Unit poles of planes, e.g. the directions of :func:`desurvey.sphere.net_grid`.
    limit_deg : float
        Alpha in degrees.

    Notes
    -----
    The zone is a band along the great circle square to the hole, between the small circles at 90° ± limit about it. It
    holds the share sin(limit) of all poles: 0.34 at 20°.
    """
    return np.asarray(np.abs(tangents @ poles.T) < np.sin(np.deg2rad(limit_deg)))


def squarest(tangents: Floats, poles: Floats) -> Floats:
    """Return how squarely planes are met by that of many holes which meets them best: sin α, shape (g,).

    Parameters
    ----------
    tangents : (h, 3) array
        Unit tangents of holes, or of pieces of curved ones; without any the answer is 0.
    poles : (g, 3) array
        Unit poles of planes.

    Notes
    -----
    ``squarest(...) < sin(limit)`` is ``blind_zone(..., limit).all(axis=0)`` for any limit, and the value for more holes
    is the greater of the values for each part of them. Holes are taken :data:`HOLES_AT_ONCE` at a time.

    Examples
    --------
    >>> squarest(np.array([[0, 0, -1.0], [0, 1.0, 0]]), np.array([[0, 0.6, 0.8], [1.0, 0, 0]])).tolist()
    [0.8, 0.0]
    """
    best = np.zeros(len(poles))
    for first in range(0, len(tangents), HOLES_AT_ONCE):
        sine = np.abs(tangents[first : first + HOLES_AT_ONCE] @ poles.T)
        np.maximum(best, sine.max(axis=0), out=best)
    return best


HOLES_AT_ONCE = 64
"""Directions of holes whose angles with all poles are held in memory together."""
