"""States, the audit trail, explained findings and the score, held against files and hand-made cases."""

from __future__ import annotations

import json
import shutil
import sys
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import desurvey
from desurvey import campaign
from desurvey.audit import FILE as AUDIT
from desurvey.audit import read_trail
from desurvey.campaign.results import COLUMNS, Results
from desurvey.campaign.score import Score, judged, predictions_of, share
from desurvey.campaign.since import fault_changes, row_changes
from desurvey.decisions import Decision, decide
from desurvey.problems import DataProblem
from tests.benches import layered, written
from tests.command import lowside
from tests.projects import write_project


def on(day):
    return datetime.fromisoformat(f"2026-03-{day:02d}T17:00:00+00:00")


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Give a project with two states, between which a row was added above and one was changed."""
    folder = written(tmp_path_factory.mktemp("campaign") / "world", layered())
    campaign.keep(desurvey.open(folder), when=on(1))
    path = folder / "structures.csv"
    lines = path.read_text().split("\n")
    path.write_text("\n".join([lines[0], "NEW,L00,3.5,joint,40,20,", *lines[1:]]))
    second = campaign.keep(desurvey.open(folder), when=on(2))
    return folder, second


@pytest.fixture
def folder(kept, tmp_path):
    return Path(shutil.copytree(kept[0], tmp_path / "world"))


def test_a_state_gives_back_the_very_bytes_and_its_study(kept):
    folder, second = kept
    first, last = campaign.states(folder).whole
    now = {path.name: path.read_bytes() for path in folder.glob("*.csv")}
    assert {name: data for name, data in campaign.content_of(last).items() if name in now} == now
    old = desurvey.open(folder, at="2026-03-01")
    assert len(old.logged.structures) + 1 == len(desurvey.open(folder).logged.structures)
    assert "As of 2026-03-01" in old.basis
    assert campaign.kept_results(first).suspects["key"].tolist() == old.suspects()["key"].tolist()
    assert second.new
    whole = sum(len(data) for data in now.values())
    assert second.stored < 0.5 * whole  # a row added above moves no other cut


def test_nothing_changed_keeps_nothing(folder):
    assert not campaign.keep(desurvey.open(folder), when=on(3)).new
    assert len(campaign.states(folder).whole) == 2
    assert campaign.keep(desurvey.open(folder), note="before the review", when=on(3)).new


def test_a_damaged_state_is_named_and_the_others_stand(folder):
    first, _ = campaign.states(folder).whole
    path = first.history / "states" / f"{first.name}.json"
    path.write_text(path.read_text().replace("2026-03-01", "2026-02-01"))
    left = campaign.states(folder)
    assert left.damaged == (path.name,)
    assert len(left.whole) == 1
    desurvey.open(folder, at="2026-03-02")


def test_a_damaged_piece_is_named_and_stored_again(folder):
    last = campaign.states(folder).whole[-1]
    name = last.files["collars.csv"][0]
    piece = last.history / "pieces" / name[:2] / name[2:]
    piece.write_bytes(b"x")
    with pytest.raises(DataProblem, match=r"a piece of collars\.csv"):
        campaign.content_of(last)
    campaign.keep(desurvey.open(folder), note="again", when=on(3))
    campaign.content_of(last)


def test_a_writer_killed_before_the_state_loses_none(folder, monkeypatch):
    states = sys.modules["desurvey.campaign.states"]
    (folder / "collars.csv").write_text((folder / "collars.csv").read_text() + "L99,1,1,1,10,0,-60,planned\n")
    write = states._write

    def killed(path, data):
        if path.suffix == ".json":
            raise KeyboardInterrupt
        write(path, data)

    monkeypatch.setattr(states, "_write", killed)
    with pytest.raises(KeyboardInterrupt):
        campaign.keep(desurvey.open(folder), when=on(3))
    left = campaign.states(folder)
    assert (len(left.whole), left.damaged) == (2, ())
    for state in left.whole:
        campaign.content_of(state)


def test_what_cannot_be_read_is_refused(folder):
    for which, said in (("2026-02-01", "The first is of 2026-03-01"), ("nonsense", "no such state")):
        done = lowside("check", folder, "--quick", "--at", which)
        assert done.returncode == 2
        assert said in done.stderr
    done = lowside("trace", folder, "--at", "2026-03-01", "--out", folder / "collars.csv")
    assert done.returncode == 2  # today's inputs are never written to either
    assert "is an input" in done.stderr


def test_the_past_is_not_decided(folder):
    with pytest.raises(DataProblem, match="in the past"):
        desurvey.open(folder, at="2026-03-01").decide("x", accept=True)


def test_each_day_files_one_state(tmp_path):
    folder = write_project(tmp_path / "p")
    (folder / "project.toml").write_text((folder / "project.toml").read_text() + '[history]\neach = "day"\ndir = "h"\n')
    for _ in range(2):
        desurvey.open(folder)
    (one,) = campaign.states(folder).whole
    assert one.results is None
    assert one.history == folder / "h"


def test_the_trail_names_what_was_changed_by_hand(folder):
    decide(folder, [Decision("suspect", "a", "accepted", who="Bo"), Decision("suspect", "b", "set_aside", who="Bo")])
    trail = read_trail(folder)
    assert ([e.about for e in trail.entries], trail.broken) == (["a", "b"], ())
    text = (folder / AUDIT).read_text()
    (folder / AUDIT).write_text(text.replace('"Bo"', '"Al"', 1))
    assert "line 1" in read_trail(folder).broken[0]
    (folder / AUDIT).write_text(text.split("\n", 1)[1])
    assert "taken out" in read_trail(folder).broken[0]
    (folder / AUDIT).write_text(text)
    (folder / "decisions.toml").write_text("")  # by hand
    decide(folder, [Decision("suspect", "c", "accepted")])
    assert [e.what for e in read_trail(folder).entries[2:]] == ["found", "found", "decision"]


def test_an_explained_finding_is_back_when_its_row_changes(tmp_path):
    from tests.projects import TABLES

    folder = write_project(tmp_path, surveys=TABLES["surveys"].replace("A,60,92", "A,60,east"))
    (key,) = [one.key for one in desurvey.open(folder).findings if one.severity == "error"]
    assert lowside("decide", folder, key, "--explain", "--why", "tape is lost", "--who", "Bo").returncode == 0
    assert desurvey.open(folder).explained == {key: "tape is lost"}
    assert lowside("trace", folder, "--out", tmp_path / "t.csv").returncode == 0
    surveys = folder / "surveys.csv"
    surveys.write_text(surveys.read_text().replace("B,0,0,-60\n", "").replace("A,0,", "B,0,0,-60\nA,0,"))
    assert key in desurvey.open(folder).explained  # a row added above changes nothing
    surveys.write_text(surveys.read_text().replace("east,-58", "east,-51"))
    assert desurvey.open(folder).explained == {}


def results(picks, windows):
    tables = {name: pd.DataFrame(columns=columns) for name, columns in COLUMNS.items()}
    tables["picks"] = pd.DataFrame(picks, columns=COLUMNS["picks"])
    tables["windows"] = pd.DataFrame(windows, columns=COLUMNS["windows"])
    return Results(**tables)


def test_predictions_are_judged_by_what_was_logged_afterwards():
    """Six windows by hand: three met, one passed, one not reached, one logged already and so none."""
    old = [("a", "X", 1.0, "F1"), ("b", "Y", 1.0, "F1")]
    windows = [
        ("F1", hole, 100.0, 2.0, 96.08, 103.92, "planned", 0.8, reached)
        for hole, reached in (("IN", 50.0), ("OUT", 50.0), ("NONE", float("nan")), ("OPEN", 50.0), ("PAST", 97.0))
    ]
    ahead = predictions_of(results(old, windows), "2026-03-01")
    assert ahead["hole_id"].tolist() == ["IN", "OUT", "NONE", "OPEN"]
    now = [("a", "X", 1.0, "F7"), ("b", "Y", 1.0, "F7"), ("c", "IN", 103.0, "F7"), ("d", "OUT", 110.0, "F7")]
    got = judged(ahead, results(now, []), {"IN": 120.0, "OUT": 120.0, "NONE": 104.0, "OPEN": 100.0})
    assert got["outcome"].tolist() == ["inside", "outside", "absent", "open"]
    assert set(got["heir"]) == {"F7"}  # renamed since: known by its picks


def test_wilson_against_scipy():
    got, own = stats.binomtest(17, 20).proportion_ci(0.95, "wilson"), share(17, 20)
    assert (own.low, own.high) == (got.low, got.high)


def test_score_of_a_hole_that_is_drilled_after_it_was_planned(folder, tmp_path):
    """The planned hole's windows are filed; then its meetings are logged where the world's planes cut it."""
    collars, structures = folder / "collars.csv", folder / "structures.csv"
    whole = structures.read_text()
    rows = [line for line in whole.split("\n") if ",L04," not in line]
    structures.write_text("\n".join(rows))
    collars.write_text(
        collars.read_text().replace(
            "L04,500060,5400060,300,190,292,-62,drilled", "L04,500060,5400060,300,190,292,-62,planned"
        )
    )
    assert ",planned" in collars.read_text()
    assert lowside("keep", folder, "--note", "planned").returncode == 0
    structures.write_text(whole)
    collars.write_text(collars.read_text().replace("planned", "drilled"))
    done = lowside("score", folder, "--out", tmp_path / "score.csv", "--figure", tmp_path / "score.svg")
    assert done.returncode == 0, done.stderr
    assert "Windows that held, by fault and month" in (tmp_path / "score.svg").read_text()
    table = pd.read_csv(tmp_path / "score.csv")
    assert table.columns.tolist()[:10] == [
        *("fault_id", "hole_id", "predicted_at", "expected_depth", "sigma", "depth_from", "depth_to", "chance"),
        *("met_depth", "outcome"),
    ]
    mine = table[table["hole_id"] == "L04"]
    assert len(mine)
    assert mine["outcome"].isin(["inside", "outside"]).all()
    logged = [float(line.split(",")[2]) for line in whole.split("\n") if ",L04," in line and ",fault," in line]
    assert set(mine["met_depth"].round(2)) <= set(logged)


def test_a_project_without_states_has_no_score_and_is_told_so(tmp_path):
    folder = written(tmp_path / "world", layered())
    done = lowside("score", folder, "--out", tmp_path / "score.csv")
    assert done.returncode == 0, done.stderr
    assert "No state is kept" in done.stdout
    assert pd.read_csv(tmp_path / "score.csv").empty


# ----------------------------------------------------------------------------------------------------------- since


ROWS = pd.DataFrame(
    {
        "row": [2, 3, 4, 5],
        "hole_id": ["A", "A", "A", "B"],
        "depth": [0.0, 30.0, 60.0, 0.0],
        "azimuth": [10.0, 11.0, 12.0, 200.0],
    }
)


def test_rows_are_told_apart_by_what_names_them():
    """By hand: one row above (new), one value changed, one depth corrected, one gone; rows are in another order."""
    now = pd.DataFrame(
        {
            "row": [2, 3, 4, 5],
            "hole_id": ["C", "A", "A", "A"],
            "depth": [0.0, 61.0, 30.0, 0.0],
            "azimuth": [5.0, 12.0, 14.0, 10.0],
        }
    )
    got = row_changes(ROWS, now, ("hole_id", "depth")).set_index("what")
    assert sorted(got.index) == ["changed", "changed", "gone", "new"]
    assert sorted(got.loc["changed", "said"]) == ["azimuth 11 → 14", "depth 60 → 61"]
    assert got.loc["new", "hole_id"] == "C"
    assert got.loc["gone", "hole_id"] == "B"
    assert row_changes(ROWS, ROWS.iloc[::-1].assign(row=0), ("hole_id", "depth")).empty


def test_since_names_each_change(folder, tmp_path):
    """A fault logged on, a station wrong, a decision, a change by hand: each is told, and the exit status is 1."""
    done = lowside("since", folder, "2026-03-01", "--out", "-")
    assert done.returncode == 0, done.stderr
    got = json.loads(done.stdout)
    assert got["rows"] == {"structures": {"new": 1, "changed": 0, "gone": 0}}  # the row that was added above
    assert (got["findings"]["new"], got["suspects"]["new"], got["faults"]) == ([], [], [])
    study = desurvey.open(folder)
    key = study.suspects()["key"].iloc[0]
    study.decide(key, set_aside=True, who="Bo", why="seen at the rack")
    path = folder / "collars.csv"
    path.write_text(path.read_text().replace("L08,500120,5400120,300,190", "L08,500120,5400120,300,150"))
    done = lowside("since", folder, "2026-03-02", "--out", tmp_path / "since.json")
    assert done.returncode == 1  # structures below the end of L08 are errors
    got = json.loads((tmp_path / "since.json").read_text())
    assert got["rows"]["collars"] == {"new": 0, "changed": 1, "gone": 0}
    assert got["suspects"]["solved"] == [key]
    (decision,) = got["decisions"]
    assert (decision["about"], decision["who"], decision["answer"]) == (key, "Bo", "set_aside")
    assert got["needs"][0]["what"] == "error"
    assert got["new_errors"] == sum(one["what"] == "error" for one in got["needs"]) > 0
    assert set(got) >= {"rows", "findings", "suspects", "faults", "windows", "predictions", "decisions"}
    page = lowside("since", folder, "2026-03-02", "--out", tmp_path / "since.html")
    assert page.returncode == 1
    text = (tmp_path / "since.html").read_text()
    assert "What needs a person now" in text
    assert "set aside by Bo" in text
    assert "depth 190 → 150" in text
    assert lowside("since", folder, "--out", tmp_path / "x.csv").returncode == 2


def test_a_line_taken_out_of_the_trail_shows_since(folder):
    decide(folder, [Decision("suspect", "a", "accepted", who="Bo"), Decision("suspect", "b", "set_aside", who="Bo")])
    campaign.keep(desurvey.open(folder), when=on(3))
    (folder / AUDIT).write_text((folder / AUDIT).read_text().split("\n", 1)[1])
    got = campaign.since(desurvey.open(folder), "2026-03-03")
    assert any("no longer begins" in one for one in got.broken)
    assert "trail" in [one.what for one in got.needs]


def faults(*rows):
    columns = COLUMNS["faults"]
    return pd.DataFrame([{**dict.fromkeys(columns, 0.0), "shape": "plane", **row} for row in rows], columns=columns)


def test_faults_that_merge_split_move_and_go_are_named():
    """By hand: A and B are one; C is split; D turned by 10° and shifted 5 m along its normal; E is gone; N is new."""
    level = {"dip": 0.0, "dip_direction": 0.0, "probability": 0.9}
    then, now = results([], []), results([], [])
    then = replace(
        then,
        faults=faults(*({"fault_id": name, "picks": 4.0, **level} for name in "ABCDE")),
        picks=pd.DataFrame(
            [(f"{f}{i}", "X", float(i), f) for f in "ABCDE" for i in range(4)], columns=COLUMNS["picks"]
        ),
    )
    home = dict.fromkeys([f"{f}{i}" for f in "AB" for i in range(4)], "A") | {
        "C0": "C",
        "C1": "C",
        "C2": "C9",
        "C3": "C9",
    }
    home |= {f"D{i}": "D" for i in range(4)} | {f"E{i}": "" for i in range(4)} | {"N0": "N", "N1": "N"}
    turned = {**level, "dip": 10.0, "dip_direction": 90.0, "elevation": 5.0}
    now = replace(
        now,
        faults=faults(
            *({"fault_id": name, "picks": 4.0, **level} for name in ("A", "C", "C9", "N")),
            {"fault_id": "D", "picks": 4.0, **turned},
        ),
        picks=pd.DataFrame([(p, "X", 0.0, f) for p, f in home.items()], columns=COLUMNS["picks"]),
    )
    got = fault_changes(then, now).set_index("was")
    assert got["what"].to_dict() == {"": "new", "A": "merged", "B": "merged", "C": "split", "D": "moved", "E": "gone"}
    assert got.loc["D", "turned_deg"] == pytest.approx(10.0)
    assert got.loc["D", "shifted_m"] == pytest.approx(5.0)
    assert "C, C9" in got.loc["C", "said"]


def test_since_of_warm_states_costs_no_more_than_opening_twice(kept):
    """The contract's 2 s are on an idle machine; here it is held against reading the same tables, in processor time."""
    folder, _ = kept
    study = desurvey.open(folder)
    study.lineup("fault")

    def cost(work):
        start = time.process_time()
        work()
        return time.process_time() - start

    reading = min(cost(lambda: desurvey.open(folder).findings) for _ in range(3))
    assert min(cost(lambda: campaign.since(study, "2026-03-01")) for _ in range(3)) < 6 * reading + 0.1


def scored(z, sigma=2.0):
    """Return a score of meetings whose errors are given in σ, in two months of one fault."""
    z = np.asarray(z, dtype=float)
    table = pd.DataFrame({"fault_id": "F1", "hole_id": [f"H{i}" for i in range(len(z))]})
    table["predicted_at"] = ["2026-01-05" if i % 2 else "2026-02-05" for i in range(len(z))]
    table = table.assign(
        expected_depth=100.0, sigma=sigma, depth_from=100.0 - 1.96 * sigma, depth_to=100.0 + 1.96 * sigma
    )
    table["chance"], table["met_depth"] = 0.9, 100.0 + sigma * z
    table["outcome"] = np.where(np.abs(z) <= 1.96, "inside", "outside")
    return Score(table, table, (), (), 1, (), 0, 2.0)


def test_the_score_says_when_sigma_is_too_small_and_by_month():
    """40 quantiles of a normal number: σ is right as it stands, and 3 times too small when they are tripled."""
    z = stats.norm.ppf((np.arange(40) + 0.5) / 40)
    right, wrong = scored(z), scored(3.0 * z)
    assert right.widen[0] == pytest.approx(1.0, abs=0.05)
    assert "nothing speaks against" in right.in_words()
    assert wrong.widen[0] == pytest.approx(3.0, abs=0.15)
    assert "σ is too small" in wrong.in_words()
    assert "waviness_m = 6.0" in wrong.in_words()
    assert "Held, by month: 2026-01 " in right.in_words()
    by = right.by("month").set_index("group")
    assert by["inside"].sum() == int((np.abs(z) <= 1.96).sum())
