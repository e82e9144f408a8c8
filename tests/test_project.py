"""project.toml and the door: conventions stated or refused, converted once, and said."""

from __future__ import annotations

import numpy as np
import pytest

from desurvey import orient, traces
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.command import lowside
from tests.projects import PROJECT_TOML, TABLES, write_project

TRUE_NORTH = PROJECT_TOML.replace('north = "grid"', 'north = "true"\ncrs = "EPSG:32633"')


def rules(project):
    return [(finding.rule, finding.table, finding.row) for finding in project.findings]


def moved_to_zone_33(text):
    return text.replace(",1000,2000,", ",512000,5320000,").replace(",1100,2000,", ",512100,5320000,")


# ----------------------------------------------------------------------------------------------------- project.toml


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ('north = "grid"\n', "", r"'north' is missing in \[frame\].*add north = \"grid\""),
        ('dip_sign = "negative_down"\n', "", r"'dip_sign' is missing.*add dip_sign = \"negative_down\""),
        ("north =", "noth =", "noth.*[Dd]id you mean 'north'"),
        ("[core]", "[cores]", "cores.*[Dd]id you mean 'core'"),
        ('"grid"', '"gird"', 'must be "grid" or "true" or "magnetic" .found \'gird\'.*[Dd]id you mean \'grid\''),
        ('"negative_down"', "-1", "frame.dip_sign' must be"),
        ('"low"', '"sideways"', "core.line' must be"),
        ("surveys =", "survey =", "did you mean 'surveys'|Did you mean 'surveys'"),
        ('collars = "collars.csv"\n', "", "names no collars"),
        ('name = "Two holes"', "name = Two holes", "project.toml, row 2.*isn't TOML"),
        ('name = "Two holes"', "name = 7", "'name' must be text"),
        ("[core]", "declination = 200\n[core]", "must lie in -180 to 180 .found '200'"),
        ("[core]", "declination = true\n[core]", "must be a number"),
        ('lithology = "lithology.csv"', "lithology = 3", "tables.intervals.lithology' must be text"),
        ('lithology = "lithology.csv"', 'runs = "x.csv"', "can't have the name of another table"),
        ("[core]", '[columns.surveys]\ndeph = "x"\n[core]', "[Dd]id you mean 'depth'"),
    ],
)
def test_a_wrong_project_file_is_refused_with_what_would_be_right(tmp_path, old, new, match):
    folder = write_project(tmp_path, PROJECT_TOML.replace(old, new, 1))
    with pytest.raises(DataProblem, match=match):
        load_project(folder)


def test_a_folder_without_project_file(tmp_path):
    with pytest.raises(DataProblem, match=r"no project\.toml"):
        load_project(tmp_path)
    with pytest.raises(DataProblem, match="no such project folder"):
        load_project(tmp_path / "nothing")


# ------------------------------------------------------------------------------------------------------ conventions


def test_the_other_sign_of_dip_gives_the_same_trace(tmp_path):
    usual = load_project(write_project(tmp_path / "negative"))
    toml = PROJECT_TOML.replace("negative_down", "positive_down")
    flipped = {name: TABLES[name].replace(",-", ",") for name in ("collars", "surveys")}
    other = load_project(write_project(tmp_path / "positive", toml, **flipped))
    np.testing.assert_array_equal(traces.build(usual).position, traces.build(other).position)


def test_each_survey_row_says_its_own_north_and_is_told_what_was_applied(tmp_path):
    toml = PROJECT_TOML.replace("[core]", "declination = 5\nconvergence = 1.5\n[core]")
    surveys = (
        "hole_id,depth,azimuth,dip,north\nA,0,90,-60,\nA,60,90,-60,true\nA,120,90,-60,Magnetic\nB,0,359,-60,magnetic\n"
    )
    project = load_project(write_project(tmp_path, toml, surveys=surveys))
    np.testing.assert_allclose(project.surveys["azimuth"], [90, 88.5, 93.5, 2.5])
    norths = project.norths
    assert norths["north"].tolist() == ["grid", "true", "magnetic", "magnetic"]
    np.testing.assert_array_equal(norths["declination"], [np.nan, np.nan, 5, 5])
    np.testing.assert_array_equal(norths["convergence"], [np.nan, 1.5, 1.5, 1.5])
    assert norths["declination_from"].tolist() == ["", "", "project.toml", "project.toml"]
    np.testing.assert_allclose(norths["azimuth_read"], [90, 90, 90, 359])


def test_model_and_projection_give_what_the_project_does_not(tmp_path):
    toml = PROJECT_TOML.replace('north = "grid"', 'north = "magnetic"\ncrs = "EPSG:32633"')
    project = load_project(write_project(tmp_path, toml, collars=moved_to_zone_33(TABLES["collars"])))
    assert not project.findings
    # 48.033° N 15.161° E on 2026-05-01: IGRF-14 by ppigrf 2.1.0 gives 5.0635°. The two models agree to 0.05° at middle
    # latitudes (CHECK_VALUES section 4).
    np.testing.assert_allclose(project.norths["declination"], 5.0635, atol=0.05)
    assert project.norths["declination_from"].str.startswith("World Magnetic Model, 2026.33").all()
    # γ ≈ (λ − λ₀) sin φ
    np.testing.assert_allclose(project.norths["convergence"], 0.1612 * np.sin(np.deg2rad(48.03)), atol=0.003)


def test_a_magnetic_azimuth_without_declination_takes_its_hole_with_it_and_says_so(tmp_path):
    project = load_project(write_project(tmp_path, PROJECT_TOML.replace('north = "grid"', 'north = "magnetic"')))
    assert ("no_declination", "surveys", 2) in rules(project)
    assert set(project.broken_holes) == {"A", "B"}
    assert len(traces.build(project).hole_ids) == 0


@pytest.mark.parametrize(("north", "turn"), [("magnetic", 3.0), ("true", 0.0)])
def test_without_grid_or_convergence_grid_north_is_taken_for_true_north_and_that_is_said(tmp_path, north, turn):
    toml = PROJECT_TOML.replace('north = "grid"', f'north = "{north}"\ndeclination = 3')
    project = load_project(write_project(tmp_path, toml))
    warned = [finding for finding in project.findings if finding.rule == "no_convergence"]
    assert {finding.severity for finding in warned} == {"warning"}
    assert "surveys" in {finding.table for finding in warned}
    np.testing.assert_allclose(project.surveys["azimuth"][0], 90 + turn)
    assert traces.build(project).hole_ids.tolist() == ["A", "B"]


def test_the_line_is_the_rows_own_else_its_runs_else_the_projects(tmp_path):
    project = load_project(write_project(tmp_path))
    assert project.structures["line"].tolist() == ["low", "high", "low", "low", "high"]
    assert project.structure_run.tolist() == [0, 1, -1, 2, -1]
    assert project.structures["structure_id"].tolist() == ["S1", "S2", "S3", "S4", "B@10.00"]


def test_a_line_that_nobody_states_is_never_guessed(tmp_path):
    project = load_project(write_project(tmp_path, PROJECT_TOML.replace('[core]\nline = "low"\n', "")))
    assert [found.message for found in project.findings if found.rule == "no_line"] == [
        "1 structure has a beta, and nothing says what its line marks"
    ]
    structures = orient.oriented(project, traces.build(project))
    assert structures.usable.tolist() == [False, True, False, True, True]
    assert "what its line marks" in structures.why_not[0]


# ------------------------------------------------------------------------------------------------- what loading sees


@pytest.mark.parametrize(
    ("table", "old", "new", "expected"),
    [
        ("surveys", "A,60,92", "A,60,east", ("not_a_number", "surveys", 3)),
        ("surveys", "A,60,92", "A,60,392", ("out_of_range", "surveys", 3)),
        ("surveys", "A,60,92,-58", "A,60,92,-98", ("out_of_range", "surveys", 3)),
        ("surveys", "A,60,92", "A,60,", ("missing_value", "surveys", 3)),
        ("surveys", "A,60,", "A,0,", ("double_station", "surveys", 3)),
        ("surveys", "A,60,92,-58", "A,0,90,-60", ("repeated_station", "surveys", 3)),
        ("surveys", "A,60,", "A,160,", ("unordered_stations", "surveys", 4)),
        ("surveys", "A,120,", "A,121,", ("depth_beyond_hole", "surveys", 4)),
        ("surveys", "B,80,", "C,80,", ("unknown_hole", "surveys", 6)),
        ("surveys", "hole_id,depth", "hole_id,level", ("missing_column", "surveys", 1)),
        ("collars", "B,1100", "A,1100", ("double_hole", "collars", 3)),
        ("collars", "2026-05-01", "last May", ("not_a_date", "collars", 2)),
        ("collars", "B,1100", "B,", ("missing_value", "collars", 3)),
        ("structures", "30,180", "95,180", ("out_of_range", "structures", 2)),
        ("structures", "30,180", "30,400", ("out_of_range", "structures", 2)),
        ("structures", "A,1.5", "A,121.5", ("depth_beyond_hole", "structures", 2)),
        ("structures", "S2", "S1", ("double_structure_id", "structures", 3)),
        ("structures", ",high,", ",hihg,", ("not_a_choice", "structures", 6)),
        ("runs", "A,3,6", "A,2,6", ("overlapping_runs", "runs", 3)),
        ("runs", "A,3,6", "A,6,3", ("reversed_interval", "runs", 3)),
        ("lithology", "A,70,120", "A,60,120", ("overlapping_intervals", "lithology", 3)),
        ("lithology", "B,0,80", "B,0,90", ("depth_beyond_hole", "lithology", 4)),
    ],
)
def test_one_mistake_gives_its_finding_at_its_row(tmp_path, table, old, new, expected):
    assert not load_project(write_project(tmp_path / "clean")).findings
    text = TABLES[table].replace(old, new, 1)
    assert text != TABLES[table]
    project = load_project(write_project(tmp_path / "wrong", **{table: text}))
    assert expected in rules(project)
    traces.build(project) if expected[0] != "missing_column" else None


def test_a_missing_file_is_a_finding_that_names_the_nearest(tmp_path):
    folder = write_project(tmp_path, PROJECT_TOML.replace('"surveys.csv"', '"survey.csv"'))
    project = load_project(folder)
    assert rules(project)[0][:2] == ("missing_file", "surveys")
    with pytest.raises(DataProblem, match=r"survey\.csv.*no such file.*surveys\.csv"):
        traces.build(project)


def test_a_wrong_survey_leaves_its_hole_out_and_only_that(tmp_path):
    surveys = TABLES["surveys"].replace("A,60,92", "A,60,east")
    project = load_project(write_project(tmp_path, surveys=surveys))
    assert traces.build(project).hole_ids.tolist() == ["B"]
    structures = orient.oriented(project, traces.build(project))
    assert structures.usable.tolist() == [False, False, False, True, True]
    assert "the hole has no trace: azimuth is 'east', expected a number" in structures.why_not[0]


def test_stations_out_of_order_are_said_and_used_in_order(tmp_path):
    rows = TABLES["surveys"].splitlines()
    swapped = "\n".join([rows[0], rows[2], rows[1], *rows[3:]]) + "\n"
    usual, mixed = (
        load_project(write_project(tmp_path / name, surveys=text))
        for name, text in (("usual", TABLES["surveys"]), ("mixed", swapped))
    )
    assert ("unordered_stations", "surveys", 3) in rules(mixed)
    np.testing.assert_array_equal(traces.build(mixed).position, traces.build(usual).position)


def test_holes_without_surveys_take_the_direction_of_their_collar(tmp_path):
    surveys = "\n".join(row for row in TABLES["surveys"].splitlines() if not row.startswith("A")) + "\n"
    project = load_project(write_project(tmp_path, surveys=surveys))
    holes = traces.build(project)
    points = holes.at(["A"], [120.0])
    np.testing.assert_allclose(points.position[0], [1060, 2000, 100 - 120 * np.sqrt(3) / 2])
    assert points.extrapolated[0]

    without = load_project(
        write_project(tmp_path / "none", surveys=surveys, collars=TABLES["collars"].replace("90,-60", ","))
    )
    assert ("no_direction", "collars", 2) in rules(without)
    assert "A" in without.broken_holes


# ------------------------------------------------------------------------------------------------------ orientations


def test_each_kind_of_reading_is_used_or_told_why_not(tmp_path):
    structures = """hole_id,depth,kind,alpha,beta,gamma,line,dip,dip_direction
A,1,fault,30,180,,,,
A,2,joint,30,,,,,
A,3,joint,,40,,,,
A,4,joint,,,,,,
A,5,fault,90,,,,,
A,6,fault,,,,,40,300
A,7,fault,,,,,0,
A,8,vein,30,10,45,,,
Z,9,vein,30,10,,,,
A,-1,vein,30,10,,,,
"""
    project = load_project(write_project(tmp_path, structures=structures))
    result = orient.oriented_frame(orient.oriented(project, traces.build(project)))
    assert result["usable"].tolist() == ["yes", "no", "no", "no", "yes", "yes", "yes", "yes", "no", "no"]
    for row, words in {1: "cone", 2: "no alpha", 3: "no angle", 8: "no collar", 9: "expected 0"}.items():
        assert words in result["why_not"][row]
    assert result["dip"][5] == pytest.approx(40)
    assert result["dip_direction"][5] == pytest.approx(300)
    assert result["dip"][6] == 0
    assert np.isfinite(result["trend"]).tolist() == [False] * 7 + [True] + [False] * 2
    assert np.isfinite(result["easting"]).tolist() == [True] * 8 + [False] * 2


def test_a_gravity_line_within_two_degrees_of_vertical_gives_no_orientation(tmp_path):
    surveys = "hole_id,depth,azimuth,dip\nA,0,90,-88.1\nA,60,90,-87.9\nB,0,0,-90\n"
    structures = """hole_id,depth,kind,alpha,beta,line
A,1,fault,30,180,low
A,59,fault,30,180,high
A,1,fault,30,180,north
B,5,fault,30,180,low
B,5,fault,90,,low
B,5,fault,30,90,north
"""
    project = load_project(write_project(tmp_path, surveys=surveys, structures=structures))
    result = orient.oriented_frame(orient.oriented(project, traces.build(project)))
    assert result["usable"].tolist() == ["no", "yes", "yes", "no", "yes", "yes"]
    assert "within 2° of vertical" in result["why_not"][0]
    # Vertical hole, north line, β 90: the plane dips 60° towards the east.
    assert (result["dip"][5], result["dip_direction"][5]) == (pytest.approx(60), pytest.approx(90))


def test_a_persons_own_columns_come_through(tmp_path):
    structures = 'hole_id,depth,kind,alpha,beta,Logged by,row,easting\nA,1.5,fault,30,180,"Ann, B.",77,left\n'
    project = load_project(write_project(tmp_path, structures=structures))
    frame = orient.oriented_frame(orient.oriented(project, traces.build(project)))
    assert frame["Logged by"].tolist() == ["Ann, B."]
    assert frame["row_in_file"].tolist() == ["77"]
    assert frame["easting_in_file"].tolist() == ["left"]
    assert frame["easting"][0] == pytest.approx(1000.75, abs=0.01)


@pytest.mark.parametrize("section", ["spread", "checks", "suspects", "lineup", "surface", "slip", "aim"])
@pytest.mark.parametrize("command", ["check", "trace"])
def test_a_key_that_means_nothing_is_refused_by_every_command(section, command, tmp_path):
    folder = write_project(tmp_path, f"{PROJECT_TOML}[{section}]\nnonsense = 3\n")
    out = [] if command == "check" else ["--out", tmp_path / "out.csv"]
    done = lowside(command, folder, *out)
    assert done.returncode == 2
    assert f"[{section}] has a key that means nothing (found 'nonsense')" in done.stderr
