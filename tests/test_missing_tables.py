"""One rule for a table that project.toml names and that is not there, whichever command meets it."""

import re

import pandas as pd
import pytest

from desurvey import orient, traces
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.command import lowside
from tests.projects import write_project

NEED_ORIENTATIONS = [
    ["orient", "--out", "o.csv"],
    ["sets", "--out", "t.csv"],
    ["suspects", "--out", "s.csv"],
    ["lineup", "--out", "lines"],
    ["aim", "--out", "a.csv"],
    ["surface", "--fault", "F1", "--out", "f.vtp"],
    ["slip", "--out", "s.csv"],
    ["lost", "--marker", "lithology.rock=dyke", "--out", "w.csv"],
    ["section", "--hole", "A,B", "--out", "s.pdf"],
    ["plan", "--out", "p.pdf"],
    ["net", "--out", "n.pdf"],
    ["holelog", "--hole", "A", "--out", "h.pdf"],
    ["report", "--out", "r.html"],
    ["export", "--out", "e.geojson"],
    ["view", "--kind", "fault", "--html", "l.html"],
]
LOOK_AND_PLACE = [["check"], ["trace", "--out", "t.csv"], ["view", "--html", "v.html"]]


def run(arguments, project, out):
    command, *options = arguments
    return lowside(command, project, *(out / text if "." in text or text == "lines" else text for text in options))


@pytest.fixture(params=["structures", "runs"])
def lacking(request, tmp_path):
    return request.param, write_project(tmp_path / "project", **{request.param: None})


@pytest.mark.parametrize("arguments", NEED_ORIENTATIONS, ids=lambda arguments: arguments[0])
def test_what_needs_orientations_stops_and_writes_nothing(arguments, lacking, tmp_path):
    table, project = lacking
    (tmp_path / "out").mkdir()
    done = run(arguments, project, tmp_path / "out")
    assert done.returncode == 2
    assert f"{table}.csv: there is no such file" in done.stderr
    assert not list((tmp_path / "out").iterdir())


@pytest.mark.parametrize("arguments", LOOK_AND_PLACE, ids=lambda arguments: arguments[0])
def test_what_only_looks_or_places_holes_goes_on_and_says_so(arguments, lacking, tmp_path):
    table, project = lacking
    (tmp_path / "out").mkdir()
    done = run(arguments, project, tmp_path / "out")
    assert done.returncode == 1
    said = done.stderr + done.stdout
    assert re.search(rf"{table}(\.csv:)? +there is no such file", said), said


@pytest.mark.parametrize("arguments", [*NEED_ORIENTATIONS, *LOOK_AND_PLACE[1:]], ids=lambda arguments: arguments[0])
def test_nothing_is_placed_without_the_surveys_that_are_named(arguments, tmp_path):
    (tmp_path / "out").mkdir()
    done = run(arguments, write_project(tmp_path / "project", surveys=None), tmp_path / "out")
    assert done.returncode == 2
    assert "surveys.csv: there is no such file" in done.stderr


def test_what_is_shown_has_no_orientation_from_a_line_unknown(lacking):
    """Without its runs the two-hole project would turn S2 by 180°: its run says that the line is the high side's."""
    _, folder = lacking
    project = load_project(folder)
    with pytest.raises(DataProblem, match="no such file"):
        orient.oriented(project, traces.build(project))
    assert project.showable().structures.empty


def test_a_whole_project_is_shown_as_it_is(tmp_path):
    project = load_project(write_project(tmp_path))
    assert project.showable() is project
    pd.testing.assert_frame_equal(project.showable().structures, project.structures)
