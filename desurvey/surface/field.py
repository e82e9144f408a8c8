"""The scalar field of surfaces: the estimator, its value, gradient and standard deviation anywhere.

The field s is the mean of a Gaussian random field given the data: 0 (less a level of its own) on each surface, its
gradient the picks' normals, so that close to the surface it is a distance in metres, positive on the side to which
the normals point. Farther off it is a level function, not a distance.

Notes
-----
With φ the kernel and p a linear polynomial, s(x) = Σ aⱼ φ(x − xⱼ) − Σ bₖ·∇φ(x − yₖ) + p(x): a generalised
(Hermite–Birkhoff) interpolant with radial kernel, and the co-kriging of a potential from increments and gradients,
are one system seen twice. Several conformable surfaces share one field and have a level each, unknown and estimated
with the rest, which is the same as using the increments s(xᵢ) − s(x₀) = 0 within each.

References
----------
Lajaunie, Courrioux & Manuel (1997), Mathematical Geology 29, 571–584; Hillier et al. (2014), Mathematical Geosciences
46, 931–953; Macêdo, Gois & Velho (2011), Computer Graphics Forum 30, 27–42.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.surface.equations import Equations, Held, drift_at, equations
from desurvey.surface.kernels import CHUNK, Sites, cross_covariance, field_sums, profile
from desurvey.surface.model import CovarianceModel, Options
from desurvey.surface.picks import Picks, aligned, merged, refuse_unfixed
from desurvey.surface.system import Solution

__all__ = ["Estimate", "Field", "Rival", "prepared", "solved"]

Floats = npt.NDArray[np.float64]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """The most probable field given the data: sums over sources and a linear trend.

    Attributes
    ----------
    model : Model
        Frame and covariance.
    levels : (K,) array
        Level of the potential on each surface, metres; values are counted from it.
    linear : (d,) array
        Gradient of the polynomial part, scaled coordinates.
    nodes : tuple of arrays
        Position, value weight and gradient weight of each source, scaled coordinates.
    """

    model: CovarianceModel
    levels: Floats
    linear: Floats
    nodes: tuple[Floats, Floats, Floats]

    def value(self, points: Floats, surface: int = 0) -> Floats:
        """Return the field less a surface's level at points, metres, (n,)."""
        scaled = self.model.scaled(points)
        sums, _ = field_sums(self.model.kernel, self.nodes, scaled, gradient=False)
        return sums + self._trend(points, scaled, surface)

    def value_and_gradient(self, points: Floats, surface: int = 0) -> tuple[Floats, Floats]:
        """Return the field less a surface's level, metres (n,), and its gradient in (E, N, U), (n, 3)."""
        scaled = self.model.scaled(points)
        sums, slopes = field_sums(self.model.kernel, self.nodes, scaled)
        gradient = self.model.unscaled_gradient(slopes + self.linear) + self.model.known_gradient
        return sums + self._trend(points, scaled, surface), gradient

    def _trend(self, points: Floats, scaled: Floats, surface: int) -> Floats:
        known = (points - self.model.centre) @ self.model.known_gradient
        return np.asarray(scaled @ self.linear + known - self.levels[surface])


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """A fitted field and what it takes to say how well it is known.

    Attributes
    ----------
    picks : Picks
        The picks as used: normals made to agree, near-duplicates merged.
    estimate : Estimate
        The field itself.
    system : Equations
        What was solved, without any side points: the variance comes from it.
    solution : Solution
        Its solution, which reports the condition.
    rivals : tuple of Rival
        Fields under other models that the picks allow; none where the model counts as known.
    given : (n,) array or float
        What it was solved with at its picks (:func:`desurvey.surface.equations.equations`).
    """

    picks: Picks
    estimate: Estimate
    system: Equations
    solution: Solution
    rivals: tuple[Rival, ...] = ()
    given: Floats | float = 0.0

    @property
    def model(self) -> CovarianceModel:
        """Frame and covariance."""
        return self.estimate.model

    @property
    def axes(self) -> Floats:
        """Unit vectors u, v, w in rows: w is the pole of the mean plane."""
        return self.model.axes

    @property
    def amplitude(self) -> float:
        """Variance of its waves, m²."""
        return self.model.amplitude

    @property
    def levels(self) -> Floats:
        """Level of the potential on each surface, metres, (K,)."""
        return self.estimate.levels

    @property
    def condition(self) -> float:
        """Estimated condition number of the system that was solved."""
        return self.solution.condition

    def value(self, points: Floats, surface: int = 0) -> Floats:
        """Return the field less a surface's level at points, metres, (n,)."""
        return self.estimate.value(points, surface)

    def value_and_gradient(self, points: Floats, surface: int = 0) -> tuple[Floats, Floats]:
        """Return the field less a surface's level, metres (n,), and its gradient in (E, N, U), (n, 3)."""
        return self.estimate.value_and_gradient(points, surface)

    def deviation(self, points: Floats, surface: int = 0) -> Floats:
        """Return the field's standard deviation at points, metres, (n,).

        It is that of kriging; with rivals their variances are averaged and the spread of what they say is added (the
        law of total variance). Divided by the length of the gradient it is how far the surface may lie from there,
        1-σ. Side points narrow the true spread a little; they are left out here.
        """
        if not self.rivals:
            return np.asarray(np.sqrt(self._variance(points, surface)))
        weights = np.array([weight for weight, _ in self.rivals])
        said = np.array([rival.value(points, surface) for _, rival in self.rivals])
        within = np.array([rival._variance(points, surface) for _, rival in self.rivals])
        return np.asarray(np.sqrt(weights @ (within + (said - weights @ said) ** 2)))

    def covariance(self, points: Floats) -> Floats:
        """Return the kriging covariance of the first surface's values at points with each other, m², (k, k)."""
        scaled = self.model.scaled(points)
        covariance, drift = _targets(self.system, self.model, scaled, 0, len(self.levels))
        prior = profile(self.model.kernel, cdist(scaled, scaled)).value
        return self.solution.posterior(covariance, drift, prior) * self.model.amplitude

    def holding(self, points: Floats, value: Floats) -> Field:
        """Return the field with given values at points; its uncertainty stays that of the picks alone."""
        held = solved(self.picks, self.model, Held(points, value), self.given)
        return replace(self, estimate=held.estimate)

    def _variance(self, points: Floats, surface: int) -> Floats:
        """Return the kriging variance under the field's own model."""
        scaled = self.model.scaled(points)
        out = np.empty(len(points))
        step = max(1, 2 * CHUNK // self.system.sites.size)
        for start in range(0, len(points), step):
            part = slice(start, start + step)
            covariance, drift = _targets(self.system, self.model, scaled[part], surface, len(self.levels))
            out[part] = self.solution.variance(covariance, drift, _prior(self.model))
        return out * self.model.amplitude


@shown
class Rival(NamedTuple):
    """A field under another model, and the probability of that model."""

    weight: float
    field: Field


def _targets(
    system: Equations, model: CovarianceModel, scaled: Floats, surface: int, levels: int
) -> tuple[Floats, Floats]:
    """Return what a kriging variance asks for: covariances (N, M) and drift (m, M) of values at scaled points."""
    drift = drift_at(scaled, surface, levels).T
    return cross_covariance(model.kernel, system.sites, scaled), drift


def _prior(model: CovarianceModel) -> float:
    return float(profile(model.kernel, np.zeros(1)).value[0])


def prepared(picks: Picks, options: Options) -> Picks:
    """Return picks ready for fitting: normals agree, near-duplicates are one; refuse what can't fix a surface."""
    on = picks.position[picks.surface >= 0]
    if not len(on):
        raise DataProblem("a surface needs at least one pick on it")
    if len(np.unique(picks.surface[picks.surface >= 0])) != picks.surfaces:
        raise DataProblem(f"each of the {picks.surfaces} surfaces needs at least one pick on it")
    refuse_unfixed(picks)
    extent = float(np.linalg.norm(np.ptp(picks.position, axis=0)))
    return merged(aligned(picks), options.merge * extent)


def solved(picks: Picks, model: CovarianceModel, held: Held | None = None, value: Floats | float = 0.0) -> Field:
    """Return the field of prepared picks under a given model (:func:`desurvey.surface.equations.equations`)."""
    system = equations(picks, model, held, value)
    solution = system.solved(model)
    level, linear = np.split(solution.drift, [picks.surfaces])
    estimate = Estimate(model, level, linear, _nodes(system.sites, solution.weights))
    return Field(picks, estimate, system, solution, given=value)


def _nodes(sites: Sites, weights: Floats) -> tuple[Floats, Floats, Floats]:
    """Return sources with the weights of value and gradient together where they stand at one point."""
    n, g = len(sites.values), len(sites.gradients)
    value, slope = weights[:n], weights[n:].reshape(sites.dimensions, g).T
    both = np.vstack([sites.values, sites.gradients])
    position, place = np.unique(both, axis=0, return_inverse=True)
    a, b = np.zeros(len(position)), np.zeros_like(position)
    np.add.at(a, place[:n], value)
    np.add.at(b, place[n:], slope)
    return position, a, b
