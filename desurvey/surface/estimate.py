"""Find the covariance models that fit picks: the best one, and its rivals with their probabilities.

Distances along v (and w) are shortened by factors, for waves may be long one way (folds, corrugations). The factors,
the steepness of waves, their range and their smoothness (the Matérn kernel's) have a restricted likelihood given the
picks, and weak priors. The surface is drawn with the most probable model. How well it is known also hangs on the
other models that the picks allow, most of all where picks are few, so the likelihood's neighbourhood is walked on a
lattice and a handful of rivals is kept, spread over it in proportion to probability.

References
----------
Patterson & Thompson (1971), Biometrika 58, 545–554; Chilès & Delfiner (2012), Geostatistics, 2nd ed., section 2.6
(restricted likelihood). Handcock & Stein (1993), Technometrics 35, 403–410 (averaging kriging over the posterior of the
covariance's parameters, smoothness among them). Kitagawa (1996), Journal of Computational and Graphical Statistics 5,
1–25 (systematic resampling). Pages of the last two are from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.surface.equations import Equations, Framed
from desurvey.surface.kernels import Kernel
from desurvey.surface.model import CovarianceModel, Options, frame_of
from desurvey.surface.picks import Picks, spread_out, taken
from desurvey.surface.search import Bounds, Misfit, lowest, plausible
from desurvey.surface.system import Solution

__all__ = ["FEW", "Likely", "estimated"]

Floats = npt.NDArray[np.float64]
Steps = tuple[float, ...]


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Likely:
    """Models that picks allow.

    Attributes
    ----------
    model : Model
        The most probable one.
    rivals : tuple of Model
        A sample of those that are plausible, the best one (or its neighbours) among them; with more than ``FEW``
        picks the best of each kernel.
    weights : (K,) array
        Their probabilities, adding up to 1.
    """

    model: CovarianceModel
    rivals: tuple[CovarianceModel, ...]
    weights: Floats


SAMPLE = 100
"""Picks that take part in estimating the model: up to 400 numbers, and half a second."""

FEW = 60
"""Picks up to which rivals are looked for. With 64 and 99 picks they change σ by 2 and 0 %, with 9 as much as twice."""

RIVALS = 8
"""Rivals kept at most: with 16 the share inside the band changes by 0.002 (40 worlds of four families)."""


def estimated(picks: Picks, options: Options) -> Likely:
    """Return the models that fit aligned and merged picks.

    Notes
    -----
    At most ``SAMPLE`` picks, spread evenly, take part. Parameters step on lattices of logarithms (factors of √2 and its
    roots), which makes the answer the same for data that are turned, moved, scaled or listed in another order.
    """
    sample = _sample(picks)
    frame = frame_of(picks)
    flat = _is_height(picks, frame[1][2], options)
    found: list[tuple[float, CovarianceModel]] = []
    for kernel in KERNELS if options.kernel == "auto" else (options.kernel,):
        model = _models(kernel, frame, flat, options)
        misfit = Misfit(_misfit_of(sample, kernel, model))
        box = _box(kernel, flat)
        summit = lowest(misfit, box, START)
        walked = plausible(misfit, box, summit) if len(picks) <= FEW else [summit]
        found += [(misfit(steps), model(steps)) for steps in walked]
    best = min(found, key=lambda one: one[0])
    if not np.isfinite(best[0]):
        return Likely(best[1], (best[1],), np.ones(1))
    chance = np.exp(-0.5 * np.array([misfit - best[0] for misfit, _ in found]))
    rows, weights = _resampled(chance / chance.sum(), RIVALS)
    return Likely(best[1], tuple(found[row][1] for row in rows), weights)


KERNELS: tuple[Kernel, ...] = ("matern52", "matern32")
"""Kernels between which the picks choose, equally probable beforehand. Share of the area inside the 95 % band, 32
worlds of each family with noisy (exact) picks:

===================  =============  ===========  ===========  ===========  ==============
world                r³, plugged in  3/2 alone    5/2 alone    both         both and 7/2
===================  =============  ===========  ===========  ===========  ==============
squared exponential  0.975 (0.998)  0.987 (1.0)  0.972 (1.0)  0.978 (1.0)  0.974 (0.996)
Matérn 5/2           0.928 (0.978)  0.952 (.98)  0.942 (.99)  0.951 (.98)  0.949 (0.983)
Matérn 3/2           0.840 (0.882)  0.910 (.92)  0.899 (.89)  0.909 (.91)  0.906 (0.900)
fold                 0.979 (0.991)  0.981 (.99)  0.977 (.99)  0.977 (.99)  0.974 (0.971)
===================  =============  ===========  ===========  ===========  ==============

With the squared exponential kernel it is 0.866 (0.795) where waves are rough. All three have bands narrower by 5 %.
"""

START = (0.0, 0.0, 0.0, 0.0)
"""Where the search begins: waves as steep as ``waviness``, as long as the picks' half extent, alike all ways."""

LATTICE = 0.5 * np.log(2.0)
"""One step of the search in each logarithm."""

LIMIT = 12.0
"""Most steps by which distances along v and w may be shortened: 2⁻⁶. Beyond it the likelihood is flat and the system
stiff."""

SHORTEST, LONGEST = -6.0, 4.0
"""Steps of the range from the picks' half extent: an eighth to four times, outside of which it can't be seen and only
the condition grows."""

CONDITION = 1e12
"""Condition of the system above which a model is charged for it: four digits of the weights are all that is left."""

PRIOR_SPREAD = np.array([1.5, 0.4, 0.4, 2.0])
"""1-σ of the priors in the logarithms of steepness, shortening along v and w, and range: factors of 4 and 7 either way,
weak ones, for steepness and range; the shortenings are a factor of 1.5, for a dozen noisy picks often look longer one
way by chance and the band stated then is too narrow (seen in trials on random worlds), while real folds outweigh it
many times over."""


SLANT = {"cubic": 0.0, "matern32": 0.5, "matern52": 1.5}
"""Power of the range with which the steepness of waves grows along the likelihood's ridge: picks close together fix
variance / range²ᵛ and little else (Zhang 2004, Journal of the American Statistical Association 99, 250–261; from
memory). The search steps along the ridge and across it."""


def _natural(kernel: Kernel, steps: Steps) -> Floats:
    """Return the logarithms of steepness, shortening along v and w, and range."""
    across, along, away, reach = steps
    return np.asarray(LATTICE * np.array([across + SLANT[kernel] * reach, along, away, reach]))


def _models(
    kernel: Kernel, frame: tuple[Floats, Floats, float], flat: bool, options: Options
) -> Callable[[Steps], CovarianceModel]:
    """Return the model as a function of steps across the ridge, in shortening along v and w, and along the ridge."""
    centre, axes, extent = frame

    def model(steps: Steps) -> CovarianceModel:
        steepness, along, away, reach = np.exp(_natural(kernel, steps))
        shrink = np.array([1.0, along, 0.0 if flat else away]) / (extent * reach)
        variance = (options.waviness * steepness * extent * reach) ** 2
        return CovarianceModel(kernel, centre, axes, shrink, float(variance), options.stretch)

    return model


def _misfit_of(picks: Picks, kernel: Kernel, model: Callable[[Steps], CovarianceModel]) -> Callable[[Steps], float]:
    """Return −2 log of likelihood and prior as a function of steps."""
    framed = Framed.of(picks, model(START))

    def misfit(steps: Steps) -> float:
        prior = float(np.sum((_natural(kernel, steps) / PRIOR_SPREAD) ** 2))
        return _deviance(framed, model(steps)) + prior

    return misfit


def _box(kernel: Kernel, flat: bool) -> Bounds:
    ranged = kernel != "cubic"
    free = (0, 1, *(() if flat else (2,)), *((3,) if ranged else ()))
    return Bounds((-30.0, -LIMIT, -LIMIT, SHORTEST), (30.0, 0.0, 0.0, LONGEST), free)


def _sample(picks: Picks) -> Picks:
    """Return at most ``SAMPLE`` picks, spread evenly, and orientations make up half of them where there are enough."""
    if len(picks) <= SAMPLE:
        return picks
    oriented = np.flatnonzero(picks.oriented)
    if len(oriented):
        oriented = oriented[spread_out(picks.position[oriented], SAMPLE // 2)]
    rest = np.setdiff1d(np.arange(len(picks)), oriented)
    rest = rest[spread_out(picks.position[rest], SAMPLE - len(oriented))]
    return taken(picks, np.sort(np.append(oriented, rest)))


def _deviance(framed: Framed, model: CovarianceModel) -> float:
    """Return −2 log restricted likelihood of the picks, in metres and (E, N, U) whatever the model's scale."""
    system = framed.under(model)
    try:
        solution = system.solved(model)
    except DataProblem:  # this model can't be told from others in float64; another may be
        return np.inf
    if _flattened(system, solution, model):
        return np.inf
    free = len(system.data) - system.drift.shape[1]
    d = model.dimensions  # the Jacobian of scaled gradients and of the scaled drift
    jacobian = 2.0 * (len(system.sites.gradients) - 1) * float(np.log(model.scale[:d]).sum())
    likelihood = solution.log_determinant + free * np.log(model.amplitude) + solution.energy / model.amplitude
    return float(likelihood + jacobian) + 20.0 * max(0.0, float(np.log(solution.condition / CONDITION)))


def _flattened(system: Equations, solution: Solution, model: CovarianceModel) -> bool:
    """Return whether a field of three coordinates has less than half of the gradient that was measured.

    Errors of positions are stated in metres and taken for errors of the field. A field that is nearly constant makes
    them all small, so where contacts are many and orientations few it may seem likely; it says nothing.
    """
    n, (g, d) = len(system.sites.values), system.sites.gradients.shape
    if d == 2 or g == 0:
        return False
    weights, asked = (part[n:].reshape(d, g).T for part in (solution.weights, system.data))
    missed = np.einsum("gij,gj->gi", system.gradient_nugget, weights) / model.amplitude
    share = np.sum(asked * (asked - missed) * model.scale**2) / np.sum((asked * model.scale) ** 2)
    return bool(share < 0.5)


def _resampled(chance: Floats, count: int) -> tuple[list[int], Floats]:
    """Return some of the rows, spread over their list in proportion to their probability, and their new weights."""
    levels = (np.arange(count) + 0.5) / count
    drawn = np.searchsorted(np.cumsum(chance) / chance.sum(), levels)
    rows, times = np.unique(drawn, return_counts=True)
    return rows.tolist(), times / count


STEEPEST = np.cos(np.deg2rad(70.0))
"""Beyond 70° from the mean plane slopes grow without bound (tan 70° = 2.7) and a few degrees of error with them."""


def _is_height(picks: Picks, pole: Floats, options: Options) -> bool:
    """Return whether a height over the mean plane is the form to take; refuse it where orientations forbid it."""
    towards = picks.normal[picks.oriented] @ pole
    possible = bool(np.all(towards > STEEPEST)) and picks.surfaces == 1
    if options.form == "height" and not possible:
        raise DataProblem(
            "a height over the mean plane can carry one surface only, and no orientation beyond 70° from that plane",
            hint="use the implicit form",
        )
    return possible and options.form != "implicit"
