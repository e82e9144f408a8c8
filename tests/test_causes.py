"""Findings are said by their cause, and the cure that a cause names puts all of it right."""

from __future__ import annotations

import numpy as np
import pytest
import tomlkit

from desurvey.project import load_project
from desurvey.project.causes import causes_of
from tests.command import lowside
from tests.test_door import ALONG, HOLES, read, same, world


@pytest.fixture(scope="module")
def right(tmp_path_factory):
    return read(tmp_path_factory.mktemp("right"), world())


def merged(tables):
    for name in ("surveys", "runs", "structures"):
        tables[name].loc[tables[name]["hole_id"].duplicated(), "hole_id"] = ""


def without_dashes(tables):
    for name in ("surveys", "runs", "structures"):
        tables[name]["hole_id"] = tables[name]["hole_id"].str.replace("-", "")


def one_name(tables):
    tables["surveys"]["hole_id"] = tables["surveys"]["hole_id"].replace("BR-002", "BR002")
    tables["structures"]["hole_id"] = tables["structures"]["hole_id"].replace("BR-003", "BX-003")


def in_feet(tables):
    tables["surveys"][ALONG["surveys"]] /= 0.3048


def holes_in_feet(tables):
    tables["collars"]["depth"] /= 0.3048


def per_cent(tables):
    tables["runs"]["recovered"] *= 100 / 3


def from_vertical(tables):
    tables["surveys"]["dip"] += 90.0


def exchanged_place(tables):
    tables["collars"] = tables["collars"].rename(columns={"easting": "northing", "northing": "easting"})


def all_angles_exchanged(tables):
    tables["surveys"] = tables["surveys"].rename(columns={"azimuth": "dip", "dip": "azimuth"})


def no_values(tables):
    tables["structures"]["beta"] = tables["structures"]["beta"].astype(object)
    tables["structures"].loc[len(tables["structures"])] = ["BR-001", 20.0, "joint", 40.0, "no line"]
    tables["structures"].loc[len(tables["structures"])] = ["BR-001", 21.0, "joint", 40.0, "no line"]
    tables["structures"].loc[len(tables["structures"])] = ["BR-001", 22.0, "joint", 40.0, "-99"]


def remarks(tables):
    runs = tables["runs"].astype(object)
    runs.loc[len(runs)] = ["checked, AB", "", "", ""]
    tables["runs"] = runs


def day_numbers(tables):
    tables["collars"]["date"] = 45754


@pytest.mark.parametrize(
    ("mistake", "what", "sentences"),
    [
        (merged, ["merged_cells"] * 3, "blank hole names of runs follow a filled one"),
        (without_dashes, ["punctuation"], "all 4 names without a collar match without punctuation"),
        (one_name, ["other_name", "other_name"], "'BR002' has no collar and is nearly BR-002"),
        (in_feet, ["other_length_unit"], "surveys look like feet"),
        (holes_in_feet, ["other_length_unit"], "the depths of the collars look like feet"),
        (per_cent, ["recovery_unit"], "recovered looks like per cent of the run"),
        (from_vertical, ["dip_from_vertical"], "from them if they count from the vertical"),
        (exchanged_place, ["exchanged_coordinates"], "easting and northing look exchanged"),
        (all_angles_exchanged, ["exchanged_angles"], "azimuth and dip look exchanged in BR-001, BR-002"),
        (no_values, ["word", "word"], "'no line' stands in 2 cells of beta of structures for 'no value'"),
        (remarks, ["no_rows"], "1 row of runs name no hole and hold no numbers: 'checked, AB'"),
        (day_numbers, ["day_number"], "the number of a day, 2025-04-07"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_a_habit_is_one_cause_and_its_cure_leaves_nothing(mistake, what, sentences, tmp_path, right):
    tables = world()
    mistake(tables)
    project = read(tmp_path, tables)
    causes, rest = causes_of(project, project.findings)
    assert [cause.what for cause in causes] == what
    assert any(sentences in cause.sentence for cause in causes), [cause.sentence for cause in causes]
    assert not rest, "nothing is listed beside its cause"
    assert sum(len(cause.findings) for cause in causes) == len(project.findings)
    path = tmp_path / "project.toml"
    path.write_text(path.read_text() + "\n" + "\n".join(cured(causes)), encoding="utf-8")
    mended = load_project(tmp_path)
    assert {found.severity for found in mended.findings} <= {"note"}, [str(found) for found in mended.findings]
    if mistake is not no_values:
        same(mended, right)
    np.testing.assert_allclose(mended.runs["recovered"], right.runs["recovered"], atol=1e-9)


def cured(causes) -> list[str]:
    """Return the cures of causes as one text, the sections of all together."""
    whole: dict = {}
    for cause in causes:
        (cure,) = cause.cures
        _merge(whole, cure)
    return [tomlkit.dumps(whole)]


def _merge(into, more):
    for key, value in more.items():
        if isinstance(value, dict) and key in into:
            _merge(into[key], value)
        elif isinstance(value, list) and key in into:
            into[key] += value
        else:
            into[key] = value


def test_exchanged_angles_of_one_hole_are_said_once_and_not_cured_by_adding_360(tmp_path):
    tables = world()
    own = tables["surveys"]["hole_id"] == "BR-003"
    tables["surveys"].loc[own, ["azimuth", "dip"]] = tables["surveys"].loc[own, ["dip", "azimuth"]].to_numpy()
    project = read(tmp_path, tables)
    (cause,), rest = causes_of(project, project.findings)
    assert cause.sentence == "azimuth and dip look exchanged in BR-003"
    assert not cause.cures
    assert len(cause.findings) == 2 * own.sum()
    assert not rest


def test_names_of_other_holes_have_no_cure(tmp_path):
    tables = world()
    tables["structures"]["hole_id"] = tables["structures"]["hole_id"].replace({"BR-003": "BR-003W1", "BR-004": "ZZ-77"})
    project = read(tmp_path, tables)
    (cause,), rest = causes_of(project, project.findings)
    assert (cause.what, cause.cures) == ("unknown_hole", ())
    assert "under 2 names that no collar has: 'BR-003W1', 'ZZ-77'" in cause.sentence
    assert not rest


def test_a_word_that_may_mean_several_things_has_as_many_cures(tmp_path):
    tables = world()
    tables["runs"]["line"] = "left"
    project = read(tmp_path, tables)
    (cause,), _ = causes_of(project, project.findings)
    assert len(cause.cures) == 4
    assert cause.cures[0] == {"repairs": {"runs": {"values": {"line": {"left": "low"}}}}}


def test_check_says_causes_before_what_is_left(tmp_path):
    tables = world()
    without_dashes(tables)
    tables["structures"].loc[3, "alpha"] = 97.0
    read(tmp_path, tables, core="")
    done = lowside("check", tmp_path)
    assert done.returncode == 1
    assert done.stdout.index('match_names = "ignore_punctuation"') < done.stdout.index("alpha is '97.0'")
    assert 'line = "low"' in done.stdout
    assert "BR001" in done.stdout
    assert done.stdout.count("has no collar") == 0, "what only follows is counted, not listed"
    assert HOLES[0] not in done.stdout.split("alpha is")[0].replace("is BR-001", "")
