"""The study: every output follows the decisions, results are kept only as long as they hold, and nothing is written to.

The world is that of tests/benches.py: a layering that dips 50° towards 110°, two faults, and one run whose line was
drawn on the wrong side. What an accepted suspect leads to is held against a second project, in whose table beta was
turned by half a turn by hand.
"""

from __future__ import annotations

import dataclasses
import os
import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import pyvista as pv

import desurvey
from desurvey import orient, suspects, traces
from desurvey.decisions import FILE, Decision, Decisions, decide
from desurvey.exchange import read_table
from desurvey.problems import DataProblem
from desurvey.project import load_project
from tests.benches import layered, written
from tests.command import lowside
from tests.test_report import words
from viewer import scene
from viewer.figures.collect import content_of, log_of
from viewer.figures.net import net_of
from viewer.report import WantedDrawings, compose, render
from viewer.scene.doubt import with_doubt

DEMO = Path(__file__).parents[1] / "demo_project"
KEY = "run L04 90-100 line_side"
TABLES = ("collars", "surveys", "runs", "structures")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Give the world, with nothing decided."""
    return written(tmp_path_factory.mktemp("study") / "logged", layered(wrong_run=("L04", 90.0)))


@pytest.fixture(scope="module")
def decided(folder):
    """Give the world with its suspect accepted."""
    copy = Path(shutil.copytree(folder, folder.with_name("decided")))
    decide(copy, [Decision("suspect", KEY, "accepted", why="seen on the photo")])
    return copy


@pytest.fixture(scope="module")
def by_hand(folder):
    """Give the world with beta turned in the table itself, and no suspects."""
    copy = Path(shutil.copytree(folder, folder.with_name("by hand")))
    table = pd.read_csv(copy / "structures.csv")
    inside = (table["hole_id"] == "L04") & table["depth"].between(90, 100, inclusive="left")
    assert inside.sum() == 3  # two readings of the layering and one fault
    table.loc[inside, "beta"] = (table.loc[inside, "beta"] + 180) % 360
    table.to_csv(copy / "structures.csv", index=False)
    return desurvey.open(copy).suspecting(pd.DataFrame(columns=list(suspects.COLUMNS)))


@pytest.fixture(scope="module")
def turned(folder, by_hand):
    """Give the rows of the run."""
    return np.abs(np.einsum("ij,ij->i", desurvey.open(folder).structures.normal, by_hand.structures.normal)) < 0.999


@pytest.fixture
def kept(tmp_path, monkeypatch):
    """Give an empty folder for results."""
    monkeypatch.setenv("LOWSIDE_CACHE", str(tmp_path / "kept"))
    return tmp_path / "kept"


@pytest.fixture
def searches(monkeypatch):
    """Give a list that grows with each search for suspects."""
    made, search = [], suspects.weighed
    monkeypatch.setattr(suspects, "weighed", lambda *args, **how: made.append(1) or search(*args, **how))
    return made


# ---- an accepted suspect holds everywhere --------------------------------------------------------------------


def test_structures_are_those_of_the_table_put_right_by_hand(decided, by_hand, turned):
    study = desurvey.open(decided)
    assert turned.sum() == 3
    np.testing.assert_allclose(study.structures.normal, by_hand.structures.normal, atol=1e-12)
    table = desurvey.open(decided).all_suspects()
    right = suspects.accept(load_project(decided), table[table["key"] == KEY])
    accepted = orient.oriented(right, traces.build(right))
    np.testing.assert_allclose(study.structures.normal, accepted.normal, atol=1e-12)
    layering = orient.vector_of_plane(np.array([50.0]), np.array([110.0]))[0]  # as planted: tests/benches.py
    beds = turned & (study.structures.table["kind"] == "foliation").to_numpy()
    off = np.rad2deg(np.arccos(np.abs(study.structures.normal[beds] @ layering)))
    assert off.max() < 12.0  # 4° of scatter in beta
    off = np.rad2deg(np.arccos(np.abs(study.as_logged().structures.normal[beds] @ layering)))
    assert off.min() > 20.0


def test_figures_draw_what_the_decisions_say(decided, by_hand):
    study, every = desurvey.open(decided), np.ones(len(by_hand.structures.table), dtype=bool)
    content, wanted = content_of(study, heading="All"), content_of(by_hand, heading="All")
    np.testing.assert_allclose(content.structures.dip_deg, wanted.structures.dip_deg, atol=1e-9)
    np.testing.assert_allclose(content.structures.dip_direction_deg, wanted.structures.dip_direction_deg, atol=1e-9)
    assert content.title.basis == "As decided: 1 decision"
    net = net_of(study, ~content.planned, every, content.title)
    np.testing.assert_allclose(net.normal, by_hand.structures.normal, atol=1e-12)
    log = log_of(study, "L04")
    np.testing.assert_allclose(log.structures.dip_deg, wanted.structures.dip_deg, atol=1e-9)
    assert log.suspects.empty
    discs = scene.build(study).discs
    np.testing.assert_allclose(np.abs(np.einsum("ij,ij->i", discs.normal, by_hand.structures.normal)), 1.0, atol=1e-9)


def test_undecided_suspects_are_marked_and_counted(folder, turned):
    study = desurvey.open(folder)
    assert study.suspected.tolist() == turned.tolist()
    content = content_of(study, heading="All")
    assert content.structures.suspect.tolist() == turned.tolist()
    said = f"3 of {len(turned)} readings are suspect, drawn as logged"
    assert content.title.basis == f"As logged; nothing is decided; {said}"
    aside = study.deciding(Decisions((Decision("suspect", KEY, "set_aside"),)))
    assert not aside.suspected.any()
    np.testing.assert_array_equal(aside.structures.normal, study.structures.normal)


def test_the_report_says_what_was_decided_and_obeys_it(decided):
    study = desurvey.open(decided)
    said = words(render(compose(study, WantedDrawings(logs=False, scene=False))))
    assert "As decided: 1 decision." in said
    assert "No suspect stands undecided" in said
    logged = words(render(compose(study.as_logged(), WantedDrawings(logs=False, scene=False))))
    assert "As logged: 1 decision not applied. 3 of " in logged
    assert "Hole L04, run 90.0–100.0" in logged
    assert "Hole L04, run 90.0–100.0" not in said


def test_the_line_up_and_its_surfaces_follow(decided, by_hand):
    study = desurvey.open(decided)
    answers, wanted = study.lineup(), by_hand.lineup()
    assert answers.distrusted == 0
    assert study.as_logged().lineup().distrusted == 1
    pd.testing.assert_frame_equal(answers.faults, wanted.faults)
    pd.testing.assert_frame_equal(answers.picks, wanted.picks)
    pd.testing.assert_frame_equal(answers.windows, wanted.windows)
    for name in answers.faults["fault_id"]:
        np.testing.assert_allclose(answers.meshes[name].vertices, wanted.meshes[name].vertices, atol=1e-6)
        vertices = study.surface(name).mesh.vertices
        np.testing.assert_allclose(vertices, by_hand.surface(name).mesh.vertices, atol=1e-6)


def test_cones_of_corrected_discs_open_round_their_new_normals(folder, turned):
    """A pole can't move along itself. With the covariance of the readings as logged the axes used to lie 28° off."""
    study = desurvey.open(folder)
    right = study.accepting([KEY])
    normal = right.structures.normal[turned]

    def off(covariance):
        axis = np.linalg.eigh(covariance)[1][:, :, 0]
        return np.arccos(np.clip(np.abs(np.einsum("ij,ij->i", axis, normal)), 0.0, 1.0))

    assert off(right.spread.pole[turned]).max() < 1e-6
    assert np.rad2deg(off(study.spread.pole[turned])).min() > 5.0
    drawn = scene.build(right)
    chosen = np.isin(drawn.discs.index, np.flatnonzero(turned))
    (cones,) = (sheet.mesh for sheet in with_doubt(drawn, right.spread, chosen).sheets if sheet.name == "doubt of pole")
    rim = cones.points.reshape(3, -1, 3).astype(float)
    middle = rim[:, 1:].mean(axis=1) - rim[:, 0]
    along = np.einsum("ij,ij->i", middle / np.linalg.norm(middle, axis=1)[:, None], drawn.discs.normal[chosen])
    assert along == pytest.approx(1.0, abs=1e-5)


# ---- … and in every command ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "read"),
    [
        (["orient"], "x.csv"),
        (["export", "--no-faults"], "x.csv"),
        (["export", "--no-faults"], "x.parquet"),
    ],
    ids=str,
)
def test_tables_of_orientations(decided, by_hand, folder, tmp_path, arguments, read):
    for more, study, basis in (
        ([], by_hand, "As decided: 1 decision"),
        (["--as-logged"], desurvey.open(folder), "As logged: 1 decision not applied"),
    ):
        done = lowside(arguments[0], decided, *arguments[1:], *more, "--out", tmp_path / read)
        assert done.returncode == 0, done.stderr
        assert f"{basis}.\n" in done.stderr
        table = read_table(tmp_path / read)
        assert table.columns[-1] == "basis"
        assert set(table["basis"]) == {basis}
        dip, direction = orient.dip_of_plane(study.structures.normal)
        np.testing.assert_allclose(table["dip"], dip, atol=1e-3)
        np.testing.assert_allclose(table["dip_direction"], direction, atol=1e-3)


@pytest.mark.parametrize(
    ("arguments", "tables"),
    [
        (["trace", "--out", "x.csv"], ["x.csv"]),
        (["suspects", "--out", "x.csv"], ["x.csv"]),
        (["lineup", "--out", "l"], ["l/faults.csv", "l/picks.csv", "l/windows.csv"]),
        (["aim", "--out", "x.csv", "--fault", "F1", "--collar", "L00", "--elevation", "200"], ["x.csv"]),
        (["check", "--lines", "x.csv", "--stretches", "y.csv"], ["x.csv", "y.csv"]),
        (["surface", "--fault", "F1", "--out", "x.obj"], []),
        (["section", "--hole", "L00,L04", "--out", "x.svg"], []),
        (["map", "--out", "x.svg"], []),
        (["net", "--out", "x.svg"], []),
        (["holelog", "--hole", "L04", "--out", "x.svg"], []),
        (["report", "--no-logs", "--no-scene", "--out", "x.html"], []),
        (["export", "--out", "x.xlsx"], []),
        (["view", "--html", "x.html"], []),
    ],
    ids=lambda given: given[0] if given else "",
)
def test_every_command_says_on_what_it_rests(decided, tmp_path, monkeypatch, arguments, tables):
    monkeypatch.chdir(tmp_path)
    for more, basis in (([], "As decided: 1 decision"), (["--as-logged"], "As logged: 1 decision not applied")):
        done = lowside(arguments[0], decided, *arguments[1:], *more)
        assert done.returncode == 0, done.stdout + done.stderr
        assert f"{basis}.\n" in done.stderr
        for name in tables:
            table = pd.read_csv(name)
            assert table.columns[-1] == "basis"
            assert set(table["basis"]) <= {basis}
        for drawn in Path().glob("*.svg"):
            assert basis in drawn.read_text(encoding="utf-8") or arguments[0] != "map"


def test_the_surface_command_obeys(decided, by_hand, tmp_path):
    met = desurvey.open(decided).lineup().picks
    fault = met.loc[(met["hole_id"] == "L04") & met["depth"].between(90, 100), "fault_id"].item()
    assert lowside("surface", decided, "--fault", fault, "--out", tmp_path / "x.vtp").returncode == 0
    points = np.asarray(pv.read(tmp_path / "x.vtp").points)
    np.testing.assert_allclose(points, by_hand.surface(fault).mesh.vertices, atol=1e-2)


def test_a_pin_written_by_hand_changes_the_line_up(folder, tmp_path):
    copy = Path(shutil.copytree(folder, tmp_path / "pinned"))
    before = desurvey.open(copy).lineup().picks.set_index("structure_id")["fault_id"]
    pick = before.index[before == "F1"][0]
    block = f'[[decision]]\nwhat = "pick"\nkey = "{pick}"\nanswer = "pinned"\n'
    (copy / FILE).write_text(block, encoding="utf-8")
    for more, fault in (([], ""), (["--as-logged"], before[pick])):
        done = lowside("lineup", copy, "--out", tmp_path / "l", *more)
        assert done.returncode == 0, done.stderr
        after = pd.read_csv(tmp_path / "l" / "picks.csv", keep_default_na=False).set_index("structure_id")["fault_id"]
        assert after[pick] == fault
        others = before.index != pick
        assert (after[others] == before[others]).all()


def test_check_tells_suspects_unless_it_is_to_be_quick(folder, decided, tmp_path):
    rules = {}
    for name, where, more in (
        ("whole", folder, []), ("quick", folder, ["--quick"]), ("decided", decided, []),
        ("as logged", decided, ["--as-logged"]),
    ):  # fmt: skip
        done = lowside("check", where, *more, "--out", tmp_path / "f.csv")
        assert done.returncode == 0, done.stderr
        rules[name] = pd.read_csv(tmp_path / "f.csv")["rule"].tolist().count("suspect")
    assert rules == {"whole": 1, "quick": 0, "decided": 0, "as logged": 1}
    assert lowside("check", folder, "--fail-on", "warning").returncode == 1
    (found,) = (one for one in desurvey.open(folder).check() if one.rule == "suspect")
    assert (found.hole_id, found.depth, found.table) == ("L04", 90.0, "structures")
    assert KEY in found.message


def test_a_decision_about_nothing_is_told(folder, tmp_path):
    copy = Path(shutil.copytree(folder, tmp_path / "lost"))
    decide(copy, [Decision("suspect", "run L04 10-20 line_side", "accepted")])
    study = desurvey.open(copy)
    (lost,) = (one for one in study.check() if one.rule == "decision_lost")
    assert "run L04 10-20 line_side" in lost.message
    np.testing.assert_array_equal(study.structures.normal, study.as_logged().structures.normal)


# ---- made of data frames -------------------------------------------------------------------------------------


def frames(folder):
    return {name: pd.read_csv(folder / f"{name}.csv", dtype={"structure_id": str}) for name in TABLES}


def test_data_frames_are_a_study_like_the_same_files():
    given = frames(DEMO)
    before = {name: frame.copy() for name, frame in given.items()}
    settings = load_project(DEMO).settings
    frame = settings.frame
    study = desurvey.Study.of_tables(
        **given, north=frame.north, dip_sign=frame.dip_sign, line=settings.core.line, crs=frame.crs, **settings.sections
    )
    opened = desurvey.open(DEMO)
    np.testing.assert_array_equal(study.holes.position, opened.holes.position)
    np.testing.assert_array_equal(study.structures.normal, opened.structures.normal)
    np.testing.assert_array_equal(study.spread.pole_sigma_deg, opened.spread.pole_sigma_deg)
    for name, frame in given.items():
        pd.testing.assert_frame_equal(frame, before[name])


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"north": "up"}, "north"),
        ({"dip_sign": "down"}, "dip_sign"),
        ({"line": "left"}, "line"),
        ({"chekcs": {}}, "chekcs"),
        ({"checks": {"dogleg": 3}}, "dogleg"),
        ({"lineup": {"wavyness_m": 3}}, "wavyness_m"),
    ],
)
def test_conventions_that_mean_nothing_are_refused(folder, changed, said):
    how = {"north": "grid", "dip_sign": "negative_down", "line": "low"} | changed
    with pytest.raises(DataProblem, match=said):
        desurvey.Study.of_tables(**frames(folder), **how).check(quick=True)


def test_a_study_of_data_frames_has_no_folder_to_write_into(folder, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    study = desurvey.Study.of_tables(**frames(folder), north="grid", dip_sign="negative_down", line="low")
    with pytest.raises(DataProblem, match="decisions"):
        study.decide(KEY, accept=True)
    study.remembering(study.lineup())
    assert list(tmp_path.iterdir()) == []
    assert study.accepting([KEY]).put_right["key"].tolist() == [KEY]


def test_nothing_in_a_study_can_be_changed_and_it_is_short_to_print(decided):
    study = desurvey.open(decided)
    with pytest.raises(dataclasses.FrozenInstanceError):
        study.decisions = Decisions()
    spoilt = study.all_suspects()
    spoilt.loc[:, "key"] = "spoilt"
    assert study.all_suspects()["key"].tolist() == [KEY]
    for shown in (study, study.lineup()):
        assert len(repr(shown).splitlines()) <= 10
        assert shown._repr_html_().startswith("<")


def test_a_study_goes_to_another_process_and_is_the_same_there(decided):
    study = desurvey.open(decided)
    _ = study.structures, study.lineup()
    copy = pickle.loads(pickle.dumps(study))
    assert copy.key == study.key
    np.testing.assert_array_equal(copy.structures.normal, study.structures.normal)
    np.testing.assert_array_equal(copy.as_logged().structures.normal, study.as_logged().structures.normal)


# ---- results that are kept -----------------------------------------------------------------------------------


def test_suspects_are_searched_once_and_kept(folder, kept, searches):
    first = desurvey.open(folder).suspects()
    study = desurvey.open(folder)
    pd.testing.assert_frame_equal(study.suspects(), first)
    study.accepting([KEY]).lineup()
    assert len(searches) == 1
    fresh = desurvey.open(folder, fresh=True)
    pd.testing.assert_frame_equal(fresh.suspects(), first)
    assert len(searches) == 2
    fresh.suspects()
    assert len(searches) == 2
    pd.testing.assert_frame_equal(desurvey.open(folder).suspects(), first)
    assert len(searches) == 2


@pytest.mark.parametrize("damage", [b"", b"\x80\x04nonsense", None], ids=["emptied", "overwritten", "truncated"])
def test_a_damaged_entry_is_worked_out_anew(folder, kept, searches, damage):
    first = desurvey.open(folder).suspects()
    files = [path for path in kept.rglob("*") if path.is_file()]
    assert files
    for path in files:
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2] if damage is None else damage)
    pd.testing.assert_frame_equal(desurvey.open(folder).suspects(), first)
    assert len(searches) == 2
    pd.testing.assert_frame_equal(desurvey.open(folder).suspects(), first)


@pytest.mark.parametrize("where", ["off", "/proc/none", "{file}/below"])
def test_without_a_folder_for_results_all_works(folder, tmp_path, monkeypatch, searches, where):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("LOWSIDE_CACHE", where.format(file=tmp_path / "file"))
    for count in (1, 2):
        assert desurvey.open(folder).suspects()["key"].tolist() == [KEY]
        assert len(searches) == count
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file"]


def test_two_processes_at_once_spoil_nothing(folder, kept):
    program = (
        "import sys, desurvey\nstudy = desurvey.open(sys.argv[1])\n"
        "print(study.suspects()['key'].tolist(), study.lineup().faults['fault_id'].tolist())\n"
    )
    command, environment = [sys.executable, "-c", program, str(folder)], {**os.environ, "LOWSIDE_CACHE": str(kept)}
    both = [
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)
        for _ in range(2)
    ]
    said = [one.communicate(timeout=300) for one in both]
    assert [(out, err) for out, err in said] == [(f"['{KEY}'] ['F1', 'F2']\n", "")] * 2
    assert desurvey.open(folder).suspects()["key"].tolist() == [KEY]


def test_the_key_changes_with_what_matters_and_with_nothing_else(folder, tmp_path):
    copy = Path(shutil.copytree(folder, tmp_path / "p"))
    first = desurvey.open(copy).key
    assert desurvey.open(copy).key == first
    table = pd.read_csv(copy / "structures.csv", dtype=str, keep_default_na=False)
    table.to_csv(copy / "structures.csv", index=False, quoting=1, lineterminator="\r\n")
    assert desurvey.open(copy).key == first  # written otherwise, the same
    assert desurvey.open(copy).accepting([KEY]).key != first
    decide(copy, [Decision("suspect", KEY, "accepted")])
    study = desurvey.open(copy)
    assert study.key not in {first, study.as_logged().key}
    assert study.as_logged().key == first
    decide(copy, [Decision("suspect", KEY, "accepted", who="somebody", why="another reason")])
    assert desurvey.open(copy).key == study.key  # who and why change nothing
    decide(copy, undone=[("suspect", KEY)])
    assert desurvey.open(copy).key == first
    toml = (copy / "project.toml").read_text()
    (copy / "project.toml").write_text(toml + '[lineup]\nsame = [["S0297", "S0298"]]\n')
    assert desurvey.open(copy).key != first
    (copy / "project.toml").write_text(toml)
    table.loc[0, "alpha"] = "12"
    table.to_csv(copy / "structures.csv", index=False)
    assert desurvey.open(copy).key != first
