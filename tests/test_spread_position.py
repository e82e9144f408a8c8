"""Covariances along holes: published values, an independent derivative, Monte Carlo, invariances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from desurvey import curvature
from desurvey.spread import Gyro, Magnetic, Sigmas, Unstated, hole_spread
from desurvey.spread.jacobian import direction_response, displacement_response
from desurvey.traces import Traces, chained

NOTHING_ELSE = {"depth_m": 0.0, "depth_scale": 0.0, "easting_m": 0.0, "northing_m": 0.0, "elevation_m": 0.0}
UTM = np.array([482_110.25, 5_204_377.5, 1_312.4])
"""A collar at real coordinates (UTM zone 33 N, invented): nothing of it may come into what the hole's errors do."""
INCLINED = (np.full(21, 90.0), np.full(21, -60.0))
CURVED = (np.linspace(90, 105, 21), -np.linspace(60, 45, 21))


def a_hole(azimuth: np.ndarray, dip: np.ndarray, step: float = 30.0) -> Traces:
    depth = step * np.arange(len(azimuth))
    return chained(["A"], UTM[None], depth[-1:], np.array([0, len(depth)]), depth, azimuth, dip)


def only(tool: Unstated) -> Sigmas:
    return Sigmas(unstated=tool, **NOTHING_ELSE)


# ---- published: CHECK_VALUES.md section 6, a numeric Jacobian of minimum curvature, written there as N, E, D


@pytest.mark.parametrize(
    ("tool", "lateral", "east", "up"),
    [
        (Unstated(0.0, 0.0, 1.0, 0.3), 5.235988, 2.720699, 1.570796),
        (Unstated(1.0, 0.3, 0.0, 0.0), 1.156075, 0.600714, 0.346822),
    ],
    ids=["systematic", "random"],
)
def test_straight_hole_has_the_published_errors(tool, lateral, east, up):
    covariance = hole_spread(a_hole(*INCLINED), only(tool)).stations()[-1]
    np.testing.assert_allclose(np.sqrt(np.diagonal(covariance)), [east, lateral, up], atol=5e-7)


def test_curved_hole_has_the_published_covariance():
    hole = a_hole(*CURVED)
    np.testing.assert_allclose(hole.position[-1] - UTM, [359.712210, -50.103506, -474.656272], atol=5e-7)
    north_east_down = [
        [39.998884, 4.782788, 0.603824],
        [4.782788, 6.895510, -4.745040],
        [0.603824, -4.745040, 3.681392],
    ]
    turn = np.array([[0, 1, 0], [1, 0, 0], [0, 0, -1.0]])
    covariance = hole_spread(hole, only(Unstated(0.5, 0.15, 1.0, 0.3))).stations()[-1]
    np.testing.assert_allclose(covariance, turn @ north_east_down @ turn, atol=6e-7)


# ---- analytic


def test_collar_and_scale_of_depth_on_a_vertical_hole():
    exact = Unstated(0.0, 0.0, 0.0, 0.0)
    sigmas = Sigmas(unstated=exact, depth_m=0.3, depth_scale=1e-3, easting_m=0.1, northing_m=0.2, elevation_m=0.4)
    covariance = hole_spread(a_hole(np.zeros(4), np.full(4, -90.0), 100.0), sigmas).stations()
    np.testing.assert_allclose(covariance[0], np.diag([0.01, 0.04, 0.16]), atol=1e-15)
    np.testing.assert_allclose(covariance[3], np.diag([0.01, 0.04, 0.16 + 0.09 + 0.3**2]), atol=1e-9)


def test_extrapolation_grows_as_the_square_of_its_length():
    hole = chained(["A"], np.zeros((1, 3)), [100.0], [0, 1], np.zeros(1), np.zeros(1), np.full(1, -60.0))
    spread = hole_spread(hole, only(Unstated(2.0, 1.0, 0.0, 0.0)))
    east = np.sqrt(spread.at([0, 0], [50.0, 100.0]).position[:, 0, 0])
    np.testing.assert_allclose(east, np.array([50.0, 100.0]) * np.cos(np.pi / 3) * np.deg2rad(2.0), rtol=1e-12)


def test_a_collar_that_was_not_read_shares_the_error_of_the_first_reading():
    hole = chained(["A"], np.zeros((1, 3)), [90.0], [0, 2], np.array([30.0, 60]), np.full(2, 90.0), np.full(2, -60.0))
    spread = hole_spread(hole, only(Unstated(0.0, 1.0, 0.0, 0.0)), [-1, 2, 2])
    # 30 m wholly and 30 m half by the first reading, the last 15 by the second
    weights = np.array([45.0, 15.0])
    lateral = np.sqrt(spread.stations()[2, 1, 1])
    np.testing.assert_allclose(lateral, np.linalg.norm(weights) * np.deg2rad(1.0), rtol=1e-12)
    inside = spread.at([0], [20.0])
    np.testing.assert_allclose(np.sqrt(inside.position[0, 1, 1]), 20 * np.deg2rad(1.0), rtol=1e-12)
    np.testing.assert_allclose(np.sqrt(inside.direction[0, 1, 1]), np.deg2rad(1.0), rtol=1e-12)


def test_each_instrument_of_a_hole_has_a_bias_of_its_own():
    bias = (0.0, 0.0, 1.0, 1.0)
    sigmas = Sigmas(Magnetic(*bias), Gyro(*bias), Unstated(*bias), **NOTHING_ELSE)
    hole = a_hole(np.full(3, 90.0), np.full(3, -45.0), 100.0)
    # flat enough that azimuth counts: lateral error of a station is cos 45° times 1°, floored by the dip's 1°
    same = np.sqrt(hole_spread(hole, sigmas, [0, 0, 0]).stations()[2, 1, 1])
    mixed = np.sqrt(hole_spread(hole, sigmas, [0, 1, 1]).stations()[2, 1, 1])
    np.testing.assert_allclose(same, 200 * np.deg2rad(1.0), rtol=1e-12)
    np.testing.assert_allclose(mixed, np.hypot(50, 150) * np.deg2rad(1.0), rtol=1e-12)


def test_a_vertical_hole_has_the_same_error_on_all_sides_whatever_its_azimuth():
    quiet = only(Unstated(5.0, 0.4, 0.0, 0.0))
    for azimuths in ([0.0, 0, 0, 0], [13.0, 211, 75, 340]):
        covariance = hole_spread(a_hole(np.array(azimuths), np.full(4, -90.0)), quiet).stations()[-1]
        np.testing.assert_allclose(covariance, np.diag([covariance[0, 0]] * 2 + [0.0]), atol=1e-12)
        # 30 m steps: weights 15, 30, 30 of the stations below, the last 15
        expected = np.deg2rad(0.4) * np.sqrt(2 * 15.0**2 + 2 * 30.0**2)
        np.testing.assert_allclose(np.sqrt(covariance[0, 0]), expected, rtol=1e-12)


def test_rows_without_a_hole_and_impossible_depths_are_nan():
    spread = hole_spread(a_hole(*INCLINED))
    answer = spread.at([0, -1, 0, 0], [10.0, 10.0, -1.0, np.nan])
    assert np.isfinite(answer.position).all(axis=(1, 2)).tolist() == [True, False, False, False]
    assert np.isfinite(answer.direction).all(axis=(1, 2)).tolist() == [True, False, False, False]


def test_an_instrument_array_of_the_wrong_length_is_refused():
    with pytest.raises(ValueError, match=r"instrument has shape \(3,\), expected \(21,\)"):
        hole_spread(a_hole(*INCLINED), instrument=[0, 0, 0])


# ---- derivative: against central differences of an arc built by scipy rotations and Gauss-Legendre quadrature


def arc_by_scipy(upper: np.ndarray, lower: np.ndarray, fraction: float) -> tuple[np.ndarray, np.ndarray]:
    """Return r(u)/L and t(u): the tangent turned evenly about the arc's axis, and its integral."""
    axis = np.cross(upper, lower)
    angle = np.arctan2(np.linalg.norm(axis), upper @ lower)
    axis = axis / max(np.linalg.norm(axis), 1e-300)
    node, weight = np.polynomial.legendre.leggauss(40)
    node = np.append(fraction * (node + 1) / 2, fraction)
    tangents = Rotation.from_rotvec(node[:, None] * angle * axis).apply(upper)
    return fraction / 2 * weight @ tangents[:-1], tangents[-1]


@pytest.mark.parametrize("fraction", [0.15, 0.5, 0.8, 1.0])
@pytest.mark.parametrize("dogleg", [0.0, 1e-7, 1e-3, 0.4, 1.0, 1.5707, 2.9])
def test_the_jacobian_is_that_of_an_independent_arc(dogleg, fraction):
    rng = np.random.default_rng(7)
    turn = Rotation.random(random_state=3)
    upper, lower = turn.apply([[0, 0, -1.0], [np.sin(dogleg), 0, -np.cos(dogleg)]])
    arc = curvature.arcs(upper[None], lower[None])
    moved, turned = (f(arc, np.array([fraction])) for f in (displacement_response, direction_response))
    step = 1e-4
    for end, held in ((0, lower), (1, upper)):
        at = (upper, lower)[end]
        for _ in range(3):
            error = np.cross(at, rng.normal(size=3))
            ends = [np.cos(step) * at + sign * np.sin(step) * error / np.linalg.norm(error) for sign in (1, -1)]
            pairs = [(e, held) if end == 0 else (held, e) for e in ends]
            plus, minus = (arc_by_scipy(*pair, fraction) for pair in pairs)
            for answer, a, b in zip((moved, turned), plus, minus, strict=True):
                expected = (a - b) / (2 * step) * np.linalg.norm(error)
                np.testing.assert_allclose(answer[end](error[None])[0], expected, atol=3e-6)


def test_the_series_of_the_jacobian_meets_its_closed_form():
    from scipy.special import spherical_jn

    from desurvey.spread.jacobian import SERIES_BELOW, _bessel

    x = np.array([0.0, 1e-12, 1e-6, 1e-3, 0.1, 0.3, SERIES_BELOW, SERIES_BELOW + 1e-12, 1.0, 1.5])
    np.testing.assert_allclose(_bessel(x), spherical_jn(1, x), rtol=2e-14)


# ---- Monte Carlo: the whole non-linear chain, 40,000 draws, everything wrong at once

DRAWS = 40_000
TOOL = Unstated(0.6, 0.3, 0.5, 0.2)
SIGMAS = Sigmas(unstated=TOOL, depth_m=0.25, depth_scale=8e-4, easting_m=0.2, northing_m=0.3, elevation_m=0.1)
LEGS = np.linspace(0, 1, 11)
SHAPES = {
    "vertical": (np.full(11, 40.0), np.full(11, -90.0)),
    "horizontal": (np.full(11, 310.0), np.zeros(11)),
    "s_shaped": (120 + 40 * np.sin(2 * np.pi * LEGS), -65 + 25 * np.sin(2 * np.pi * LEGS)),
    "right_angles": (np.array([0, 85.0, 170, 170, 260, 260, 350, 80, 80, 160, 160]), np.array([-5.0] * 5 + [-60] * 6)),
    "over_the_top": (np.full(11, 20.0) + 180 * (LEGS > 0.5), -np.where(LEGS > 0.5, 85.0, 75 + 20 * LEGS)),
}
POINTS = np.array([120.0, 133.0, 250.0, 300.0, 345.0])
"""On a station, inside arcs, on the last station, extrapolated."""


def drawn(azimuth: np.ndarray, dip: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return positions and tangents (draws, points, 3) of holes re-computed with drawn errors in all inputs."""
    depth = 30.0 * np.arange(len(azimuth))
    t = curvature.tangent(np.deg2rad(azimuth), np.deg2rad(dip))
    across = np.stack([np.cos(np.deg2rad(azimuth)), -np.sin(np.deg2rad(azimuth)), 0 * azimuth], axis=1)
    sigma = np.deg2rad([TOOL.azimuth_deg, TOOL.azimuth_bias_deg, TOOL.dip_deg, TOOL.dip_bias_deg])
    lateral = np.maximum(sigma[:2, None] * np.cos(np.deg2rad(dip)), sigma[2:, None])
    one, each = rng.normal(size=(2, DRAWS, 1)), rng.normal(size=(2, DRAWS, len(depth)))
    sideways = lateral[0] * each[0] + lateral[1] * one[0]
    upward = sigma[2] * each[1] + sigma[3] * one[1]
    wrong = t + sideways[..., None] * across + upward[..., None] * np.cross(across, t)
    wrong /= np.linalg.norm(wrong, axis=-1, keepdims=True)
    angle = np.rad2deg(curvature.angles(wrong))

    stretch = 1 + SIGMAS.depth_scale * rng.normal(size=(DRAWS, 1))
    stations = depth * stretch
    stations[:, 1:] += SIGMAS.depth_m * rng.normal(size=(DRAWS, len(depth) - 1))
    logged = POINTS * stretch + SIGMAS.depth_m * rng.normal(size=(DRAWS, len(POINTS)))
    collar = rng.normal(size=(DRAWS, 3)) * [SIGMAS.easting_m, SIGMAS.northing_m, SIGMAS.elevation_m]

    names, offsets = np.arange(DRAWS).astype(str), len(depth) * np.arange(DRAWS + 1)
    hole = np.repeat(np.arange(DRAWS), len(POINTS))
    holes = chained(names, collar, stations[:, -1], offsets, stations.ravel(), *angle.reshape(2, -1))
    position = holes.at(hole, logged.ravel()).position
    # directions leave the depth errors out, as the docstring of PointSpread says
    holes = chained(names, collar, stations[:, -1], offsets, np.tile(depth, DRAWS), *angle.reshape(2, -1))
    tangent = holes.at(hole, np.tile(POINTS, DRAWS)).tangent
    return position.reshape(DRAWS, -1, 3), tangent.reshape(DRAWS, -1, 3)


@pytest.mark.parametrize("name", SHAPES)
def test_monte_carlo_gives_the_same_covariances(name):
    azimuth, dip = SHAPES[name]
    position, tangent = drawn(azimuth, dip, np.random.default_rng(2026))
    spread = hole_spread(a_hole(azimuth, dip), SIGMAS)
    answer = spread.at(np.zeros(len(POINTS), dtype=int), POINTS)
    for k in range(len(POINTS)):
        whiten = np.linalg.inv(np.linalg.cholesky(answer.position[k]))
        ratio = whiten @ np.cov(position[:, k].T) @ whiten.T
        # a variance from 40,000 draws is known to √(2/40,000) = 0.7 %: 5 % is seven of those
        np.testing.assert_allclose(ratio, np.eye(3), atol=0.05)
        scale = np.trace(answer.direction[k])
        np.testing.assert_allclose(np.cov(tangent[:, k].T) / scale, answer.direction[k] / scale, atol=0.04)
    np.testing.assert_allclose(spread.stations()[4], answer.position[0], rtol=1e-12, atol=1e-14)
    np.testing.assert_allclose(spread.stations()[10], answer.position[3], rtol=1e-12, atol=1e-14)


# ---- properties

holes = st.integers(2, 12).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(0, 360), min_size=n, max_size=n),
        st.lists(st.floats(-89.9, -20), min_size=n, max_size=n),
    )
)


@settings(deadline=None, max_examples=40)
@given(holes, st.floats(0, 360))
def test_turning_a_hole_about_the_vertical_turns_its_covariance(angles, turn):
    azimuth, dip = (np.array(a) for a in angles)
    sigmas = Sigmas(easting_m=0.1, northing_m=0.1)
    before = hole_spread(a_hole(azimuth, dip), sigmas).stations()
    after = hole_spread(a_hole(azimuth + turn, dip), sigmas).stations()
    matrix = Rotation.from_euler("z", -turn, degrees=True).as_matrix()
    np.testing.assert_allclose(after, matrix @ before @ matrix.T, atol=1e-7 * np.abs(before).max())


@settings(deadline=None, max_examples=40)
@given(holes, st.floats(0, 1))
def test_covariances_are_symmetric_never_negative_and_don_t_jump_at_stations(angles, place):
    azimuth, dip = (np.array(a) for a in angles)
    hole = a_hole(azimuth, dip)
    spread = hole_spread(hole)
    station = hole.depth[1 + int(place * (len(azimuth) - 2))]
    near = spread.at([0, 0, 0], station + np.array([-1e-7, 0.0, 1e-7]))
    for part in near:
        np.testing.assert_array_equal(part, part.transpose(0, 2, 1))
        assert np.linalg.eigvalsh(part).min() > -1e-12
        np.testing.assert_allclose(part[0], part[1], atol=1e-5)
        np.testing.assert_allclose(part[2], part[1], atol=1e-5)


def test_many_holes_at_once_are_the_holes_one_by_one():
    rng = np.random.default_rng(5)
    counts = rng.integers(1, 40, size=1500)
    offsets = np.append(0, np.cumsum(counts))
    assert offsets[-1] > 20_000  # more than one block
    depth = np.concatenate([np.cumsum(rng.uniform(5, 40, n)) - 5 for n in counts])
    azimuth, dip = rng.uniform(0, 360, len(depth)), rng.uniform(-90, -30, len(depth))
    collar = rng.uniform(0, 1e6, (len(counts), 3))
    end = depth[offsets[1:] - 1] + 10
    together = chained(np.arange(len(counts)).astype(str), collar, end, offsets, depth, azimuth, dip)
    code = rng.integers(0, 3, len(together.depth))
    covariance = hole_spread(together, instrument=code).stations()
    for i in (0, 1, 700, 1499):
        rows = slice(offsets[i], offsets[i + 1])
        alone = chained(["x"], collar[i : i + 1], end[i : i + 1], [0, counts[i]], depth[rows], azimuth[rows], dip[rows])
        own = slice(together.offsets[i], together.offsets[i + 1])
        expected = hole_spread(alone, instrument=code[own]).stations()
        np.testing.assert_allclose(covariance[own], expected, rtol=1e-7, atol=1e-7)


@pytest.mark.parametrize("count", [0, 1])
def test_no_holes_and_one_station_are_fine(count):
    hole = chained(
        np.arange(count).astype(str), np.zeros((count, 3)), np.full(count, 9.0), np.arange(count + 1),
        np.zeros(count), np.zeros(count), np.full(count, -50.0),
    )  # fmt: skip
    spread = hole_spread(hole)
    assert spread.stations().shape == (count, 3, 3)
    assert spread.at(np.zeros(0, dtype=int), np.zeros(0)).position.shape == (0, 3, 3)


@pytest.mark.parametrize("first", [0.0, 25.0], ids=["collar_read", "collar_carried"])
def test_the_whole_chain_has_the_covariance_of_its_finite_differences(first):
    """Derivatives of positions by every azimuth and dip, from holes re-computed with each reading ± 1e-5 rad."""
    azimuth = np.array([40.0, 55, 90, 140, 120, 121])
    dip = np.array([-70.0, -60, -40, -30, -10, 5])
    depth = first + np.array([0.0, 30, 70, 95, 140, 160])
    points = np.array([10.0, 30, 60, 120, first + 160, 230])
    step = np.rad2deg(1e-5)
    moves = step * np.vstack([np.eye(12), -np.eye(12)])
    angle = np.concatenate([azimuth, dip]) + moves
    count = len(angle)
    names, offsets = np.arange(count).astype(str), 6 * np.arange(count + 1)
    many = chained(
        names, np.zeros((count, 3)), np.full(count, 200.0), offsets,
        np.tile(depth, count), angle[:, :6].ravel(), angle[:, 6:].ravel(),
    )  # fmt: skip
    at = many.at(np.repeat(np.arange(count), 6), np.tile(points, count))
    position, tangent = (part.reshape(2, 2, 6, 6, 3) for part in (at.position, at.tangent))

    hole = chained(["A"], np.zeros((1, 3)), [200.0], [0, 6], depth, azimuth, dip)
    tool = Unstated(2.0, 0.1, 1.5, 0.2)
    code = [2] * 6 if first == 0.0 else [-1] + [2] * 6
    answer = hole_spread(hole, only(tool), code).at(np.zeros(6, dtype=int), points)
    random = np.deg2rad([tool.azimuth_deg, tool.dip_deg])
    bias = np.deg2rad([tool.azimuth_bias_deg, tool.dip_bias_deg])
    for found, moved in ((answer.position, position), (answer.direction, tangent)):
        slope = (moved[0] - moved[1]) / 2e-5  # (azimuth or dip, reading, point, coordinate)
        expected = np.einsum("k,krpi,krpj->pij", random**2, slope, slope)
        total = slope.sum(axis=1)
        expected += np.einsum("k,kpi,kpj->pij", bias**2, total, total)
        np.testing.assert_allclose(found, expected, rtol=1e-5, atol=1e-8 * np.abs(expected).max())
