"""A hole that is being drilled, pads that are ranked, and what a pick would teach, against the very same world."""

from __future__ import annotations

import shutil

import numpy as np
import pandas as pd
import pytest

import desurvey
from desurvey import gains
from desurvey.aim import points_all_over
from desurvey.campaign.following import follow
from desurvey.problems import DataProblem
from tests.benches import layered, written
from tests.command import lowside

HELD = "[lineup]\nlearn = false\nwaviness_m = 3.0\nwaviness_range_m = 100.0\n"


def cut(folder, hole, depth):
    """Take what lies below a depth of a hole out of structures and runs."""
    for name, column in (("structures", 2), ("runs", 1)):
        path = folder / f"{name}.csv"
        head, *rows = path.read_text().strip().split("\n")
        kept = [row for row in rows if f"{hole}," not in row or float(row.split(",")[column]) < depth]
        path.write_text("\n".join([head, *kept]) + "\n")


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Give a world whose hole L04 is logged to 70 m; its first fault lies at 97 m in truth."""
    folder = written(tmp_path_factory.mktemp("follow") / "world", layered())
    toml = folder / "project.toml"
    toml.write_text(toml.read_text() + HELD)
    rows = [
        r.split(",") for r in (folder / "structures.csv").read_text().split("\n") if ",L04," in r and ",fault," in r
    ]
    cut(folder, "L04", 72.0)
    return folder, sorted(float(row[2]) for row in rows if float(row[2]) > 72.0)


def test_windows_ahead_hold_the_truth(world):
    folder, truth = world
    got = follow(desurvey.open(folder), "L04")
    assert got.logged_to == 70.0
    assert got.drilled_to == 80.0  # of the run
    first = got.windows.iloc[0]
    assert first["depth_from"] <= truth[0] <= first["depth_to"]
    assert first["away"] == pytest.approx(first["expected_depth"] - 80.0)
    assert got.stop_at == pytest.approx(got.windows.loc[got.windows["fault_id"].isin(got.planned), "depth_to"].max())
    assert got.met == "yes"  # planned to 190 m
    assert np.abs(got.off_plan).max() < 0.5  # without surveys it runs as planned


def test_a_hole_that_strays_misses_its_plan_by_plain_geometry(world, tmp_path):
    """A hole planned at 292°/−62° and surveyed at 302° all the way: the miss of two straight lines of 190 m."""
    folder = shutil.copytree(world[0], tmp_path / "w")
    (folder / "surveys.csv").write_text(
        "hole_id,depth,azimuth,dip\n" + "".join(f"L04,{d},302,-62\n" for d in (0, 40, 80))
    )
    collar = (folder / "collars.csv").read_text()
    assert "L04,500060,5400060,300,190,292,-62" in collar
    got = follow(desurvey.open(folder), "L04")
    flat = 190.0 * np.cos(np.deg2rad(62.0))
    east = flat * (np.sin(np.deg2rad(302.0)) - np.sin(np.deg2rad(292.0)))
    north = flat * (np.cos(np.deg2rad(302.0)) - np.cos(np.deg2rad(292.0)))
    assert got.off_plan == pytest.approx([east, north, 0.0], abs=1.0)
    assert "north-east" in got.in_words()


def test_what_a_pick_would_teach_is_what_it_teaches(world, tmp_path):
    """The σ foretold for a bare pick at L04, and the σ after that very pick is logged (the habit of faults held)."""
    study = desurvey.open(world[0])
    got = follow(study, "L04")
    row = got.gains.iloc[0]
    folder = shutil.copytree(world[0], tmp_path / "w")
    path = folder / "structures.csv"
    path.write_text(path.read_text() + f"NEW,L04,{row['depth']:.2f},fault,,,\n")
    after = desurvey.open(folder).lineup()
    assert after.picks.set_index("structure_id").loc["NEW", "fault_id"] == row["fault_id"]
    fault = next(f for f in study.lineup().found.faults if f.fault_id == row["fault_id"])
    same = next(f for f in after.found.faults if f.fault_id == row["fault_id"])
    points = points_all_over(fault)

    def sigma(one):
        place = ((points - one.sheet.centre) @ one.sheet.axes.T)[:, :2]
        return np.sqrt(one.sheet.surface(place)[1][:, 0, 0]).mean()

    assert row["sigma_before"] == pytest.approx(sigma(fault), rel=0.02)
    won, foretold = sigma(fault) - sigma(same), row["sigma_before"] - row["sigma_after"]
    assert won > 0.0
    assert foretold == pytest.approx(won, rel=0.25)


def test_shared_covariance_of_one_place_is_its_variance(world):
    fault = desurvey.open(world[0]).lineup().found.faults[0]
    place = np.array([[0.0, 0.0], [15.0, -20.0], [60.0, 5.0]])
    shared = fault.sheet.shared(place, place)
    assert np.diag(shared) == pytest.approx(fault.sheet.surface(place)[1][:, 0, 0])
    assert shared == pytest.approx(shared.T)
    assert (np.linalg.eigvalsh(shared) > -1e-9).all()


def test_pads_are_ranked_by_what_they_meet(world, tmp_path):
    """A pad over the faults, one that can't reach them, and one between: a fault at 60/200 is met from the south."""
    study = desurvey.open(world[0])
    fault = study.lineup().found.faults[0]
    at = fault.centre
    pads = pd.DataFrame(
        {
            "collar": ["far", "over"],
            "easting": [at[0] + 3000.0, at[0]],
            "northing": [at[1], at[1] - 60.0],
            "elevation": [300.0, 300.0],
        }
    )
    got = study.rank_pads(pads)
    assert got["collar"].tolist() == ["over", "far"]
    assert got["squarely"].tolist()[1] == 0
    best = got.iloc[0]
    assert best["squarely"] >= 1
    assert f"{fault.fault_id} at" in best["met"]
    assert best["sigma_won"] > 0.0
    pads.to_csv(tmp_path / "pads.csv", index=False)
    done = lowside("aim", world[0], "--collars", tmp_path / "pads.csv", "--out", tmp_path / "aim.csv")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("1. over: azimuth")
    assert pd.read_csv(tmp_path / "aim.csv").columns.tolist()[: len(gains.PAD_COLUMNS)] == gains.PAD_COLUMNS
    with pytest.raises(DataProblem, match="three coordinates"):
        study.rank_pads(pads.assign(northing=["x", 1.0]))
    with pytest.raises(DataProblem, match="pads need"):
        study.rank_pads(pads.drop(columns="easting"))


def test_the_command_says_it_once(world, tmp_path):
    done = lowside("follow", world[0], "L04", "--once", "--out", tmp_path / "ahead.csv")
    assert done.returncode == 0, done.stderr
    assert "F1 in" in done.stdout
    assert "every planned fault" in done.stdout
    assert len(pd.read_csv(tmp_path / "ahead.csv"))
    assert lowside("follow", world[0], "L99", "--once").returncode == 2
