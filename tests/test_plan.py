"""Plans: strike and dip symbols, the level slab, names, all read back from what was drawn."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.text import Text

from desurvey.problems import DataProblem
from tests.fences import fence_content
from viewer.figures.labels import placed, points_in
from viewer.figures.plan import Level, draw_plan


def drawing(figure):
    return next(axes for axes in figure.axes if axes.get_label() == "drawing")


def texts(figure, gid=None):
    return [t for t in figure.findobj(Text) if gid is None or t.get_gid() == gid]


def test_strike_bars_are_square_to_the_dip_direction_and_ticks_point_down_dip():
    content = fence_content(6, fences=2)
    axes = drawing(draw_plan(content))
    ticks = next(c for c in axes.collections if isinstance(c, LineCollection) and c.get_label() == "structures: fault")
    segments = np.array(ticks.get_segments())
    bars, tips = np.split(segments, 2)
    planes = content.structures
    middles = bars.mean(axis=1)
    # which plane each symbol belongs to, by its place
    row = np.argmin(np.linalg.norm(planes.position[None, :, :2] - middles[:, None], axis=2), axis=1)
    run = bars[:, 1] - bars[:, 0]
    strike = np.rad2deg(np.arctan2(run[:, 0], run[:, 1])) % 180.0
    # the strike is the dip direction less a right angle (right-hand rule of the trade), modulo a half turn
    assert strike == pytest.approx((planes.dip_direction_deg[row] - 90.0) % 180.0, abs=1e-6)
    down = tips[:, 1] - tips[:, 0]
    assert np.rad2deg(np.arctan2(down[:, 0], down[:, 1])) % 360 == pytest.approx(
        planes.dip_direction_deg[row], abs=1e-6
    )
    assert np.all(planes.kind[row] == "fault")


def test_a_level_plan_shows_only_its_slab_and_counts_the_rest():
    content = fence_content(8, fences=2)
    level = Level(280.0, 30.0)
    figure = draw_plan(content, level, scale=2000)
    outside = int((np.abs(content.structures.position[:, 2] - 280.0) > 15.0).sum())
    said = " ".join(t.get_text() for t in texts(figure))
    assert f"{outside} structures outside 15 m" in said
    assert "Plan at 280 m, 30 m thick" in said
    line = next(line for line in drawing(figure).lines if line.get_gid() == "hole")
    xy = np.column_stack(line.get_data())
    number = np.isfinite(xy[:, 0]).sum()
    # a 30 m slab of holes at some 50 to 60 degrees holds 35 to 42 m of each drilled hole, a point a metre at 1:2000
    assert 7 * 30 < number < 7 * 48


@pytest.mark.parametrize(("holes", "fences", "paper"), [(5, 1, "A4"), (60, 6, "A4"), (60, 6, "A3")])
def test_names_do_not_overlap_and_none_is_lost_unsaid(holes, fences, paper):
    figure = draw_plan(fence_content(holes, fences), paper=paper)
    names = texts(figure, "hole name")
    boxes = np.array([t.get_window_extent(figure.canvas.get_renderer()).extents for t in names])
    low = np.maximum(boxes[:, None, :2], boxes[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], boxes[None, :, 2:])
    overlaps = np.all(high - low > 0.5, axis=2)
    np.fill_diagonal(overlaps, False)
    assert not overlaps.any()
    assert len(names) == holes


def test_a_horizontal_plane_is_a_cross_and_needs_no_dip_direction():
    content = fence_content(1)
    planes = content.structures
    flat = type(planes)(
        planes.hole, planes.depth, planes.position, np.zeros(len(planes.depth)), np.full(len(planes.depth), np.nan),
        planes.kind, planes.suspect,
    )  # fmt: skip
    figure = draw_plan(type(content)(content.traces, content.planned, content.title, structures=flat))
    assert all(t.get_text() == "0" for t in texts(figure, "dip"))
    assert texts(figure, "dip")


def test_a_plan_without_structures_or_thickness():
    content = fence_content(2)
    bare = type(content)(content.traces, content.planned, content.title)
    assert drawing(draw_plan(bare))
    with pytest.raises(DataProblem, match="thickness of a plan must be more than 0"):
        Level(100.0, 0.0)


def test_names_keep_clear_of_what_is_drawn_where_they_can():
    points = np.array([[50.0, 50.0]])
    wall = np.column_stack([np.linspace(51.0, 60.0, 200), np.full(200, 52.0)])  # up and to the right of the point
    free = placed(points, np.array([[8.0, 2.0]]), np.empty((0, 2)), (0.0, 0.0, 100.0, 100.0))
    clear = placed(points, np.array([[8.0, 2.0]]), wall, (0.0, 0.0, 100.0, 100.0))
    half = np.array([[4.0, 1.0]])
    assert points_in(free - half, free + half, wall)[0] > 50
    assert points_in(clear - half, clear + half, wall)[0] == 0


def test_a_name_without_room_is_left_out():
    crowd = np.repeat([[5.0, 5.0]], 30, axis=0)
    centres = placed(crowd, np.full((30, 2), 4.0), np.empty((0, 2)), (0.0, 0.0, 12.0, 12.0))
    assert 0 < np.isfinite(centres[:, 0]).sum() < 10
