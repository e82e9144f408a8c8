"""Nets, densities and sampling bias: printed values, laws of even spreads, round trips."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import integrate

from desurvey import orient, sphere
from desurvey.problems import DataProblem

# ---- projection: CHECK_VALUES.md section 3

PLUNGE = [0, 10, 30, 45, 60, 90]
SCHMIDT = [1, 0.909039, 0.707107, 0.541196, 0.366025, 0]
WULFF = [1, 0.839100, 0.577350, 0.414214, 0.267949, 0]


@pytest.mark.parametrize(
    ("project", "radii"), [(sphere.project_equal_area, SCHMIDT), (sphere.project_equal_angle, WULFF)]
)
def test_radii_on_the_net_are_the_printed_ones(project, radii):
    lines = orient.vector_of_line(np.full(6, 90.0), PLUNGE)
    np.testing.assert_allclose(project(lines), np.column_stack([radii, np.zeros(6)]), atol=5e-7)


vectors = hnp.arrays(float, (7, 3), elements=st.floats(-1, 1)).filter(lambda v: np.linalg.norm(v, axis=1).min() > 1e-3)


@given(vectors)
def test_projections_round_trip(vector):
    axes = sphere.lower(vector / np.linalg.norm(vector, axis=1)[:, None])
    for there, back in (
        (sphere.project_equal_area, sphere.from_equal_area),
        (sphere.project_equal_angle, sphere.from_equal_angle),
    ):
        points = there(axes)
        assert np.linalg.norm(points, axis=1).max() <= 1 + 1e-12
        np.testing.assert_allclose(back(points), axes, atol=1e-12)
        np.testing.assert_allclose(there(-axes)[axes[:, 2] < -1e-9], points[axes[:, 2] < -1e-9], atol=1e-12)


def test_equal_area_keeps_areas():
    """A cap of half-angle θ about the vertical covers 1 − cos θ of the half sphere and of the disc."""
    theta = np.deg2rad([5.0, 40.0, 75.0])
    rim = sphere.project_equal_area(np.column_stack([np.sin(theta), 0 * theta, -np.cos(theta)]))
    np.testing.assert_allclose(np.sum(rim**2, axis=1), 1 - np.cos(theta), atol=1e-12)


def test_equal_angle_keeps_angles():
    """A small circle on the sphere is a circle on the paper (a property of the stereographic projection)."""
    axis = orient.vector_of_line(np.array(40.0), np.array(55.0))
    points = sphere.project_equal_angle(sphere.small_circle(axis, 20.0, 60))
    design = np.column_stack([points, np.ones(len(points))])
    _, residual, _, _ = np.linalg.lstsq(design, np.sum(points**2, axis=1), rcond=None)
    np.testing.assert_allclose(residual, 0.0, atol=1e-20)


def test_points_past_the_rim_are_the_axes_of_the_other_side():
    beyond = sphere.from_equal_area(np.array([[1.1, 0.0]]))
    assert beyond[0, 2] > 0
    assert np.isnan(sphere.from_equal_area(np.array([[1.1, 1.1]]))).all()
    np.testing.assert_allclose(np.linalg.norm(beyond, axis=1), 1.0)


def test_circles_on_the_net():
    normal = orient.vector_of_plane(35.0, 120.0)
    trace = sphere.great_circle(normal)
    np.testing.assert_allclose(trace @ normal, 0.0, atol=1e-15)
    assert trace[:, 2].max() <= 1e-15
    trend, plunge = orient.trend_and_plunge(trace[45:46])
    np.testing.assert_allclose([trend[0], plunge[0]], [120.0, 35.0], atol=1e-9)
    np.testing.assert_allclose(sphere.great_circle(np.array([0, 0, 1.0]))[:, 2], 0.0, atol=1e-15)
    ring = sphere.small_circle(normal, 50.0)
    np.testing.assert_allclose(ring @ normal, np.cos(np.deg2rad(50.0)), atol=1e-12)
    np.testing.assert_allclose(ring[0], ring[-1], atol=1e-12)


# ---- density


@pytest.mark.parametrize(
    ("number", "fraction", "expected", "sigma", "half_angle"),
    [
        (10, 0.473684, 4.7368, 1.5789, 58.2431),
        (50, 0.152542, 7.6271, 2.5424, 32.0638),
        (100, 0.082569, 8.2569, 2.7523, 23.4466),
        (300, 0.029126, 8.7379, 2.9126, 13.8624),
    ],
)
def test_kamb_counts_as_kamb_1959(number, fraction, expected, sigma, half_angle):
    """CHECK_VALUES.md section 3: formulas of Kamb (1959), numbers recomputed."""
    assert sphere.kamb_fraction(number) == pytest.approx(fraction, abs=5e-7)
    axis = np.array([0.0, 0.0, -1.0])
    step = np.deg2rad([half_angle - 1e-4, half_angle + 1e-4])
    near = np.column_stack([np.sin(step), 0 * step, -np.cos(step)])
    # all axes at one place: the count is n just inside the counter, 0 just outside
    inside, outside = sphere.kamb_density(np.tile(axis, (number, 1)), near)
    assert inside == pytest.approx((number - expected) / sigma, rel=1e-4)
    assert outside == pytest.approx(-expected / sigma, rel=1e-4)
    assert outside == pytest.approx(-3.0)


@pytest.mark.parametrize("density", [sphere.kamb_density, sphere.exponential_density])
@pytest.mark.parametrize("number", [20, 400])
def test_an_even_spread_has_mean_0_and_standard_deviation_1(density, number):
    rng = np.random.default_rng(8)
    where = np.array([[0, 0, -1.0], [1.0, 0, 0]])
    values = []
    for _ in range(3000):
        axes = rng.normal(size=(number, 3))
        values.append(density(axes / np.linalg.norm(axes, axis=1)[:, None], where))
    # 6000 values know their mean to 0.013 and their spread to 0.009
    assert np.mean(values) == pytest.approx(0.0, abs=0.05)
    assert np.std(values) == pytest.approx(1.0, abs=0.04)


def test_the_smooth_counter_follows_kambs_rule():
    """Moments of its kernel by scipy's quadrature: an even spread of n axes must give a mean of three σ."""
    from desurvey.sphere.density import _sharpness

    for number in (5, 60, 5000):
        sharpness = _sharpness(sphere.kamb_fraction(number))

        def kernel(c: float, power: int, sharpness: float = sharpness) -> float:
            return np.exp(power * sharpness * (c - 1))

        near = [1 - 1 / sharpness]
        first, second = (integrate.quad(kernel, 0, 1, args=(power,), points=near)[0] for power in (1, 2))
        assert number * first == pytest.approx(3 * np.sqrt(number * (second - first**2)), rel=1e-7)


@pytest.mark.parametrize("density", [sphere.kamb_density, sphere.exponential_density])
def test_density_does_not_care_for_signs_nor_for_the_scale_of_weights(density):
    rng = np.random.default_rng(4)
    axes = rng.normal([0, 3, 0], 1, size=(80, 3))
    axes /= np.linalg.norm(axes, axis=1)[:, None]
    grid = sphere.net_grid(21)
    plain = density(axes, grid.directions)
    assert plain.shape == (21, 21)
    assert np.nanargmax(plain) in np.flatnonzero(np.abs(grid.directions[..., 1]) > 0.95)
    signs = rng.choice([-1.0, 1.0], 80)[:, None]
    np.testing.assert_allclose(density(signs * axes, -grid.directions), plain, atol=1e-9)
    np.testing.assert_allclose(density(axes, grid.directions, np.full(80, 2.5)), plain, atol=1e-9)
    with pytest.raises(DataProblem, match="at least one axis"):
        density(axes[:0], grid.directions)


# ---- sampling


def test_terzaghi_weights_are_the_printed_ones():
    """CHECK_VALUES.md section 3: Terzaghi (1965)."""
    alpha = np.array([90, 60, 30, 20, 15, 10, 5.0])
    normal = np.column_stack([np.cos(np.deg2rad(alpha)), 0 * alpha, np.sin(np.deg2rad(alpha))])
    down = np.array([0, 0, -1.0])
    printed = [1, 1.154701, 2, 2.923804, 3.863703, 5.758770, 11.473713]
    np.testing.assert_allclose(sphere.terzaghi_weights(normal, down, 0.1), printed, atol=5e-7)
    np.testing.assert_allclose(sphere.terzaghi_weights(normal, down)[3:], 2.923804, atol=5e-7)
    np.testing.assert_allclose(sphere.terzaghi_weights(normal, down, 15.0)[4:], 3.863703, atol=5e-7)
    with pytest.raises(ValueError, match="cap_deg"):
        sphere.terzaghi_weights(normal, down, 0.0)


def test_terzaghi_weights_undo_the_bias_of_a_hole():
    """Planes at random met in proportion to sin α: weighted, their tensor is even again."""
    rng = np.random.default_rng(1)
    normal = rng.normal(size=(60_000, 3))
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    hole = orient.vector_of_line(np.array(70.0), np.array(60.0))
    met = normal[rng.random(len(normal)) < np.abs(normal @ hole)]
    biased = sphere.fabric_shape(sphere.orientation_tensor(met))
    even = sphere.orientation_tensor(met, sphere.terzaghi_weights(met, hole, 1.0))
    assert biased.values[0] == pytest.approx(0.5, abs=0.01)  # ∫ c³ dc / ∫ c dc over 0 to 1
    np.testing.assert_allclose(even, np.eye(3) / 3, atol=0.01)


def test_a_hole_is_blind_to_the_planes_along_it():
    rng = np.random.default_rng(2)
    poles = rng.normal(size=(200_000, 3))
    poles /= np.linalg.norm(poles, axis=1)[:, None]
    holes = orient.vector_of_line(np.array([0.0, 90.0]), np.array([90.0, 0.0]))
    blind = sphere.blind_zone(holes, poles)
    np.testing.assert_allclose(blind.mean(axis=1), np.sin(np.deg2rad(20.0)), atol=0.004)
    assert blind.all(axis=0).mean() < 0.2
    steep = orient.vector_of_plane(85.0, 10.0)
    assert sphere.blind_zone(holes, steep[None]).ravel().tolist() == [True, True]
    assert sphere.effective_number(np.array([1.0, 1.0, 2.0])) == pytest.approx(16 / 6)


def test_of_many_holes_the_squarest_counts():
    """More holes than are taken at a time, against the whole table of angles at once."""
    rng = np.random.default_rng(11)
    holes, poles = (rng.normal(size=(count, 3)) for count in (150, 40))
    holes, poles = (axes / np.linalg.norm(axes, axis=1, keepdims=True) for axes in (holes, poles))
    few = holes[:70] * np.sign(holes[:70, 2:])
    np.testing.assert_allclose(sphere.squarest(few, poles), np.abs(few @ poles.T).max(axis=0), atol=1e-15)
    joined = np.maximum(sphere.squarest(holes[:70], poles), sphere.squarest(holes[70:], poles))
    np.testing.assert_array_equal(sphere.squarest(holes, poles), joined)
    blind = sphere.blind_zone(holes[:2], poles, 35.0).all(axis=0)
    assert 0 < blind.sum() < len(poles)
    np.testing.assert_array_equal(sphere.squarest(holes[:2], poles) < np.sin(np.deg2rad(35.0)), blind)
    assert sphere.squarest(np.empty((0, 3)), poles).tolist() == [0.0] * len(poles)
