"""Parts of the app that need no browser: history, decisions, the drawn piece of core, pictures, the door."""

import asyncio
import math
import re
import tomllib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import desurvey
from desurvey import orient, sphere
from desurvey.decisions import FILE, Decision, Decisions, decide, read_decisions
from desurvey.problems import DataProblem
from tests.benches import TWO_HOLES, written
from viewer import scene, theme
from viewer.app.cards import disc_card, hole_card
from viewer.app.core_piece import core_piece
from viewer.app.desk import BY_SET, desk_of, filters_said, shown_rows, shown_scene
from viewer.app.door import is_loopback
from viewer.app.painter import Painter
from viewer.app.possible import folded, repeats_said
from viewer.app.serving import serve
from viewer.app.sets import named_sets
from viewer.app.view import History, View
from viewer.scene.camera import Camera

# ---- history ------------------------------------------------------------------------------------------------


def test_undo_and_redo_walk_through_the_changes():
    history = History()
    history.change(discs_by="alpha")
    history.change(discs_by="beta")
    history.change(discs_by="beta")  # no change
    assert history.step(-1).view.discs_by == "alpha"
    assert history.step(-1).view == View()
    assert history.step(-1).view == View()
    assert history.step(+1).view.discs_by == "alpha"
    history.change(disc_size=2.0)
    assert history.step(+1).view.discs_by == "alpha"  # what had been undone is forgotten


def test_the_history_says_in_words_what_it_takes_back():
    history = History()
    history.change(selected=frozenset({1, 2}))
    pin = Decision("pick", "S0190", "pinned", when="2026-11-25T10:00:00+00:00")
    history.change("pinned S0190 to none", decisions=Decisions((pin,)))
    assert history.words(-1) == "pinned S0190 to none"
    assert history.step(-1).decisions == Decisions()
    assert (history.words(-1), history.words(+1)) == ("selected 2", "pinned S0190 to none")


def test_decisions_of_earlier_days_can_be_taken_back_the_last_one_first():
    made = (
        Decision("pick", "S2", "pinned", "F1", when="2026-11-25T10:00:00+00:00"),
        Decision("suspect", "hole A beta_reversed", "accepted", when="2026-11-24T10:00:00+00:00"),
    )
    history = History.after(Decisions(made), View())
    assert history.words(-1) == "pinned S2 to F1"
    assert [one.key for one in history.step(-1).decisions.made] == ["hole A beta_reversed"]
    assert history.words(-1) == "accepted: hole A beta_reversed"


# ---- decisions ----------------------------------------------------------------------------------------------

texts = st.text(st.characters(exclude_categories=("Cs",)), max_size=30)


@given(key=texts.filter(bool), why=texts, fault=texts)
def test_decisions_come_back_as_they_were(tmp_path_factory, key, why, fault):
    folder = tmp_path_factory.mktemp("decisions")
    made = Decisions().with_(Decision("pick", key, "pinned", fault=fault, why=why))
    assert decide(folder, made.made).decisions == made
    assert read_decisions(folder) == made
    tomllib.loads((folder / FILE).read_text(encoding="utf-8"))


def test_a_decision_is_signed_and_dated_and_replaces_the_one_before():
    made = Decisions().with_(Decision("suspect", "run TH-01 12", "accepted"))
    made = made.with_(Decision("suspect", "run TH-01 12", "set_aside", why="the driller remembers"))
    (only,) = made.made
    assert only.answer == "set_aside"
    assert only.who
    assert re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d", only.when)
    assert made.without("suspect", "run TH-01 12") == Decisions()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[decision]]\nwhat = 'suspect'\nkey = 'a'\nanswer = 'maybe'\n", "answer must be one of"),
        ("[[decision]]\nwhat = 'suspect'\nanswer = 'accepted'\n", "what it is about"),
        ("[[decision]]\nwhat = 'suspect'\nkey = 'a'\nanswer = 'accepted'\nwhoo = 'b'\n", "did you mean 'who'"),
        ("[[decision]]\nwhat = 'pick'\nkey = 3\nanswer = 'pinned'\n", "must be text"),
        ("decision = 3\n", r"\[\[decision\]\] blocks"),
        ("[[decision]\n", "readable TOML"),
    ],
)
def test_spoilt_decisions_are_refused(tmp_path, text, said):
    (tmp_path / FILE).write_text(text, encoding="utf-8")
    with pytest.raises(DataProblem, match=re.compile(said, re.I)):
        read_decisions(tmp_path)


# ---- the drawn piece of core --------------------------------------------------------------------------------


def drawn_points(svg, style):
    found = re.findall(rf'<path class="{style}" d="M([^"]+)"', svg)
    return [np.array([[float(part) for part in pair.split()] for pair in path.split("L")]) for path in found]


@pytest.mark.parametrize(("alpha", "beta"), [(30.0, 40.0), (60.0, 200.0), (75.0, 310.0)])
def test_ellipse_on_the_core_is_a_plane_at_alpha(alpha, beta):
    """The drawing, un-projected through its own stated view, gives points of one plane at alpha to the core axis."""
    svg = core_piece(alpha, beta)
    cut = drawn_points(svg, "plane")[-1]  # the cut through the apex shows alpha itself
    rise, run = abs(cut[0, 1] - cut[-1, 1]), abs(cut[0, 0] - cut[-1, 0])
    assert math.degrees(math.atan2(rise, run)) == pytest.approx(alpha, abs=0.3)


@pytest.mark.parametrize(("line", "where"), [("low", (0, 1)), ("high", (0, -1))])
def test_beta_runs_clockwise_from_the_line_looking_down_hole(line, where):
    """On the page y points down, so a clockwise turn by 90° takes (x, y) to (−y, x)."""
    spokes = [path for path in drawn_points(core_piece(45.0, 90.0, line), "plane") if len(path) == 2]
    mark = [path for path in drawn_points(core_piece(45.0, 90.0, line), "mark") if len(path) == 2][-1]
    to_line = (mark[1] - mark[0]) / np.linalg.norm(mark[1] - mark[0])
    assert to_line == pytest.approx(where, abs=0.01)
    to_apex = spokes[0][1] - spokes[0][0]
    assert to_apex / np.linalg.norm(to_apex) == pytest.approx((-where[1], where[0]), abs=0.01)


@pytest.mark.parametrize(("alpha", "beta"), [(0.0, 10.0), (90.0, 10.0), (45.0, math.nan)])
def test_edge_cases_are_drawn_too(alpha, beta):
    svg = core_piece(alpha, beta)
    assert "nan" not in svg
    assert "inf" not in svg
    assert ("no beta" in svg) == math.isnan(beta)


# ---- cards, filters -----------------------------------------------------------------------------------------


@pytest.fixture
def desk(tmp_path):
    return desk_of(desurvey.open(written(tmp_path)))


def test_cards_say_row_and_orientation(desk):
    card = disc_card(desk, 0)
    assert "structures.csv, row 2" in card
    assert "α 30°, β 0°" in card
    assert "azimuth" in hole_card(desk, 0, 40.0)
    assert "schist" in hole_card(desk, 0, 40.0)


def test_cards_escape_what_people_typed(tmp_path):
    tables = {
        "collars": ["B-1,500100,5400200,300,120,90,-60,drilled"],
        "structures": ["<img src=x>,B-1,20,fault,30,0,"],
    }
    desk = desk_of(desurvey.open(written(tmp_path, tables)))
    assert "<img" not in disc_card(desk, 0)


def test_filters_leave_what_they_say(desk):
    none = np.zeros(4, dtype=bool)
    assert shown_rows(desk, View(), none).all()
    assert shown_rows(desk, View(kinds_off=frozenset({"foliation"})), none).tolist() == [True, True, False, False]
    assert shown_rows(desk, View(depth=(30.0, 85.0)), none).tolist() == [False, True, True, False]
    assert shown_rows(desk, View(hidden=frozenset({1})), none).tolist() == [True, False, True, True]
    assert shown_rows(desk, View(alone=frozenset({1, 2}), hidden=frozenset({1})), none).tolist() == [
        False,
        False,
        True,
        False,
    ]
    assert shown_rows(desk, View(suspicion="suspect"), np.array([True, False, False, False])).sum() == 1
    assert not shown_rows(desk, View(holes_off=frozenset({"B-1"})), none).any()


def test_sets_are_named_with_their_mean_planes():
    """Two tight clusters round known planes and three strays; the mean of each must be its plane."""
    rng = np.random.default_rng(3)
    planes = orient.vector_of_plane(np.array([30.0, 75.0]), np.array([40.0, 250.0]))
    near = np.repeat(planes, [60, 25], axis=0) + rng.normal(0.0, 0.05, (85, 3))
    strays = orient.vector_of_plane(np.array([85.0, 60.0, 50.0]), np.array([160.0, 330.0, 120.0]))
    normal = np.concatenate([near, strays, planes[:1]])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    looked_at = np.arange(89) < 88
    found = named_sets(sphere.find_sets(normal[looked_at]), normal, looked_at)
    assert found.names == ["set 1", "set 2", "in no set"]
    assert [item["count"] for item in found.items] == [60, 25, 3]
    assert found.name[-1] == "of another kind"
    said = [[float(part) for part in re.findall(r"\d+", item["plane"])] for item in found.items[:2]]
    assert [plane[:2] for plane in said] == [pytest.approx([30, 40], abs=2), pytest.approx([75, 250], abs=2)]
    assert len({item["colour"] for item in found.items}) == 3


def test_filters_by_set_wait_until_sets_are_found(desk):
    none, view = np.zeros(4, dtype=bool), View(sets_off=frozenset({"set 1"}))
    assert shown_rows(desk, view, none).all()
    found = replace(desk, sets=np.array(["set 1", "in no set", "of another kind", "set 1"]))
    assert shown_rows(found, view, none).tolist() == [False, True, True, False]
    assert "sets: only in no set" in filters_said(found, view, shown_rows(found, view, none))


def test_by_set_the_legend_counts_sets_and_greys_the_rest(desk):
    found = replace(desk, sets=np.array(["set 1", "in no set", "of another kind", "set 1"]))
    legend = shown_scene(found, View(discs_by=BY_SET), np.zeros(4, dtype=bool)).legend[0]
    assert [(entry.label, entry.count) for entry in legend.entries] == [
        ("set 1", 1),
        ("in no set", 1),
        ("of another kind", 1),
    ]
    assert [entry.colour == theme.OTHER for entry in legend.entries] == [False, True, True]
    assert shown_scene(desk, View(discs_by=BY_SET), np.zeros(4, dtype=bool)).legend[0].title == "kind"


# ---- pictures, door -----------------------------------------------------------------------------------------

CAMERA = {
    "eye": [0, -900, 300], "target": [0, 0, 250], "azimuth": 0, "dip": 0, "distance": 900, "parallel": False,
    "stretch": 1, "aside": 0, "size": [320, 200],
}  # fmt: skip


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"eye": "nonsense"}, "whole camera"),
        ({"eye": [0, 0, math.nan]}, "finite"),
        ({"distance": 0}, "positive"),
        ({"size": [99999, 10]}, "1 to 4096 pixels"),
        ({"slab": {"normal": [1, 0]}}, "whole camera"),
    ],
)
def test_a_spoilt_camera_is_refused(change, said):
    with pytest.raises(DataProblem, match=said):
        Camera.asked(CAMERA | change)


def test_painter_draws_what_the_camera_sees(desk):
    async def paint():
        painter = Painter()
        try:
            await painter.load(scene.build(desk.study), theme.LIGHT)
            slab = {"normal": [1, 0, 0], "offset": 1e4, "thickness": 1}
            return await painter.paint(Camera.asked(CAMERA)), await painter.paint(Camera.asked(CAMERA | {"slab": slab}))
        finally:
            await painter.close()

    whole, cut = asyncio.run(paint())
    assert whole[:3] == b"\xff\xd8\xff"  # a JPEG (ITU-T T.81)
    assert len(cut) < len(whole)


def test_only_this_machine_without_a_token():
    assert is_loopback("127.0.0.1")
    assert is_loopback("localhost")
    assert is_loopback("::1")
    assert not is_loopback("0.0.0.0")
    with pytest.raises(DataProblem, match="needs a --token"):
        serve(None, host="0.0.0.0", open_browser=False)


def test_a_card_says_what_is_missing_and_no_nan(tmp_path):
    """It said ``nan° / –  ± nan°`` of a structure without beta."""
    tables = TWO_HOLES | {"structures": [*TWO_HOLES["structures"], "S5,B-1,95,joint,,,"]}
    bare = desk_of(desurvey.open(written(tmp_path / "bare", tables)))
    for row in (3, 4):
        text = disc_card(bare, row)
        assert "nan" not in text
        assert "without orientation" in text
    assert "without angles" in disc_card(bare, 4)


# ---- the list of suspects -----------------------------------------------------------------------------------


def accused(*rows):
    return pd.DataFrame(rows, columns=["scope", "blunder", "roll_deg"])


def test_a_line_on_the_wrong_side_stands_above_many_that_are_slightly_off():
    small = [("run", "run_rolled", turn) for turn in (11.0, -16.0, 12.5)]
    table = accused(*small, ("run", "run_rolled", 178.0), ("hole", "beta_reversed", np.nan))
    assert folded(table, [9, 9, 9, 2, 40]) == [[4], [3], [1, 2, 0]]
    assert repeats_said(table.iloc[[1, 2, 0]]) == "The line jumps ±11–16°: 3 runs"


def test_few_repeats_and_different_blunders_are_not_folded():
    table = accused(("run", "run_rolled", 15.0), ("run", "run_rolled", 14.0), *[("run", "line_side", 180.0)] * 3)
    assert folded(table, [1] * 5) == [[2, 3, 4], [0], [1]]
    assert repeats_said(table.iloc[:1]) == ""
