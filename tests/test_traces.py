"""Holes in space: printed coordinates, mixed look-ups, and what must hold of any hole."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad_vec

from desurvey import curvature, spread
from desurvey.problems import DataProblem
from desurvey.traces import Traces, chained, dogleg_severity, trace_frame

UTM = np.array([482_110.25, 5_204_377.5, 1_312.4])
"""A collar at real coordinates (UTM zone 33 N, invented): what is forgotten to be taken from it is seen."""


def one_hole(depth, azimuth, dip, *, collar=(0.0, 0.0, 0.0), end=None, **options):
    depth = np.asarray(depth, dtype=float)
    end = depth[-1] if end is None else end
    offsets = np.array([0, len(depth)])
    angles = np.asarray(azimuth, dtype=float), np.asarray(dip, dtype=float)
    return chained(["A"], np.array([collar]), np.array([end]), offsets, depth, *angles, **options)


def wandering(holes, stations, seed):
    """Return holes that wander smoothly: hole_ids, collar, end, offsets, depth, azimuth, dip."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(1, stations + 1, holes)
    offsets = np.concatenate([[0], np.cumsum(counts)])
    depth = np.concatenate([np.cumsum(rng.uniform(1, 30, count)) for count in counts])
    azimuth = np.concatenate([rng.uniform(0, 360) + np.cumsum(rng.normal(0, 2, count)) for count in counts]) % 360
    dip = np.concatenate([rng.uniform(-80, 40) + np.cumsum(rng.normal(0, 1, count)) for count in counts])
    collar = rng.uniform([4e5, 6e6, 0], [5e5, 7e6, 900], (holes, 3))
    end = depth[offsets[1:] - 1] + rng.uniform(0, 20, holes)
    return [f"H{place:03d}" for place in range(holes)], collar, end, offsets, depth, azimuth, dip


# ------------------------------------------------------------------------------------------------------- published


@pytest.mark.parametrize("azimuth_at_the_top", [0.0, 75.0, 200.0])
def test_printed_coordinates_of_a_published_test_well(azimuth_at_the_top):
    # ISCWSA test well no. 1: Williamson (2000), SPE 67616-PA; coordinates recalled from memory, all to 0.01 m.
    # The azimuth of a vertical station is arbitrary and must not matter.
    depth = [0, 1200, 2100, 5100, 5400, 8000]
    azimuth = [azimuth_at_the_top, azimuth_at_the_top, 75, 75, 75, 75]
    well = one_hole(depth, azimuth, np.array([0, 0, 60, 60, 90, 90]) - 90.0)
    printed = [
        (0, 0, 0),
        (0, 0, 1200),
        (111.22, 415.08, 1944.29),
        (783.65, 2924.62, 3444.29),
        (857.80, 3201.34, 3521.06),
        (1530.73, 5712.75, 3521.06),
    ]
    np.testing.assert_allclose(well.position[:, [1, 0, 2]] * [1, 1, -1], printed, atol=0.0051)
    np.testing.assert_allclose(dogleg_severity(well), [0, 0, 2, 0, 3, 0], atol=1e-9)


def test_points_inside_the_arc_of_a_textbook_interval():
    # Lapeyrouse's pair (test_curvature); points inside by an independent integration of the great-circle tangent.
    well = one_hole([0, 100], [20, 45], [-75, -65])
    depth = np.array([25.0, 50.0, 75.0])
    points = well.at(np.zeros(3, dtype=int), depth)
    start, finish = well.tangent
    angle = np.arccos(start @ finish)

    def great_circle(u):
        return (np.sin((1 - u) * angle) * start + np.sin(u * angle) * finish) / np.sin(angle)

    for row, fraction in enumerate(depth / 100):
        expected, _ = quad_vec(lambda u: 100 * great_circle(u), 0, fraction)
        np.testing.assert_allclose(points.position[row], expected, atol=1e-10)
        np.testing.assert_allclose(points.tangent[row], great_circle(fraction), atol=1e-13)


# --------------------------------------------------------------------------------------------------- kinds of hole


def test_direction_holds_above_the_first_station_and_below_the_last():
    hole = one_hole([10, 40], [90, 90], [-60, -30], collar=(100, 200, 50), end=60)
    np.testing.assert_allclose(hole.depth, [0, 10, 40])
    above = hole.at(0, [0.0, 5.0, 10.0])
    down = curvature.tangent(np.pi / 2, np.deg2rad(-60))
    np.testing.assert_allclose(above.position, np.add([100, 200, 50], np.outer([0, 5, 10], down)), atol=1e-12)
    below = hole.at(0, [40.0, 50.0, 60.0])
    straight = curvature.tangent(np.pi / 2, np.deg2rad(-30))
    np.testing.assert_allclose(below.position, below.position[0] + np.outer([0, 10, 20], straight), atol=1e-12)
    assert below.extrapolated.tolist() == [False, True, True]
    assert not above.extrapolated.any()


def test_a_single_station_makes_a_straight_hole():
    hole = one_hole([30], [0], [-90], end=100)
    points = hole.at(0, [0.0, 30.0, 100.0])
    np.testing.assert_allclose(points.position, [[0, 0, 0], [0, 0, -30], [0, 0, -100]], atol=1e-12)
    assert points.extrapolated.tolist() == [False, False, True]
    assert np.isnan(points.high_side).all()  # a vertical hole has none


@pytest.mark.parametrize(("dip", "rise"), [(90, 100.0), (30, 50.0), (0, 0.0), (-90, -100.0)])
def test_upward_flat_and_vertical_holes(dip, rise):
    hole = one_hole([0, 50, 100], [45, 45, 45], [dip] * 3)
    end = hole.at(0, [100.0]).position[0]
    assert end[2] == pytest.approx(rise)
    assert np.hypot(end[0], end[1]) == pytest.approx(100 * np.cos(np.deg2rad(dip)), abs=1e-9)


def test_any_mixed_order_of_holes_and_depths_by_index_or_name():
    traces = chained(*wandering(30, 12, seed=4))
    rng = np.random.default_rng(5)
    hole = rng.integers(0, 30, 500)
    depth = rng.uniform(0, traces.end[hole])
    mixed = traces.at(hole, depth)
    named = traces.at(traces.hole_ids[hole], depth)
    np.testing.assert_array_equal(mixed.position, named.position)
    for row in range(0, 500, 25):
        alone = traces.at(hole[row], [depth[row]])
        np.testing.assert_array_equal(alone.position[0], mixed.position[row])


def test_rows_without_a_hole_and_impossible_depths_give_nan():
    traces = one_hole([0, 10], [0, 0], [-60, -60])
    points = traces.at([0, -1, 0, 0], [5.0, 5.0, -1.0, np.nan])
    assert np.isfinite(points.position).all(axis=1).tolist() == [True, False, False, False]
    assert traces.index(["B", "A"]).tolist() == [-1, 0]


@pytest.mark.parametrize(
    ("hole", "said"),
    [
        ("th-1", r"no hole has that name \(found 'th-1'\)\. Did you mean 'TH-1'"),
        (["TH-1", "B"], r"no hole has that name \(found 'B'\)"),
        (1, r"a hole is counted from 0 to 0, −1 for none \(found '1'\)"),
        (-2, r"a hole is counted from 0 to 0, −1 for none \(found '-2'\)"),
    ],
)
def test_a_hole_that_is_not_there_is_named_and_the_nearest_offered(hole, said):
    traces = chained(["TH-1"], [UTM], [10.0], [0, 1], np.zeros(1), np.zeros(1), np.array([-60.0]))
    for asked in (traces.at, spread.hole_spread(traces).at):
        with pytest.raises(DataProblem, match=said):
            asked(hole, 5.0)


def test_one_depth_of_one_hole_and_any_shape_of_them():
    """Straight down from a collar at UTM coordinates: elevation is the collar's less the depth."""
    traces = chained(["A"], [UTM], [100.0], [0, 1], np.zeros(1), np.zeros(1), np.array([-90.0]))
    known = spread.hole_spread(traces)
    assert traces.at("A", 100.0).position == pytest.approx(UTM - [0.0, 0.0, 100.0], abs=1e-9)
    assert traces.at("A", 100.0).extrapolated
    assert known.at("A", 100.0).position.shape == (3, 3)
    grid = np.arange(6.0).reshape(2, 3)
    points = traces.at("A", grid)
    assert points.position.shape == points.high_side.shape == (2, 3, 3)
    np.testing.assert_allclose(points.position[..., 2], UTM[2] - grid, atol=1e-9)
    assert known.at("A", grid).position.shape == (2, 3, 3, 3)


@pytest.mark.parametrize(
    ("azimuth", "dip", "said"),
    [
        (0.0, -90.1, r"dips must lie within −90 to 90 \(found '-90.1'\)\. Dips are degrees, negative down"),
        (0.0, 120.0, "dips must lie within −90 to 90"),
        (0.0, np.nan, "dips must lie within −90 to 90"),
        (np.inf, -60.0, "azimuths must be numbers"),
    ],
)
def test_angles_that_no_hole_has_are_refused(azimuth, dip, said):
    with pytest.raises(DataProblem, match=said):
        one_hole([0.0, 10.0], [0.0, azimuth], [-60.0, dip])


def test_a_hole_drilled_upwards_rises():
    """Dip +60: 10 m along it are 10 sin 60° up."""
    assert one_hole([0.0], [0.0], [60.0]).at("A", 10.0).position[2] == pytest.approx(10 * np.sqrt(3) / 2)


def test_no_holes_at_all():
    empty = chained([], np.empty((0, 3)), np.empty(0), np.array([0]), np.empty(0), np.empty(0), np.empty(0))
    assert np.isnan(empty.at([-1], [1.0]).position).all()
    assert trace_frame(empty).empty


def test_stations_give_their_own_position_and_tangent():
    traces = chained(*wandering(40, 10, seed=6))
    points = traces.at(traces.station_hole, traces.depth)
    np.testing.assert_allclose(points.position, traces.position, atol=1e-8)
    np.testing.assert_allclose(points.tangent, traces.tangent, atol=1e-12)


def test_many_holes_together_are_each_hole_alone():
    ids, collar, end, offsets, depth, azimuth, dip = wandering(25, 15, seed=7)
    together = chained(ids, collar, end, offsets, depth, azimuth, dip)
    for place, name in enumerate(ids):
        rows = slice(offsets[place], offsets[place + 1])
        alone = one_hole(depth[rows], azimuth[rows], dip[rows], collar=collar[place], end=end[place])
        points = together.at([name] * len(alone.depth), alone.depth)
        np.testing.assert_allclose(points.position, alone.position, atol=1e-8)


# ------------------------------------------------------------------------------------------------------ properties


@given(turn=st.floats(0, 360), seed=st.integers(0, 1000))
def test_turning_a_hole_about_the_vertical_turns_everything_with_it(turn, seed):
    ids, collar, end, offsets, depth, azimuth, dip = wandering(2, 6, seed)
    collar = np.zeros_like(collar)
    straight = chained(ids, collar, end, offsets, depth, azimuth, dip)
    turned = chained(ids, collar, end, offsets, depth, (azimuth + turn) % 360, dip)
    east, north = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    matrix = np.array([[east, north, 0], [-north, east, 0], [0, 0, 1]])  # clockwise as azimuths run
    hole, at = np.array([0, 1, 1]), np.array([0.7, 0.3, 1.0]) * straight.end[[0, 1, 1]]
    before, after = straight.at(hole, at), turned.at(hole, at)
    for name in ("position", "tangent", "high_side"):
        np.testing.assert_allclose(getattr(after, name), getattr(before, name) @ matrix.T, atol=1e-8)


@given(seed=st.integers(0, 1000), fraction=st.floats(0.05, 0.95))
def test_an_added_station_on_the_arc_changes_nothing(seed, fraction):
    ids, collar, end, offsets, depth, azimuth, dip = wandering(1, 8, seed)
    before = chained(ids, collar, end, offsets, depth, azimuth, dip)
    at = fraction * depth[-1]
    added_azimuth, added_dip = np.rad2deg(curvature.angles(before.at(0, [at]).tangent))
    place = np.searchsorted(depth, at)
    if np.min(np.abs(depth - at)) < 1e-6:
        return
    more = [np.insert(old, place, new) for old, new in ((depth, at), (azimuth, added_azimuth[0]), (dip, added_dip[0]))]
    after = chained(ids, collar, end, np.array([0, len(more[0])]), *more)
    sample = np.linspace(0, end[0], 20)
    np.testing.assert_allclose(after.at(0, sample).position, before.at(0, sample).position, atol=1e-8)


def test_the_length_along_the_trace_is_the_depth():
    traces = chained(*wandering(5, 12, seed=9))
    for hole in range(5):
        depth = np.linspace(0, traces.end[hole], 20_001)
        steps = np.diff(traces.at(hole, depth).position, axis=0)
        assert np.linalg.norm(steps, axis=1).sum() == pytest.approx(traces.end[hole], rel=1e-7)


# ---------------------------------------------------------------------------------------------------------- tables


def test_without_a_step_the_table_has_collar_stations_and_end():
    frame = trace_frame(one_hole([10, 40], [90, 90], [-60, -30], end=60))
    assert frame["depth"].tolist() == [0, 10, 40, 60]
    assert frame["extrapolated"].tolist() == [False, False, False, True]
    np.testing.assert_allclose(frame["dogleg_30m"], [0, 0, 30, 0], atol=1e-9)
    np.testing.assert_allclose(frame["dip"], [-60, -60, -30, -30], atol=1e-9)


def test_a_step_gives_even_points_and_the_end():
    frame = trace_frame(one_hole([0, 40], [90, 90], [-60, -20], end=50), step=15)
    assert frame["depth"].tolist() == [0, 15, 30, 45, 50]
    np.testing.assert_allclose(frame["dogleg_30m"], [0, 30, 30, 0, 0], atol=1e-9)
    assert trace_frame(one_hole([0, 40], [90, 90], [-60, -20]), step=20)["depth"].tolist() == [0, 20, 40]


def test_a_step_of_nothing_is_refused():
    with pytest.raises(DataProblem, match="step must be more than 0"):
        trace_frame(one_hole([0, 40], [90, 90], [-60, -20]), step=0)


def test_comparison_methods_place_the_stations_differently_and_the_same_way():
    holes = wandering(10, 10, seed=11)
    best = chained(*holes)
    for method in ("tangential", "balanced_tangential", "average_angle", "radius_of_curvature"):
        other = chained(*holes, method=method)
        gap = np.linalg.norm(other.position - best.position, axis=1).max()
        assert 0 < gap < (15 if method == "tangential" else 1.5)


# -------------------------------------------------------------------------------------------------------- failures


@pytest.mark.parametrize(
    ("depth", "match"),
    [([0, 30, 20], "increase down each hole"), ([-1, 5, 6], "0 or more"), ([0, 30, np.nan], "increase|more")],
)
def test_stations_that_make_no_hole_are_refused(depth, match):
    with pytest.raises(DataProblem, match=match):
        one_hole(depth, [0, 0, 0], [-60, -60, -60])


def test_a_hole_without_stations_is_refused():
    with pytest.raises(DataProblem, match="at least one"):
        chained(["A"], np.zeros((1, 3)), np.ones(1), np.array([0, 0]), np.empty(0), np.empty(0), np.empty(0))


def test_arrays_are_read_only_and_shapes_are_checked():
    traces = one_hole([0, 10], [0, 0], [-60, -60])
    with pytest.raises(ValueError, match="read-only"):
        traces.position[0] = 1
    with pytest.raises(ValueError, match="position has shape"):
        Traces(
            traces.hole_ids,
            traces.offsets,
            traces.depth,
            traces.position[:1],
            traces.tangent,
            traces.surveyed,
            traces.end,
        )


def test_stations_of_two_holes_do_not_touch():
    # A pair of stations across two holes may point in opposite directions: no arc joins them, and none is asked for.
    traces = chained(
        ["A", "B"],
        np.zeros((2, 3)),
        np.array([10.0, 10.0]),
        np.array([0, 2, 4]),
        np.array([0.0, 10, 0, 10]),
        np.zeros(4),
        np.array([-90.0, -90, 90, 90]),
    )
    assert isinstance(trace_frame(traces), pd.DataFrame)
    np.testing.assert_allclose(traces.position[[1, 3], 2], [-10, 10])
