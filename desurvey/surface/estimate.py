"""Find the covariance model that fits picks best: anisotropy, amplitude and, for Matérn only, the range.

Distances along v (and w) are shortened by factors, for waves may be long one way (folds, corrugations). The factors,
the steepness and the range maximise the restricted likelihood of the picks, with priors.

References
----------
Patterson & Thompson (1971), Biometrika 58, 545–554; Chilès & Delfiner (2012), Geostatistics, 2nd ed., section 2.6
(restricted likelihood). Hooke & Jeeves (1961), Journal of the ACM 8, 212–229 (direct search).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.surface.equations import equations
from desurvey.surface.model import Model, Options, frame_of
from desurvey.surface.picks import Picks, taken

__all__ = ["estimated"]

Floats = npt.NDArray[np.float64]
Steps = tuple[int, ...]


def estimated(picks: Picks, options: Options) -> Model:
    """Return the model that fits aligned and merged picks best.

    Notes
    -----
    At most ``SAMPLE`` picks, spread evenly, take part. The search steps on a fixed lattice of logarithms (factors of
    √2), so the answer does not hang on rounding and is the same for data that are turned, moved, scaled or listed in
    another order.
    """
    centre, axes, extent = frame_of(picks)
    sample = _spread_sample(picks, SAMPLE)
    flat = _is_height(picks, axes[2], options)

    def model(steps: Steps) -> Model:
        steepness, along, across, reach = np.exp(np.array(steps) * LATTICE)
        shrink = np.array([1.0, along, 0.0 if flat else across]) / (extent * reach)
        variance = (options.waviness * steepness * extent * reach) ** 2
        return Model(options.kernel, centre, axes, shrink, float(variance), options.stretch)

    def misfit(steps: Steps) -> float:
        return _deviance(sample, model(steps)) + float(np.sum((np.array(steps) * LATTICE / PRIOR_SPREAD) ** 2))

    low = (-30, -LIMIT, 0 if flat else -LIMIT, -4)
    high = (30, 0, 0, 12)
    free = (0, 1, *(() if flat else (2,)), *((3,) if options.kernel == "matern" else ()))
    return model(_compass(misfit, low, high, free))


STEEPEST = np.cos(np.deg2rad(70.0))
"""Beyond 70° from the mean plane slopes grow without bound (tan 70° = 2.7) and a few degrees of error with them."""

SAMPLE = 150
"""Picks that take part in estimating the model: 600 numbers for four, and a fraction of a second."""

LATTICE = 0.5 * np.log(2.0)
"""Step of the search in each logarithm."""

LIMIT = 12
"""Most steps by which distances along v and w may be shortened: 2⁻⁶. Beyond it the likelihood is flat and the system
stiff."""

PRIOR_SPREAD = np.array([2.0, 0.4, 0.4, 2.0])
"""1-σ of the priors in the logarithms of steepness, shortening along v and w, and range. The first and last are a
factor of 7 either way, next to nothing; the shortenings are a factor of 1.5, for a dozen noisy picks often look
longer one way by chance and the band stated then is too narrow (seen in trials on random worlds), while real folds
outweigh it many times over."""


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


def _deviance(picks: Picks, model: Model) -> float:
    """Return −2 log restricted likelihood of the picks, in metres and (E, N, U) whatever the model's scale."""
    system = equations(picks, model)
    try:
        solution = system.solved(model)
    except DataProblem:  # this model can't be told from others in float64; another may be
        return np.inf
    free = len(system.data) - system.drift.shape[1]
    d = model.dimensions  # the Jacobian of scaled gradients and of the scaled drift
    jacobian = 2.0 * (len(system.sites.gradients) - 1) * float(np.log(model.scale[:d]).sum())
    likelihood = solution.log_determinant + free * np.log(model.amplitude) + solution.energy / model.amplitude
    return float(likelihood + jacobian)


def _compass(misfit: Callable[[Steps], float], low: Steps, high: Steps, free: Steps) -> Steps:
    """Return the lattice point from which no step of 1 lowers the misfit, starting from 0 with steps of 4."""
    best = tuple(0 for _ in low)
    known = {best: misfit(best)}
    moves = _moves(len(low), free)
    step = 4
    while step:
        moved = False
        for move in moves:
            trial = tuple(int(t) for t in np.clip(np.array(best) + step * move, low, high))
            if trial not in known:
                known[trial] = misfit(trial)
            if known[trial] < known[best] - 1e-6:
                best, moved = trial, True
        step = step if moved else step // 2
    return best


def _moves(size: int, free: Steps) -> npt.NDArray[np.int64]:
    """Return the steps of the search: along each free axis and the diagonals of each two, for ridges run across."""
    axes = np.eye(size, dtype=np.int64)[list(free)]
    pairs = [(a, b) for i, a in enumerate(axes) for b in axes[i + 1 :]]
    single = [sign * axis for axis in axes for sign in (-1, 1)]
    return np.array(single + [s * a + t * b for a, b in pairs for s in (-1, 1) for t in (-1, 1)])


def _spread_sample(picks: Picks, count: int) -> Picks:
    """Return at most some picks, each next one the farthest from those taken before it, from the centre outward."""
    if len(picks) <= count:
        return picks
    where = picks.position
    chosen = np.empty(count, dtype=np.int64)
    chosen[0] = np.argmin(np.sum((where - where.mean(axis=0)) ** 2, axis=1))
    nearest = np.sum((where - where[chosen[0]]) ** 2, axis=1)
    for k in range(1, count):  # each choice hangs on the ones before it
        chosen[k] = np.argmax(nearest)
        nearest = np.minimum(nearest, np.sum((where - where[chosen[k]]) ** 2, axis=1))
    return taken(picks, np.sort(chosen))
