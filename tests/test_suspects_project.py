"""Suspects of a project on disk: the table, its sentences, and what accepting it puts right."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from desurvey import orient, suspects, traces
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.worlds.folded import Settings, make_world, write_project

SMALL = Settings(
    run_blunder_rate=0.1,
    holes=16,
    hole_length=(60.0, 90.0),
    spacing=(40.0, 50.0),
    joints=False,
    hole_blunders=("beta_reversed",),
)


def examined(project):
    trace = traces.build(project)
    return suspects.suspects(project, trace, orient.oriented(project, trace))


@pytest.fixture(scope="module")
def world():
    return make_world(31, SMALL)


@pytest.fixture(scope="module")
def project(world, tmp_path_factory):
    return load_project(write_project(world, tmp_path_factory.mktemp("folded")))


@pytest.fixture(scope="module")
def table(project):
    return examined(project)


def test_table_has_the_columns_of_the_contract(table):
    assert tuple(table.columns) == suspects.COLUMNS
    assert table["evidence"].is_monotonic_decreasing
    assert set(table["scope"]) == {"hole", "run"}


def test_the_planted_blunders_are_named(world, table):
    hole = table[table["scope"] == "hole"]
    assert hole["hole_id"].tolist() == world.collars["hole_id"][world.collars["blunder"] != ""].tolist()
    assert hole["blunder"].tolist() == ["beta_reversed"]
    truth = world.runs.set_index(["hole_id", "depth_from"])["blunder"]
    runs = table[table["scope"] == "run"]
    named = truth.loc[list(zip(runs["hole_id"], runs["depth_from"], strict=True))].to_numpy()
    assert len(runs) > 8
    assert np.mean(named == runs["blunder"].to_numpy()) >= 0.9


def test_sentences_say_what_a_geologist_would(table):
    for row in table.itertuples():
        assert row.hole_id in row.message
        assert f"evidence {row.evidence:.1f}" in row.message
    line = table[table["blunder"] == "line_side"].iloc[0]
    assert f"run {line.depth_from:.1f}–{line.depth_to:.1f}" in line.message
    assert "the line was drawn on the high side" in line.message  # the world's lines mark the low side


def test_nothing_is_left_after_accepting_all(project, table, tmp_path):
    file = tmp_path / "suspects.csv"
    table.to_csv(file, index=False)
    accepted = suspects.accept(project, pd.read_csv(file))
    assert len(examined(accepted)) == 0
    assert (project.structures["beta"] != accepted.structures["beta"]).any()  # and the loaded project is untouched
    assert "accepted" not in project.structures.columns


def test_accepting_puts_back_the_true_angles(world, project, table):
    """Poles of runs put right lie as near the fold as clean ones do: within natural scatter and reading error."""
    accepted = suspects.accept(project, table)
    mark = accepted.structures["accepted"].to_numpy(dtype=str)
    at = pd.Index(world.structures["structure_id"]).get_indexer(pd.Index(accepted.structures["structure_id"]))
    truth = world.structures.iloc[at]
    off = _off(accepted.structures, truth)
    assert np.nanmedian(off[mark != ""]) < 1.3 * np.nanmedian(off[mark == ""])
    assert np.nanmedian(_off(project.structures, truth)[mark != ""]) > 20.0


def _off(structures, truth):
    def pole(alpha, beta):
        a, b = np.deg2rad(np.asarray(alpha, dtype=float)), np.deg2rad(np.asarray(beta, dtype=float))
        return np.stack([np.sin(a), -np.cos(a) * np.cos(b), -np.cos(a) * np.sin(b)], axis=1)

    inner = (pole(structures["alpha"], structures["beta"]) * pole(truth["true_alpha"], truth["true_beta"])).sum(axis=1)
    return np.rad2deg(np.arccos(np.minimum(np.abs(inner), 1.0)))


def test_only_the_rows_left_in_are_accepted(project, table):
    one = table[table["scope"] == "run"].head(1)
    accepted = suspects.accept(project, one)
    changed = accepted.structures["accepted"] != ""
    within = accepted.structures["depth"].between(one["depth_from"].item(), one["depth_to"].item())
    assert changed.any()
    assert (within & (accepted.structures["hole_id"] == one["hole_id"].item()))[changed].all()


def test_an_accepted_turn_of_north_turns_the_survey(project, table):
    row = table.head(1).assign(scope="hole", blunder="north_reference", roll_deg=14.0)
    hole = row["hole_id"].item()
    before, after = project.surveys, suspects.accept(project, row).surveys
    own = before["hole_id"] == hole
    np.testing.assert_allclose((after["azimuth"] - before["azimuth"])[own] % 360, 14.0)
    np.testing.assert_allclose(after["azimuth"][~own], before["azimuth"][~own])


def test_an_accepted_spike_is_left_out(project, table):
    station = project.surveys.iloc[2]
    row = table.head(1).assign(
        scope="hole", blunder="survey_spike", hole_id=station["hole_id"], depth_from=station["depth"]
    )
    assert len(suspects.accept(project, row).surveys) == len(project.surveys) - 1


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"scope": "core"}, "scope must be hole, group, run or reading"),
        ({"blunder": "line_sid"}, r"row 2, column 'blunder'.*Did you mean 'line_side'"),
        ({"hole_id": "XX-1"}, "hole_id must be a hole of the project"),
        ({"scope": "run", "blunder": "run_rolled", "roll_deg": np.nan}, "need roll_deg"),
        ({"scope": "run", "blunder": "line_side", "depth_from": 0.5}, "depths must be those of a run"),
        ({"scope": "reading", "blunder": "beta_reversed", "structure_id": "?"}, "must be a structure of the project"),
    ],
)
def test_rows_that_mean_nothing_are_refused(project, table, change, what):
    with pytest.raises(DataProblem, match=what):
        suspects.accept(project, table.head(1).assign(**change))


def test_a_table_without_a_column_is_refused(project, table):
    with pytest.raises(DataProblem, match="needs the column 'blunder'"):
        suspects.accept(project, table.drop(columns="blunder"))


def test_a_project_without_structures_or_runs_has_no_suspects(world, tmp_path):
    folder = write_project(world, tmp_path / "bare")
    for name in ("structures", "runs"):
        text = (folder / f"{name}.csv").read_text(encoding="utf-8").splitlines()[0]
        (folder / f"{name}.csv").write_text(text + "\n", encoding="utf-8")
    assert len(examined(load_project(folder))) == 0


def test_a_spoilt_station_is_reported(world, tmp_path):
    folder = write_project(world, tmp_path / "spike")
    surveys = pd.read_csv(folder / "surveys.csv")
    hole, depth = surveys["hole_id"].iloc[2], surveys["depth"].iloc[2]
    surveys.loc[2, "azimuth"] = (surveys.loc[2, "azimuth"] + 35) % 360
    surveys.to_csv(folder / "surveys.csv", index=False)
    table = examined(load_project(folder))
    spikes = table[table["blunder"] == "survey_spike"]
    assert list(zip(spikes["hole_id"], spikes["depth_from"], strict=True)) == [(hole, depth)]


# ------------------------------------------------------------------------------------------------- keys and members


def rows_of(**columns):
    blank = {"hole_id": "", "depth_from": np.nan, "depth_to": np.nan, "structure_id": ""}
    return pd.DataFrame([blank | columns])


@pytest.mark.parametrize(
    ("row", "key"),
    [
        (rows_of(scope="run", hole_id="TH-08", depth_from=12.0, depth_to=15.0, blunder="line_side"),
         "run TH-08 12-15 line_side"),
        (rows_of(scope="run", hole_id="TH 8", depth_from=1234.5678, depth_to=1237.0, blunder="line_side"),
         "run TH%208 1234.5678-1237 line_side"),
        (rows_of(scope="hole", hole_id="TH-08", depth_from=0.0, depth_to=213.4, blunder="dip_sign"),
         "hole TH-08 dip_sign"),
        (rows_of(scope="hole", hole_id="TH-21", depth_from=120.0, depth_to=120.0, blunder="survey_spike"),
         "hole TH-21 120 survey_spike"),
        (rows_of(scope="reading", hole_id="A", depth_from=5.0, structure_id="6 B", blunder="beta_reversed"),
         "reading A 5 6%20B beta_reversed"),
        (rows_of(scope="group", hole_id="tool=B", blunder="run_rolled"), "group tool=B run_rolled"),
    ],
)  # fmt: skip
def test_keys_name_scope_place_and_blunder(row, key):
    assert suspects.keys(row) == [key]


def test_keys_never_collide():
    """Blanks in names, and the same row twice."""
    one = rows_of(scope="reading", hole_id="A", depth_from=5.0, structure_id="6 B", blunder="beta_reversed")
    other = rows_of(scope="reading", hole_id="A 5", depth_from=6.0, structure_id="B", blunder="beta_reversed")
    made = suspects.keys(pd.concat([one, other, one], ignore_index=True))
    assert len(set(made)) == 3
    assert made[2] == f"{made[0]} #2"


def test_keys_and_members_stay_when_the_tables_grow_and_turn_round(world, project, table, tmp_path):
    folder = write_project(world, tmp_path / "turned")
    for name in ("runs", "structures", "surveys", "collars"):
        frame = pd.read_csv(folder / f"{name}.csv").iloc[::-1]
        frame.to_csv(folder / f"{name}.csv", index=False)
    turned = load_project(folder)
    assert suspects.keys(table) == table["key"].tolist()
    assert table["key"].is_unique
    again = examined(turned)  # sums in another order: a run on the very border of being accused may change sides
    assert set(table["key"][table["probability"] > 0.95]) <= set(again["key"])
    assert set(again["key"][again["probability"] > 0.95]) <= set(table["key"])

    def named(some):
        names = some.structures["structure_id"].to_numpy()
        return [set(names[rows]) for rows in suspects.members(some, table)]

    assert named(turned) == named(project)


def test_members_are_the_structures_of_the_place(project, table):
    structures, rows = project.structures, suspects.members(project, table)
    for suspect, own in zip(table.itertuples(), rows, strict=True):
        inside = structures["hole_id"] == suspect.hole_id
        if suspect.scope == "run":
            inside &= (structures["depth"] >= suspect.depth_from) & (structures["depth"] < suspect.depth_to)
        assert own.tolist() == np.flatnonzero(inside).tolist()
    any_of_them = np.isin(np.arange(len(structures)), np.concatenate(rows))
    assert suspects.suspected(project, table).tolist() == any_of_them.tolist()
    assert suspects.members(project, table.iloc[:0]) == []


def test_a_spike_concerns_what_lies_between_its_neighbours(project, table):
    own = project.surveys[project.surveys["hole_id"] == project.surveys["hole_id"].iloc[2]]
    hole, (above, at, below) = own["hole_id"].iloc[0], own["depth"].iloc[1:4]
    row = table.head(1).assign(scope="hole", hole_id=hole, blunder="survey_spike", depth_from=at)
    inside = (project.structures["hole_id"] == hole) & (project.structures["depth"].between(above, below, "neither"))
    assert inside.any()
    assert suspects.members(project, row)[0].tolist() == np.flatnonzero(inside).tolist()


def test_probabilities_are_sure_where_rows_are_accused(table):
    assert table["probability"].between(0.5, 1.0).all()


def test_unknown_keys_are_refused(world, tmp_path):
    folder = write_project(world, tmp_path / "keys")
    with (folder / "project.toml").open("a", encoding="utf-8") as file:
        file.write("[suspects]\nrate = 0.1\n")
    with pytest.raises(DataProblem, match=r"\[suspects\] has a key that means nothing"):
        examined(load_project(folder))


def test_a_named_table_that_is_missing_stops_suspects(world, project, table, tmp_path):
    folder = write_project(world, tmp_path / "missing")
    spoilt = load_project(folder)
    trace = traces.build(spoilt)
    oriented = orient.oriented(spoilt, trace)
    (folder / "structures.csv").unlink()
    with pytest.raises(DataProblem, match=r"structures\.csv.*there is no such file"):
        suspects.suspects(load_project(folder), trace, oriented)
