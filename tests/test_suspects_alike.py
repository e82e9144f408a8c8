"""Runs that are wrong alike: a tool that is turned, a logger who reads beta the other way, a hole told run by run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from desurvey import orient, suspects, traces
from desurvey.problems import DataProblem
from desurvey.project import load_project
from desurvey.suspects import learning, weighing
from desurvey.suspects.alike import surest_group
from desurvey.suspects.finding import find
from tests.worlds.folded import Settings, make_world, write_project
from tests.worlds.scoring import SIGMAS, readings_of

SMALL = Settings(holes=10, hole_length=(50.0, 80.0), spacing=(40.0, 60.0), joints=False, run_blunder_rate=0.02)


def labelled(seed):
    """Return readings, runs and collars of a world, its runs drawn to tools, loggers, crews and shifts."""
    world = make_world(seed, SMALL)
    readings, runs, collar = readings_of(world)
    rng, count = np.random.default_rng(seed), len(runs.hole)
    labels = {
        "hole_id": world.runs["hole_id"].to_numpy(dtype=np.str_),
        "tool": np.where(rng.random(count) < 0.6, "A", "B"),
        "logger": rng.choice(["Ann", "Bo", "Cy", "Di"], count),
        "crew": np.array([f"crew {hole % 3}" for hole in runs.hole]),
        "shift": np.where((np.arange(count) // 4) % 2 == 0, "day", "night"),
    }
    return readings, replace(runs, labels=labels), collar


@pytest.mark.parametrize("seed", range(50, 58))
def test_clean_worlds_have_no_group(seed):
    assert find(*labelled(seed), 0.0, SIGMAS).groups == []


@pytest.mark.parametrize("seed", range(60, 63))
def test_a_tool_eight_degrees_off_is_named_with_its_turn(seed):
    """Two tools used in turn; lines sit 8° clockwise with B, so beta is read 8° short."""
    readings, runs, collar = labelled(seed)
    turned = runs.labels["tool"] == "B"
    readings = readings.relogged(readings.alpha_deg, (readings.beta_deg - 8.0 * turned[readings.run]) % 360)
    found = find(readings, replace(runs, line_offset=np.full(len(turned), np.nan)), collar, 0.0, SIGMAS)
    (group,) = found.groups
    assert (group.column, group.value, group.blunder) == ("tool", "B", "run_rolled")
    assert group.runs.tolist() == np.flatnonzero(turned).tolist()
    assert group.turn_sigma < 1.6
    assert abs(group.turn_deg - 8.0) < 3 * group.turn_sigma
    assert len(found.run) < 8  # and not run by run


@pytest.mark.parametrize("seed", range(70, 72))
def test_a_logger_who_reads_beta_the_other_way_is_named(seed):
    readings, runs, collar = labelled(seed)
    reads = runs.labels["logger"] == "Bo"
    beta = np.where(reads[readings.run], (-readings.beta_deg) % 360, readings.beta_deg)
    found = find(readings.relogged(readings.alpha_deg, beta), runs, collar, 0.0, SIGMAS)
    assert [(g.column, g.value, g.blunder) for g in found.groups] == [("logger", "Bo", "beta_reversed")]
    assert len(found.run) < 8


def test_a_hole_all_of_whose_runs_are_wrong_alike_is_said_as_a_hole():
    readings, runs, _ = labelled(80)
    wrong = readings.hole == 4
    readings = readings.relogged(readings.alpha_deg, np.where(wrong, (-readings.beta_deg) % 360, readings.beta_deg))
    lessons = learning.lessons_of(readings, SIGMAS)
    lessons = learning.relearn(readings, lessons, np.where(wrong, 0.0, 1.0), SIGMAS)  # as where holes have no say
    expected = learning.expect(readings, lessons, SIGMAS)
    offsets = weighing.offset_table(runs, 6.0)
    verdict = weighing.weigh(readings, expected, offsets, 5.0)
    own = {"hole_id": runs.labels["hole_id"]}
    group = surest_group(readings, replace(runs, labels=own), expected, verdict, SIGMAS, [])
    assert group is not None
    assert (group.scope, group.blunder) == ("hole", "beta_reversed")
    assert set(group.runs.tolist()) == set(np.flatnonzero(runs.hole == 4).tolist())


# ----------------------------------------------------------------------------------------------------- on disk


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    """Return a world whose runs say who logged them; one of four reads beta the other way."""
    world = make_world(72, SMALL)
    who = np.random.default_rng(72).choice(["Ann", "Bo B.", "Cy", "Di"], len(world.runs))
    reads = (who == "Bo B.")[world.structures["run"]]
    structures = world.structures.assign(
        beta=np.where(reads, (-world.structures["beta"]) % 360, world.structures["beta"])
    )
    folder = write_project(replace(world, structures=structures), tmp_path_factory.mktemp("logged"))
    runs = pd.read_csv(folder / "runs.csv").assign(**{"Logged by": who})
    runs.to_csv(folder / "runs.csv", index=False)
    return load_project(folder)


@pytest.fixture(scope="module")
def table(project):
    trace = traces.build(project)
    return suspects.suspects(project, trace, orient.oriented(project, trace))


def test_a_group_is_one_row_with_key_members_and_sentence(project, table):
    (row,) = table[table["scope"] == "group"].itertuples()
    assert row.key == "group logger=Bo%20B. beta_reversed"
    assert (row.hole_id, row.probability > 0.99) == ("", True)
    own = np.flatnonzero(project.runs["logger"] == "Bo B.")
    assert row.message.startswith(f"The {len(own)} runs of logger Bo B. agree with the other ")
    (members,) = suspects.members(project, table[table["scope"] == "group"])
    assert members.tolist() == np.flatnonzero(np.isin(project.structure_run, own)).tolist()


def test_accepting_a_group_puts_its_readings_right(project, table, tmp_path):
    table.to_csv(tmp_path / "suspects.csv", index=False)
    accepted = suspects.accept(project, pd.read_csv(tmp_path / "suspects.csv").query("scope == 'group'"))
    own = (project.runs["logger"] == "Bo B.").to_numpy()[project.structure_run]
    before, after = project.structures["beta"].to_numpy(), accepted.structures["beta"].to_numpy()
    np.testing.assert_allclose(after[own], (-before[own]) % 360)
    np.testing.assert_allclose(after[~own], before[~own])


def test_a_group_that_is_not_there_is_refused(project, table):
    row = table[table["scope"] == "group"].assign(key="group logger=Zoe beta_reversed")
    with pytest.raises(DataProblem, match="the key must name runs of the project"):
        suspects.accept(project, row)
