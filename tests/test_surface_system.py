"""The estimator: against a textbook system written out here pair by pair, exactness, derivatives, invariances."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from sklearn.gaussian_process.kernels import Matern

from desurvey.surface import Options, Picks, fit
from desurvey.surface.estimate import estimated
from desurvey.surface.field import prepared, solved
from desurvey.surface.kernels import profile
from tests.worlds import surfaces


def cubic(d):
    """Return φ = r³, ∇φ = 3 r d and its Hessian 3 (r I + d dᵀ / r) (CHECK_VALUES.md, section 7)."""
    r = np.linalg.norm(d)
    outer = np.outer(d, d) / r if r > 0 else np.zeros((len(d), len(d)))
    return r**3, 3 * r * d, 3 * (r * np.eye(len(d)) + outer)


def matern32(d):
    """Return the Matérn 3/2 covariance (Rasmussen & Williams 2006, eq. 4.17) and its derivatives by the chain rule."""
    root, r = np.sqrt(3), np.linalg.norm(d)
    decay = np.exp(-root * r)
    outer = np.outer(d, d) / r if r > 0 else np.zeros((len(d), len(d)))
    return (1 + root * r) * decay, -3 * decay * d, -3 * decay * (np.eye(len(d)) - root * outer)


def matern52(d):
    """Return the Matérn 5/2 covariance (same equation) and its derivatives by the chain rule."""
    root, r = np.sqrt(5), np.linalg.norm(d)
    decay = np.exp(-root * r)
    value = (1 + root * r + 5 * r**2 / 3) * decay
    slope = -(5 / 3) * (1 + root * r) * decay * d
    hessian = -(5 / 3) * ((1 + root * r) * np.eye(len(d)) - 5 * np.outer(d, d)) * decay
    return value, slope, hessian


TEXTBOOK = {"cubic": cubic, "matern32": matern32, "matern52": matern52}


def textbook(kernel, values, gradients, nuggets, data, targets):
    """Solve the bordered system [C P; Pᵀ 0] and return estimates and variances of values (less the level) at targets.

    Rows: values, then each gradient's components together. Universal kriging: Chilès & Delfiner (2012), section 3.4.
    """
    phi, d = TEXTBOOK[kernel], values.shape[1]
    functionals = [(x, None) for x in values] + [(y, i) for y in gradients for i in range(d)]

    def cov(one, other):
        (x, i), (y, j) = one, other
        value, slope, hessian = phi(x - y)
        if i is None and j is None:
            return value
        if i is None or j is None:
            return -slope[j] if i is None else slope[i]
        return -hessian[i, j]

    def trend(one):
        x, i = one
        return np.array([-1.0, *x]) if i is None else np.array([0.0, *np.eye(d)[i]])

    n, m = len(functionals), d + 1
    left = np.zeros((n + m, n + m))
    left[:n, :n] = [[cov(a, b) for b in functionals] for a in functionals]
    left[:n, :n] += nuggets
    left[:n, n:] = [trend(a) for a in functionals]
    left[n:, :n] = left[:n, n:].T
    right = np.array([[cov(a, (t, None)) for a in functionals] + list(trend((t, None))) for t in targets]).T
    weights = np.linalg.solve(left, right)
    prior = phi(np.zeros(d))[0]
    return weights[:n].T @ data, prior - np.einsum("ij,ij->j", right, weights)


def world(rng, noisy, fences=3, holes=4):
    met = surfaces.drilled(surfaces.random_fold(rng), rng, fences, holes)
    if not noisy:
        return Picks(met.position, met.normal)
    met = surfaces.logged(met, rng, 1.5, 5.0)
    count = len(met.hole)
    return Picks(
        met.position,
        met.normal,
        covariance=np.tile(2.25 * np.eye(3), (count, 1, 1)),
        pole_sigma_deg=np.full(count, 5.0),
    )


@pytest.mark.parametrize("kernel", ["cubic", "matern32", "matern52"])
@pytest.mark.parametrize("form", ["height", "implicit"])
@pytest.mark.parametrize("noisy", [False, True])
def test_estimates_and_variances_are_those_of_the_textbook_system(kernel, form, noisy):
    rng = np.random.default_rng(3)
    options = Options(kernel=kernel, form=form)
    picks = prepared(world(rng, noisy), options)
    model = replace(estimated(picks, options).model, scale=np.array([1.0, 0.6, 0.8 * (form == "implicit")]) / 150.0)
    field = solved(picks, model)
    targets = picks.position[:7] + rng.normal(0, 40, (7, 3))

    d, n = model.dimensions, len(picks)
    values = model.scaled(picks.position)
    nuggets = np.zeros(((1 + d) * n, (1 + d) * n))
    nuggets[np.arange(n), np.arange(n)] = field.system.value_nugget / model.amplitude
    for k, block in enumerate(field.system.gradient_nugget):
        part = slice(n + d * k, n + d * (k + 1))
        nuggets[part, part] = block / model.amplitude
    slopes = field.system.data[n:].reshape(d, n).T.ravel()
    data = np.concatenate([field.system.data[:n], slopes])
    known = (targets - model.centre) @ model.known_gradient
    estimate, variance = textbook(kernel, values, values, nuggets, data, model.scaled(targets))

    scale = np.abs(picks.position - picks.position.mean(axis=0)).max()
    np.testing.assert_allclose(field.value(targets), estimate + known, atol=1e-6 * scale)
    np.testing.assert_allclose(field.deviation(targets) ** 2 / model.amplitude, variance, rtol=1e-4, atol=1e-9)


def test_nuggets_are_the_covariances_of_perturbed_picks():
    """Monte Carlo: perturb pick and pole, look at the value and the gradient that the field is asked to have."""
    rng = np.random.default_rng(8)
    picks = prepared(world(rng, noisy=True), Options())
    model = estimated(picks, Options()).model
    assert model.dimensions == 2
    field = solved(picks, model)
    normal, pole = picks.normal[0], model.axes[2]
    tilt = rng.normal(0, np.deg2rad(1.0), (200_000, 3))  # small, so that the first order is all there is
    turned = normal + np.cross(tilt, normal)
    slope = (turned / (turned @ pole)[:, None]) @ model.axes[:2].T / model.scale[:2]
    expected = field.system.gradient_nugget[0] / 5.0**2  # the picks' own σ is 5°
    np.testing.assert_allclose(np.cov(slope.T), expected, rtol=0.02, atol=0.02 * np.abs(expected).max())
    moved = rng.normal(0, 1.5, (200_000, 3)) @ (normal / (normal @ pole))
    np.testing.assert_allclose(moved.var(), field.system.value_nugget[0], rtol=0.02)


@pytest.mark.parametrize("form", ["height", "implicit"])
@pytest.mark.parametrize(("fences", "holes"), [(2, 3), (5, 6), (10, 12)])
def test_without_nuggets_values_and_orientations_are_reproduced(form, fences, holes):
    picks = world(np.random.default_rng(fences), noisy=False, fences=fences, holes=holes)
    field = fit(picks, Options(form=form))
    scale = np.abs(picks.position - picks.position.mean(axis=0)).max()
    value, gradient = field.value_and_gradient(picks.position)
    assert np.abs(value).max() <= 1e-8 * scale
    if form == "implicit":
        np.testing.assert_allclose(gradient, picks.normal, atol=1e-8)
    unit = gradient / np.linalg.norm(gradient, axis=1)[:, None]
    np.testing.assert_allclose(unit, picks.normal, atol=1e-8)
    assert np.isfinite(field.condition)
    assert field.deviation(picks.position).max() <= 1e-5 * scale


@pytest.mark.parametrize("kernel", ["cubic", "matern32", "matern52"])
@pytest.mark.parametrize("form", ["height", "implicit"])
def test_the_gradient_is_the_derivative_of_the_value(kernel, form):
    rng = np.random.default_rng(5)
    field = fit(world(rng, noisy=True), Options(kernel=kernel, form=form))
    points = field.picks.position + rng.normal(0, 30, (len(field.picks), 3))
    step = 1e-2
    shifts = step * np.eye(3)
    slopes = np.stack([(field.value(points + e) - field.value(points - e)) / (2 * step) for e in shifts], axis=1)
    np.testing.assert_allclose(field.value_and_gradient(points)[1], slopes, atol=1e-6)


def test_the_profiles_are_the_derivatives_of_known_kernels():
    """φ against scikit-learn's Matérn; φ₁ = φ′ / r and φ₂ = (φ″ − φ′ / r) / r² by central differences."""
    r = np.linspace(0.05, 4.0, 60)
    np.testing.assert_allclose(profile("matern52", r).value, Matern(1.0, nu=2.5)(r[:, None], [[0.0]])[:, 0], rtol=1e-12)
    for kernel in ("cubic", "matern32", "matern52"):
        shape, h = profile(kernel, r), 1e-4
        first = (profile(kernel, r + h).value - profile(kernel, r - h).value) / (2 * h)
        second = (profile(kernel, r + h).value - 2 * shape.value + profile(kernel, r - h).value) / h**2
        np.testing.assert_allclose(shape.first, first / r, rtol=1e-5, atol=1e-8)
        np.testing.assert_allclose(shape.second, (second - first / r) / r**2, rtol=1e-3, atol=1e-4)


@settings(deadline=None, max_examples=15)
@given(
    seed=st.integers(0, 10_000),
    turn=st.integers(0, 10_000),
    factor=st.floats(0.05, 20.0),
    form=st.sampled_from(["auto", "implicit"]),
)
def test_a_turned_moved_scaled_reordered_and_flipped_world_gives_the_same_surface(seed, turn, factor, form):
    rng = np.random.default_rng(seed)
    picks = world(rng, noisy=True)
    rotation = Rotation.random(rng=np.random.default_rng(turn)).as_matrix()
    shift, order = np.array([3000.0, -2000.0, 150.0]), rng.permutation(len(picks))
    centre = picks.position.mean(axis=0)

    def there(points):
        return factor * (points - centre) @ rotation.T + shift

    moved = Picks(
        there(picks.position)[order],
        -(picks.normal @ rotation.T)[order],
        covariance=factor**2 * (rotation @ picks.covariance @ rotation.T)[order],
        pole_sigma_deg=picks.pole_sigma_deg[order],
        polar=True,
    )
    plain = Picks(
        picks.position,
        picks.normal,
        covariance=picks.covariance,
        pole_sigma_deg=picks.pole_sigma_deg,
        polar=True,
    )
    targets = picks.position + rng.normal(0, 25, (len(picks), 3))
    one, other = fit(plain, Options(form=form)), fit(moved, Options(form=form))
    size = np.abs(picks.position - centre).max()
    np.testing.assert_allclose(-other.value(there(targets)) / factor, one.value(targets), atol=1e-6 * size)
    sigma, moved_sigma = one.deviation(targets), other.deviation(there(targets)) / factor
    np.testing.assert_allclose(moved_sigma, sigma, rtol=1e-4, atol=1e-6 * size)


def test_axes_of_either_sign_give_the_same_surface():
    rng = np.random.default_rng(2)
    picks = world(rng, noisy=True)
    sign = rng.choice([-1.0, 1.0], (len(picks), 1))
    flipped = Picks(
        picks.position, sign * picks.normal, covariance=picks.covariance, pole_sigma_deg=picks.pole_sigma_deg
    )
    targets = picks.position + rng.normal(0, 20, (len(picks), 3))
    np.testing.assert_allclose(fit(flipped).value(targets), fit(picks).value(targets), atol=1e-8)


@pytest.mark.parametrize("form", ["height", "implicit"])
def test_picks_of_a_plane_give_that_plane_however_many_there_are(form):
    truth = surfaces.plane()
    for count in (1, 2, 5, 40):
        rng = np.random.default_rng(count)
        place = truth.origin + np.column_stack([rng.uniform(-200, 200, (count, 2)), np.zeros(count)]) @ truth.axes
        field = fit(Picks(place, np.tile(truth.axes[2], (count, 1))), Options(form=form))
        points = truth.origin + rng.uniform(-300, 300, (50, 3))
        np.testing.assert_allclose(field.value(points), (points - truth.origin) @ truth.axes[2], atol=1e-6)


def test_the_uncertainty_grows_away_from_the_picks_and_with_their_own():
    rng = np.random.default_rng(4)
    picks = world(rng, noisy=True)
    field = fit(picks)
    doubled = solved(
        Picks(
            field.picks.position,
            field.picks.normal,
            covariance=4 * field.picks.covariance,
            pole_sigma_deg=2 * field.picks.pole_sigma_deg,
            polar=True,
        ),
        field.model,
    )
    assert np.all(doubled.deviation(field.picks.position) > field.deviation(field.picks.position))
    out = field.picks.position.mean(axis=0) + np.linspace(0, 3000, 7)[:, None] * field.model.axes[0]
    assert np.all(np.diff(field.deviation(out)[1:]) > 0)


def test_near_duplicates_are_merged_and_averaged():
    truth = surfaces.plane()
    base = truth.origin + np.array([[0, 0, 0], [200, 0, 0], [0, 200, 0.0]]) @ truth.axes
    normal = np.tile(truth.axes[2], (4, 1))
    twice = np.vstack([base, base[:1] + 0.01 * truth.axes[2]])
    cov = np.tile(np.eye(3), (4, 1, 1))
    ready = prepared(Picks(twice, normal, covariance=cov, pole_sigma_deg=np.full(4, 3.0)), Options())
    assert len(ready) == 3
    row = int(np.argmin(np.linalg.norm(ready.position - base[0], axis=1)))
    np.testing.assert_allclose((ready.position[row] - base[0]) @ truth.axes[2], 0.005, atol=1e-8)
    np.testing.assert_allclose(ready.covariance[row], np.eye(3) / 2)
    assert ready.pole_sigma_deg[row] == pytest.approx(3.0 / np.sqrt(2))
