"""Core angles against a table worked by two other routes, a brute-force cylinder, and what must hold of any core."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar
from scipy.spatial.transform import Rotation

from desurvey import curvature, orient
from desurvey.problems import DataProblem
from desurvey.project import load_project
from desurvey.traces import build
from tests.projects import write_project

# CHECK_VALUES section 2: hole azimuth, plunge, alpha, beta, line, dip, dip direction, pole (N, E, D, lower hemisphere).
# Worked there by vectors in a north-east-down frame and by brute force on a cylinder; no page seen prints such a table.
TABLE = [
    (0, 60, 30, 0, "low", 90.0, None, (-1, 0, 0)),
    (0, 60, 30, 180, "low", 30.0, 0.0, (-0.5, 0, 0.866025)),
    (0, 60, 30, 90, "low", 64.341094, 253.897886, (0.25, 0.866025, 0.433013)),
    (0, 60, 30, 270, "low", 64.341094, 106.102114, (0.25, -0.866025, 0.433013)),
    (0, 60, 30, 0, "high", 30.0, 0.0, (-0.5, 0, 0.866025)),
    (90, 60, 90, 123, "low", 30.0, 270.0, (0, 0.5, 0.866025)),
    (45, 55, 0, 0, "low", 55.0, 45.0, (-0.579228, -0.579228, 0.573576)),
    (45, 55, 0, 90, "low", 90.0, None, (0.707107, -0.707107, 0)),
    (135, 65, 42, 217, "low", 30.989352, 195.299055, (0.496632, 0.135854, 0.857263)),
    (135, 65, 42, 217, "high", 69.168947, 343.588443, (-0.896553, 0.264067, 0.355614)),
    (75, 0, 40, 60, "low", 67.478988, 120.904687, (0.474443, -0.792589, 0.383022)),
    (60, 45, 45, 180, "low", 0.0, None, (0, 0, 1)),
    (60, 45, 45, 0, "low", 90.0, None, (-0.5, -0.866025, 0)),
]

angle = st.floats(0, 359.99)
hole = st.tuples(angle, st.floats(-87, 87))


def frame_of(azimuth, dip, line="low"):
    tangent = curvature.tangent(np.deg2rad([float(azimuth)]), np.deg2rad([float(dip)]))
    return tangent, orient.reference_line(tangent, [line])


def plane(azimuth, dip, alpha, beta, line="low"):
    tangent, reference = frame_of(azimuth, dip, line)
    return orient.plane_normal(tangent, reference, [alpha], [beta])


def same_axis(one, two):
    return np.abs(np.einsum("ij,ij->i", one, two))


# ------------------------------------------------------------------------------------------------ worked elsewhere


@pytest.mark.parametrize(("azimuth", "plunge", "alpha", "beta", "line", "dip", "direction", "pole"), TABLE)
def test_the_worked_table(azimuth, plunge, alpha, beta, line, dip, direction, pole):
    normal = plane(azimuth, -plunge, alpha, beta, line)
    north_east_down = np.array(pole, dtype=float)
    np.testing.assert_allclose(same_axis(normal, north_east_down[None, [1, 0, 2]] * [1, 1, -1]), 1, atol=1e-6)
    got_dip, got_direction = orient.dip_of_plane(normal)
    assert got_dip[0] == pytest.approx(dip, abs=6e-7)
    if direction is not None:
        assert (got_direction[0] - direction + 180) % 360 - 180 == pytest.approx(0, abs=6e-7)


def test_a_horizontal_plane_has_no_dip_direction():
    dip, direction = orient.dip_of_plane(plane(60, -45, 45, 180))
    assert dip[0] == pytest.approx(0, abs=1e-7)
    assert np.isnan(direction[0])


@pytest.mark.parametrize(
    ("azimuth", "plunge", "alpha", "beta", "gamma", "trend", "line_plunge"),
    [
        # CHECK_VALUES section 2, lines
        (135, 65, 42, 217, 0, 161.765523, 26.594570),
        (135, 65, 42, 217, 90, 259.331197, 14.734363),
        (135, 65, 42, 217, 35, 201.588814, 30.836880),
        (0, 60, 30, 90, 25, 329.142494, 27.931895),
        (270, 50, 35, 120, 340, 216.638651, 37.360603),
        (0, 60, 30, 0, 90, 270.0, 0.0),
    ],
)
def test_lines_of_the_worked_table(azimuth, plunge, alpha, beta, gamma, trend, line_plunge):
    tangent, reference = frame_of(azimuth, -plunge)
    line = orient.line_in_plane(tangent, reference, [alpha], [beta], [gamma])
    got_trend, got_plunge = orient.trend_and_plunge(line)
    assert got_plunge[0] == pytest.approx(line_plunge, abs=6e-7)
    if line_plunge > 0:
        assert got_trend[0] == pytest.approx(trend, abs=6e-7)
    else:  # a flat line has two trends
        assert got_trend[0] % 180 == pytest.approx(trend % 180, abs=6e-7)


@pytest.mark.parametrize("seed", range(12))
def test_against_a_cylinder_cut_by_the_plane(seed):
    """Cut a core by a plane, find line and apex on its surface by search, and read alpha and beta off the drawing."""
    rng = np.random.default_rng(seed)
    azimuth, dip = rng.uniform(0, 360), rng.uniform(-85, 85)
    normal = rng.normal(size=3)
    normal /= np.linalg.norm(normal)

    # A core of radius 1 along +z, turned so that z points down the hole.
    bearing = Rotation.from_euler("ZX", [-azimuth, -(90 - dip)], degrees=True)
    axis = bearing.apply([0, 0, 1])
    np.testing.assert_allclose(axis, curvature.tangent(np.deg2rad(azimuth), np.deg2rad(dip)), atol=1e-12)

    def surface(turn):
        return bearing.apply([np.cos(turn), np.sin(turn), 0.0])

    def depth_of_cut(turn):
        return -(surface(turn) @ normal) / (axis @ normal)

    starts = np.linspace(0, 2 * np.pi, 60)
    low = min(starts, key=lambda turn: surface(turn)[2])
    low = minimize_scalar(lambda turn: surface(turn)[2], bounds=(low - 0.2, low + 0.2), options={"xatol": 1e-12}).x
    step = 1e-6
    slope = [depth_of_cut(turn + step) - depth_of_cut(turn - step) for turn in starts]
    apex = next(
        brentq(lambda turn: depth_of_cut(turn + step) - depth_of_cut(turn - step), starts[row], starts[row + 1])
        for row in range(59)
        if slope[row] > 0 >= slope[row + 1]
    )
    # Clockwise looking down the hole is a right-handed turn about the axis; z of the drawing is the axis.
    beta = np.rad2deg(apex - low) % 360
    alpha = np.rad2deg(np.arctan2(1.0, depth_of_cut(apex)))

    tangent, reference = frame_of(azimuth, dip)
    got_alpha, got_beta = orient.core_angles(tangent, reference, normal[None])
    assert got_alpha[0] == pytest.approx(alpha, abs=1e-6)
    assert (got_beta[0] - beta + 180) % 360 - 180 == pytest.approx(0, abs=2e-5)
    np.testing.assert_allclose(same_axis(plane(azimuth, dip, alpha, beta), normal[None]), 1, atol=1e-9)


@given(azimuth=angle, dip=st.floats(-89, 89), alpha=st.floats(0, 90), beta=angle)
def test_general_dip_identity(azimuth, dip, alpha, beta):
    # cos dip = |sin α sin p − cos α cos p cos β|, p the plunge and β from the low side (CHECK_VALUES section 2)
    a, p, b = np.deg2rad([alpha, -dip, beta])
    got, _ = orient.dip_of_plane(plane(azimuth, dip, alpha, beta))
    expected = abs(np.sin(a) * np.sin(p) - np.cos(a) * np.cos(p) * np.cos(b))
    assert np.cos(np.deg2rad(got[0])) == pytest.approx(expected, abs=1e-9)


# ------------------------------------------------------------------------------------------------------ properties


@given(hole=hole, alpha=st.floats(0.01, 89.9), beta=angle, line=st.sampled_from(["low", "high"]))
def test_core_angles_to_plane_and_back(hole, alpha, beta, line):
    tangent, reference = frame_of(*hole, line)
    normal = orient.plane_normal(tangent, reference, [alpha], [beta])
    for sign in (1, -1):
        got_alpha, got_beta = orient.core_angles(tangent, reference, sign * normal)
        assert got_alpha[0] == pytest.approx(alpha, abs=1e-7)
        assert (got_beta[0] - beta + 180) % 360 - 180 == pytest.approx(0, abs=1e-5)


@given(hole=hole, alpha=st.floats(1, 89), beta=angle, gamma=angle)
def test_lines_lie_in_their_plane_and_give_gamma_back(hole, alpha, beta, gamma):
    tangent, reference = frame_of(*hole)
    line = orient.line_in_plane(tangent, reference, [alpha], [beta], [gamma])
    normal = orient.plane_normal(tangent, reference, [alpha], [beta])
    assert np.einsum("ij,ij->i", line, normal)[0] == pytest.approx(0, abs=1e-12)
    back = orient.gamma_of_line(tangent, reference, [alpha], [beta], line)[0]
    assert (back - gamma + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)


@given(hole=hole, alpha=st.floats(0, 90), beta=angle)
def test_high_side_and_low_side_lines_differ_by_180_degrees_of_beta(hole, alpha, beta):
    low, high = plane(*hole, alpha, beta, "low"), plane(*hole, alpha, (beta + 180) % 360, "high")
    np.testing.assert_allclose(low, high, atol=1e-12)


@given(hole=hole, alpha=st.floats(0, 90), beta=angle, turn=angle)
def test_turning_the_hole_turns_the_plane(hole, alpha, beta, turn):
    matrix = Rotation.from_euler("z", -turn, degrees=True).as_matrix()  # azimuths run clockwise
    turned = plane(hole[0] + turn, hole[1], alpha, beta)
    np.testing.assert_allclose(turned, plane(*hole, alpha, beta) @ matrix.T, atol=1e-9)


@given(dip=st.floats(0, 90), direction=angle)
def test_dip_and_dip_direction_to_normal_and_back(dip, direction):
    normal = orient.vector_of_plane([dip], [direction])
    got_dip, got_direction = orient.dip_of_plane(normal)
    assert got_dip[0] == pytest.approx(dip, abs=1e-6)
    assume(1e-3 < dip < 89.999)
    assert (got_direction[0] - direction + 180) % 360 - 180 == pytest.approx(0, abs=1e-5)


@given(trend=angle, plunge=st.floats(0.001, 89.9))
def test_trend_and_plunge_to_line_and_back(trend, plunge):
    line = orient.vector_of_line([trend], [plunge])
    for sign in (1, -1):
        got_trend, got_plunge = orient.trend_and_plunge(sign * line)
        assert got_plunge[0] == pytest.approx(plunge, abs=1e-6)
        assert (got_trend[0] - trend + 180) % 360 - 180 == pytest.approx(0, abs=1e-5)


# -------------------------------------------------------------------------------------------------------- limiting


@given(hole=hole, one=angle, two=angle)
def test_square_to_the_core_beta_means_nothing(hole, one, two):
    np.testing.assert_allclose(plane(*hole, 90, one), plane(*hole, 90, two), atol=1e-12)
    tangent, reference = frame_of(*hole)
    alpha, beta = orient.core_angles(tangent, reference, tangent)
    assert alpha[0] == pytest.approx(90)
    assert np.isnan(beta[0])


@given(hole=hole, beta=angle)
def test_along_the_core_both_ends_of_the_ellipse_are_the_same_plane(hole, beta):
    np.testing.assert_allclose(plane(*hole, 0, beta), -plane(*hole, 0, beta + 180), atol=1e-12)


def test_a_gravity_line_is_undefined_on_a_vertical_hole():
    tangent = np.array([[0.0, 0, -1]])
    assert np.isnan(orient.reference_line(tangent, ["low"])).all()
    assert np.isnan(orient.reference_line(tangent, ["high"])).all()


def test_a_north_line_works_on_a_vertical_hole_and_not_on_a_flat_one_along_north():
    # CHECK_VALUES cases 15 and 16: on a vertical hole dip = 90 − α and dip direction = bearing of the line + β. There
    # the line bears az + 180, here it bears north.
    tangent = np.array([[0.0, 0, -1]])
    reference = orient.reference_line(tangent, ["north"])
    dip, direction = orient.dip_of_plane(orient.plane_normal(tangent, reference, [40.0], [70.0]))
    assert dip[0] == pytest.approx(50)
    assert direction[0] == pytest.approx(70)
    assert np.isnan(orient.reference_line(np.array([[0.0, 1, 0], [0, -1, 0]]), ["north", "north"])).all()


def test_many_rows_are_each_row_alone():
    rng = np.random.default_rng(8)
    azimuth, dip = rng.uniform(0, 360, 50), rng.uniform(-88, 88, 50)
    alpha, beta = rng.uniform(0, 90, 50), rng.uniform(0, 360, 50)
    line = rng.choice(["low", "high", "north"], 50)
    tangent = curvature.tangent(np.deg2rad(azimuth), np.deg2rad(dip))
    together = orient.plane_normal(tangent, orient.reference_line(tangent, line), alpha, beta)
    for row in range(50):
        np.testing.assert_array_equal(
            together[row : row + 1], plane(azimuth[row], dip[row], alpha[row], beta[row], str(line[row]))
        )


@pytest.mark.parametrize("alpha", [120.0, -1.0, 90.1, np.inf])
@pytest.mark.parametrize(
    "kernel",
    [
        lambda alpha: plane(0, -60, alpha, 0.0),
        lambda alpha: orient.long_axis(*frame_of(0, -60), [alpha], [0.0]),
        lambda alpha: orient.line_in_plane(*frame_of(0, -60), [alpha], [0.0], [0.0]),
        lambda alpha: orient.dip_of_core_angles(*frame_of(0, -60), [alpha], [0.0]),
    ],
)
def test_an_alpha_that_no_core_has_is_refused(kernel, alpha):
    with pytest.raises(DataProblem, match=r"alpha must lie within 0 to 90 \(found"):
        kernel(alpha)


def test_angles_without_end_and_dips_of_planes_beyond_vertical_are_refused():
    with pytest.raises(DataProblem, match="beta must be a number"):
        plane(0, -60, 30.0, np.inf)
    with pytest.raises(DataProblem, match="gamma must be a number"):
        orient.line_in_plane(*frame_of(0, -60), [30.0], [0.0], [-np.inf])
    with pytest.raises(DataProblem, match=r"the dip of a plane must lie within 0 to 90 \(found '120.0'\)"):
        orient.vector_of_plane([120.0], [0.0])


def test_angles_that_were_not_logged_stay_unknown():
    assert np.isnan(plane(0, -60, np.nan, 0.0)).all()
    assert np.isnan(plane(0, -60, 30.0, np.nan)).all()
    assert np.isnan(orient.vector_of_plane([np.nan], [0.0])).all()


def test_a_wrong_alpha_in_a_table_is_told_and_does_not_stop_the_other_rows(tmp_path):
    rows = "hole_id,depth,kind,alpha,beta\nA,1.5,fault,120,180\nA,4,fault,30,180\nA,50,fault,30,\n"
    data = load_project(write_project(tmp_path, structures=rows))
    found = orient.oriented(data, build(data))
    assert found.usable.tolist() == [False, True, False]
    assert "120" in found.why_not[0]
    assert np.isnan(found.normal[0]).all()


def test_upward_turns_normals_that_point_down_and_no_others():
    normal = np.array([[0.6, 0.0, 0.8], [0.6, 0.0, -0.8], [0.0, 1.0, 0.0]])
    assert orient.upward(normal).tolist() == [[0.6, 0.0, 0.8], [-0.6, 0.0, 0.8], [0.0, 1.0, 0.0]]


@pytest.mark.parametrize(("dip", "usable"), [(-87.9, True), (-88.1, False), (-90.0, False), (88.1, False)])
def test_a_gravity_line_needs_a_hole_two_degrees_off_the_vertical(tmp_path, dip, usable):
    """DESIGN section 3: within 2° of vertical a finding, not a number."""
    surveys = f"hole_id,depth,azimuth,dip\nA,0,90,{dip}\nA,120,90,{dip}\nB,0,0,-60\n"
    rows = "hole_id,depth,kind,alpha,beta\nA,30,fault,30,180\n"
    data = load_project(write_project(tmp_path, surveys=surveys, structures=rows))
    assert orient.oriented(data, build(data)).usable.tolist() == [usable]
