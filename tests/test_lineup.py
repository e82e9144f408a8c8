"""Grouping, left-out depths, windows, pins and words, on worlds whose truth is known."""

import numpy as np
import pytest

from desurvey import lineup, orient
from desurvey.problems import DataProblem
from tests.benchmarks import lineup_report
from tests.worlds import faulted, sheeted

UPPER = orient.vector_of_plane(20.0, 90.0)
POINT = np.array([0.0, 0.0, -100.0])


def grid(**how):
    """Return nine vertical-ish holes on a 60 m grid, and the depths at which they cut the upper plane."""
    collars = np.array([(x, y, 0.0) for x in (-60.0, 0.0, 60.0) for y in (-60.0, 0.0, 60.0)])
    end = np.full(9, 300.0)
    for hole, value in how.items():
        end[int(hole[1:])] = value
    trace = sheeted.holes(collars, 270.0, -80.0, end)
    return trace, sheeted.at_plane(trace, UPPER, POINT)


def loose_picks(trace, count, seed=0):
    """Return hole, depth and normal of unrelated picks."""
    rng = np.random.default_rng(seed)
    normal = rng.normal(size=(count, 3))
    return rng.integers(9, size=count), rng.uniform(5, 290, count), normal / np.linalg.norm(normal, axis=1)[:, None]


def with_loose(trace, depth, count=9, **options):
    hole, other, normal = loose_picks(trace, count)
    normals = np.vstack([np.tile(UPPER, (len(depth), 1)), normal])
    holes = options.pop("hole", np.arange(len(depth)))
    return sheeted.picks(trace, np.r_[holes, hole], np.r_[depth, other], normals, **options)


def test_a_plane_among_unrelated_picks():
    trace, depth = grid()
    found = sheeted.lined_up(trace, with_loose(trace, depth))
    assert [len(f.rows) for f in found.faults] == [9]
    assert set(found.faults[0].rows) == set(range(9))
    table = lineup.faults_table(found)
    assert table["dip"][0] == pytest.approx(20.0, abs=0.2)
    assert table["dip_direction"][0] == pytest.approx(90.0, abs=0.5)
    assert table["shape"][0] == "plane"
    assert table["p_value"][0] > 0.9  # no noise at all
    # the centroid lies on the plane
    centre = table.loc[0, ["easting", "northing", "elevation"]].to_numpy(dtype=float)
    assert (centre - POINT) @ UPPER == pytest.approx(0.0, abs=0.05)


def test_two_parallel_faults_twelve_metres_apart_stay_two():
    trace, depth = grid()
    lower = sheeted.at_plane(trace, UPPER, POINT - [0, 0, 12.0])
    hole = np.r_[np.arange(9), np.arange(9)]
    picks = sheeted.picks(trace, hole, np.r_[depth, lower], UPPER)
    found = sheeted.lined_up(trace, picks)
    assert [len(f.rows) for f in found.faults] == [9, 9]
    assert len(set(found.group[:9])) == 1
    assert len(set(found.group[9:])) == 1


def test_picks_without_beta_or_plane_join_by_position():
    trace, depth = grid()
    known = np.array(["plane"] * 6 + ["alpha", "alpha", "none"] + ["plane"] * 9)
    found = sheeted.lined_up(trace, with_loose(trace, depth, known=known))
    assert set(found.faults[0].rows) == set(range(9))
    table = lineup.picks_table(found)
    assert np.isnan(table["misfit_deg"][8])
    assert table["misfit_deg"][6] == pytest.approx(0.0, abs=0.3)


def test_an_alpha_that_does_not_fit_keeps_a_pick_out():
    trace, depth = grid()
    known = np.array(["plane"] * 8 + ["alpha"])
    normal = np.tile(UPPER, (9, 1))
    depth[8] += 3.0
    for dip, expected in ((20.0, 9), (85.0, 8)):  # 3 m off, an alpha that fits makes the difference
        normal[8] = orient.vector_of_plane(dip, 90.0)
        found = sheeted.lined_up(trace, sheeted.picks(trace, np.arange(9), depth, normal, known=known))
        assert set(found.faults[0].rows) == set(range(expected))


def test_picks_of_one_zone_join_and_a_farther_one_does_not():
    trace, depth = grid()
    hole = np.r_[np.arange(9), 4, 4]
    picks = with_loose(trace, np.r_[depth, depth[4] + 1.5, depth[4] + 25.0], hole=hole)
    found = sheeted.lined_up(trace, picks)
    assert set(found.faults[0].rows) == {*range(9), 9}
    assert lineup.faults_table(found).loc[0, ["picks", "holes"]].tolist() == [10, 9]


def test_a_distrusted_orientation_joins_by_position():
    trace, depth = grid()
    normal = np.tile(UPPER, (9, 1))
    normal[8] = orient.vector_of_plane(60.0, 270.0)
    depth[8] += 3.0
    for distrust, expected in ((0.0, 8), (0.95, 9)):
        doubt = np.r_[np.zeros(8), distrust]
        picks = sheeted.picks(trace, np.arange(9), depth, normal, distrust=doubt)
        found = sheeted.lined_up(trace, picks)
        assert len(found.faults[0].rows) == expected
    assert not found.trusted[8]


def test_pins_hold_and_the_rest_adapts():
    trace, depth = grid()
    off = depth.copy()
    off[8] += 30.0
    picks = with_loose(trace, off)
    assert set(sheeted.lined_up(trace, picks).faults[0].rows) == set(range(8))
    tied = sheeted.lined_up(trace, picks, lineup.LineupSettings(same=(("P0", "P8"),)))
    assert tied.group[0] == tied.group[8] >= 0
    apart = sheeted.lined_up(trace, picks, lineup.LineupSettings(different=(("P0", "P1"),)))
    assert apart.group[0] != apart.group[1] or apart.group[0] == -1
    assert len(apart.faults[0].rows) == 7


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"same": (("P0", "P99"),)}, "must name structures"),
        ({"same": (("P0", "P1"), ("P1", "P2")), "different": (("P0", "P2"),)}, "both together and apart"),
        ({"waviness_m": 0.0}, "waviness_m must be above 0"),
        ({"logged": 1.0}, "logged must lie between 0 and 1"),
        ({"least_holes": 1}, "least_holes must be 2 or more"),
    ],
)
def test_settings_that_mean_nothing_are_refused(settings, message):
    trace, depth = grid()
    with pytest.raises(DataProblem, match=message):
        sheeted.lined_up(trace, sheeted.picks(trace, np.arange(9), depth, UPPER), lineup.LineupSettings(**settings))


def test_windows_say_what_is_known_of_every_hole():
    """Hole 4 has nothing logged, hole 0 ends above the fault, hole 8 is planned, and one lies far away."""
    depth = grid()[1]
    collars = np.array([(x, y, 0.0) for x in (-60.0, 0.0, 60.0) for y in (-60.0, 0.0, 60.0)] + [(0.0, 600.0, 0.0)])
    end = np.full(10, 300.0)
    end[0] = depth[0] - 20.0
    trace = sheeted.holes(collars, 270.0, -80.0, end)
    logged = np.array([1, 2, 3, 5, 6, 7])
    drilled = np.arange(10) != 8
    found = sheeted.lined_up(trace, sheeted.picks(trace, logged, depth[logged], UPPER), drilled=drilled)
    windows = lineup.windows_table(found).set_index("hole_id")
    assert list(windows.index) == [f"H{i}" for i in range(10)]
    expected = {0: "not_drilled", 4: "not_logged", 8: "planned", 9: "outside"} | {int(i): "logged" for i in logged}
    assert windows["status"].to_dict() == {f"H{i}": status for i, status in expected.items()}
    near = windows.iloc[:9]
    assert near["expected_depth"].to_numpy() == pytest.approx(depth, abs=0.3)
    # angle between holes plunging 80° to 270 and the plane 20/090, by the dot product of (−cos 80°, 0, −sin 80°)
    # and (sin 20°, 0, cos 20°): arcsin(cos 80° sin 20° + sin 80° cos 20°) = arcsin(sin 100°) = 80°
    assert near["pierce_angle"].to_numpy() == pytest.approx(80.0, abs=0.5)
    half = 1.959964 * windows["sigma"]
    assert (windows["depth_to"] - windows["expected_depth"]).to_numpy() == pytest.approx(half.to_numpy(), rel=1e-6)
    assert windows.loc["H9", "sigma"] > 3 * windows.loc["H4", "sigma"]


def test_a_bowl_is_curved_and_a_plane_is_not():
    rng = np.random.default_rng(1)
    collars = np.column_stack([rng.uniform(-250, 250, (20, 2)), np.zeros(20)])
    trace = sheeted.holes(collars, 0.0, -90.0, 400.0)
    radius = 2500.0
    for bowl in (0.0, 1.0):
        depth = 150.0 - bowl * (collars[:, 0] ** 2 + collars[:, 1] ** 2) / (2 * radius) + rng.normal(0, 0.5, 20)
        normal = np.column_stack([bowl * -collars[:, :2] / radius, np.ones(20)])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        found = sheeted.lined_up(trace, sheeted.picks(trace, np.arange(20), depth, normal))
        assert lineup.faults_table(found)["shape"].tolist() == (["curved"] if bowl else ["plane"])
    # elevation = −150 + r²/(2R): second derivatives 1/R both ways
    assert found.faults[0].curvature == pytest.approx([1 / radius, 0.0, 1 / radius], abs=1.5e-4)


def test_near_ties_are_given_as_two_answers():
    """A pick half-way between two parallel faults, in a hole where neither is logged."""
    trace, depth = grid()
    lower = sheeted.at_plane(trace, UPPER, POINT - [0, 0, 5.0])
    others = np.delete(np.arange(9), 4)
    hole = np.r_[others, others, 4]
    picks = sheeted.picks(trace, hole, np.r_[depth[others], lower[others], (depth[4] + lower[4]) / 2], UPPER)
    found = sheeted.lined_up(trace, picks)
    table = lineup.picks_table(found)
    row = table.iloc[-1]
    assert row["probability"] < 0.7
    assert row["runner_up"] in {"F1", "F2", "none"}
    assert "Two answers: P16" in lineup.summary(found)


def test_nothing_to_line_up():
    trace, _ = grid()
    hole, depth, normal = loose_picks(trace, 2)
    found = sheeted.lined_up(trace, sheeted.picks(trace, hole, depth, normal))
    assert found.faults == ()
    assert len(lineup.faults_table(found)) == 0
    assert list(lineup.windows_table(found).columns)[:2] == ["fault_id", "hole_id"]
    assert lineup.picks_table(found)["fault_id"].tolist() == ["", ""]
    assert "none of them line up" in lineup.summary(found)


def test_order_of_picks_does_not_matter():
    world = faulted.drilled(2)
    first = lineup_report.lined_up(world)
    turned = faulted.World(
        world.collars,
        world.surveys,
        world.structures.iloc[::-1].reset_index(drop=True),
        world.truth[::-1],
        world.withheld,
        world.normals,
    )
    second = lineup_report.lined_up(turned)
    one = dict(zip(first.names, lineup.picks_table(first)["fault_id"], strict=True))
    other = dict(zip(second.names, lineup.picks_table(second)["fault_id"], strict=True))
    assert one == other


@pytest.mark.slow
@pytest.mark.parametrize(("name", "median", "tenth"), [("usual", 0.97, 0.93), ("hard", 0.93, 0.85)])
def test_worlds_are_sorted_out(name, median, tenth):
    """What is asked of the line-up, on twelve seeds that no setting was chosen by; the Rand index is scikit-learn's.

    ``tests/benchmarks/lineup_report.py`` prints the same over as many worlds as one likes.
    """
    scores = [lineup_report.score(seed, name) for seed in range(1000, 1012)]
    rand = [score.rand for score in scores]
    assert np.median(rand) >= median
    assert np.quantile(rand, 0.1) >= tenth
    deviation = np.concatenate([score.deviation for score in scores])
    assert 0.88 <= np.mean(np.abs(deviation) <= 2.0) <= 0.99
    assert np.median(np.concatenate([score.sigma for score in scores])) < 6.0
    inside = np.concatenate([score.inside for score in scores])
    assert np.mean(inside) >= 0.90
    area, held = np.concatenate([score.banded for score in scores]).sum(axis=0)
    assert 0.90 <= held / area <= 0.99


@pytest.mark.slow
def test_unrelated_picks_make_no_fault():
    seen = [lineup_report.score(seed, "null").p_values for seed in range(1000, 1020)]
    assert sum(bool((p_values > 0.05).any()) for p_values in seen) <= 1


def test_contract_columns():
    """Column names of DESIGN.md section 6, in their order."""
    trace, depth = grid()
    found = sheeted.lined_up(trace, with_loose(trace, depth))
    faults = "fault_id,picks,holes,dip,dip_direction,dip_sigma,easting,northing,elevation,rms_m,rms_deg,chi2,dof,"
    faults += "p_value,shape,probability,runner_up"
    picks = (
        "structure_id,hole_id,depth,fault_id,probability,left_out_depth,left_out_sigma,misfit_m,misfit_deg,runner_up"
    )
    windows = "fault_id,hole_id,expected_depth,sigma,depth_from,depth_to,pierce_angle,status,chance"
    assert ",".join(lineup.faults_table(found).columns) == faults
    assert ",".join(lineup.picks_table(found).columns) == picks
    assert ",".join(lineup.windows_table(found).columns) == windows
