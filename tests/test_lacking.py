"""What a project lacks is said: what isn't shown, what is drawn instead, and what to do."""

import pytest

import desurvey
from tests.command import lowside
from tests.projects import PROJECT_TOML, TABLES, write_project
from viewer.lacking import lacking

NO_SURVEYS = PROJECT_TOML.replace('surveys = "surveys.csv"\n', "")
NO_STRUCTURES = PROJECT_TOML.replace('structures = "structures.csv"\n', "")
COLLARS = "hole_id,easting,northing,elevation,depth,azimuth,dip,status\n"


def said_of(folder):
    return lacking(desurvey.open(folder))


def test_a_whole_project_lacks_nothing(tmp_path):
    assert said_of(write_project(tmp_path)) == []


def test_holes_without_surveys_are_said_to_be_straight_and_the_line_to_add_is_given(tmp_path):
    (said,) = said_of(write_project(tmp_path, NO_SURVEYS, surveys=None))
    assert said.startswith(
        "No drilled hole has a survey. They are drawn straight from azimuth and dip of their collars"
    )
    assert said.endswith('under [tables] in project.toml: surveys = "surveys.csv".')


def test_one_hole_among_others_is_named_and_a_planned_one_is_not(tmp_path):
    rows = "A,1000,2000,100,120,90,-60,drilled\nB,1100,2000,101,80,90,-60,drilled\nC,1200,2000,101,80,90,-60,planned\n"
    surveys = "\n".join(line for line in TABLES["surveys"].splitlines() if not line.startswith("B,")) + "\n"
    (said,) = said_of(write_project(tmp_path, collars=COLLARS + rows, surveys=surveys))
    assert said.startswith("Without a survey, B (of 2 drilled) are drawn straight")


def test_holes_that_point_nowhere_are_counted_and_the_reason_given(tmp_path):
    rows = "".join(f"H{number},{1000 + 50 * number},2000,100,120,,,\n" for number in range(6))
    folder = write_project(tmp_path, NO_SURVEYS, collars=COLLARS + rows, surveys=None)
    none, structures = said_of(folder)
    assert none.startswith("No hole is drawn: the hole has no survey and no azimuth and dip at its collar. Add survey")
    assert "None of the 5 structures has an orientation" in structures
    some = COLLARS + rows + "A,1000,2000,100,120,90,-60,drilled\nB,1100,2000,101,80,90,-60,drilled\n"
    first, _ = said_of(write_project(tmp_path / "some", NO_SURVEYS, collars=some, surveys=None))
    assert first.startswith("H0, H1, H2, H3 and 2 more can't be drawn: ")


@pytest.mark.parametrize(
    ("toml", "changed", "expected"),
    [
        (NO_STRUCTURES, {"structures": None}, "No structures: there are no discs, no poles, and nothing to line up."),
        (PROJECT_TOML, {"structures": None}, "structures.csv: there is no such file"),
        (
            PROJECT_TOML,
            {"runs": None},
            "No structures are shown, for they can't be oriented. runs.csv: there is no such",
        ),
        (PROJECT_TOML, {"structures": "hole_id,depth,kind,alpha\n"}, "The structures table has no rows"),
        (PROJECT_TOML, {"structures": "hole_id,depth,kind,alpha\nA,1,fault,30\n"}, "of 1: only alpha is logged"),
    ],
    ids=["not named", "missing", "runs missing", "empty", "alpha only"],
)
def test_why_there_are_no_discs(tmp_path, toml, changed, expected):
    (said,) = said_of(write_project(tmp_path, toml, **changed))
    assert expected in said


def test_a_still_says_what_it_lacks(tmp_path):
    folder = write_project(tmp_path / "project", NO_SURVEYS, surveys=None)
    done = lowside("view", folder, "--html", tmp_path / "page.html")
    assert done.returncode == 0
    assert "No drilled hole has a survey." in done.stderr
