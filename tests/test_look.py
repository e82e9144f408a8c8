"""A look at a folder: what all is taken for and why, what is open, and a project.toml that keeps a person's words."""

from __future__ import annotations

import pyproj
import pytest

from desurvey.problems import DataProblem
from desurvey.project import adopt, load_project, look
from desurvey.project.adopting import merged, unused_tables
from desurvey.project.candidates import crs_named
from tests.command import lowside
from tests.corpus.folders import cells, workbook
from tests.test_door import same, world

SAID = {"frame": {"north": "grid", "dip_sign": "negative_down"}, "core": {"line": "low"}}


def bare(folder, tables=None, **texts):
    """Write tables without a project.toml."""
    for name, table in (tables or world()).items():
        (folder / f"{name}.csv").write_text(table.to_csv(index=False), encoding="utf-8")
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def right(tmp_path_factory):
    place = bare(tmp_path_factory.mktemp("right"))
    return look(place, SAID).project


def test_conventions_stay_open_until_they_are_said(tmp_path):
    seen = look(bare(tmp_path))
    assert [question.key for question in seen.questions if question.open] == [
        "frame.north",
        "frame.dip_sign",
        "core.line",
    ]
    assert not seen.sure
    of = {question.key: question for question in seen.questions}
    assert "nothing says so" in of["frame.north"].speaks
    assert "−64 is down here, or all holes go up" in of["frame.dip_sign"].speaks
    assert set(of["core.line"].answers) == {"low", "high", "north"}
    assert not (tmp_path / "project.toml").exists(), "a look writes nothing"


def test_every_file_and_column_says_what_it_is_taken_for(tmp_path):
    tables = world()
    tables["structures"] = tables["structures"].rename(columns={"hole_id": "Loc.", "beta": "Beta (deg)"}).assign(my="x")
    seen = look(bare(tmp_path, tables, notes="rain,sun\n1,2\n"), SAID)
    files = {file.name: file for file in seen.files}
    assert files["structures.csv"].table == "structures"
    assert files["structures.csv"].rows == len(tables["structures"])
    columns = {column.heading: column for column in files["structures.csv"].columns}
    assert (columns["Loc."].means, columns["Loc."].guess) == ("hole_id", True)
    assert columns["Loc."].why == "its cells are names of the collars"
    assert columns["Loc."].cells[0] == "BR-001"
    assert (columns["Beta (deg)"].means, columns["Beta (deg)"].why) == ("beta", "a usual heading, in deg")
    assert (columns["my"].means, columns["my"].why) == ("", "kept as it is")
    assert (files["notes.csv"].table, files["notes.csv"].guess) == ("", False)
    assert files["notes.csv"].why.startswith("isn't used: no heading means")


def test_every_guess_can_be_changed_and_the_rows_are_read_again(tmp_path):
    tables = world()
    tables["structures"]["theta"] = 360.0 - tables["structures"]["beta"]
    bare(tmp_path, tables)
    seen = look(tmp_path, SAID)
    turned = look(tmp_path, {**SAID, "columns": {"structures": {"beta": "theta"}}})
    assert (seen.project.structures["beta"] + turned.project.structures["beta"]).eq(360.0).all()
    without = look(tmp_path, {**SAID, "tables": {"runs": ""}})
    assert without.project.runs.empty
    assert "runs" not in without.raw["tables"]


def test_a_second_table_of_structures_is_more_of_the_first_and_said(tmp_path, right):
    tables = world()
    whole = tables.pop("structures")
    sheets = {"Pit": whole[:20], "Decline": whole[20:].rename(columns={"kind": "Type"})}
    bare(tmp_path, tables)
    book = workbook({name: cells(frame.to_csv(index=False)) for name, frame in sheets.items()})
    (tmp_path / "structures.xlsx").write_bytes(book)
    seen = look(tmp_path, SAID)
    assert sorted(seen.raw["tables"]["structures"]) == ["structures.xlsx#Decline", "structures.xlsx#Pit"]
    assert any("is more of the table 'structures'" in guess for guess in seen.guesses)
    assert len(seen.project.structures) == len(right.structures)


def test_a_copy_is_not_read_twice_and_is_said(tmp_path, right):
    tables = world()
    tables["structures_old"] = tables["structures"][:30]
    seen = look(bare(tmp_path, tables), SAID)
    assert len(seen.project.structures) == len(right.structures)
    (copy,) = [file for file in seen.files if file.name == "structures_old.csv"]
    assert copy.why == "isn't used: 100% of its rows stand in structures.csv too"


def test_check_names_a_table_beside_those_of_a_project_that_nobody_uses(tmp_path):
    bare(tmp_path)
    adopt(tmp_path, SAID)
    (tmp_path / "more.csv").write_text("hole_id,depth,kind,alpha,beta\nBR-001,33,vein,30,40\n")
    done = lowside("check", "--quick", tmp_path)
    assert "more.csv (1 rows) looks like structures and isn't used" in done.stdout, done.stdout
    assert done.returncode == 0
    (found,) = unused_tables(load_project(tmp_path))
    assert (found.rule, found.table) == ("unused_table", "structures")


def test_a_file_that_a_person_wrote_keeps_its_comments_its_order_and_its_keys(tmp_path):
    bare(tmp_path)
    mine = """# by A. B.
name = "Mine"   # the name

[lineup]
waviness_deg = 3.0   # measured

[frame]
dip_sign = "negative_down"
north = "grid" # asked
"""
    (tmp_path / "project.toml").write_text(mine, encoding="utf-8")
    seen = adopt(tmp_path, {"core": {"line": "low"}, "repairs": {"surveys": {"fill_down": ["hole_id"]}}})
    text = (tmp_path / "project.toml").read_text(encoding="utf-8")
    assert text.startswith(mine)
    assert '[repairs.surveys]\nfill_down = ["hole_id"]' in text
    assert seen.said["name"] == "Mine"
    assert load_project(tmp_path).settings.core.line == "low"
    again = adopt(tmp_path)
    assert (tmp_path / "project.toml").read_text(encoding="utf-8") == text
    assert again.sure, again.guesses


def test_values_join_what_a_toml_says_wherever_it_stands():
    text = 'a = 1 # one\n[t.x]\nb = "2"\n'
    assert merged(text, {"a": 1, "t": {"x": {"b": "3"}, "y": {"c": [1]}}}) == (
        'a = 1 # one\n[t.x]\nb = "3"\n\n[t.y]\nc = [1]\n'
    )
    with pytest.raises(DataProblem, match="isn't TOML"):
        merged("a = = 1", {})


@pytest.mark.parametrize("code", ["EPSG:28355", "EPSG:7855", "EPSG:25833", "EPSG:26912", "EPSG:32633", "EPSG:32719"])
def test_a_coordinate_system_is_known_by_its_registered_name(code):
    # The names are the EPSG registry's, by way of pyproj.
    name = pyproj.CRS.from_user_input(code).name
    assert crs_named(["Collars", name]) == (code, name)
    assert crs_named([code.replace(":", " : ")])[0] == code


def test_a_grid_named_above_the_headings_is_found_with_the_place_of_the_collars(tmp_path):
    tables = world()
    bare(tmp_path, tables)
    text = "Collars of the prospect\nETRS89 / UTM zone 33N\n" + tables["collars"].to_csv(index=False)
    (tmp_path / "collars.csv").write_text(text, encoding="utf-8")
    seen = look(tmp_path, SAID)
    (question,) = [one for one in seen.questions if one.key == "frame.crs"]
    assert question.guess == "EPSG:25833"
    # UTM 33N, 512 km E, 5320 km N: near 15.16° E, 48.03° N (test_project.py has the same corner from ppigrf's call).
    assert "the collars about 48.03" in question.speaks
    assert seen.project.settings.frame.crs == "EPSG:25833"


def test_adopt_writes_without_asking_only_where_nothing_is_a_guess(tmp_path):
    bare(tmp_path)
    refused = lowside("adopt", tmp_path, "--yes")
    assert refused.returncode == 2
    assert "--say frame.north=…; --say frame.dip_sign=…; --say core.line=…" in refused.stderr
    assert not (tmp_path / "project.toml").exists()
    said = ("frame.north=grid", "frame.dip_sign=negative_down", "core.line=bottom")
    said += tuple(f"tables.{name}={name}.csv" for name in world())
    done = lowside("adopt", tmp_path, "--yes", *(word for one in said for word in ("--say", one)))
    assert done.returncode == 0, done.stderr
    assert load_project(tmp_path).settings.core.line == "low"


def test_adopt_offers_repairs_and_does_them_when_asked(tmp_path, right):
    tables = world()
    for name in ("surveys", "runs", "structures"):
        tables[name]["hole_id"] = tables[name]["hole_id"].str.replace("-", "")
    bare(tmp_path, tables)
    said = ["--say", "core.line=low"]
    done = lowside("adopt", tmp_path, *said)
    assert 'match_names = "ignore_punctuation"' in done.stderr
    assert "--repair" in done.stderr
    assert "ignore_punctuation" not in (tmp_path / "project.toml").read_text(encoding="utf-8")
    done = lowside("adopt", tmp_path, *said, "--repair")
    assert done.returncode == 0, done.stderr
    same(load_project(tmp_path), right)


@pytest.mark.parametrize("wrong", ["frame.north", "north=grid"])
def test_what_is_said_needs_a_key_and_a_value(wrong, tmp_path):
    done = lowside("adopt", bare(tmp_path), "--say", wrong)
    assert done.returncode == 2
    assert "SECTION.KEY=VALUE" in done.stderr


def test_a_bare_folder_points_to_the_door(tmp_path):
    done = lowside("check", bare(tmp_path))
    assert done.returncode == 2
    assert "lowside adopt" in done.stderr
