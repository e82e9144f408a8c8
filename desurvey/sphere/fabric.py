"""The orientation tensor of axes and what its eigenvalues say of their fabric.

References
----------
Scheidegger (1965), U.S. Geological Survey Professional Paper 525-C, 164–167; Watson (1966), Journal of Geology 74,
786–797: the tensor (from memory). Woodcock (1977), Geological Society of America Bulletin 88, 1231–1236: shape and
strength.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = ["Fabric", "fabric_shape", "folded", "orientation_tensor"]

Floats = npt.NDArray[np.float64]


@shown
class Fabric(NamedTuple):
    """Eigenvalues and axes of an orientation tensor.

    Attributes
    ----------
    values : (3,) array
        S₁ ≥ S₂ ≥ S₃, adding up to 1.
    axes : (3, 3) array
        Row k is the axis of value k, pointing down. Row 0 is the mean axis of a cluster, row 2 the axis about which a
        girdle of poles lies: the fold axis.
    shape : float
        Woodcock's K = ln(S₁/S₂) / ln(S₂/S₃): above 1 a cluster, below 1 a girdle. NaN where both are nothing.
    strength : float
        Woodcock's C = ln(S₁/S₃): 0 for no preferred orientation.
    """

    values: Floats
    axes: Floats
    shape: float
    strength: float


def orientation_tensor(axes: Floats, weights: Floats | None = None) -> Floats:
    """Return T = Σ w x xᵀ / Σ w, shape (3, 3).

    Parameters
    ----------
    axes : (n, 3) array
        Unit vectors; the sign of each is of no effect.
    weights : (n,) array, optional
        Weights ≥ 0, e.g. Terzaghi's; even if not given.

    Raises
    ------
    DataProblem
        Without any axis of weight above 0.

    Examples
    --------
    >>> orientation_tensor(np.eye(3)).round(3)
    array([[0.333, 0.   , 0.   ],
           [0.   , 0.333, 0.   ],
           [0.   , 0.   , 0.333]])
    """
    weights = np.ones(len(axes)) if weights is None else weights
    total = weights.sum()
    if not total > 0.0:
        raise DataProblem("an orientation tensor needs at least one axis", value=f"{len(axes)} axes")
    tensor = (axes.T * weights) @ axes / total
    return np.asarray((tensor + tensor.T) / 2)


def fabric_shape(tensor: Floats) -> Fabric:
    """Return eigenvalues, axes and Woodcock's shape and strength of an orientation tensor."""
    values, vectors = np.linalg.eigh(tensor)
    values = np.clip(values[::-1], 0.0, None)
    axes = vectors.T[::-1]
    axes = np.where(axes[:, 2:] > 0.0, -axes, axes)
    with np.errstate(divide="ignore", invalid="ignore"):
        first, second, third = np.log(values)
        shape = np.divide(first - second, second - third)
        strength = first - third
    return Fabric(values, axes, float(shape), float(strength))


def folded(axes: Floats, about: Floats) -> Floats:
    """Return the axes turned, where needed, to the side of the axis ``about`` (3,): each within 90° of it."""
    return np.where((axes @ about)[:, None] < 0.0, -axes, axes)
