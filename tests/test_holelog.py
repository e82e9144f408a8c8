"""Logs of a hole: what each track shows is read back from its artists."""

from __future__ import annotations

import itertools
import re

import numpy as np
import pandas as pd
import pytest
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.text import Text

from desurvey.runs import run_table, runs_chain
from desurvey.traces import dogleg_severity
from tests.fences import fence_content
from viewer import theme
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


SCALE = 1000.0
"""Of the test's holes of 180 m on A4: a millimetre is a metre."""


def named(figure, kind, name, gid):
    """Return the artists that a track calls so."""
    wanted = rf"{re.escape(name)}[^:]*: {re.escape(gid)}"
    return [one for one in figure.findobj(kind) if re.fullmatch(wanted, str(one.get_gid()))]


def shapes(figure, name, gid):
    """Return the vertices of what is drawn under a name in a track, millimetres."""
    return [one.get_path().vertices for one in named(figure, PathPatch, name, gid)]


def ticks_of(figure, name):
    """Return where the lowest and the highest number of a track stand, millimetres, and what they say."""
    (frame,) = shapes(figure, name, "frame")
    low, high = frame[:4, 0].min() - 1.0, frame[:4, 0].max() + 1.0  # the fifth vertex closes the box
    texts = [t for t in figure.findobj(Text) if t.get_gid() == "tick" and low <= t.get_position()[0] <= high]
    ends = sorted((t.get_position()[0], float(t.get_text())) for t in texts)
    return ends[0], ends[-1]


def value(figure, name, across):
    """Return the values that places across a track stand for, by its numbers."""
    (x0, v0), (x1, v1) = ticks_of(figure, name)
    return v0 + (np.asarray(across) - x0) / (x1 - x0) * (v1 - v0)


def depth(figure, up):
    """Return the depths that heights on the paper stand for: 0 lies at the top of the frame."""
    top = shapes(figure, "depth", "frame")[0][:, 1].max()
    return (top - np.asarray(up)) * SCALE / 1000.0


def corners(figure, name, gid):
    """Return lowest and highest places of each box of a track, millimetres: (n, 2) across, (n, 2) up."""
    polys = np.concatenate([vertices.reshape(-1, 5, 2)[:, :4] for vertices in shapes(figure, name, gid)])
    return np.sort(polys[:, :, 0], axis=1)[:, [0, -1]], np.sort(polys[:, :, 1], axis=1)[:, [0, -1]]


def boxes(figure, name, gid):
    """Return first and last depth, and lowest and highest value of each box."""
    across, up = corners(figure, name, gid)
    return np.column_stack([depth(figure, up[:, ::-1]), value(figure, name, across)])


def depths(figure, name, gid):
    """Return first and last depth of each box of a track without numbers, in order."""
    return np.sort(depth(figure, corners(figure, name, gid)[1][:, ::-1]), axis=0)


def marks(figure, name, gid):
    """Return value and depth of the marks of a track."""
    (line,) = named(figure, Line2D, name, gid)
    x, y = np.array(line.get_data())
    return np.column_stack([value(figure, name, x), depth(figure, y)])


def text_of(figure):
    return " ".join(t.get_text() for t in figure.findobj(Text))


def test_recovery_is_recovered_over_length_and_more_than_all_is_marked():
    figure = draw_log(log_of())
    # 3.0/3, 1.5/3, 3.3/3 by hand; the run without a figure has no bar
    drawn = boxes(figure, "recovery", "recovery")
    assert drawn[np.argsort(drawn[:, 0])] == pytest.approx(
        np.array([[0.0, 3.0, 0.0, 100.0], [3.0, 6.0, 0.0, 50.0], [6.0, 9.0, 0.0, 110.0]]), abs=1e-9
    )
    assert "Recovery 86.7 % over 3 runs" in text_of(figure)
    assert "Runs with more core than length: 1" in text_of(figure)


def test_intervals_and_grades_lie_at_their_depths():
    log = log_of()
    figure = draw_log(log)
    own = log.bars[0].hole == 1
    wanted = np.sort(np.column_stack([log.bars[0].depth_from[own], log.bars[0].depth_to[own]]), axis=0)
    assert depths(figure, theme.heading(log.bars[0].name), "interval") == pytest.approx(wanted)
    assert depths(figure, "run grade", "grade 1") == pytest.approx(np.array([[0.0, 3.0], [9.0, 12.0]]))


def test_runs_are_coloured_by_how_their_lines_agree():
    runs = RUNS.assign(row=range(4), hole_id="TH-002", line_offset=[np.nan, 5.0, 40.0, np.nan])
    figure = draw_log(log_of(runs=runs, lines=run_table(runs, runs_chain(runs, 10.0))))
    # by hand: the ends at 3 m agree (5°), those at 6 m don't (40°), those at 9 m were not fitted
    assert depths(figure, "line held", "line held") == pytest.approx(np.array([[0.0, 3.0], [3.0, 6.0]]))
    assert depths(figure, "line held", "line in doubt") == pytest.approx(np.array([[6.0, 9.0]]))
    assert depths(figure, "line held", "line loose") == pytest.approx(np.array([[9.0, 12.0]]))
    assert "no fitted ends" in text_of(draw_log(log_of()))


def test_line_offsets_are_shown_the_short_way_round():
    dots = marks(draw_log(log_of()), "line offset", "line offset")
    assert dots == pytest.approx(np.array([[5.0, 3.0], [-10.0, 6.0]]))


def test_one_bad_run_does_not_flatten_the_offsets_of_the_others():
    runs = pd.DataFrame({"depth_from": np.arange(20.0) * 3, "depth_to": np.arange(20.0) * 3 + 3, "recovered": 3.0,
                         "line_offset": [*[6.0, -4.0] * 9, 5.0, 175.0], "grade": ""})  # fmt: skip
    figure = draw_log(log_of(runs=runs))
    assert ticks_of(figure, "line offset")[1][1] == 15.0  # it used to reach to 180
    assert len(marks(figure, "line offset", "line offset")) == 19
    (beyond,) = (t for t in figure.findobj(Text) if t.get_gid() == "line offset beyond")
    assert beyond.get_text() == "+175"


def test_tadpoles_stand_at_dip_and_depth_and_point_to_the_dip_direction_north_up():
    log = log_of()
    figure = draw_log(log)
    planes = log.structures
    chosen = (planes.hole == 1) & (planes.kind == "foliation")
    heads = marks(figure, "dip", "tadpole: foliation")
    assert heads == pytest.approx(np.column_stack([planes.dip_deg[chosen], planes.depth[chosen]]))
    (tails,) = shapes(figure, "dip", "tails: foliation")
    run = np.diff(tails.reshape(-1, 2, 2), axis=1)[:, 0]
    assert np.rad2deg(np.arctan2(run[:, 0], run[:, 1])) % 360 == pytest.approx(planes.dip_direction_deg[chosen])
    assert np.linalg.norm(run, axis=1) == pytest.approx(3.0)
    (frame,) = shapes(figure, "dip", "frame")
    assert frame[:4, 0].min() <= tails[:, 0].min()  # every tadpole is whole: tails near 90° used to be cut
    assert tails[:, 0].max() <= frame[:4, 0].max()


def test_frequency_counts_every_structure_once():
    log = log_of()
    bars = boxes(draw_log(log), "structures per m", "frequency")
    assert (bars[:, 3] * (bars[:, 1] - bars[:, 0])).sum() == pytest.approx((log.structures.hole == 1).sum())


def test_dogleg_is_that_of_the_stations():
    log = log_of()
    figure = draw_log(log)
    (stairs,) = shapes(figure, "dogleg", "dogleg")
    upright = stairs.reshape(-1, 2, 2)[::2]  # every other piece runs down the hole, from station to station
    stations = slice(log.traces.offsets[1], log.traces.offsets[2])
    severity = value(figure, "dogleg", upright[:, 0, 0])
    assert severity == pytest.approx(dogleg_severity(log.traces)[stations][1:])
    edges = depth(figure, np.append(upright[:, 0, 1], upright[-1, 1, 1]))
    assert edges == pytest.approx(log.traces.depth[stations], abs=1e-6)


def test_suspects_are_marked_and_told_and_their_absence_is_said():
    figure = draw_log(log_of())
    mark = depths(figure, "suspects", "suspect")[0]
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
    assert "1:1 000" in text_of(figure)
    # on the paper, by matplotlib's own transformation: 100 m are 100 mm
    texts = [t for t in figure.findobj(Text) if t.get_gid() == "depth"]
    written = {t.get_text(): t.get_window_extent(figure.canvas.get_renderer()) for t in texts}
    middle = [(written[name].y0 + written[name].y1) / 2 / figure.dpi * 25.4 for name in ("20", "120")]
    assert middle[0] - middle[1] == pytest.approx(100.0, abs=0.5)


def test_the_same_log_is_the_same_file(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        sheet.save(draw_log(log_of()), tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
