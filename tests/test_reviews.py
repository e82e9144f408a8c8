"""Reviews of holes: each kind of change made by hand to a project of two holes, and what is said of it."""

from __future__ import annotations

import json
from datetime import date, timedelta

import pytest

import desurvey
from desurvey.audit import FILE as AUDIT
from desurvey.audit import read_trail
from desurvey.decisions import Decision, Explained, decide
from desurvey.problems import DataProblem
from tests.command import lowside
from tests.projects import PROJECT_TOML, TABLES, write_project


@pytest.fixture
def folder(tmp_path):
    """Give two holes, of which A is reviewed."""
    place = write_project(tmp_path / "p")
    assert lowside("review", place, "A", "--by", "Bo").returncode == 0
    return place


def exchange(folder, table, old, new):
    path = folder / f"{table}.csv"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))


def undone(folder):
    study = desurvey.open(folder)
    said = [one.message for one in study.findings if one.rule == "review_undone"]
    assert bool(said) == bool(study.reviews["A"].changed)
    return "; ".join(study.reviews["A"].changed)


def test_a_review_stands_while_only_other_holes_change(folder):
    exchange(folder, "surveys", "B,80,4,-61", "B,80,5,-61")
    exchange(folder, "structures", "A,1.5,fault,30,180,,S1,,\n", "")
    exchange(folder, "structures", "A,4,fault", "A,1.5,fault,30,180,,S1,,\nA,4,fault")  # elsewhere in the file
    decide(folder, [Decision("suspect", "run B 0-3 line_side", "set_aside")])
    assert undone(folder) == ""
    assert "Reviewed by Bo" in lowside("check", folder, "--quick").stdout


@pytest.mark.parametrize(
    ("table", "old", "new", "said"),
    [
        ("collars", "A,1000,2000,100", "A,1000,2000,101", "collars: 1 row changed"),
        ("surveys", "A,60,92,-58", "A,60,93,-58", "surveys: 1 row changed (at 60 m)"),
        ("runs", "A,3,6,2.9,high", "A,3,6,2.9,low", "runs: 1 row changed (at 3 m)"),
        ("structures", "A,50,joint,45,,,S3,,no line here\n", "", "structures: 1 row gone (at 50 m)"),
        ("lithology", "A,0,70,schist", "A,0,70,gneiss", "lithology: 1 row changed (at 0 m)"),
    ],
)
def test_a_changed_row_undoes_it_and_is_named(folder, table, old, new, said):
    exchange(folder, table, old, new)
    assert said in undone(folder)


def test_settings_north_and_decisions_undo_it(folder):
    toml = folder / "project.toml"
    toml.write_text(PROJECT_TOML.replace('north = "grid"', 'north = "true"\nconvergence = 1.5'))
    said = undone(folder)
    assert "[frame]" in said
    assert "surveys: 3 rows changed" in said  # north: the azimuths from grid north are others
    toml.write_text(PROJECT_TOML + "[spread]\nalpha_deg = 9.0\n")
    assert undone(folder) == "project.toml: [spread] is another"
    toml.write_text(PROJECT_TOML + '[history]\neach = "keep"\n')
    assert undone(folder) == ""
    decide(folder, [Decision("pick", "S2", "pinned", "F1")])
    assert undone(folder) == "decided since: S2: pinned F1"
    decide(folder, undone=[("pick", "S2")])
    assert undone(folder) == ""


def test_who_tampers_with_the_trail_has_no_reviews(folder):
    (folder / AUDIT).write_text((folder / AUDIT).read_text().replace('"Bo"', '"Al"'))
    assert "trail" in undone(folder)
    assert {"review_undone", "audit_broken"} <= {one.rule for one in desurvey.open(folder).findings}


def test_a_review_is_made_again_and_taken_back(folder):
    exchange(folder, "surveys", "A,60,92,-58", "A,60,93,-58")
    desurvey.open(folder).review("A", who="Al")
    assert undone(folder) == ""
    assert lowside("review", folder, "A", "--by", "Al", "--undo").returncode == 0
    assert desurvey.open(folder).reviews == {}
    assert [(one.what, one.who) for one in read_trail(folder).entries] == [
        *(("review", "Bo"), ("review", "Al"), ("review_undone", "Al"))
    ]
    with pytest.raises(DataProblem, match="isn't reviewed"):
        desurvey.open(folder).review("A", who="Al", undo=True)
    assert lowside("review", folder, "C", "--by", "Bo").returncode == 2
    with pytest.raises(DataProblem, match="the name of who"):
        desurvey.open(folder).review("A", who=" ")


def test_check_shows_explained_findings_apart_until_their_day(tmp_path):
    folder = write_project(tmp_path / "p", surveys=TABLES["surveys"].replace("A,60,92", "A,60,east"))
    assert lowside("check", folder, "--quick").returncode == 1
    (key,) = [one.key for one in desurvey.open(folder).findings if one.severity == "error"]
    today = date.today()
    desurvey.open(folder).explain(key, "tape is lost", owner="Bo", until=today.isoformat())
    done = lowside("check", folder, "--quick", "--out", tmp_path / "f.json")
    assert done.returncode == 0
    assert "Explained, and counted apart: 1" in done.stdout
    assert "1 explained." in " ".join(done.stdout.split())
    assert "1 error" not in done.stdout
    rows = {row["key"]: row["explained"] for row in json.loads((tmp_path / "f.json").read_text())["findings"]}
    assert rows[key] == "tape is lost"
    assert sum(bool(reason) for reason in rows.values()) == 1
    yesterday = (today - timedelta(days=1)).isoformat()
    decide(folder, explained=[Explained(key, "tape is lost", "Bo", yesterday)])
    done = lowside("check", folder, "--quick")
    assert done.returncode == 1
    assert f"Bo had answered 'tape is lost' until {yesterday}" in done.stdout
