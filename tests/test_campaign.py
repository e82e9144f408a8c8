"""States, the audit trail, explained findings and the score, held against files and hand-made cases."""

from __future__ import annotations

import shutil
import sys
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest
from scipy import stats

import desurvey
from desurvey import campaign
from desurvey.audit import FILE as AUDIT
from desurvey.audit import read_trail
from desurvey.campaign.results import COLUMNS, Results
from desurvey.campaign.score import judged, predictions_of, share
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
    done = lowside("score", folder, "--out", tmp_path / "score.csv")
    assert done.returncode == 0, done.stderr
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
