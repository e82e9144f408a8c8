"""Logs of a hole: what each track shows is read back from its artists."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle, StepPatch
from matplotlib.text import Text

from desurvey.runs import run_table, runs_chain
from desurvey.traces import dogleg_severity
from tests.fences import fence_content
from viewer.figures import sheet
from viewer.figures.holelog import HoleLog, draw_log

RUNS = pd.DataFrame(
    {
        "depth_from": [0.0, 3.0, 6.0, 9.0],
        "depth_to": [3.0, 6.0, 9.0, 12.0],
        "recovered": [3.0, 1.5, 3.3, np.nan],
        "line_offset": [np.nan, 5.0, 350.0, np.nan],
        "grade": ["1", "2", "", "1"],
    }
)
SUSPECTS = pd.DataFrame({"depth_from": [60.0], "depth_to": [63.0], "message": ["the line marks the high side"]})


def log_of(hole=1, **changes):
    content = fence_content(3)
    fields = {"runs": RUNS, "structures": content.structures, "bars": (content.bars,), "suspects": SUSPECTS}
    return HoleLog(content.traces, hole, content.title, **{**fields, **changes})


def track(figure, name):
    return next(axes for axes in figure.axes if str(axes.get_label()).startswith(f"track: {name}"))


def boxes(axes, gid):
    found = [p for p in axes.patches if isinstance(p, Rectangle) and p.get_gid() == gid]
    return np.array([[p.get_y(), p.get_y() + p.get_height(), p.get_width()] for p in found])


def text_of(figure):
    return " ".join(t.get_text() for t in figure.findobj(Text))


def test_recovery_is_recovered_over_length_and_more_than_all_is_marked():
    figure = draw_log(log_of())
    # 3.0/3, 1.5/3, 3.3/3 by hand; the run without a figure has no bar
    assert boxes(track(figure, "recovery"), "recovery") == pytest.approx(
        np.array([[0.0, 3.0, 100.0], [3.0, 6.0, 50.0], [6.0, 9.0, 110.0]])
    )
    assert "Recovery 86.7 % over 3 runs" in text_of(figure)
    assert "Runs with more core than length: 1" in text_of(figure)


def test_intervals_and_grades_lie_at_their_depths():
    log = log_of()
    figure = draw_log(log)
    own = log.bars[0].hole == 1
    drawn = boxes(track(figure, "lithology"), "interval")[:, :2]
    assert drawn == pytest.approx(np.column_stack([log.bars[0].depth_from[own], log.bars[0].depth_to[own]]))
    assert boxes(track(figure, "run grade"), "grade 1")[:, :2].tolist() == [[0.0, 3.0], [9.0, 12.0]]


def test_runs_are_coloured_by_how_their_lines_agree():
    runs = RUNS.assign(row=range(4), hole_id="TH-002", line_offset=[np.nan, 5.0, 40.0, np.nan])
    figure = draw_log(log_of(runs=runs, lines=run_table(runs, runs_chain(runs, 10.0))))
    axes = track(figure, "line held")
    # by hand: the ends at 3 m agree (5°), those at 6 m don't (40°), those at 9 m were not fitted
    assert boxes(axes, "line held")[:, :2].tolist() == [[0.0, 3.0], [3.0, 6.0]]
    assert boxes(axes, "line in doubt")[:, :2].tolist() == [[6.0, 9.0]]
    assert boxes(axes, "line loose")[:, :2].tolist() == [[9.0, 12.0]]
    assert "no fitted ends" in text_of(draw_log(log_of()))


def test_line_offsets_are_shown_the_short_way_round():
    axes = track(draw_log(log_of()), "line offset")
    dots = next(line for line in axes.lines if line.get_gid() == "line offset")
    assert np.column_stack(dots.get_data()).tolist() == [[5.0, 3.0], [-10.0, 6.0]]


def test_tadpoles_stand_at_dip_and_depth_and_point_to_the_dip_direction_north_up():
    log = log_of()
    figure = draw_log(log)
    axes = track(figure, "dip")
    planes = log.structures
    chosen = (planes.hole == 1) & (planes.kind == "foliation")
    heads = next(line for line in axes.lines if line.get_gid() == "tadpole: foliation")
    assert np.column_stack(heads.get_data()) == pytest.approx(
        np.column_stack([planes.dip_deg[chosen], planes.depth[chosen]])
    )
    tails = next(c for c in axes.collections if isinstance(c, LineCollection) and c.get_label() == "tails: foliation")
    on_paper = axes.transData.transform(np.array(tails.get_segments()).reshape(-1, 2)).reshape(-1, 2, 2)
    run = on_paper[:, 1] - on_paper[:, 0]
    assert np.rad2deg(np.arctan2(run[:, 0], run[:, 1])) % 360 == pytest.approx(planes.dip_direction_deg[chosen])
    assert np.linalg.norm(run, axis=1) / figure.dpi * 25.4 == pytest.approx(3.0)


def test_frequency_counts_every_structure_once():
    log = log_of()
    axes = track(draw_log(log), "structures per m")
    bars = boxes(axes, "frequency")
    assert (bars[:, 2] * (bars[:, 1] - bars[:, 0])).sum() == pytest.approx((log.structures.hole == 1).sum())


def test_dogleg_is_that_of_the_stations():
    log = log_of()
    axes = track(draw_log(log), "dogleg")
    steps = next(p for p in axes.patches if isinstance(p, StepPatch)).get_data()
    stations = slice(log.traces.offsets[1], log.traces.offsets[2])
    assert steps.values == pytest.approx(dogleg_severity(log.traces)[stations][1:])
    assert steps.edges == pytest.approx(log.traces.depth[stations])


def test_suspects_are_marked_and_told_and_their_absence_is_said():
    figure = draw_log(log_of())
    mark = boxes(track(figure, "suspects"), "suspect")[0]
    assert mark[0] <= 60.0 + 1e-9
    assert mark[1] >= 63.0 - 1e-9
    assert "Suspect 1: the line marks the high side" in text_of(figure).replace("\n", " ")
    assert "none found" in text_of(draw_log(log_of(suspects=SUSPECTS.iloc[:0])))
    assert "not looked for" in text_of(draw_log(log_of(suspects=None)))


def test_a_hole_with_nothing_but_a_trace_says_what_is_missing():
    log = log_of(runs=RUNS.iloc[:0], structures=None, bars=(), suspects=None)
    said = text_of(draw_log(log))
    for what in ("no recovery", "no grades", "no line offsets", "no oriented structures"):
        assert what in said


def test_names_of_tracks_do_not_overlap_and_depths_are_at_scale():
    figure = draw_log(log_of())
    names = [t for t in figure.findobj(Text) if t.get_gid() == "track name"]
    extents = sorted(t.get_window_extent(figure.canvas.get_renderer()).extents.tolist() for t in names)
    assert all(left[2] <= right[0] + 1.0 for left, right in itertools.pairwise(extents))
    axes = track(figure, "depth")
    millimetres = np.diff(axes.transData.transform([[0, 0], [0, 100]])[:, 1]) / figure.dpi * 25.4
    assert "1:1 000" in text_of(figure)
    assert -millimetres[0] == pytest.approx(100.0)


def test_the_same_log_is_the_same_file(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        sheet.save(draw_log(log_of()), tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
