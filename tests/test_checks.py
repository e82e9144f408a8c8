"""Checks that need geometry, the magnetic field or the chain of runs: one broken thing, its finding, and no other."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Transformer
from scipy.spatial.transform import Rotation

import desurvey
from desurvey import checks, orient, suspects, traces
from desurvey.checks import neighbours
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.drilling import TOML, flawless, write_tables

DEMO = Path(__file__).parents[1] / "demo_project"
Tables = dict[str, pd.DataFrame]


def found(tables: Tables, folder: Path, toml: str = TOML):
    return desurvey.open(write_tables(tables, folder, toml)).findings


def rules(findings) -> set[str]:
    return {finding.rule for finding in findings}


def test_nothing_is_found_where_nothing_is_wrong(tmp_path):
    assert found(flawless(), tmp_path) == ()


def set_cells(table: str, row: int | slice, **values: object) -> Callable[[Tables], None]:
    """Return a change of cells of a table, rows counted as in a spreadsheet."""

    def change(tables: Tables) -> None:
        for column, value in values.items():
            frame = tables[table]
            frame[column] = frame[column].astype(object)
            place = row - 2 if isinstance(row, int) else slice(row.start - 2, row.stop - 2)
            frame.iloc[place, frame.columns.get_loc(column)] = value

    return change


def remove(table: str, *rows: int) -> Callable[[Tables], None]:
    def change(tables: Tables) -> None:
        tables[table] = tables[table].drop(index=[row - 2 for row in rows])

    return change


def steep(tables: Tables, dip: float = -89.0) -> None:
    """Turn the first hole steep, its azimuths jumping as they do near the vertical."""
    first = tables["surveys"]["hole_id"] == "D-1"
    tables["surveys"].loc[first, "dip"] = dip
    tables["surveys"].loc[first, "azimuth"] = [10.0, 100.0, 250.0, 170.0, 300.0] if dip < -89.5 else 10.0
    tables["collars"].loc[0, ["azimuth", "dip"]] = [10.0, dip]


def half_surveyed(tables: Tables) -> None:
    tables["surveys"] = tables["surveys"].query("hole_id != 'D-2' or depth < 50")


def above(tables: Tables) -> None:
    """Start the fourth hole far above the slope of the others."""
    tables["collars"].loc[3, "elevation"] += 140.0


def towards(tables: Tables) -> None:
    """Turn the second hole so that it comes to the first one."""
    surveys, collars = tables["surveys"], tables["collars"]
    second = surveys["hole_id"] == "D-2"
    surveys.loc[second, ["azimuth", "dip"]] = [256.0, -60.0]
    collars.loc[1, ["azimuth", "elevation"]] = [256.0, 600.0]
    first = surveys["hole_id"] == "D-1"
    surveys.loc[first, ["azimuth", "dip"]] = [90.0, -60.0]


def both_instruments(tables: Tables) -> None:
    """Add a magnetic survey of the first hole, 8° off in azimuth at dips of 57° to 59°: 4.1° to 4.4° on the sphere."""
    first = tables["surveys"].query("hole_id == 'D-1'")
    other = first.assign(azimuth=first["azimuth"] + 8.0, instrument="magnetic")
    other.loc[other["depth"] == 0, "azimuth"] = 92.0
    tables["surveys"] = pd.concat([tables["surveys"], other]).sort_values(["hole_id", "depth"], kind="stable")


def planned_without_depth(tables: Tables) -> None:
    for name in ("surveys", "runs", "structures", "lithology"):
        tables[name] = tables[name].query("hole_id != 'D-8'")
    tables["collars"]["depth"] = [120.0] * 7 + [0.0]
    tables["collars"]["status"] = ["drilled"] * 7 + ["planned"]


def in_feet(*columns: str) -> Callable[[Tables], None]:
    def change(tables: Tables) -> None:
        frame = tables["surveys"]
        first = frame["hole_id"] == "D-1"
        frame.loc[first, "depth"] = frame.loc[first, "depth"] / 0.3048

    return change


def drifting(tables: Tables) -> None:
    tables["runs"].loc[tables["runs"]["hole_id"] == "D-1", "line_offset"] = 2.0


def loose_but_three(tables: Tables) -> None:
    runs = tables["runs"]
    loose = (runs["hole_id"] == "D-1") & ~runs["depth_from"].isin([3.0])
    runs.loc[loose, "line_offset"] = np.nan


def no_fit(hole: str = "") -> Callable[[Tables], None]:
    def change(tables: Tables) -> None:
        runs = tables["runs"]
        runs.loc[(runs["hole_id"] == hole) | (not hole), "line_offset"] = np.nan

    return change


def with_rqd(values: str, heading: str) -> Callable[[Tables], None]:
    def change(tables: Tables) -> None:
        share = {"metres": 2.9, "percent": 96.0}[values]
        tables["runs"][heading] = share
        tables["runs"].loc[1, heading] = share * 1.04

    return change


BROKEN: list[tuple[str, Callable[[Tables], None], set[tuple[str, int | None]]]] = [
    ("collar and survey disagree", set_cells("collars", 3, dip=-66), {("collar_direction", 7)}),
    (
        "coordinates exchanged",
        set_cells("collars", 4, easting=5311910.0, northing=512080.0),
        {("swapped_coordinates", 4)},
    ),
    (
        "a digit too many in the northing",
        set_cells("collars", 4, northing=5319910.0),
        {("far_collar", 4)},
    ),
    ("a collar in the air", above, {("off_topography", 5)}),
    (
        "one hole twice",
        set_cells("collars", 4, easting=512040.3, northing=5311905.0, elevation=602.0),
        {("collars_together", 4)},
    ),
    ("no target depth", planned_without_depth, {("no_depth", 9)}),
    ("no survey", remove("surveys", 7, 8, 9, 10, 11), {("no_survey", 3)}),
    ("no station at the top", remove("surveys", 7, 8), {("late_first_station", 3)}),
    ("a gap between stations", remove("surveys", 8, 9), {("station_gap", 8)}),
    ("no station at the end", half_surveyed, {("unsurveyed_end", 3)}),
    ("a bend", set_cells("surveys", slice(9, 12), dip=-50.5), {("dogleg", 9)}),
    ("a bend that can't be", set_cells("surveys", slice(9, 12), dip=-40.5), {("impossible_dogleg", 9)}),
    ("a spike", set_cells("surveys", 9, azimuth=106.0), {("survey_spike", 9)}),
    (
        "a mean across north",
        lambda tables: (
            set_cells("surveys", slice(7, 12), azimuth=[359.0, 359.0, 180.0, 1.0, 1.0])(tables),
            set_cells("collars", 3, azimuth=359)(tables),
        )[0],
        {("crossed_north", 9), ("survey_spike", 9)},
    ),
    ("two norths in a hole", set_cells("surveys", 7, north="true"), {("mixed_north", None)}),
    (
        "two instruments",
        both_instruments,
        {("instrument_offset", None), *(("two_instruments", row) for row in (3, 5, 7, 9, 11))},
    ),
    ("too much core", set_cells("runs", 3, recovered=3.4), {("recovery_over", 3)}),
    ("RQD in metres above recovery", with_rqd("metres", "RQD (m)"), {("rqd_above_recovery", 3)}),
    ("RQD in per cent above recovery", with_rqd("percent", "rqd_pct"), {("rqd_above_recovery", 3)}),
    ("no time to settle", set_cells("runs", 5, settle_s=10), {("short_settling", 5)}),
    ("a run missing", remove("runs", 9), {("run_gap", 9), ("outside_runs", 3)}),
    ("an interval missing", remove("lithology", 3), {("interval_gap", 3)}),
    ("a line off", set_cells("runs", 5, line_offset=-14), {("line_offset", 5)}),
    (
        "a rolled run",
        set_cells("runs", slice(5, 7), line_offset=[65, -67]),
        {("line_offset", 5), ("line_offset", 6), ("line_in_doubt", 5)},
    ),
    ("lines that drift", drifting, {("line_drift", None)}),
    ("no fitted ends in a hole", no_fit("D-3"), {("lines_untested", None)}),
    ("no fitted ends at all", no_fit(), {("lines_untested", None)}),
    ("few fitted ends", loose_but_three, {("few_oriented_metres", None)}),
    ("the other side half-way down", set_cells("runs", slice(20, 42), line="high"), {("line_side_changes", 20)}),
    ("beta without alpha", set_cells("structures", 3, alpha=np.nan), {("beta_without_alpha", 3)}),
    ("gamma without beta", set_cells("structures", 3, beta=np.nan, gamma=20.0), {("gamma_without_beta", 3)}),
    ("half a plane", set_cells("structures", 3, dip=40.0), {("half_a_plane", 3)}),
    ("in lost core", set_cells("runs", 3, recovered=0.5), {("in_lost_core", 2)}),
    (
        "a vertical hole with a gravity line",
        steep,
        {("vertical_gravity_line", row) for row in range(2, 7)},
    ),
    ("a steep hole with a gravity line", lambda tables: steep(tables, -87.0), {("steep_gravity_line", None)}),
    ("a hole to its neighbour", towards, {("holes_too_near", None)}),
    (
        "depths in feet",
        in_feet("depth"),
        {
            ("feet_for_metres", None),
            ("depth_beyond_hole", 4),
            ("depth_beyond_hole", 5),
            ("depth_beyond_hole", 6),
            *(("station_gap", row) for row in (3, 4, 5, 6)),
        },
    ),
]


@pytest.mark.parametrize(("change", "expected"), [case[1:] for case in BROKEN], ids=[case[0] for case in BROKEN])
def test_what_is_broken_is_found_and_nothing_else(change, expected, tmp_path):
    tables = flawless()
    change(tables)
    findings = found(tables, tmp_path)
    assert {(finding.rule, finding.row) for finding in findings} == expected, [str(finding) for finding in findings]


# ----------------------------------------------------------------------------------------------- the checks in detail


def test_azimuths_near_the_vertical_are_judged_on_the_sphere(tmp_path):
    """At a dip of −89.9° azimuths that jump by up to 130° are directions at most 0.2° apart (scipy's Rotation)."""
    tables = flawless()
    steep(tables, -89.9)
    tables["structures"]["beta"] = tables["structures"]["beta"].where(tables["structures"]["hole_id"] != "D-1")
    azimuth = tables["surveys"].query("hole_id == 'D-1'")["azimuth"].to_numpy()
    turn = Rotation.from_euler("ZX", np.column_stack([-azimuth, np.full(5, -89.9)]), degrees=True)
    assert np.rad2deg((turn[1:] * turn[:-1].inv()).apply([[0, 1, 0]] * 4) @ [0, 1, 0] < 2).all()
    assert found(tables, tmp_path) == ()


def test_a_bend_on_the_limit_of_each_core_size(tmp_path):
    """N rods: 6° in 30 m by default. A bend of 5.9° is let pass, one of 6.1° is not, and H rods stand 4°."""
    for bend, size, expected in (
        (5.9, "NQ", set()),
        (6.1, "N", {"dogleg"}),
        (5.9, "HQ3", {"dogleg"}),
        (6.1, "", set()),
    ):
        tables = flawless()
        dips = [-60.0, -60.0, -60.0 + bend, -60.0 + bend, -60.0 + bend]
        tables["surveys"].loc[5:9, "dip"] = dips
        tables["surveys"].loc[5:9, "azimuth"] = 90.0
        tables["collars"].loc[1, "core_size"] = size
        assert rules(found(tables, tmp_path)) == expected


@pytest.mark.parametrize(
    ("crs", "latitude", "longitude", "total", "dip"),
    [
        ("EPSG:32631", 80.0, 0.0, 55178.5, 83.21),
        ("EPSG:32651", 0.0, 120.0, 41064.3, -14.93),
        ("EPSG:32711", -80.0, -120.0, 54698.2, -72.00),
    ],
)
def test_the_field_is_compared_with_the_published_one(crs, latitude, longitude, total, dip, tmp_path):
    """WMM2025 technical report, table 6, 2025.0 at height 0: F and I, to the last printed digit."""
    easting, northing = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(longitude, latitude)
    tables = flawless()
    middle = {"easting": 512120.0, "northing": 5311900.0, "elevation": 606.0}  # of the fourth hole
    for name, value in {"easting": easting, "northing": northing, "elevation": 0.0}.items():
        tables["collars"][name] = (tables["collars"][name] - middle[name]) * (name != "elevation") + value
    tables["collars"]["date"] = "2025-01-01"
    tables["surveys"].loc[18, ["field_nt", "field_dip"]] = [total + 1001.0, dip + np.sign(dip) * 1.02]
    tables["surveys"].loc[19, ["field_nt", "field_dip"]] = [total + 999.0, dip + np.sign(dip) * 0.98]
    findings = found(tables, tmp_path, TOML.replace("EPSG:32633", crs))
    assert {(finding.rule, finding.row) for finding in findings} == {("magnetic_field", 20), ("magnetic_dip", 20)}
    assert f"the model {total:,.1f} nT" in findings[0].message
    assert f"the model {abs(dip):.1f}°" in findings[1].message


@pytest.mark.parametrize(
    ("field", "dip", "expected"),
    [
        (49900, 64.5, set()),
        (50100, 64.5, {"magnetic_field"}),
        (47900, -64.5, {"magnetic_field"}),
        (49000, 65.4, set()),
        (49000, 65.7, {"magnetic_dip"}),
        (51100, 60.0, {"magnetic_field", "magnetic_dip"}),
    ],
)
def test_a_field_beyond_its_tolerance(field, dip, expected, tmp_path):
    tables = flawless()
    tables["surveys"].loc[3, ["field_nt", "field_dip"]] = [field, dip]
    findings = found(tables, tmp_path)
    assert {(finding.rule, finding.row) for finding in findings} == {(rule, 5) for rule in expected}
    assert all("worth nothing" in finding.message for finding in findings) == (field > 51000 or not expected)


def test_without_a_model_the_usual_field_of_the_project_is_the_measure(tmp_path):
    tables = flawless()
    tables["surveys"]["field_nt"] = 30000.0
    tables["surveys"].loc[3, "field_nt"] = 31500.0
    (finding,) = found(tables, tmp_path, TOML.replace('crs = "EPSG:32633"\n', ""))
    assert (finding.rule, finding.row) == ("magnetic_field", 5)
    assert "the usual one here 30,000.0 nT" in finding.message


def test_the_ground_of_the_project_is_the_measure_where_there_is_one(tmp_path):
    tables = flawless()
    tables["collars"].loc[2, "elevation"] += 8.0
    points = [(x, y, 600.0 + (x - 512000) / 20.0) for x in (511000, 513000) for y in (5311000, 5313000)]
    pd.DataFrame(points, columns=["X", "Y", "RL"]).to_csv(tmp_path / "ground.csv", index=False)
    toml = TOML + '[checks]\ntopography = "ground.csv"\n'
    (finding,) = found(tables, tmp_path, toml)
    assert (finding.rule, finding.row, finding.message) == ("off_topography", 4, "the collar is 8.0 m above the ground")
    assert rules(found(tables, tmp_path, toml.replace("ground.csv", "gruond.csv"))) == {"unreadable_topography"}


def test_collars_in_another_zone_are_outside_the_system(tmp_path):
    tables = flawless()
    findings = found(tables, tmp_path, TOML.replace("EPSG:32633", "EPSG:27700"))
    assert rules(findings) == {"outside_crs"}
    assert len(findings) == 8


def test_all_holes_upwards_point_at_the_sign(tmp_path):
    findings = found(flawless(), tmp_path, TOML.replace("negative_down", "positive_down"))
    assert rules(findings) == {"points_up"}


def test_holes_are_near_only_within_what_is_known_of_them(tmp_path):
    """Two straight holes that miss each other by 1 m: known exactly they are apart, known badly they may meet."""
    tables = flawless()
    towards(tables)
    tables["collars"].loc[1, "elevation"] = 601.2
    exact = "[spread]\neasting_m = 0\nnorthing_m = 0\nelevation_m = 0\ndepth_m = 0\ndepth_scale = 0\n[spread.gyro]\n"
    zero = "azimuth_deg = 0\ndip_deg = 0\nazimuth_bias_deg = 0\ndip_bias_deg = 0\n"
    assert found(tables, tmp_path, TOML + exact + zero) == ()
    (finding,) = found(tables, tmp_path, TOML + exact + zero.replace("dip_bias_deg = 0", "dip_bias_deg = 2"))
    assert finding.rule == "holes_too_near"
    assert finding.hole_id == "D-1"
    assert finding.depth == pytest.approx(40, abs=2)


def test_offsets_that_add_up_by_chance_are_no_drift(tmp_path):
    """Forty offsets of 8° with signs by chance sum up to some 50°, which a random walk does one time in three."""
    tables = flawless()
    first = tables["runs"]["hole_id"] == "D-1"
    signs = np.array([1.0] * 23 + [-1.0] * 16)
    tables["runs"].loc[first, "line_offset"] = [np.nan, *(8.0 * np.random.default_rng(1).permutation(signs))]
    assert found(tables, tmp_path) == ()


def test_limits_are_set_by_the_project_and_refused_by_name(tmp_path):
    tables = flawless()
    tables["runs"].loc[3, "settle_s"] = 10.0
    assert rules(found(tables, tmp_path)) == {"short_settling"}
    assert found(tables, tmp_path, TOML + "[checks]\nsettle_s = 5\n") == ()
    with pytest.raises(DataProblem, match=r"setle_s.*Did you mean 'settle_s'"):
        found(tables, tmp_path, TOML + "[checks]\nsetle_s = 5\n")
    with pytest.raises(DataProblem, match=r"checks\.settle_s"):
        found(tables, tmp_path, TOML + "[checks]\nsettle_s = -1\n")


def test_every_limit_has_a_source():
    for item in dataclasses.fields(checks.Limits):
        assert item.name == "topography" or item.metadata["source"]


def test_the_planted_mistakes_of_the_demo_that_show_are_found():
    """truth/mistakes.csv: the survey spike by bend and field, and the two rolled runs whose ends were fitted."""
    findings = checks.check(load_project(DEMO))
    mistakes = pd.read_csv(DEMO / "truth" / "mistakes.csv")
    (spike,) = mistakes.query("blunder == 'survey_spike'").itertuples()
    at = {(finding.rule, finding.hole_id, finding.depth) for finding in findings}
    assert ("survey_spike", spike.hole_id, spike.depth_from) in at
    assert ("magnetic_field", spike.hole_id, spike.depth_from) in at
    rolled = {(run.hole_id, run.depth_from) for run in mistakes.query("scope == 'run'").itertuples()}
    large = {
        (finding.hole_id, finding.depth)
        for finding in findings
        if finding.rule == "line_in_doubt" and (finding.hole_id, finding.depth) in rolled
    }
    assert len(large) == 2
    assert {finding.rule for finding in findings if finding.severity == "error"} == set()


@pytest.mark.parametrize("dimensions", [2, 3])
def test_neighbours_are_those_of_the_tree(dimensions, monkeypatch):
    """By matrix and by scipy's tree, with points in one place among them."""
    points = np.random.default_rng(3).normal(0, 1, (400, dimensions))
    points[:6] = points[6]
    by_matrix = neighbours.nearest(points, 3)[0], neighbours.pairs_within(points, 0.3)
    monkeypatch.setattr(neighbours, "FEW", 10)
    by_tree = neighbours.nearest(points, 3)[0], neighbours.pairs_within(points, 0.3)
    np.testing.assert_allclose(by_matrix[0], by_tree[0], atol=1e-12)
    assert {*map(tuple, by_matrix[1].tolist())} == {*map(tuple, by_tree[1].tolist())}
    assert (neighbours.nearest(points, 3)[1] != np.arange(400)[:, None]).all()


# ------------------------------------------------------------------------------------------------------------ keys


def test_keys_stay_when_rows_are_added_above(tmp_path):
    """The demo's findings, and some broken cells, with a hole more at the top of every table."""
    names = ("collars", "surveys", "runs", "structures")
    tables = {name: pd.read_csv(DEMO / f"{name}.csv", dtype=object) for name in names}
    tables["structures"].loc[[3, 4, 40], "beta"] = "none"
    tables["surveys"].loc[7, "azimuth"] = "N"
    toml = (DEMO / "project.toml").read_text(encoding="utf-8")
    toml = toml[: toml.index("[tables.intervals]")] if "[tables.intervals]" in toml else toml
    before = found(tables, tmp_path, toml)
    new = {
        "collars": {"hole_id": "NEW", "easting": 486000, "northing": 5424000, "elevation": 300, "depth": 100},
        "surveys": {"hole_id": "NEW", "depth": 0, "azimuth": 90, "dip": -60},
        "runs": {"hole_id": "NEW", "depth_from": 0, "depth_to": 3, "line_offset": 40},
        "structures": {"hole_id": "NEW", "depth": 1, "kind": "vein", "alpha": 30, "beta": "none"},
    }
    grown = {name: pd.concat([pd.DataFrame([new[name]]), tables[name]], ignore_index=True) for name in names}
    after = {finding.key: finding for finding in found(grown, tmp_path, toml)}
    assert len({finding.key for finding in before}) == len(before) > 14
    assert [finding.message for finding in before if finding.key not in after] == []
    assert {finding.key: finding.message for finding in before}.items() <= {
        k: f.message for k, f in after.items()
    }.items()
    assert any(f.row != after[f.key].row for f in before)


def test_spikes_of_eight_degrees_are_found_and_suspects_name_the_same(tmp_path):
    """Fifty planted in as many holes of stations 30 m apart that wander by 0.3° in dip and 0.5° in azimuth."""
    rng, count = np.random.default_rng(12), 50
    names, depth = [f"H{i}" for i in range(count)], np.arange(0.0, 301.0, 30.0)
    azimuth = 90 + np.cumsum(rng.normal(0, 0.5, (count, len(depth))), axis=1)
    dip = -60 + np.cumsum(rng.normal(0, 0.3, (count, len(depth))), axis=1)
    station = rng.integers(2, len(depth) - 2, count)
    dip[np.arange(count), station] += 8.0 * rng.choice([-1, 1], count)
    tables = flawless()
    tables["collars"] = pd.DataFrame(
        {"hole_id": names, "easting": 500000.0 + 60 * np.arange(count), "northing": 5200000.0, "elevation": 400.0}
    ).assign(depth=300.0)
    stations = {"hole_id": np.repeat(names, len(depth)), "depth": np.tile(depth, count)}
    tables["surveys"] = pd.DataFrame(stations | {"azimuth": azimuth.ravel(), "dip": dip.ravel()})
    for name in ("runs", "structures", "lithology"):
        tables[name] = tables[name].iloc[:0]
    project = load_project(write_tables(tables, tmp_path))
    planted = {(name, depth[at]) for name, at in zip(names, station, strict=True)}
    spikes = {(f.hole_id, f.depth) for f in desurvey.open(tmp_path).findings if f.rule == "survey_spike"}
    assert len(spikes & planted) >= 45
    assert spikes <= planted
    holes = traces.build(project)
    table = suspects.suspects(project, holes, orient.oriented(project, holes))
    assert set(zip(table["hole_id"], table["depth_from"], strict=True)) == spikes
