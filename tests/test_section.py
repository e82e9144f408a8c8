"""Sections: apparent dip against tables, projection and cuts against scipy, and what is drawn where."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.collections import LineCollection
from matplotlib.text import Text
from scipy.linalg import null_space
from scipy.spatial.transform import Rotation

from desurvey import orient
from desurvey.problems import DataProblem
from tests.fences import FAULT_DIP, FAULT_DIRECTION, ORIGIN, fence_content, fence_traces, square
from viewer.figures import labels, sheet
from viewer.figures.section import draw_section
from viewer.figures.slab import Slab, along_line, cut_mesh, through_holes

TABLE = [  # true dip, angle between strike and section, apparent dip in degrees and minutes
    (10, 45, 7, 6),
    (15, 20, 5, 14),
    (30, 30, 16, 6),
    (30, 60, 26, 34),
    (45, 45, 35, 16),
    (60, 60, 56, 19),
    (75, 15, 44, 0),
    (80, 80, 79, 51),
]
"""Apparent dips, to the minute: the conversion table of field manuals (e.g. Compton 1985, *Geology in the Field*,
appendix), from memory."""


@pytest.mark.parametrize(("dip", "angle", "degrees", "minutes"), TABLE)
def test_apparent_dip_agrees_with_the_printed_table(dip, angle, degrees, minutes):
    strike, section = 40.0, 40.0 + angle
    found = orient.apparent_dip([dip], [strike + 90.0], section)[0]
    assert found == pytest.approx(degrees + minutes / 60, abs=0.5 / 60 + 1e-9)


@given(st.floats(0.5, 89.5), st.floats(0, 360), st.floats(0, 360))
def test_apparent_dip_is_the_plunge_of_the_line_that_both_planes_share(dip, direction, azimuth):
    # scipy's null space of the two normals, a route with no trigonometry of ours
    across = Rotation.from_euler("z", -azimuth, degrees=True).apply([1.0, 0.0, 0.0])  # level, square to the section
    normal = orient.vector_of_plane([dip], [direction])[0]
    line = null_space(np.vstack([normal, across]))
    if line.shape[1] > 1:
        return  # the plane is the section
    line = line[:, 0] * (np.sign(line[:2, 0] @ [np.sin(np.deg2rad(azimuth)), np.cos(np.deg2rad(azimuth))]) or 1.0)
    flat = np.hypot(line[0], line[1])
    expected = np.rad2deg(np.arctan2(-line[2], flat))
    assert orient.apparent_dip([dip], [direction], azimuth)[0] == pytest.approx(expected, abs=1e-6)


def test_square_to_strike_the_dip_is_true_and_along_strike_it_is_nothing():
    assert orient.apparent_dip([62.0, 62.0], [215.0, 215.0], 215.0) == pytest.approx(62.0)
    assert orient.apparent_dip([62.0], [215.0], 305.0)[0] == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(orient.apparent_dip([90.0], [0.0], 90.0)[0])


def test_points_in_a_slab_are_the_rotated_frame():
    slab = Slab(1000.0, 2000.0, 35.0, 40.0)
    points = np.random.default_rng(3).normal(size=(50, 3)) * 100 + [1000, 2000, 300]
    turned = Rotation.from_euler("z", 35.0 - 90.0, degrees=True).apply(points - [1000, 2000, 0])
    # turning the section's azimuth onto east leaves (along, behind, elevation)
    assert slab.seen(points) == pytest.approx(turned[:, [0, 2, 1]], abs=1e-9)
    assert np.array_equal(slab.holds(slab.seen(points)), np.abs(turned[:, 1]) <= 20.0)


def test_a_section_with_azimuth_090_looks_north():
    assert Slab(0, 0, 90.0, 10.0).into == pytest.approx([0, 1, 0])


@pytest.mark.parametrize("azimuth", [5.0, 90.0, 140.0, 180.0])
def test_a_section_through_holes_follows_them_and_looks_to_the_northern_half(azimuth):
    trace = fence_traces(4)
    turn = Rotation.from_euler("z", 90.0 - azimuth, degrees=True)
    turned = type(trace)(
        trace.hole_ids, trace.offsets, trace.depth, turn.apply(trace.position - ORIGIN) + ORIGIN,
        turn.apply(np.array(trace.tangent)), trace.surveyed, trace.end,
    )  # fmt: skip
    straight = through_holes(trace, np.arange(4), 20.0).azimuth_deg - 90.0
    found = through_holes(turned, np.arange(4), 20.0).azimuth_deg
    assert (found - azimuth - straight) % 180.0 == pytest.approx(0.0, abs=1e-6)
    assert 0.0 < found <= 180.0


def test_one_vertical_hole_is_seen_looking_north():
    trace = fence_traces(1)
    down = type(trace)(
        trace.hole_ids, np.array([0, 2]), np.array([0.0, 100.0]), np.array([[0.0, 0, 0], [0, 0, -100]]),
        np.array([[0.0, 0, -1], [0, 0, -1]]), np.array([100.0]), np.array([100.0]),
    )  # fmt: skip
    assert through_holes(down, np.array([0]), 20.0).azimuth_deg == 90.0


def test_a_mesh_is_cut_along_the_apparent_dip_of_its_plane():
    slab = Slab(ORIGIN[0] + 3.7, ORIGIN[1] - 11.0, 62.0, 10.0)
    sheet_ = square("F", ORIGIN, 48.0, 200.0, 80.0)
    cut = cut_mesh(slab.seen(sheet_.vertices), sheet_.triangles)
    run = cut[:, 1] - cut[:, 0]
    slope = np.rad2deg(np.arctan(-run[:, 1] / run[:, 0]))
    assert slope == pytest.approx(orient.apparent_dip([48.0], [200.0], 62.0)[0], abs=1e-9)
    # both triangles are crossed, and their pieces meet
    assert len(cut) == 2
    ends = cut.reshape(4, 2)
    gaps = np.linalg.norm(ends[:2, None] - ends[None, 2:], axis=2)
    assert gaps.min() < 1e-9


def test_a_mesh_beside_the_section_is_not_cut():
    slab = Slab(0.0, 0.0, 90.0, 10.0)
    away = square("F", np.array([0.0, 500.0, 0.0]), 40.0, 90.0, 50.0)
    assert cut_mesh(slab.seen(away.vertices), away.triangles).shape == (0, 2, 2)


def collection(figure, label):
    axes = next(a for a in figure.axes if a.get_label() == "drawing")
    return axes, next(c for c in axes.collections if isinstance(c, LineCollection) and c.get_label() == label)


def test_fault_ticks_lie_at_their_projected_places_at_the_apparent_dip():
    content = fence_content(6)
    slab = through_holes(content.traces, np.arange(6), 60.0)
    figure = draw_section(content, slab)
    _, ticks = collection(figure, "structures: fault")
    planes = content.structures
    chosen = planes.kind == "fault"
    seen = slab.seen(planes.position[chosen])
    inside = np.abs(seen[:, 2]) <= 30.0
    segments = np.array(ticks.get_segments())
    assert segments.mean(axis=1) == pytest.approx(seen[inside, :2], abs=1e-6)
    run = segments[:, 1] - segments[:, 0]
    slope = np.rad2deg(np.arctan(-run[:, 1] / run[:, 0]))
    expected = orient.apparent_dip(planes.dip_deg[chosen], planes.dip_direction_deg[chosen], slab.azimuth_deg)
    assert slope == pytest.approx(expected[inside], abs=1e-6)


def test_vertical_exaggeration_steepens_ticks_and_is_stated():
    content = fence_content(3)
    slab = through_holes(content.traces, np.arange(3), 60.0)
    figure = draw_section(content, slab, exaggeration=2.0)
    axes, ticks = collection(figure, "structures: fault")
    on_paper = axes.transData.transform(np.array(ticks.get_segments()).reshape(-1, 2)).reshape(-1, 2, 2)
    run = on_paper[:, 1] - on_paper[:, 0]
    planes = content.structures
    chosen = (planes.kind == "fault") & slab.holds(slab.seen(planes.position))
    true = orient.apparent_dip(planes.dip_deg[chosen], planes.dip_direction_deg[chosen], slab.azimuth_deg)
    # on the paper the tangent of the dip is twice as large
    assert -run[:, 1] / run[:, 0] == pytest.approx(2 * np.tan(np.deg2rad(true)), rel=1e-6)
    assert any("VERTICAL EXAGGERATION 2×" in text for text in texts(figure))


def texts(figure):
    return [t.get_text() for t in figure.findobj(Text)]


def test_the_drawing_is_at_the_scale_it_states():
    content = fence_content(5)
    figure = draw_section(content, through_holes(content.traces, np.arange(5), 50.0), scale=2500)
    axes = next(a for a in figure.axes if a.get_label() == "drawing")
    inches = axes.transData.transform([[0, 0], [100, 0], [0, 100]]) / figure.dpi
    millimetres = (inches[1:] - inches[0]) * 25.4
    assert millimetres == pytest.approx(np.array([[40.0, 0.0], [0.0, 40.0]]), abs=1e-6)
    assert "1:2 500" in texts(figure)
    assert figure.get_size_inches() * 25.4 == pytest.approx([297.0, 210.0])


def test_what_is_left_out_is_counted():
    content = fence_content(12, fences=3)
    slab = through_holes(content.traces, np.arange(4), 50.0)
    outside = int((np.abs(slab.seen(content.structures.position)[:, 2]) > 25.0).sum())
    said = " ".join(texts(draw_section(content, slab)))
    assert outside > 0
    assert f"{outside} structures outside 25 m" in said
    assert "8 holes outside 25 m" in said


@pytest.mark.parametrize(("holes", "fences", "paper"), [(5, 1, "A4"), (60, 1, "A3"), (60, 4, "A4")])
def test_names_and_depths_of_holes_do_not_overlap(holes, fences, paper):
    content = fence_content(holes, fences)
    figure = draw_section(content, through_holes(content.traces, np.arange(holes // fences), 50.0), paper=paper)
    written = [t for t in figure.findobj(Text) if t.get_gid() in {"hole name", "depth"}]
    boxes = np.array([t.get_window_extent(figure.canvas.get_renderer()).extents for t in written])
    low = np.maximum(boxes[:, None, :2], boxes[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], boxes[None, :, 2:])
    overlaps = np.all(high - low > 0.5, axis=2)
    np.fill_diagonal(overlaps, False)
    assert not overlaps.any()
    assert sum(t.get_gid() == "hole name" for t in written) == holes // fences


@pytest.mark.parametrize("ending", [".pdf", ".svg", ".png"])
def test_a_figure_is_the_same_to_the_byte(tmp_path, ending):
    content = fence_content(3)
    slab = through_holes(content.traces, np.arange(3), 50.0)
    files = [tmp_path / f"{i}{ending}" for i in range(2)]
    for file in files:
        sheet.save(draw_section(content, slab), file)
    assert files[0].read_bytes() == files[1].read_bytes()
    assert sorted(tmp_path.iterdir()) == sorted(files)


def test_other_endings_and_sizes_are_refused(tmp_path):
    content = fence_content(1)
    slab = through_holes(content.traces, np.arange(1), 50.0)
    with pytest.raises(DataProblem, match=r"must end in \.pdf, \.svg or \.png"):
        sheet.save(draw_section(content, slab), tmp_path / "section.jpg")
    with pytest.raises(DataProblem, match="thickness of a section must be more than 0"):
        Slab(0, 0, 90, 0.0)
    with pytest.raises(DataProblem, match="two ends of a section line must differ"):
        along_line((1.0, 2.0), (1.0, 2.0), 10.0)
    with pytest.raises(DataProblem, match="vertical exaggeration must be more than 0"):
        draw_section(content, slab, exaggeration=-1.0)


def test_a_section_with_nothing_in_it_says_so():
    content = fence_content(2)
    figure = draw_section(content, along_line((0.0, 0.0), (100.0, 0.0), 10.0))
    assert any("No hole lies in this section" in text for text in texts(figure))


@given(
    st.lists(st.floats(0, 200), min_size=1, max_size=40),
    st.floats(1.0, 8.0),
)
def test_spread_names_keep_their_order_and_their_distance(wanted, size):
    at = np.array(wanted)
    got = labels.spread(at, np.full(len(at), size), 0.0, 200.0)
    order = np.argsort(at, kind="stable")
    gap = min(size, 200.0 / len(at))
    assert np.all(np.diff(got[order]) >= gap - 1e-9)
    assert got.min() >= gap / 2 - 1e-9
    assert got.max() <= 200.0 - gap / 2 + 1e-9


def test_the_fault_of_the_fence_shows_at_its_true_dip_when_square_to_strike():
    content = fence_content(5)
    slab = Slab(ORIGIN[0], ORIGIN[1], 90.0, 50.0)
    _, line = collection(draw_section(content, slab), "F1")
    run = np.diff(np.array(line.get_segments()), axis=1)[:, 0]
    assert np.rad2deg(np.arctan(run[:, 1] / run[:, 0])) == pytest.approx(FAULT_DIP, abs=1e-9)
    assert FAULT_DIRECTION == 270.0  # dips to the left
