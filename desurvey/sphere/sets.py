"""Sets of axes found without being told how many: a mixture of Watson's laws and an even spread.

Each set is a Watson cluster (:mod:`desurvey.sphere.watson`), and one class more, even over the half sphere, takes the
axes that belong to none. Shares, axes and κ are fitted by expectation and maximisation. The number of sets is that with
the least −2 log L + p log n + 2 E, where p = 4 per set (axis 2, κ 1, share 1) and E is the entropy of the memberships
among the sets: the Bayesian criterion with a price on sets that overlap, so that one oval set is not told as two. The
overlap with the even class, which no set can help, is free.

Starts are deterministic, two for each number of sets: peaks of the density that lie far from one another, and the
sets found with one fewer plus the direction which those explain worst. The better of the two is kept.

References
----------
Dempster, Laird & Rubin (1977), Journal of the Royal Statistical Society B 39, 1–38: the fit. Banfield & Raftery (1993),
Biometrics 49, 803–821: the even class for outliers. Biernacki, Celeux & Govaert (2000), IEEE Transactions on Pattern
Analysis and Machine Intelligence 22, 719–725: the price on overlap. All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown
from desurvey.sphere.density import exponential_density, net_grid
from desurvey.sphere.projection import lower
from desurvey.sphere.sampling import effective_number
from desurvey.sphere.watson import watson_kappa, watson_log_density

__all__ = ["Sets", "find_sets"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WIDEST_DEG, TIGHTEST_DEG = 25.0, 1.0
"""Scatter of a set in any one direction: wider it can't be told from the even class, tighter no one can measure."""

LEAST_KAPPA, MOST_KAPPA = (float(0.5 / np.deg2rad(limit) ** 2) for limit in (WIDEST_DEG, TIGHTEST_DEG))

FEWEST = 5.0
"""Members, weighted by their probability, that a set must have (own choice)."""

PATIENCE = 2
"""Further sets tried when one more has not helped."""

ROUNDS, TOLERANCE = 300, 1e-6
"""Rounds of the fit at most, and the gain in log likelihood per axis at which it ends."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Sets:
    """Sets of axes, the largest first.

    Attributes
    ----------
    axis : (k, 3) array
        Mean axes, pointing down.
    kappa : (k,) array
        Watson's κ.
    scatter_deg : (k,) array
        Standard deviation of the members in any one direction, degrees.
    share : (k,) array
        Share of all axes; what is missing to 1 is the even class.
    probability : (n, k + 1) array
        Of each axis to belong to each set, and in the last column to none.
    member : (n,) int array
        The most probable set of each axis, −1 for none.
    criterion : (m + 1,) array
        Of 0 to m sets, as far as was tried; inf where some set came out with too few members.
    """

    axis: Floats
    kappa: Floats
    scatter_deg: Floats
    share: Floats
    probability: Floats
    member: Ints
    criterion: Floats


@shown
class _Mixture(NamedTuple):
    """A fit: axes (k, 3), κ (k,), shares (k + 1,) with the even class last, memberships (k + 1, n), log likelihood."""

    axis: Floats
    kappa: Floats
    share: Floats
    belongs: Floats
    log_likelihood: float


def find_sets(axes: Floats, most: int = 8, weights: Floats | None = None) -> Sets:
    """Return the sets that axes fall into.

    Parameters
    ----------
    axes : (n, 3) array
        Finite unit vectors; the sign of each is of no effect.
    most : int
        Number of sets to try up to.
    weights : (n,) array, optional
        Weights > 0, e.g. Terzaghi's; scaled to add up to their effective number.

    Returns
    -------
    Sets
        None at all where an even spread explains the axes best.

    Notes
    -----
    Cost: about n × sets × 50 rounds for each number of sets tried. Sets of 8° scatter need to lie some 25° apart to be
    told as two; one that is strung out along a girdle, thrice as long as wide, may come as two or three.

    Examples
    --------
    >>> turn = np.linspace(0, 2 * np.pi, 40)
    >>> cluster = np.stack([0.1 * np.cos(turn), 0.1 * np.sin(turn), np.full(40, np.sqrt(0.99))], axis=1)
    >>> sets = find_sets(np.concatenate([cluster, cluster[:, [2, 0, 1]]]))
    >>> len(sets.axis), np.bincount(sets.member).tolist()
    (2, [40, 40])
    """
    weights = np.ones(len(axes)) if weights is None else weights
    if not len(axes):
        return _packed(_even(axes, weights), axes, np.zeros(1))
    weights = weights * (effective_number(weights) / weights.sum())
    seeds = _far_peaks(axes, weights, most)
    best = previous = _even(axes, weights)
    criterion = [_criterion(previous, weights)]
    for count in range(1, min(most, int(weights.sum() / FEWEST)) + 1):
        if len(criterion) - 1 - len(best.axis) == PATIENCE:
            break
        starts = (seeds[:count], np.vstack([previous.axis, _worst_explained(previous, axes, weights)]))
        previous = max((_fitted(axes, weights, start) for start in starts), key=lambda fit: fit.log_likelihood)
        criterion.append(_criterion(previous, weights))
        if criterion[-1] < min(criterion[:-1]):
            best = previous
    return _packed(best, axes, np.array(criterion))


def _packed(fit: _Mixture, axes: Floats, criterion: Floats) -> Sets:
    order = np.argsort(-fit.share[:-1], kind="stable")
    probability = fit.belongs[[*order, -1]].T
    member = np.argmax(probability, axis=1) if len(axes) else np.zeros(0, dtype=np.int64)
    kappa = fit.kappa[order]
    return Sets(
        axis=lower(fit.axis[order]),
        kappa=kappa,
        scatter_deg=np.rad2deg(np.sqrt(0.5 / kappa)),
        share=fit.share[order],
        probability=probability,
        member=np.where(member == len(order), -1, member),
        criterion=criterion,
    )


def _even(axes: Floats, weights: Floats) -> _Mixture:
    """Return the mixture of no sets."""
    belongs = np.ones((1, len(axes)))
    return _Mixture(np.zeros((0, 3)), np.zeros(0), np.ones(1), belongs, -float(weights.sum()) * np.log(2 * np.pi))


def _criterion(fit: _Mixture, weights: Floats) -> float:
    """Return the criterion of the module; inf where a set has too few members."""
    number, belongs = weights.sum(), fit.belongs[:-1]
    if np.any(fit.share[:-1] * number < FEWEST):
        return float("inf")
    among = belongs / np.maximum(belongs.sum(axis=0), 1e-300)
    entropy = -np.sum(weights * belongs * np.log(np.maximum(among, 1e-300)))
    return float(-2 * fit.log_likelihood + 4 * len(fit.axis) * np.log(number) + 2 * entropy)


# ---------------------------------------------------------------------------------------------------------------- fit


def _fitted(axes: Floats, weights: Floats, start: Floats) -> _Mixture:
    """Return the mixture reached from starting axes (k, 3): expectation, then maximisation, until nothing is gained."""
    count = len(start)
    fit = _expected(axes, weights, start, np.full(count, START_KAPPA), np.full(count + 1, 1.0 / (count + 1)))
    for _ in range(ROUNDS):
        share = fit.belongs @ weights / weights.sum()
        axis, kappa = _maximised(axes, weights * fit.belongs[:-1])
        better = _expected(axes, weights, axis, kappa, share)
        if better.log_likelihood - fit.log_likelihood < TOLERANCE * len(axes):
            return better
        fit = better
    return fit


START_KAPPA = float(0.5 / np.deg2rad(12.0) ** 2)
"""Sets start 12° wide, as foliation scatters (common practice, no source)."""


def _expected(axes: Floats, weights: Floats, axis: Floats, kappa: Floats, share: Floats) -> _Mixture:
    """Return the mixture with its memberships and log likelihood."""
    density = np.full((len(axis) + 1, len(axes)), -np.log(2 * np.pi))
    density[:-1] = watson_log_density((axis @ axes.T) ** 2, kappa[:, None])
    density += np.log(np.maximum(share, 1e-300))[:, None]
    top = density.max(axis=0)
    total = top + np.log(np.exp(density - top).sum(axis=0))
    return _Mixture(axis, kappa, share, np.exp(density - total), float(weights @ total))


def _maximised(axes: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Return the axes (k, 3) and κ (k,) of highest likelihood for weights (k, n)."""
    total = np.maximum(weights.sum(axis=1), 1e-300)
    tensor = (weights[:, None, :] * axes.T) @ axes / total[:, None, None]
    values, vectors = np.linalg.eigh(tensor)
    return vectors[:, :, -1], np.clip(watson_kappa(values[:, -1]), LEAST_KAPPA, MOST_KAPPA)


# -------------------------------------------------------------------------------------------------------------- starts


def _far_peaks(axes: Floats, weights: Floats, count: int) -> Floats:
    """Return directions (count, 3) of high density, each far from those before it.

    The first is the densest; each next one has the greatest density above even, times sin² of the angle to the nearest
    before it.
    """
    grid = _grid()
    height = np.maximum(exponential_density(axes, grid, weights), 0.0) + 1e-9
    chosen = [int(np.argmax(height))]
    while len(chosen) < count:
        apart = 1.0 - np.max((grid @ grid[chosen].T) ** 2, axis=1)
        chosen.append(int(np.argmax(height * apart)))
    return grid[chosen]


def _worst_explained(fit: _Mixture, axes: Floats, weights: Floats) -> Floats:
    """Return the direction (3,) at which the axes left to the even class are densest."""
    left = weights * fit.belongs[-1]
    grid = _grid()
    return np.asarray(grid[int(np.argmax(exponential_density(axes, grid, left + 1e-12)))])


def _grid() -> Floats:
    """Return directions over the half sphere, some 2.5° apart."""
    grid = net_grid(61)
    return np.asarray(grid.directions[np.hypot(grid.x, grid.y) <= 1.0])
