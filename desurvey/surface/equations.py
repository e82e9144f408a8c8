"""From picks and a model to the kriging system: functionals, drift, data and nuggets.

References
----------
Lajaunie, Courrioux & Manuel (1997), Mathematical Geology 29, 571–584: increments and gradients as data, and the field
as a potential whose gradient has unit length at the data only by convention; ``stretch`` is the freedom that leaves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown
from desurvey.surface.kernels import Sites, covariance
from desurvey.surface.model import CovarianceModel
from desurvey.surface.picks import Picks
from desurvey.surface.system import Solution, solve

__all__ = ["Equations", "Framed", "Held", "drift_at", "equations"]

Floats = npt.NDArray[np.float64]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Equations:
    """The kriging system of picks under a model: functionals, drift, data, nuggets."""

    sites: Sites
    drift: Floats
    data: Floats
    value_nugget: Floats
    gradient_nugget: Floats

    def solved(self, model: CovarianceModel) -> Solution:
        """Return the solution, in units of the model's amplitude."""
        return solve(self._assembler(model), self.drift, self.data)

    def _assembler(self, model: CovarianceModel) -> Callable[[], Floats]:
        n, g = len(self.sites.values), len(self.sites.gradients)
        rows = np.arange(g)

        def assemble() -> Floats:
            matrix = covariance(model.kernel, self.sites)
            matrix[np.arange(n), np.arange(n)] += self.value_nugget / model.amplitude
            for j in range(self.sites.dimensions):
                for i in range(j, self.sites.dimensions):
                    matrix[n + i * g + rows, n + j * g + rows] += self.gradient_nugget[:, i, j] / model.amplitude
            return matrix

        return assemble


@shown
class Held(NamedTuple):
    """Points at which the field of the first surface is held to a value, in metres: (k, 3) and (k,)."""

    position: Floats
    value: Floats


def drift_at(points: Floats, surface: npt.NDArray[np.int64] | int, levels: int) -> Floats:
    """Return the drift's functions under values less a surface's level: −1 for that level, then the coordinates."""
    out = np.zeros((len(points), levels + points.shape[1]))
    out[np.arange(len(points)), surface] = -1.0
    out[:, levels:] = points
    return out


def equations(picks: Picks, model: CovarianceModel, held: Held | None = None, value: Floats | float = 0.0) -> Equations:
    """Return the system of picks (aligned and merged) under a model.

    Parameters
    ----------
    picks, model
        Picks, and the model of the field through them.
    held : Held, optional
        Points at which its value is given.
    value : (n,) array or float
        Values of the field, less its surface's level, at the picks: 0, unless levels are known beforehand.
    """
    return Framed.of(picks, model, held, value).under(model)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Framed:
    """What picks give to every system whose model has the same frame: only scales and amplitudes are left open.

    Attributes
    ----------
    values, gradients : (n, d) and (g, d) arrays
        Where values and gradients are taken, metres along the frame's axes.
    drift : (N, m) array
        The drift's functions; the coordinates under values are left to the scale.
    target, value_nugget : (n,) arrays
        Values and their variances.
    slope, spread : (g, d) and (g, d, d) arrays
        Gradients per metre and their covariances.
    """

    values: Floats
    gradients: Floats
    drift: Floats
    target: Floats
    value_nugget: Floats
    slope: Floats
    spread: Floats

    @classmethod
    def of(cls, picks: Picks, model: CovarianceModel, held: Held | None = None, value: Floats | float = 0.0) -> Framed:
        """Return it for a model's frame, form and stretch; the arguments are those of :func:`equations`."""
        on, oriented = picks.surface >= 0, picks.oriented
        where, surface = picks.position[on], picks.surface[on]
        target, nugget = np.broadcast_to(value, len(picks))[on], _value_nugget(picks, model)[on]
        if held is not None:
            k = len(held.value)
            where, surface = np.vstack([where, held.position]), np.append(surface, np.zeros(k, dtype=np.int64))
            target, nugget = np.append(target, held.value), np.append(nugget, np.zeros(k))
        axes = model.axes[: model.dimensions]
        values, gradients = (where - model.centre) @ axes.T, (picks.position[oriented] - model.centre) @ axes.T
        drift = np.vstack([drift_at(values, surface, picks.surfaces), _slope_drift(gradients, picks.surfaces)])
        slope, spread = _gradients(picks, model)
        target = target - (where - model.centre) @ model.known_gradient
        return cls(values, gradients, drift, target, nugget, slope[oriented], spread[oriented])

    def under(self, model: CovarianceModel) -> Equations:
        """Return the system under a model of this frame."""
        n, d = self.values.shape
        scale = model.scale[:d]
        sites = Sites(self.values * scale, self.gradients * scale)
        drift = self.drift.copy()
        drift[:n, -d:] = sites.values
        data = np.concatenate([self.target, (self.slope / scale).T.ravel()])
        return Equations(sites, drift, data, self.value_nugget, self.spread / (scale[:, None] * scale))


def _slope_drift(gradients: Floats, levels: int) -> Floats:
    """Return the drift's functions under gradients: each coordinate's own component is 1."""
    g, d = gradients.shape
    return np.hstack([np.zeros((d * g, levels)), np.repeat(np.eye(d), g, axis=0)])


def _gradient_of(picks: Picks, model: CovarianceModel) -> Floats:
    """Return the gradient that the field should have at each pick, (E, N, U).

    It is the unit normal, or in the height form the normal of which the part along w is 1; where none was measured,
    that of the mean plane.
    """
    normal = np.where(picks.oriented[:, None], picks.normal, model.axes[2])
    return np.asarray(normal if model.dimensions == 3 else normal / (normal @ model.axes[2])[:, None])


def _value_nugget(picks: Picks, model: CovarianceModel) -> Floats:
    """Return the variance of the field's value at picks that comes from their positions, m²."""
    gradient = _gradient_of(picks, model)
    return np.asarray(np.einsum("ni,nij,nj->n", gradient, picks.covariance, gradient))


def _gradients(picks: Picks, model: CovarianceModel) -> tuple[Floats, Floats]:
    """Return gradient data and their covariance along the frame's axes, (n, d) and (n, d, d).

    Implicit form: pole σ across the normal, the stretch along it. Height form: g = n / (n·w), and so
    δg = (I − g wᵀ) δn / (n·w).
    """
    d = model.dimensions
    gradient = _gradient_of(picks, model) @ model.axes.T
    length = np.linalg.norm(gradient, axis=1)
    unit = gradient / length[:, None]
    variance = np.deg2rad(picks.pole_sigma_deg) ** 2
    outer = unit[:, :, None] * unit[:, None, :]
    spread = variance[:, None, None] * (np.eye(3) - outer)
    if d == 3:
        spread = spread + np.where(variance > 0.0, model.stretch**2, 0.0)[:, None, None] * outer
    else:
        turn = length[:, None, None] * (np.eye(3) - gradient[:, :, None] * np.array([0.0, 0.0, 1.0]))
        spread = turn @ spread @ np.swapaxes(turn, 1, 2)
    return gradient[:, :d], spread[:, :d, :d]
