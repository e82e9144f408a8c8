"""The search for the best model and the walk around it, on functions whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey.surface import fit
from desurvey.surface.estimate import RIVALS, estimated
from desurvey.surface.field import prepared
from desurvey.surface.model import Options
from desurvey.surface.picks import taken
from desurvey.surface.search import DEPTH, Bounds, Misfit, lowest, plausible
from tests.test_surface_system import world

BOX = Bounds((-20.0,) * 3, (20.0,) * 3, (0, 1, 2))
START = (0.0, 0.0, 0.0)


def bell(centre, covariance):
    """Return −2 log of a normal density, less its constant."""
    precision = np.linalg.inv(covariance)
    return Misfit(lambda steps: float((np.array(steps) - centre) @ precision @ (np.array(steps) - centre)))


@pytest.mark.parametrize("spread", [0.6, 2.0, 6.0])
def test_the_walk_recovers_the_moments_of_a_bell_curve(spread):
    """Mean and covariance of the points weighed by exp(−misfit / 2), whatever the width of the curve."""
    centre = np.array([3.2, -5.1, 0.4])
    covariance = spread**2 * np.array([[1.0, 0.5, 0.0], [0.5, 1.0, -0.3], [0.0, -0.3, 1.0]])
    misfit = bell(centre, covariance)
    best = lowest(misfit, BOX, START)
    assert np.abs(np.array(best) - centre).max() <= 0.5
    points = plausible(misfit, BOX, best)
    weights = np.exp(-0.5 * np.array([misfit(point) for point in points]))
    mean = np.average(points, axis=0, weights=weights)
    found = np.cov(np.array(points).T, aweights=weights, bias=True)
    np.testing.assert_allclose(mean, centre, atol=0.15 * spread)
    np.testing.assert_allclose(found, covariance, atol=0.2 * spread**2)  # the walk ends at 2.8 σ
    assert len(points) < 300  # as many for a wide curve as for a narrow one


def test_bounds_and_parameters_that_are_held():
    misfit = bell(np.array([30.0, 1.0, 7.0]), np.eye(3))
    box = Bounds((-20.0,) * 3, (4.0, 20.0, 20.0), (0, 1))
    best = lowest(misfit, box, START)
    assert best == (4.0, 1.0, 0.0)
    points = np.array(plausible(misfit, box, best))
    assert points[:, 0].max() == 4.0
    assert np.all(points[:, 2] == 0.0)
    assert max(misfit(tuple(point)) for point in points.tolist()) <= misfit(best) + DEPTH


def test_rivals_disagree_where_picks_are_few_and_agree_where_they_are_many():
    many = prepared(world(np.random.default_rng(5), noisy=True, fences=7, holes=7), Options())
    few = taken(many, np.arange(0, len(many), 8))
    points = many.position + np.random.default_rng(6).normal(0, 15, many.position.shape)
    apart = []
    for picks in (few, many):
        field = fit(picks)
        assert 1 < len(field.rivals) <= RIVALS
        assert sum(rival.weight for rival in field.rivals) == pytest.approx(1.0)
        apart.append(np.std([rival.field.value(points) for rival in field.rivals], axis=0).mean())
    assert apart[1] < 0.3 * apart[0]
    only = estimated(few, Options(kernel="matern32"))
    assert {model.kernel for model in only.rivals} == {"matern32"}


def test_the_spread_of_rivals_is_the_law_of_total_variance():
    rng = np.random.default_rng(9)
    field = fit(world(rng, noisy=True, fences=2, holes=3))
    points = field.picks.position + rng.normal(0, 60, field.picks.position.shape)
    draws = [
        rng.normal(rival.value(points), rival.deviation(points), (round(weight * 48_000), len(points)))
        for weight, rival in field.rivals
    ]
    np.testing.assert_allclose(field.deviation(points), np.vstack(draws).std(axis=0), rtol=0.03)
