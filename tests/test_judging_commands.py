"""``suspects``, ``lineup`` and ``aim`` on the demo, whose truth is known, and what they refuse."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import adjusted_rand_score

from desurvey import suspects
from desurvey.exchange import read_table
from desurvey.project import load_project
from tests.command import lowside
from tests.projects import write_project

DEMO = Path(__file__).parents[1] / "demo_project"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return tmp_path_factory.mktemp("out")


@pytest.fixture(scope="module")
def accused(out):
    done = lowside("suspects", DEMO, "--out", out / "suspects.csv")
    assert done.returncode == 0, done.stderr
    return done, pd.read_csv(out / "suspects.csv", dtype={"structure_id": str})


def test_suspects_finds_the_demos_planted_mistakes_and_nothing_else(accused):
    done, table = accused
    planted = pd.read_csv(DEMO / "truth" / "mistakes.csv")
    # A north off by 4.9° on one hole is below what 6–12° of scatter can show (issue: 12° and more must be found).
    planted = planted[planted["blunder"] != "north_reference"]
    assert sorted(zip(table["hole_id"], table["blunder"], strict=True)) == sorted(
        zip(planted["hole_id"], planted["blunder"], strict=True)
    )
    both = table.merge(planted, on=["hole_id", "blunder"], suffixes=("", "_true"))
    turned = (both["roll_deg"] - both["roll_deg_true"] + 180) % 360 - 180
    rolled = both["blunder"] == "run_rolled"
    assert (turned[rolled].abs() < 3 * both["roll_sigma"][rolled]).all()
    for hole in table["hole_id"]:
        assert hole in done.stderr


def test_what_is_accepted_is_put_right_and_marked(accused, out):
    _, table = accused
    one = table[(table["hole_id"] == "TH-05") & (table["blunder"] == "line_side")]
    one.to_csv(out / "accepted.csv", index=False)
    for name, more in (("logged", []), ("accepted", ["--accept", out / "accepted.csv"])):
        done = lowside("orient", DEMO, "--out", out / f"{name}.oriented.csv", *more)
        assert done.returncode == 0, done.stderr
    logged, accepted = (pd.read_csv(out / f"{name}.oriented.csv") for name in ("logged", "accepted"))
    marked = accepted["accepted"] == "line_side"
    inside = (logged["hole_id"] == "TH-05") & logged["depth"].between(one["depth_from"].item(), one["depth_to"].item())
    assert marked.sum() == (marked & inside).sum() > 0
    read = marked & logged["beta"].notna()
    np.testing.assert_allclose((accepted["beta"] - logged["beta"])[read] % 360, 180)
    pd.testing.assert_frame_equal(logged[~marked], accepted[~marked].drop(columns=["accepted", "basis"]))
    assert (accepted["dip"] - logged["dip"])[read].abs().max() > 5


def test_accept_refuses_a_file_that_is_no_table_of_suspects(out):
    (out / "wrong.csv").write_text("scope,hole_id\nrun,TH-05\n")
    done = lowside("orient", DEMO, "--out", out / "none.csv", "--accept", out / "wrong.csv")
    assert done.returncode == 2
    assert "needs the column 'depth_from'" in done.stderr
    assert not (out / "none.csv").exists()


def test_lineup_finds_the_demos_faults(out):
    done = lowside("lineup", DEMO, "--kind", "fault", "--out", out / "lineup")
    assert done.returncode == 0, done.stderr
    faults, picks, windows = (pd.read_csv(out / "lineup" / f"{name}.csv") for name in ("faults", "picks", "windows"))
    truth = pd.read_csv(DEMO / "truth" / "structures.csv").set_index("structure_id")
    true_fault = truth.loc[picks["structure_id"], "surface"]
    real = true_fault.where(true_fault.isin(["F1", "F2", "F3"]), "none")
    assert adjusted_rand_score(real, picks["fault_id"].fillna("none")) > 0.95
    assert (faults["p_value"] > 0.01).all()

    pierced = pd.read_csv(DEMO / "truth" / "pierce.csv")
    named = dict(zip(picks["fault_id"], real, strict=True))
    windows["true_id"] = windows["fault_id"].map(named)
    both = windows.merge(
        pierced, left_on=["true_id", "hole_id"], right_on=["fault_id", "hole_id"], suffixes=("", "_true")
    )
    planned = both[both["status"] == "planned"]
    assert len(planned) >= 6
    missed = (planned["expected_depth"] - planned["depth"]).abs() / planned["sigma"]
    assert (missed < 3).mean() > 0.8
    for fault in faults["fault_id"]:
        assert fault in done.stdout


def test_the_line_up_can_be_seen(out):
    page = out / "faults.html"
    done = lowside("view", DEMO, "--kind", "fault", "--html", page)
    assert done.returncode == 0, done.stderr
    text = page.read_text(encoding="utf-8")
    assert "faults lined up" in text
    for fault in ("F1", "F2", "F3"):
        assert fault in text


def test_lineup_distrusts_what_suspects_accused(accused, out):
    done = lowside("lineup", DEMO, "--out", out / "distrusting", "--suspects", out / "suspects.csv")
    assert done.returncode == 0, done.stderr
    project = load_project(DEMO)
    distrust = suspects.distrusted(project, read_table(out / "suspects.csv"))
    accused_holes = set(accused[1].loc[accused[1]["scope"] == "hole", "hole_id"])
    assert {"TH-24"} <= accused_holes
    rows = project.structures[project.structures["hole_id"] == "TH-24"]
    assert all(distrust[name] > 0.99 for name in rows["structure_id"])
    clean = project.structures[project.structures["hole_id"] == "TH-01"]
    assert not set(distrust) & set(clean["structure_id"])


def test_aim_says_where_planned_holes_meet_the_faults(out):
    done = lowside("aim", DEMO, "--out", out / "aim.csv")
    assert done.returncode == 0, done.stderr
    table = pd.read_csv(out / "aim.csv")
    assert set(table["hole_id"]) == {"TH-25", "TH-26", "TH-27"}
    assert "TH-25 meets F1 at" in done.stdout
    assert "blind to" in done.stdout


def test_aim_at_an_elevation_meets_the_fault_there(out):
    done = lowside("aim", DEMO, "--out", out / "shot.csv", "--fault", "F1", "--collar", "TH-01", "--elevation", 480)
    assert done.returncode == 0, done.stderr
    shot = pd.read_csv(out / "shot.csv").iloc[0]
    assert shot["elevation"] == pytest.approx(480, abs=0.5)
    assert -90 <= shot["dip"] <= -45


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["aim", "{demo}", "--out", "{out}", "--fault", "F9", "--collar", "TH-01", "--elevation", "480"], "F9"),
        (["aim", "{demo}", "--out", "{out}", "--fault", "F1", "--elevation", "480"], "--fault needs --collar"),
        (["aim", "{demo}", "--out", "{out}", "--fault", "F1", "--collar", "TH-01"], "needs either a point"),
        (
            ["aim", "{demo}", "--out", "{out}", "--fault", "F1", "--collar", "1,2", "--elevation", "1"],
            "three numbers E,N,U",
        ),
        (["aim", "{demo}", "--out", "{out}", "--fault", "F1", "--collar", "TH-01", "--elevation", "9000"], "elevation"),
        (["lineup", "{demo}", "--kind", "falut", "--out", "{out}"], "falut"),
        (["lineup", "{demo}", "--out", "{demo}/project.toml"], "inputs are never written to"),
    ],
)
def test_what_cannot_be_answered_is_one_message(tmp_path, arguments, message):
    done = lowside(*(text.format(demo=DEMO, out=tmp_path / "out.csv") for text in arguments))
    assert done.returncode == 2, done.stdout + done.stderr
    assert message in done.stderr


def test_a_small_project_has_nothing_to_say_and_says_so(tmp_path):
    folder = write_project(tmp_path)
    for command, name in (("suspects", "s.csv"), ("lineup", "l"), ("aim", "a.csv")):
        done = lowside(command, folder, "--out", tmp_path / name)
        assert done.returncode == 0, done.stdout + done.stderr
    assert pd.read_csv(tmp_path / "s.csv").empty
    assert pd.read_csv(tmp_path / "l" / "faults.csv").empty
