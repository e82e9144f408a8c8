"""Aiming: exact cases by hand, best angles against brute force, the blind zone against its closed form."""

import numpy as np
import pytest
from scipy import integrate, optimize

from desurvey import aim, curvature, orient
from desurvey.problems import DataProblem
from tests.worlds import sheeted

NORMAL = orient.vector_of_plane(40.0, 90.0)
POINT = np.array([0.0, 0.0, -100.0])
LIMITS = aim.RigLimits(dip_to=-30.0)


@pytest.fixture(scope="module")
def found():
    """Return the line-up of a fault dipping 40° east that 16 holes on a grid meet."""
    side = np.array([-90.0, -30.0, 30.0, 90.0])
    collars = np.array([(x, y, 0.0) for x in side for y in side])
    trace = sheeted.holes(collars, 270.0, -60.0, 300.0)
    picks = sheeted.picks(trace, np.arange(16), sheeted.at_plane(trace, NORMAL, POINT), NORMAL)
    lineup = sheeted.lined_up(trace, picks)
    assert len(lineup.faults) == 1
    return lineup


def on_plane(shot):
    return (shot.point - POINT) @ NORMAL


def test_a_planned_hole_meets_the_plane_where_the_dot_product_says(found):
    """From (50, 0, 20) west at −60: depth = (P − C)·n / t·n, and the angle to the plane is 80°.

    t = (−cos 60°, 0, −sin 60°), n = (sin 40°, 0, cos 40°): |t·n| = sin(60° + 40°) = sin 80°.
    """
    hole = aim.straight_hole("X", np.array([50.0, 0.0, 20.0]), 270.0, -60.0, 300.0)
    table = aim.meetings(found, hole)
    along = np.array([-0.5, 0.0, -np.sqrt(0.75)])
    expected = (POINT - [50.0, 0.0, 20.0]) @ NORMAL / (along @ NORMAL)
    assert table["depth"].tolist() == pytest.approx([expected], abs=0.1)
    assert table["pierce_angle"].tolist() == pytest.approx([80.0], abs=0.3)
    point = table.loc[0, ["easting", "northing", "elevation"]].to_numpy(dtype=float)
    assert point == pytest.approx(np.array([50.0, 0.0, 20.0]) + expected * along, abs=0.1)
    assert table["depth_to"][0] - table["depth"][0] == pytest.approx(1.959964 * table["sigma"][0])
    assert table["within_extent"].all()
    assert "X meets F1 at" in aim.in_words(table)


def test_a_hole_that_stops_short_meets_nothing(found):
    hole = aim.straight_hole("X", np.array([50.0, 0.0, 20.0]), 270.0, -60.0, 40.0)
    table = aim.meetings(found, hole)
    assert len(table) == 0
    assert list(table.columns) == aim.MEETING_COLUMNS
    assert aim.in_words(table) == "No hole meets a fault."


def test_aim_at_a_point_goes_there(found):
    collar, target = np.array([120.0, 40.0, 30.0]), POINT + np.array([0.0, 30.0, 0.0])
    shot = aim.aim_at_point(found, "F1", collar, target, LIMITS)
    away = target - collar
    assert shot.depth == pytest.approx(np.linalg.norm(away), abs=0.2)
    # azimuth and dip of the line by arctangents
    assert shot.azimuth == pytest.approx(np.rad2deg(np.arctan2(away[0], away[1])) % 360, abs=0.1)
    assert shot.dip == pytest.approx(np.rad2deg(np.arctan2(away[2], np.hypot(away[0], away[1]))), abs=0.1)
    assert on_plane(shot) == pytest.approx(0.0, abs=0.05)
    assert aim.shots_table([shot]).loc[0, "fault_id"] == "F1"


def test_aim_at_an_elevation_is_the_best_of_a_brute_force(found):
    """The best pierce angle along the level line against scipy's bounded search on the plane itself."""
    collar, level = np.array([110.0, -70.0, 25.0]), -90.0
    shot = aim.aim_at_elevation(found, "F1", collar, level, LIMITS)
    assert shot.point[2] == pytest.approx(level, abs=0.05)

    def worst(northing):  # on the plane, easting follows from the elevation
        easting = -(level - POINT[2]) * NORMAL[2] / NORMAL[0]
        away = np.array([easting, northing, level]) - collar
        return -abs(away @ NORMAL) / np.linalg.norm(away)

    best = optimize.minimize_scalar(worst, bounds=(-120.0, 120.0), method="bounded")
    assert shot.pierce_angle == pytest.approx(np.rad2deg(np.arcsin(-best.fun)), abs=0.1)
    assert shot.point[1] == pytest.approx(best.x, abs=4.0)  # the angle is flat about its best


def test_limits_of_the_rig_bind(found):
    collar = np.array([110.0, -70.0, 25.0])
    free = aim.aim_at_elevation(found, "F1", collar, -90.0, LIMITS)
    sector = aim.RigLimits(dip_to=-30.0, azimuth_from=free.azimuth + 10.0, azimuth_to=free.azimuth + 60.0)
    bound = aim.aim_at_elevation(found, "F1", collar, -90.0, sector)
    assert bound.azimuth == pytest.approx(free.azimuth + 10.0, abs=0.2)
    assert bound.pierce_angle < free.pierce_angle


def test_a_grazing_meeting_is_warned_of_and_the_better_way_said(found):
    """Nearly down the dip of a plane dipping 40° east, at −50: |t·n| = sin 10°. West at −60 meets it at 80°."""
    hole = aim.straight_hole("X", np.array([-60.0, 0.0, 20.0]), 90.0, -50.0, 700.0)
    row = aim.meetings(found, hole).iloc[0]
    assert row["pierce_angle"] == pytest.approx(10.0, abs=0.3)
    assert row["warning"].startswith("10° to F1")
    collar = np.array([-60.0, 0.0, 20.0])
    point = row[["easting", "northing", "elevation"]].to_numpy(dtype=float)
    shot = aim.aim_at_point(found, "F1", collar, point, aim.RigLimits(dip_to=-30.0))
    assert "better set out at" in shot.warning
    only = aim.RigLimits(dip_from=-52.0, dip_to=-48.0, azimuth_from=80.0, azimuth_to=100.0)
    assert "move the collar" in aim.aim_at_point(found, "F1", collar, point, only).warning


def test_azimuth_sector_across_north():
    limits = aim.RigLimits(azimuth_from=350.0, azimuth_to=10.0)
    azimuth = np.deg2rad([345.0, 355.0, 5.0, 15.0])
    allowed = limits.allow(curvature.tangent(azimuth, np.deg2rad(-60.0)), np.full(4, 100.0))
    assert allowed.tolist() == [False, True, True, False]


@pytest.mark.parametrize(
    ("work", "message"),
    [
        (lambda f: aim.aim_at_point(f, "F7", np.zeros(3), POINT, LIMITS), "no such fault"),
        (lambda f: aim.aim_at_point(f, "F1", POINT + 0.01, POINT, LIMITS), "lies at the collar itself"),
        (lambda f: aim.aim_at_point(f, "F1", np.array([900.0, 0, 0]), POINT, LIMITS), "the rig can't drill"),
        (lambda f: aim.aim_at_elevation(f, "F1", np.zeros(3), -900.0, LIMITS), "isn't known to reach"),
        (lambda f: aim.aim_at_elevation(f, "F1", np.array([0, 0, 5e3]), -90.0, LIMITS), "the rig can't reach"),
        (lambda _: aim.RigLimits(dip_from=-30.0, dip_to=-60.0), "dip_from must not be above"),
    ],
)
def test_targets_that_cannot_be_had_are_refused(found, work, message):
    with pytest.raises(DataProblem, match=message):
        work(found)


def test_blind_share_of_straight_holes_is_the_closed_form():
    """One straight hole is blind to sin(limit) of all poles; parallel ones mend nothing, a square one much.

    The band within 20° of the great circle square to the hole holds sin 20° = 0.342 of the sphere. With two holes at a
    right angle the overlap of the bands is counted here by scipy's integration.
    """
    trace = sheeted.holes([(0, 0, 0), (50, 0, 0), (0, 50, 0)], [0.0, 0.0, 180.0], [-45.0, -45.0, -45.0], 300.0)
    table = aim.blind_table(trace, np.array([True, False, False]), 20.0)
    assert table["blind"][0] == pytest.approx(np.sin(np.deg2rad(20.0)), abs=0.005)
    assert table["hole_id"].tolist() == ["", "H2", "H1"]
    assert table["gained"][2] == pytest.approx(0.0)
    # poles with |x| < s and |y| < s on the unit sphere: 8 ∫∫ dx dy / √(1 − x² − y²) over the quarter square, of 4π
    s = np.sin(np.deg2rad(20.0))
    quarter = integrate.dblquad(lambda y, x: 1 / np.sqrt(1 - x * x - y * y), 0, s, 0, s)[0]
    assert table["blind"][1] == pytest.approx(8 * quarter / (4 * np.pi), abs=0.005)


def test_without_drilled_holes_everything_is_blind():
    trace = sheeted.holes([(0, 0, 0)], 0.0, -60.0, 300.0)
    table = aim.blind_table(trace, np.array([False]))
    assert table["blind"][0] == 1.0
    assert table["gained"][1] == pytest.approx(1.0 - np.sin(np.deg2rad(20.0)), abs=0.005)
