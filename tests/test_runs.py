"""Chained orientation lines: what fitted ends say of each run, against a graph library and the demo's truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from desurvey import runs
from desurvey.checks.limits import Limits
from desurvey.project import load_project

DEMO = Path(__file__).parents[1] / "demo_project"
LIMIT = 10.0


def grades(lines):
    return [runs.GRADES[grade] for grade in lines.grade]


def test_a_rolled_run_shows_on_itself_and_on_the_next():
    """A run rolled by 65° offsets its own upper end by 65° and the next run's by −65°."""
    lines = runs.chain(np.zeros(5), [0, 3, 6, 9, 12], [3, 6, 9, 12, 15], [np.nan, 1, 65, -65, 2], LIMIT)
    assert grades(lines) == ["held", "held", "in doubt", "held", "held"]
    np.testing.assert_allclose(lines.turned, [0, 1, 66, 1, 3])
    assert lines.locked_stretch.tolist() == [0, 0, 1, 2, 2]
    assert lines.fitted_stretch.tolist() == [0, 0, 0, 0, 0]


def test_offsets_add_up_beyond_a_turn_and_start_anew_at_a_break():
    offset = [np.nan, 170, 170, 170, np.nan, 5]
    lines = runs.chain(np.zeros(6), np.arange(6) * 3, np.arange(6) * 3 + 3, offset, LIMIT)
    np.testing.assert_allclose(lines.turned, [0, 170, 340, 510, 0, 5])


def test_an_offset_of_350_is_one_of_minus_10():
    lines = runs.chain([0, 0], [0, 3], [3, 6], [np.nan, 350], LIMIT)
    np.testing.assert_allclose(lines.offset, [np.nan, -10])
    assert grades(lines) == ["held", "held"]


def test_neither_gaps_nor_other_holes_are_fitted():
    lines = runs.chain([0, 0, 1], [0, 4, 0], [3, 7, 3], [0, 0, 0], LIMIT)
    assert grades(lines) == ["loose"] * 3
    frame = pd.DataFrame({"row": [2, 3, 4], "hole_id": ["A", "A", "B"]})
    assert runs.stretch_table(frame, lines)["break_above"].tolist() == ["top", "gap", "top"]


@pytest.mark.parametrize(("gap", "fitted"), [(0.0, True), (0.04, True), (-0.04, True), (0.06, False), (0.2, False)])
def test_ends_that_are_logged_some_centimetres_apart_can_have_been_fitted(gap, fitted):
    """Depths on core are good to a hand's breadth at best: 5 cm (common practice, no source)."""
    lines = runs.chain([0, 0], [0, 3 + gap], [3, 6], [np.nan, 2], Limits().line_offset_deg)
    assert lines.fitted.tolist() == [False, fitted]


@pytest.mark.parametrize(("offset", "agrees"), [(9.9, True), (-9.9, True), (10.1, False)])
def test_lines_agree_within_ten_degrees(offset, agrees):
    """5° is good, 5 to 10° usable, more is not (common practice, no source)."""
    assert runs.chain([0, 0], [0, 3], [3, 6], [np.nan, offset], Limits().line_offset_deg).agrees.tolist() == [
        False,
        agrees,
    ]


def test_tables_of_a_small_hole():
    frame = pd.DataFrame(
        {
            "row": range(2, 8),
            "hole_id": list("AAAABB"),
            "depth_from": [0, 3, 6, 9, 0, 3.0],
            "depth_to": [3, 6, 9, 12, 3, 6.0],
            "line_offset": [np.nan, 4, -3, 40, np.nan, np.nan],
        }
    )
    lines = runs.runs_chain(frame, LIMIT)
    stretches = runs.stretch_table(frame, lines)
    assert stretches["hole_id"].tolist() == ["A", "A", "B", "B"]
    assert stretches["break_above"].tolist() == ["top", "offset", "top", "not fitted"]
    np.testing.assert_allclose(stretches["metres"], [9, 3, 3, 3])
    np.testing.assert_allclose(stretches["drift"], [1, 0, 0, 0])
    np.testing.assert_allclose(stretches["worst_offset"], [4, 0, 0, 0])
    np.testing.assert_allclose(stretches["usual_offset"], [np.sqrt((16 + 9) / 2), 0, 0, 0])
    np.testing.assert_allclose(stretches["break_offset"], [np.nan, 40, np.nan, np.nan])
    holes = runs.hole_table(frame, lines).set_index("hole_id")
    np.testing.assert_allclose(
        holes.loc["A", ["metres", "fitted", "oriented", "longest"]].astype(float), [12, 12, 9, 9]
    )
    np.testing.assert_allclose(holes["share"], [0.75, 0.0])
    assert holes["breaks"].tolist() == [1, 0]


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_stretches_are_the_connected_parts_of_the_graph_of_agreeing_ends(data):
    """scipy.sparse.csgraph finds the same parts from the pairs of agreeing neighbours, rows in any order."""
    count = data.draw(st.integers(1, 40))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    hole = np.sort(rng.integers(0, 3, count))
    top = np.concatenate([3.0 * np.arange((hole == h).sum()) for h in range(3)])
    offset = np.where(rng.random(count) < 0.3, np.nan, rng.normal(0, 8, count))
    order = rng.permutation(count)
    lines = runs.chain(hole[order], top[order], top[order] + 3, offset[order], LIMIT)
    pairs = [(i - 1, i) for i in range(1, count) if hole[i] == hole[i - 1] and abs(offset[i]) <= LIMIT]
    left, right = np.array(pairs, dtype=int).reshape(-1, 2).T
    graph = coo_matrix((np.ones(len(left)), (left, right)), shape=(count, count))
    parts, label = connected_components(graph, directed=False)
    assert lines.locked_stretch.max() + 1 == parts
    assert len({*zip(lines.locked_stretch.tolist(), label.tolist(), strict=True)}) == parts
    np.testing.assert_array_equal(order[lines.row], np.arange(count))


def test_offsets_of_the_demo_add_up_to_the_true_errors_of_its_lines():
    """The planted line errors (truth/runs.csv) differ along a fitted chain by the sum of its offsets.

    Fitting an end has a planted σ of 1° (truth/settings.toml) and offsets are rounded to 1° (σ 0.29°): k offsets add
    up to within 1.04 √k degrees, 1 σ.
    """
    project = load_project(DEMO)
    lines = runs.runs_chain(project.runs, LIMIT)
    truth = pd.read_csv(DEMO / "truth" / "runs.csv")["line_error"].to_numpy()[lines.row]
    first = np.searchsorted(lines.fitted_stretch, lines.fitted_stretch)
    links = np.arange(len(first)) - first
    away = (lines.turned - (truth - truth[first]) + 180) % 360 - 180
    score = away[links > 0] / (1.04 * np.sqrt(links[links > 0]))
    assert len(score) > 1000
    assert np.abs(score).max() < 6
    assert 0.85 < np.sqrt(np.mean(score**2)) < 1.15


def test_the_rolled_runs_of_the_demo_that_are_fitted_are_in_doubt():
    """truth/README.md: two of the four planted rolls have fitted ends; around the others nothing was fitted."""
    project = load_project(DEMO)
    table = runs.run_table(project.runs, runs.runs_chain(project.runs, LIMIT)).set_index(["hole_id", "depth_from"])
    mistakes = pd.read_csv(DEMO / "truth" / "mistakes.csv").query("scope == 'run'")
    found = table.loc[list(zip(mistakes["hole_id"], mistakes["depth_from"], strict=True)), "agreement"]
    assert sorted(found) == ["in doubt", "in doubt", "loose", "loose"]


def test_a_chain_is_read_only():
    lines = runs.chain([0], [0], [3], [np.nan], LIMIT)
    with pytest.raises(ValueError, match="read-only"):
        lines.turned[0] = 1
