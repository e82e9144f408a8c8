"""What every cell leaves plausible and every result wrong: each made here, and refused or left out with its reason.

The world is a small fence of holes whose truth is known: the same tables, before the mistake, give the expected
positions. Thresholds are common practice of the trade without a source unless the rule says otherwise.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from desurvey import orient, traces
from desurvey.problems import DataProblem
from desurvey.project import Project, load_project

HOLES = ["BR-001", "BR-002", "BR-003", "BR-004"]

TOML = """
name = "Door"
[frame]
north = "grid"
dip_sign = "negative_down"
{frame}
[core]
{core}
[tables]
{tables}
{more}
"""


def world() -> dict[str, pd.DataFrame]:
    """Return the tables of four holes on a hill at 1,200 m, surveyed, cored and logged without a mistake."""
    holes = range(len(HOLES))
    collars = pd.DataFrame(
        {
            "hole_id": HOLES,
            "easting": [512000.0 + 40 * i for i in holes],
            "northing": [5320000.0 + 7 * i for i in holes],
            "elevation": [1200.0 + i for i in holes],
            "depth": [90.0 + 10 * i for i in holes],
            "azimuth": [270.0] * 4,
            "dip": [-65.0] * 4,
        }
    )
    ends = dict(zip(HOLES, collars["depth"], strict=True))
    surveys = pd.DataFrame(
        [(hole, at, 270.0 + 0.05 * at, -65.0 + 0.02 * at) for hole in HOLES for at in np.arange(0.0, ends[hole], 30.0)],
        columns=["hole_id", "depth", "azimuth", "dip"],
    )
    runs = pd.DataFrame(
        [
            (hole, top, top + 3.0, 2.9 if top % 2 else 3.0)
            for hole in HOLES
            for top in np.arange(0.0, ends[hole] - 3.0, 3.0)
        ],
        columns=["hole_id", "depth_from", "depth_to", "recovered"],
    )
    structures = pd.DataFrame(
        [
            (hole, at, "joint", 30.0 + at / 4, 3.0 * at)
            for hole in HOLES
            for at in np.arange(5.0, ends[hole] - 5.0, 8.0)
        ],
        columns=["hole_id", "depth", "kind", "alpha", "beta"],
    )
    return {"collars": collars, "surveys": surveys, "runs": runs, "structures": structures}


def read(folder, tables: dict[str, pd.DataFrame | str], core='line = "low"', frame="", more="", files=None) -> Project:
    """Write tables and a project.toml, and load them."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        text = table if isinstance(table, str) else table.to_csv(index=False)
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    named = "\n".join(f'{name} = "{name}.csv"' for name in tables) if files is None else files
    (folder / "project.toml").write_text(TOML.format(core=core, frame=frame, tables=named, more=more), encoding="utf-8")
    return load_project(folder)


def said(project: Project, rule: str):
    return [found for found in project.findings if found.rule == rule]


def places(project: Project) -> np.ndarray:
    """Return the ends of all holes, for comparing what is drawn."""
    holes = traces.build(project)
    return holes.at(np.arange(len(holes.hole_ids)), holes.end).position


def poles(project: Project) -> np.ndarray:
    return orient.oriented(project, traces.build(project)).normal


@pytest.fixture(scope="module")
def right(tmp_path_factory) -> Project:
    project = read(tmp_path_factory.mktemp("right"), world())
    assert not project.findings
    return project


def same(one: Project, other: Project) -> None:
    """Check that two projects are drawn alike."""
    np.testing.assert_allclose(places(one), places(other), atol=1e-6)
    np.testing.assert_allclose(poles(one), poles(other), atol=1e-9)


# ------------------------------------------------------------------------------------------ wrong, and silent before


@pytest.mark.parametrize("value", [-999.0, 0.0, -9999.0])
def test_an_elevation_that_is_none_takes_its_hole_with_it(value, tmp_path):
    tables = world()
    tables["collars"].loc[1, "elevation"] = value
    project = read(tmp_path, tables)
    (found,) = said(project, "number_for_no_place")
    assert found.hole_id == "BR-002"
    assert f"{value:g}" in found.message
    assert "BR-002" not in traces.build(project).hole_ids
    result = orient.oriented(project, traces.build(project))
    own = (project.structures["hole_id"] == "BR-002").to_numpy()
    assert not result.usable[own].any()
    assert result.usable[~own].all()
    assert "usual are 1,202" in result.why_not[own][0]


def test_a_coast_at_sea_level_and_a_flat_local_grid_are_no_mistakes(tmp_path):
    tables = world()
    tables["collars"]["elevation"] = [0.0, 1.5, 3.0, 0.4]
    assert not said(read(tmp_path / "coast", tables), "number_for_no_place")
    tables["collars"]["elevation"] = 0.0
    assert not said(read(tmp_path / "local", tables), "number_for_no_place")


@pytest.mark.parametrize(("unit", "factor"), [("percent", 100.0), ("fraction", 1.0)])
def test_recovery_that_cannot_be_metres_is_left_out_until_its_unit_is_said(unit, factor, tmp_path, right):
    tables = world()
    length = tables["runs"]["depth_to"] - tables["runs"]["depth_from"]
    tables["runs"]["recovered"] = (tables["runs"]["recovered"] / length * factor).round(6)
    project = read(tmp_path / "asked", tables)
    (found,) = said(project, "recovery_unit")
    assert f'recovered = "{unit}"' in found.suggestion
    assert project.runs["recovered"].isna().all()
    declared = read(tmp_path / "declared", tables, more=f'[units.runs]\nrecovered = "{unit}"')
    np.testing.assert_allclose(declared.runs["recovered"], right.runs["recovered"], atol=1e-5)
    assert [found.rule for found in declared.findings] == ["unit_converted"]


def test_a_heading_that_says_per_cent_is_believed(tmp_path, right):
    tables = world()
    tables["runs"]["recovered"] *= 100 / 3
    tables["runs"] = tables["runs"].rename(columns={"recovered": "Recovery (%)"})
    project = read(tmp_path, tables)
    np.testing.assert_allclose(project.runs["recovered"], right.runs["recovered"])
    assert said(project, "unit_converted")


def test_minus_99_is_no_line_offset(tmp_path):
    tables = world()
    tables["runs"]["line_offset"] = 2.0
    tables["runs"].loc[3, "line_offset"] = -99.0
    project = read(tmp_path / "asked", tables)
    (found,) = said(project, "number_for_nothing")
    assert "write 261" in found.suggestion
    assert 'blanks = ["-99"] under [repairs.runs]' in found.suggestion
    assert np.isnan(project.runs["line_offset"][3])
    declared = read(tmp_path / "declared", tables, more='[repairs.runs]\nblanks = ["-99"]')
    assert np.isnan(declared.runs["line_offset"][3])
    assert [found.rule for found in declared.findings] == ["declared_repair"]


@pytest.mark.parametrize("gyro_first", [True, False])
def test_of_two_instruments_at_one_depth_the_gyro_is_used(gyro_first, tmp_path, right):
    tables = world()
    gyro = tables["surveys"].assign(instrument="gyro")
    magnetic = gyro.assign(instrument="magnetic", azimuth=gyro["azimuth"] + 9.0)
    both = [gyro, magnetic] if gyro_first else [magnetic, gyro]
    tables["surveys"] = pd.concat(both).sort_values(["hole_id", "depth"], kind="stable")
    project = read(tmp_path, tables)
    assert len(said(project, "two_instruments")) == len(gyro)
    same(project, right)


def test_two_readings_of_which_neither_is_a_gyros_stop_the_hole(tmp_path):
    tables = world()
    again = tables["surveys"][:1].assign(azimuth=279.0)
    tables["surveys"] = pd.concat([tables["surveys"], again])
    project = read(tmp_path, tables)
    assert said(project, "double_station")
    assert "BR-001" not in traces.build(project).hole_ids


def test_a_structure_below_the_end_of_its_hole_is_not_usable(tmp_path):
    tables = world()
    tables["structures"].loc[2, "depth"] = 500.0
    project = read(tmp_path, tables)
    result = orient.oriented(project, traces.build(project))
    assert not result.usable[2]
    assert result.why_not[2] == "depth 500 m is beyond the end of the hole at 90 m"


@pytest.mark.parametrize("name", ["BR001", "BR 1", "BR_0001", "br-OO2", "BR-0O4", "BR-01"])
def test_a_survey_under_nearly_the_name_of_a_hole_is_not_passed_over(name, tmp_path):
    tables = world()
    hole = {"br-OO2": "BR-002", "BR-0O4": "BR-004"}.get(name, "BR-001")
    tables["surveys"]["hole_id"] = tables["surveys"]["hole_id"].replace(hole, name)
    project = read(tmp_path / "asked", tables)
    (found,) = said(project, "survey_under_other_name")
    assert (found.hole_id, found.value) == (hole, name)
    assert hole not in traces.build(project).hole_ids
    declared = read(tmp_path / "declared", tables, more=f'[repairs.names]\n"{name}" = "{hole}"')
    assert [found.rule for found in declared.findings] == ["declared_names"]
    assert hole in traces.build(declared).hole_ids


def test_a_hole_drilled_from_another_is_not_taken_for_it(tmp_path):
    tables = world()
    wedge = tables["surveys"][tables["surveys"]["hole_id"] == "BR-004"].assign(hole_id="BR-004W1")
    tables["surveys"] = pd.concat([tables["surveys"], wedge])
    assert not said(read(tmp_path, tables), "survey_under_other_name")


ALONG = {"surveys": ["depth"], "runs": ["depth_from", "depth_to", "recovered"], "structures": ["depth"]}


@pytest.mark.parametrize("table", ["surveys", "runs", "structures"])
def test_a_table_in_feet_beside_collars_in_metres_stops_until_it_is_said(table, tmp_path, right):
    tables = world()
    tables[table][ALONG[table]] /= 0.3048
    project = read(tmp_path / "asked", tables)
    (found,) = said(project, "other_length_unit")
    assert (found.table, found.stops) == (table, "table")
    with pytest.raises(DataProblem, match="look like feet"):
        orient.oriented(project, traces.build(project))
    declared = read(tmp_path / "declared", tables, more=f'[units]\n{table} = "feet"')
    assert {found.rule for found in declared.findings} == {"feet_converted"}
    same(declared, right)


def test_collars_in_feet_beside_runs_in_metres_stop_until_it_is_said(tmp_path, right):
    tables = world()
    tables["collars"]["depth"] /= 0.3048
    project = read(tmp_path / "asked", tables)
    assert [found.table for found in said(project, "other_length_unit")] == ["collars"]
    same(read(tmp_path / "declared", tables, more='[units.collars]\ndepth = "feet"'), right)


def test_everything_in_feet_is_doubted_by_the_length_of_its_runs(tmp_path, right):
    tables = world()
    tables["collars"]["depth"] /= 0.3048
    for name, columns in ALONG.items():
        tables[name][columns] /= 0.3048
    project = read(tmp_path / "asked", tables)
    assert said(project, "long_runs")
    same(read(tmp_path / "declared", tables, frame='depth_unit = "feet"'), right)


def test_dips_from_the_vertical_stop_until_it_is_said(tmp_path, right):
    tables = world()
    tables["surveys"]["dip"] = 90.0 + tables["surveys"]["dip"]
    project = read(tmp_path / "asked", tables)
    (found,) = said(project, "dip_from_vertical")
    assert found.stops == "table"
    with pytest.raises(DataProblem, match="from the vertical"):
        traces.build(project)
    same(read(tmp_path / "declared", tables, more='[units.surveys]\ndip = "from_vertical"'), right)


def test_holes_that_all_come_out_flat_are_doubted(tmp_path):
    tables = world()
    tables["collars"] = tables["collars"].drop(columns=["azimuth", "dip"])
    tables["surveys"]["dip"] = -(90.0 + tables["surveys"]["dip"])
    assert said(read(tmp_path / "asked", tables), "flat_holes")
    assert not said(read(tmp_path / "said", tables, more='[units.surveys]\ndip = "from_horizontal"'), "flat_holes")


def test_exchanged_eastings_and_northings_stop_without_a_coordinate_system(tmp_path, right):
    tables = world()
    tables["collars"] = tables["collars"].rename(columns={"easting": "northing", "northing": "easting"})
    project = read(tmp_path / "asked", tables)
    assert said(project, "exchanged_coordinates")
    with pytest.raises(DataProblem, match="look exchanged"):
        traces.build(project)
    mapped = '[columns.collars]\neasting = "northing"\nnorthing = "easting"'
    same(read(tmp_path / "declared", tables, more=mapped), right)
    # California zone 1 in metres has false eastings of 2,000,000 and northings of 500,000 (EPSG:26941).
    assert not said(read(tmp_path / "right", tables, frame='crs = "EPSG:26941"'), "exchanged_coordinates")


def test_marks_that_nobody_sees_make_no_other_word(tmp_path, right):
    tables = world()
    tables["structures"].loc[1, "kind"] = "\ufeffjoint"
    tables["surveys"].loc[0, "hole_id"] = "BR-\u200b001"
    project = read(tmp_path, tables)
    assert len(said(project, "invisible_mark")) == 2
    assert set(project.structures["kind"]) == {"joint"}
    same(project, right)


def test_the_hint_for_a_missing_column_is_never_one_that_means_another(tmp_path):
    tables = world()
    tables["collars"] = tables["collars"].drop(columns="elevation")
    (found,) = said(read(tmp_path, tables), "missing_column")
    assert "did you mean" not in found.suggestion.lower()
    near = world()
    near["collars"] = near["collars"].rename(columns={"elevation": "elevatoin"})
    (found,) = said(read(tmp_path / "near", near), "missing_column")
    assert "did you mean 'elevatoin'" in found.suggestion


# ----------------------------------------------------------------------------------------------------------- repairs


def test_merged_cells_are_filled_down_when_it_is_said(tmp_path, right):
    tables = world()
    for name in ("surveys", "runs", "structures"):
        again = tables[name]["hole_id"].duplicated()
        tables[name].loc[again, "hole_id"] = ""
    project = read(tmp_path / "asked", tables)
    assert not {"double_station", "unordered_stations", "overlapping_runs"} & {found.rule for found in project.findings}
    more = "\n".join(f'[repairs.{name}]\nfill_down = ["hole_id"]' for name in ("surveys", "runs", "structures"))
    declared = read(tmp_path / "declared", tables, more=more)
    assert [found.rule for found in declared.findings] == ["declared_repair"] * 3
    blank = int((tables["runs"]["hole_id"] == "").sum())
    assert f"{blank} blank hole_ids filled from above" in [found.message for found in declared.findings][1]
    same(declared, right)


def test_names_match_without_punctuation_when_it_is_said(tmp_path, right):
    tables = world()
    for name in ("surveys", "runs", "structures"):
        tables[name]["hole_id"] = tables[name]["hole_id"].str.replace("-0", "")
    declared = read(tmp_path, tables, more='[repairs]\nmatch_names = "ignore_punctuation"')
    assert [found.rule for found in declared.findings] == ["declared_names"] * 3
    assert "4 names in" in declared.findings[0].message
    same(declared, right)


@pytest.mark.parametrize(
    ("unit", "per_degree"), [("radians", np.pi / 180), ("gradians", 400 / 360)], ids=["radians", "gradians"]
)
def test_angles_in_other_units(unit, per_degree, tmp_path, right):
    tables = world()
    tables["structures"][["alpha", "beta"]] *= per_degree
    tables["surveys"]["azimuth"] *= per_degree
    more = f'[units.structures]\nalpha = "{unit}"\nbeta = "{unit}"\n[units.surveys]\nazimuth = "{unit}"'
    same(read(tmp_path, tables, more=more), right)


def test_coordinates_in_feet_are_read_when_it_is_said_which(tmp_path, right):
    tables = world()
    tables["collars"][["easting", "northing", "elevation"]] /= 1200 / 3937
    unit = "us_survey_feet"
    more = f'[units.collars]\neasting = "{unit}"\nnorthing = "{unit}"\nelevation = "{unit}"'
    same(read(tmp_path, tables, more=more), right)


def test_words_rows_and_synonyms_that_a_project_declares(tmp_path, right):
    tables = world()
    tables["runs"]["line"] = "bottom of the hole"
    text = tables["structures"].astype(object)
    text.loc[len(text)] = ["checked by AB", "", "", "", ""]
    alone = [len(text), "BR-001", 20.0, "joint", 40.0, "no line"]
    text.loc[alone[0]] = alone[1:]
    tables["structures"] = text
    more = """
[repairs.structures]
skip_rows = ["Checked by AB"]
blanks = ["no line"]
[repairs.runs.values.line]
"bottom of the hole" = "low"
"""
    assert len(said(read(tmp_path / "asked", tables), "not_a_choice")) == len(tables["runs"])
    declared = read(tmp_path / "declared", tables, core="", more=more)
    assert {found.rule for found in declared.findings} == {"declared_repair"}
    assert len(declared.findings) == 3
    np.testing.assert_allclose(poles(declared)[:-1], poles(right), atol=1e-9)


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ('[repairs.surveys]\nfil_down = ["hole_id"]', "fil_down.*[Dd]id you mean 'fill_down'"),
        ('[repairs.surveys]\nfill_down = ["hole"]', "hole.*[Dd]id you mean 'hole_id'"),
        ('[repairs]\nmatch_name = "ignore_case"', "[Dd]id you mean 'match_names'"),
        ('[repairs]\nmatch_names = "all"', "'repairs.match_names' must be"),
        ('[repairs.survey]\nblanks = ["x"]', "[Dd]id you mean 'surveys'"),
        ('[units]\nsurveys = "radians"', "'units.surveys' must be"),
        ('[units.surveys]\ndepth = "fathoms"', "'units.surveys.depth' must be"),
        ('[units.surveys]\nazimut = "degrees"', "[Dd]id you mean 'azimuth'"),
        ("[units.surveys]\ndepth = 3", "'units.surveys.depth' must be"),
    ],
)
def test_repairs_and_units_with_a_slip_are_refused(more, match, tmp_path):
    with pytest.raises(DataProblem, match=match):
        read(tmp_path, world(), more=more)


def test_a_unit_that_its_column_cannot_be_in_is_refused(tmp_path):
    project = read(tmp_path, world(), more='[units.surveys]\nazimuth = "feet"')
    (found,) = said(project, "unit_mismatch")
    assert "project.toml says 'feet' for azimuth" in found.message


# ------------------------------------------------------------------------------------------------------ several files


def test_several_files_are_one_table_and_each_row_knows_its_own(tmp_path, right):
    tables = world()
    structures = tables.pop("structures")
    first, second = structures[:20], structures[20:].rename(columns={"kind": "Type", "alpha": "Alpha Angle"})
    second = second.assign(logger="x")
    second.iloc[3, 1] = 500.0
    tables |= {"a": first, "b": second}
    files = "\n".join(f'{name} = "{name}.csv"' for name in ("collars", "surveys", "runs"))
    project = read(tmp_path, tables, files=files + '\nstructures = ["a.csv", "b.csv"]')
    (found,) = project.findings
    assert (found.rule, found.file, found.row) == ("depth_beyond_hole", "b.csv", 5)
    assert project.rows_of("structures")[23] == ("b.csv", 5)
    result = orient.oriented(project, traces.build(project))
    assert np.flatnonzero(~result.usable).tolist() == [23], "row 5 of a.csv is usable"
    keep = np.arange(len(structures)) != 23
    np.testing.assert_allclose(result.normal[keep], poles(right)[keep])
    assert project.structures["logger"].tolist()[:2] == ["", ""]


def test_a_missing_one_of_several_files_is_named(tmp_path):
    tables = world()
    files = "\n".join(f'{name} = "{name}.csv"' for name in ("collars", "surveys", "runs"))
    project = read(tmp_path, tables, files=files + '\nstructures = ["structures.csv", "more.csv"]')
    (found,) = project.findings
    assert (found.rule, found.file, found.stops) == ("missing_file", "more.csv", "table")


# ------------------------------------------------------------------------------------------------ cells and headings


def test_an_unknown_word_in_an_optional_column_is_one_note(tmp_path, right):
    tables = world()
    tables["surveys"]["instrument"] = "single shot"
    project = read(tmp_path, tables)
    (found,) = project.findings
    assert (found.rule, found.severity) == ("unknown_word", "note")
    assert f"'single shot' in {len(tables['surveys'])} rows" in found.message
    same(project, right)


def test_day_numbers_of_a_spreadsheet_are_named_and_read_when_it_is_said(tmp_path):
    tables = world()
    tables["collars"]["date"] = [45754, 45755, 45756, 45757]
    (found,) = said(read(tmp_path / "asked", tables), "day_number")
    assert "2025-04-07" in found.message
    declared = read(tmp_path / "declared", tables, more='[units.collars]\ndate = "spreadsheet_days"')
    assert declared.collars["date"].dt.strftime("%Y-%m-%d").tolist()[0] == "2025-04-07"


def test_two_angles_in_one_cell_are_not_read_as_one(tmp_path):
    tables = world()
    text = tables["structures"].astype(object)
    text.loc[0, "alpha"] = "45,50"
    tables["structures"] = text
    project = read(tmp_path, tables)
    (found,) = said(project, "ambiguous_number")
    assert found.message == "alpha is '45,50', which can be 45.5 or two angles"
    assert list(project.wrong_rows("structures")) == [0]


def test_a_row_of_totals_is_no_hole(tmp_path, right):
    tables = world()
    text = tables["runs"].astype(object)
    text.loc[len(text)] = ["Total metres", "", "", 380.0]
    tables["runs"] = text
    project = read(tmp_path, tables)
    assert [found.rule for found in project.findings] == ["left_out_rows"]


def test_a_side_of_the_line_in_the_words_of_the_trade(tmp_path, right):
    same(read(tmp_path / "toml", world(), core='line = "Bottom of hole"'), right)
    tables = world()
    tables["runs"]["line"] = "Bottom"
    same(read(tmp_path / "table", tables, core=""), right)


def test_a_line_that_nobody_states_is_said_once(tmp_path):
    project = read(tmp_path, world(), core="")
    (found,) = project.findings
    count = len(project.structures)
    assert found.message == f"{count} structures have a beta, and nothing says what its line marks"
    assert not orient.oriented(project, traces.build(project)).usable.any()


def test_a_wrong_survey_under_another_spelling_stops_its_hole_too(tmp_path):
    """Used to name the hole as the survey spells it, and so to stop none."""
    tables = world()
    tables["surveys"]["hole_id"] = tables["surveys"]["hole_id"].str.lower()
    tables["surveys"].loc[1, "azimuth"] = 392.0
    project = read(tmp_path, tables)
    assert list(project.broken_holes) == ["BR-001"]
    assert "BR-001" not in traces.build(project).hole_ids


def test_per_cent_under_a_row_of_units_that_says_metres_is_doubted(tmp_path):
    tables = world()
    tables["runs"]["recovered"] = (tables["runs"]["recovered"] / 3).round(3)
    tables["runs"] = tables["runs"].rename(columns={"recovered": "recovered (m)"})
    assert said(read(tmp_path / "asked", tables), "recovery_unit")
    metres = '[units.runs]\nrecovered = "metres"'
    assert not said(read(tmp_path / "said", tables, more=metres), "recovery_unit")


def test_several_headings_for_one_optional_column_are_no_reason_to_stop(tmp_path, right):
    tables = world()
    tables["collars"]["Completed"] = "2025-05-01"
    tables["collars"]["Started"] = "2025-04-01"
    project = read(tmp_path, tables)
    assert [found.rule for found in project.findings] == ["chosen_heading"]
    assert set(project.collars["date"].dt.month) == {4}
