"""Minimum curvature against printed examples, other ways to the same arc, and what must hold of any arc."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad_vec
from scipy.spatial.transform import Rotation, Slerp

from desurvey import curvature
from desurvey.problems import DataProblem

METHODS = ("minimum_curvature", "tangential", "balanced_tangential", "average_angle", "radius_of_curvature")


def stations(*inclination_azimuth):
    """Return (azimuth, dip) pairs in radians from (inclination from vertical, azimuth) in degrees, as tables print."""
    inclination, azimuth = np.deg2rad(np.array(inclination_azimuth, dtype=float)).T
    dip = inclination - np.pi / 2
    return (azimuth[:-1], azimuth[1:]), (dip[:-1], dip[1:])


def north_east_vertical(displacement):
    """Return displacements in the order in which drilling tables print them, vertical positive down."""
    return displacement[:, [1, 0, 2]] * [1, 1, -1]


def directions(count, seed):
    vectors = np.random.default_rng(seed).normal(size=(count, 3))
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


unit_vectors = st.tuples(st.floats(0, 2 * np.pi), st.floats(-np.pi / 2, np.pi / 2)).map(
    lambda angles: curvature.tangent(*np.array(angles)[:, None])
)


# ------------------------------------------------------------------------------------------------------- published


def test_two_station_textbook_example():
    # Lapeyrouse, Formulas and Calculations for Drilling, Production and Workover: 3500 ft 15/20 → 3600 ft 25/45,
    # printed N 27.22, E 19.45, V 94.01, dogleg 12.95° and 0.22605 rad.
    azimuth, dip = stations((15, 20), (25, 45))
    moved = north_east_vertical(curvature.displacement(azimuth, dip, np.array([100.0])))
    np.testing.assert_allclose(moved[0], [27.22, 19.45, 94.01], atol=0.005)
    arc = curvature.arcs(curvature.tangent(azimuth[0], dip[0]), curvature.tangent(azimuth[1], dip[1]))
    assert np.rad2deg(arc.dogleg[0]) == pytest.approx(12.95, abs=0.005)
    assert arc.dogleg[0] == pytest.approx(0.22605, abs=0.000005)


def test_other_methods_on_a_printed_pair():
    # The same book, as reprinted: 7482 ft 4/10 → 7782 ft 8/35. Average angle prints 28.97, 12.0, 298.35 (the last is
    # truncated, not rounded). Its radius-of-curvature N of 28.56 is hand rounding of 28.736 (CHECK_VALUES 1d), so that
    # is held against the closed formula, written out here as the handbooks print it.
    azimuth, dip = stations((4, 10), (8, 35))
    average = north_east_vertical(curvature.displacement(azimuth, dip, np.array([300.0]), "average_angle"))[0]
    np.testing.assert_allclose(average, [28.97, 12.0, 298.355], atol=0.005)
    i1, i2, a1, a2 = np.deg2rad([4, 8, 10, 35])
    factor = 300 * (np.cos(i1) - np.cos(i2)) / ((i2 - i1) * (a2 - a1))
    expected = [
        factor * (np.sin(a2) - np.sin(a1)),
        factor * (np.cos(a1) - np.cos(a2)),
        300 * (np.sin(i2) - np.sin(i1)) / (i2 - i1),
    ]
    radius = north_east_vertical(curvature.displacement(azimuth, dip, np.array([300.0]), "radius_of_curvature"))
    np.testing.assert_allclose(radius[0], expected, atol=1e-10)


@pytest.mark.parametrize(
    ("method", "down", "north"),
    [
        # Craig & Randall (1976), as tabulated in PetroWiki "Calculation methods for directional survey" (recalled from
        # memory): errors of a 2000 ft build from 0 to 60° at 3°/100 ft due north, 21 stations.
        ("tangential", -25.38, 43.09),
        ("balanced_tangential", -0.38, -0.21),
        ("average_angle", 0.19, 0.11),
        ("radius_of_curvature", 0.0, 0.0),
        ("minimum_curvature", 0.0, 0.0),
    ],
)
def test_errors_of_the_methods_on_a_constant_build(method, down, north):
    azimuth, dip = stations(*((inclination, 0) for inclination in np.linspace(0, 60, 21)))
    moved = north_east_vertical(curvature.displacement(azimuth, dip, np.full(20, 100.0), method)).sum(axis=0)
    radius = 100 * 180 / (3 * np.pi)
    exact_north, exact_down = radius * (1 - np.cos(np.pi / 3)), radius * np.sin(np.pi / 3)
    assert moved[2] - exact_down == pytest.approx(down, abs=0.006)
    assert moved[0] - exact_north == pytest.approx(north, abs=0.012)  # the table's N digits are rounded by hand


# ------------------------------------------------------------------------------------- other ways to the same arc


def test_points_inside_an_arc_against_scipy_slerp_and_integration():
    upper, lower = directions(40, seed=1), directions(40, seed=2)
    length = np.random.default_rng(3).uniform(1, 100, 40)
    arc = curvature.arcs(upper, lower)
    for row in range(40):
        axis = np.cross(upper[row], lower[row])
        turn = Rotation.from_rotvec(arc.dogleg[row] * axis / np.linalg.norm(axis))
        slerp = Slerp([0, 1], Rotation.concatenate([Rotation.identity(), turn]))
        one = curvature.Arcs(*(part[row : row + 1] for part in arc))
        for fraction in (0.0, 0.2, 0.5, 0.9, 1.0):
            expected, _ = quad_vec(lambda u, r=row, s=slerp: length[r] * s(u).apply(upper[r]), 0, fraction)
            tangent = curvature.arc_tangent(one, np.array([fraction]))[0]
            moved = curvature.arc_displacement(one, length[row : row + 1], fraction)[0]
            np.testing.assert_allclose(tangent, slerp(fraction).apply(upper[row]), atol=1e-12)
            np.testing.assert_allclose(moved, expected, atol=1e-9)


@pytest.mark.parametrize("gap", [1e-3, 1e-6, 1e-8])
def test_doglegs_close_to_180_degrees_keep_their_accuracy(gap):
    # A turn by π − gap in the E–U plane is part of a circle: radius L/(π − gap), closed form.
    angle = np.pi - gap
    upper, lower = np.array([[1.0, 0, 0]]), np.array([[-np.cos(gap), 0, -np.sin(gap)]])
    arc = curvature.arcs(upper, lower)
    assert arc.dogleg[0] == pytest.approx(angle, abs=1e-15)
    radius = 100 / angle
    moved = curvature.arc_displacement(arc, np.array([100.0]))[0]
    np.testing.assert_allclose(moved, [radius * np.sin(gap), 0, -radius * (1 + np.cos(gap))], atol=1e-5 * 1e-8 / gap)
    assert moved[2] == pytest.approx(-radius * (1 + np.cos(gap)), abs=1e-12)


@pytest.mark.parametrize("dogleg", [0.0, 1e-15, 1e-12, 1e-8, 1e-5, 1e-3, 0.1])
def test_small_doglegs_have_no_threshold_jump(dogleg):
    # Closed form of a build in a vertical plane, with half-angle formulas so that the reference loses no digits.
    upper, lower = np.array([[1.0, 0, 0]]), np.array([[np.cos(dogleg), 0, np.sin(dogleg)]])
    arc = curvature.arcs(upper, lower)
    assert arc.dogleg[0] == pytest.approx(dogleg, rel=1e-12)
    chord = 1000 * np.sinc(dogleg / 2 / np.pi)
    expected = [chord * np.cos(dogleg / 2), 0, chord * np.sin(dogleg / 2)]
    np.testing.assert_allclose(curvature.arc_displacement(arc, np.array([1000.0]))[0], expected, rtol=1e-14, atol=0)


def test_opposite_directions_have_no_arc():
    with pytest.raises(DataProblem, match="exactly opposite"):
        curvature.arcs(np.array([[0.0, 0, -1]]), np.array([[0.0, 0, 1]]))


# ------------------------------------------------------------------------------------------------------ properties


@given(upper=unit_vectors, lower=unit_vectors, fraction=st.floats(0, 1))
def test_an_arc_is_a_unit_speed_circle_from_one_tangent_to_the_other(upper, lower, fraction):
    if np.linalg.norm(upper + lower) < 1e-6:
        return
    arc = curvature.arcs(upper, lower)
    np.testing.assert_allclose(curvature.arc_tangent(arc, np.array([0.0])), upper, atol=1e-9)
    np.testing.assert_allclose(curvature.arc_tangent(arc, np.array([1.0])), lower, atol=1e-9)
    tangent = curvature.arc_tangent(arc, np.array([fraction]))
    assert np.linalg.norm(tangent) == pytest.approx(1, abs=1e-9)


@given(upper=unit_vectors, lower=unit_vectors, fraction=st.floats(0.01, 0.99))
def test_splitting_an_interval_at_a_point_of_its_arc_changes_nothing(upper, lower, fraction):
    if np.linalg.norm(upper + lower) < 1e-3:
        return
    length = np.array([30.0])
    whole = curvature.arcs(upper, lower)
    between = curvature.arc_tangent(whole, np.array([fraction]))
    above = curvature.arc_displacement(curvature.arcs(upper, between), fraction * length)
    below = curvature.arc_displacement(curvature.arcs(between, lower), (1 - fraction) * length)
    np.testing.assert_allclose(above + below, curvature.arc_displacement(whole, length), atol=1e-9)
    np.testing.assert_allclose(above, curvature.arc_displacement(whole, length, fraction), atol=1e-9)


@given(azimuth=st.floats(0, 6.28), dip=st.floats(-1.57, 1.57))
def test_angles_are_the_inverse_of_tangent(azimuth, dip):
    back_azimuth, back_dip = curvature.angles(curvature.tangent(azimuth, dip))
    assert back_dip == pytest.approx(dip, abs=1e-12)
    np.testing.assert_allclose(curvature.tangent(back_azimuth, back_dip), curvature.tangent(azimuth, dip), atol=1e-12)


@pytest.mark.parametrize("method", METHODS)
def test_all_methods_agree_on_a_straight_hole(method):
    azimuth, dip = stations((30, 350), (30, 350))
    moved = curvature.displacement(azimuth, dip, np.array([50.0]), method)
    np.testing.assert_allclose(moved, 50 * curvature.tangent(azimuth[0], dip[0]), atol=1e-12)


@pytest.mark.parametrize("method", METHODS)
def test_azimuths_turn_the_short_way_through_north(method):
    azimuth, dip = stations((45, 350), (45, 10))
    moved = curvature.displacement(azimuth, dip, np.array([50.0]), method)[0]
    assert moved[1] > 0
    if method not in {"tangential"}:
        assert moved[0] == pytest.approx(0, abs=1e-12)


def test_high_side_is_square_to_the_hole_and_undefined_on_a_vertical_one():
    tangent = directions(100, seed=5)
    high = curvature.high_side(tangent)
    np.testing.assert_allclose(np.einsum("ij,ij->i", tangent, high), 0, atol=1e-12)
    assert (high[:, 2] > 0).all()
    assert np.isnan(curvature.high_side(np.array([[0.0, 0, -1], [0, 0, 1]]))).all()
