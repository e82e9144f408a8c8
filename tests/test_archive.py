"""An archive of partitions: the same numbers as one project, whoever works on it, and it goes on where it stopped."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import pyvista as pv

import desurvey
from desurvey import archive, orient, spread, traces
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.command import lowside
from tests.projects import PROJECT_TOML, write_project

DEMO = Path(__file__).parents[1] / "demo_project"


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """Return the demo project as an archive of three holes a partition, and the same tables in one project."""
    folder = tmp_path_factory.mktemp("archive") / "demo"
    made, findings = archive.divide(DEMO, folder, holes=3)
    assert len(made.partitions) > 2
    assert not findings
    return made


@pytest.fixture(scope="module")
def here(demo, tmp_path_factory):
    """Return a folder with the results of all works, done in this process."""
    folder = tmp_path_factory.mktemp("here")
    for work in archive.WORKS:
        outcome = archive.run(demo, work, folder)
        assert outcome.failed == {}
        assert outcome.done == list(demo.partitions)
    return folder


def together(folder: Path) -> pd.DataFrame:
    return pd.concat([pd.read_parquet(path) for path in sorted(folder.glob("*.parquet"))], ignore_index=True)


@pytest.mark.parametrize(
    ("work", "keys"), [("trace", ["hole_id", "depth"]), ("orient", ["structure_id", "hole_id", "depth"])]
)
def test_partitions_give_bit_by_bit_what_one_project_gives(here, tmp_path, work, keys):
    whole = tmp_path / "whole.parquet"
    lowside(work, DEMO, "--out", whole)
    expected = pd.read_parquet(whole).sort_values(keys, ignore_index=True)
    parts = together(here / archive.WORKS[work].name).sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(parts[expected.columns], expected, check_exact=True)


def test_findings_are_those_of_one_project_but_for_pairs_of_holes(here):
    local = {(found.rule, found.hole_id, found.message) for found in desurvey.open(DEMO).findings}
    columns = together(here / "findings")[["rule", "hole_id", "message"]].fillna("")
    parts = set(columns.itertuples(index=False, name=None))
    assert {row for row in parts if row[0] != "holes_too_near"} == {row for row in local if row[0] != "holes_too_near"}


def test_two_workers_of_a_cluster_give_the_same_bytes(demo, here, tmp_path):
    told = []
    for work in ("trace", "orient", "check"):
        outcome = archive.run(demo, work, tmp_path, workers=2, told=lambda done, of: told.append((done, of)))
        assert outcome.failed == {}
        assert outcome.done == list(demo.partitions)
        name = archive.WORKS[work].name
        for partition in demo.partitions:
            file = f"{name}/{partition}.parquet"
            assert (tmp_path / file).read_bytes() == (here / file).read_bytes()
    assert told[-1] == (len(demo.partitions),) * 2


def test_holes_do_not_depend_on_which_others_are_there():
    """One running sum over all holes used to leave some 1e-9 m of the holes before in each."""
    rng = np.random.default_rng(21)
    counts = rng.integers(1, 60, 80)
    offsets = np.concatenate([[0], np.cumsum(counts)])
    depth = np.concatenate([np.cumsum(rng.uniform(1, 30, count)) for count in counts])
    azimuth, dip = rng.uniform(0, 360, len(depth)), rng.uniform(-89, -20, len(depth))
    collar, end = rng.uniform(0, 6e6, (80, 3)), depth[offsets[1:] - 1]
    logged = np.repeat(np.arange(80), 30)
    at = rng.uniform(0, end[logged])
    alpha, beta = rng.uniform(1, 89, len(at)), rng.uniform(0, 360, len(at))

    def answers(first: int, last: int) -> list[np.ndarray]:
        rows, own = slice(offsets[first], offsets[last]), (logged >= first) & (logged < last)
        some = traces.chained(
            np.arange(first, last).astype(str), collar[first:last], end[first:last],
            offsets[first : last + 1] - offsets[first], depth[rows], azimuth[rows], dip[rows],
        )  # fmt: skip
        points = some.at(logged[own] - first, at[own])
        normal = orient.plane_normal(
            points.tangent, orient.reference_line(points.tangent, "low"), alpha[own], beta[own]
        )
        known = spread.hole_spread(some)
        spots = known.at(logged[own] - first, at[own])
        pole = spread.pole_covariance(points.tangent, normal, spots.direction)
        return [some.position, some.dogleg_deg, known.stations(), points.position, normal, spots.position, pole]

    whole = answers(0, 80)
    for width in (1, 3, 33):
        parts = [answers(first, min(first + width, 80)) for first in range(0, 80, width)]
        for number, expected in enumerate(whole):
            np.testing.assert_array_equal(np.concatenate([part[number] for part in parts]), expected)


@pytest.mark.parametrize("stations", [5, 400])
def test_sums_above_are_running_sums_of_each_hole(stations):
    rng = np.random.default_rng(stations)
    values = rng.normal(0, 1, (3, 7 * stations)) * 10.0 ** np.repeat([-200, -9, -3, 0, 3, 9, 200], stations)
    offsets = np.arange(8) * stations
    sums = traces.sums_above(values, offsets)
    for hole in range(7):
        own = values[:, hole * stations : (hole + 1) * stations]
        plain = np.concatenate([np.zeros((3, 1)), np.cumsum(own, axis=1)[:, :-1]], axis=1)
        scale = np.abs(own).sum(axis=1, keepdims=True)
        np.testing.assert_allclose(sums[:, hole * stations : (hole + 1) * stations] / scale, plain / scale, atol=1e-14)


def test_a_large_survey_is_streamed_and_says_the_same(monkeypatch):
    count = np.full(40, 30)
    offsets = np.concatenate([[0], np.cumsum(count)])
    rng = np.random.default_rng(3)
    depth, dip = np.tile(np.arange(30) * 10.0, 40), rng.uniform(-80, -60, 1200)
    holes = traces.chained(
        np.arange(40).astype(str), np.zeros((40, 3)), np.full(40, 290.0), offsets, depth, dip + 90.0, dip
    )
    hole, at = rng.integers(0, 40, 500), rng.uniform(0, 290, 500)
    kept = spread.hole_spread(holes)
    monkeypatch.setattr("desurvey.spread.position.KEPT", 0)
    streamed = spread.hole_spread(holes)
    np.testing.assert_array_equal(streamed.stations(), kept.stations())
    np.testing.assert_array_equal(streamed.at(hole, at).position, kept.at(hole, at).position)


# ---------------------------------------------------------------------------------------------------- going on


def test_finished_partitions_are_left_alone_and_changed_ones_done_again(demo, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(demo.folder, copy)
    mine = archive.open_archive(copy)
    archive.run(mine, "trace", tmp_path)
    first, second, *rest = mine.partitions
    (tmp_path / "traces" / f"{first}.parquet").unlink()
    os.utime(copy / "surveys" / f"{second}.parquet")
    outcome = archive.run(mine, "trace", tmp_path)
    assert outcome.done == [first, second]
    assert outcome.skipped == rest
    assert not list((tmp_path / "traces").glob(".*"))  # nothing half-written is left


@pytest.mark.parametrize("workers", [1, 2])
def test_a_failed_partition_is_named_with_its_cause_and_the_others_go_on(demo, tmp_path, workers):
    copy = tmp_path / "copy"
    shutil.copytree(demo.folder, copy)
    first, second, *rest = demo.partitions
    (copy / "structures" / f"{first}.parquet").unlink()
    (copy / "surveys" / f"{second}.parquet").write_bytes(b"PAR1 cut off")
    done = lowside("archive", "orient", copy, "--out", tmp_path, "--workers", workers)
    assert done.returncode == 1
    assert f"{len(rest)} of {len(demo.partitions)} partitions done" in done.stderr
    assert f"partition {first} failed" in done.stderr
    assert f"structures/{first}.parquet: a partition must have a file in every table" in done.stderr
    assert f"partition {second} failed" in done.stderr
    assert sorted(path.stem for path in (tmp_path / "structures").glob("*.parquet")) == rest


# ------------------------------------------------------------------------------------------------------ scene


def test_the_scene_opens_as_a_multiblock_with_everything_in_it(here):
    path = archive.index_scene(here)
    blocks = pv.read(path)
    usable = together(here / "structures")["usable"].eq("yes").sum()
    assert sum(block["structures"].n_cells for block in blocks) == usable
    holes = together(here / "traces")["hole_id"].nunique()
    assert sum(block["holes"].n_cells for block in blocks) == holes


# --------------------------------------------------------------------------------------------------- refusals


def test_what_is_no_archive_is_refused(demo, tmp_path):
    done = lowside("archive", "trace", DEMO, "--out", tmp_path)
    assert done.returncode == 2
    assert "a table of an archive must be a folder" in done.stderr
    with pytest.raises(DataProblem, match="must be empty"):
        archive.divide(DEMO, demo.folder)


def test_a_hole_in_two_partitions_is_refused(demo, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(demo.folder, copy)
    first, second, *_ = demo.partitions
    for table in demo.tables.values():
        shutil.copy(copy / table / f"{first}.parquet", copy / table / f"{second}.parquet")
    with pytest.raises(DataProblem, match=r"a hole must lie in one partition.*partition 0000 too"):
        archive.open_archive(copy)


def test_dividing_settles_headings_and_feet_and_keeps_own_columns(tmp_path):
    toml = PROJECT_TOML.replace("[core]", 'depth_unit = "feet"\n[core]') + '[columns.collars]\nhole_id = "Loch"\n'
    collars = (
        "Loch,easting,northing,elevation,depth,dip,azimuth,driller\nA,1,2,3,100,-60,90,Ann\nB,1,9,3,100,-60,90,Bo\n"
    )
    project = write_project(tmp_path / "project", toml, collars=collars)
    made, findings = archive.divide(project, tmp_path / "archive", holes=1)
    assert {found.rule for found in findings} == {"feet_converted"}
    local = load_project(project).collars
    parts = pd.concat([made.project(name).collars for name in made.partitions], ignore_index=True)
    assert parts["driller"].tolist() == ["Ann", "Bo"]
    np.testing.assert_array_equal(parts["depth"], local["depth"])  # metres now, and not turned a second time
    assert parts["depth"].tolist() == pytest.approx([30.48, 30.48])
