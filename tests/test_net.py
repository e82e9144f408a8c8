"""Nets: what is drawn, read back and held against PROJ's map projections and published numbers."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
from matplotlib.text import Text

from desurvey import curvature, orient, sphere
from viewer.figures import sheet
from viewer.figures.net import Net, NetLook, curve, draw_net, project
from viewer.figures.sheet import Title

TITLE = Title("Tarn Hollow", "Net", "EPSG:32633", "", (), "2026-11-25")
NONE = np.empty((0, 3))
NO_CONES = (NONE, np.empty(0))


def axes_of(figure):
    return next(axes for axes in figure.axes if axes.get_label() == "drawing")


def drawn(figure, gid):
    return [np.column_stack(line.get_data()) for line in axes_of(figure).lines if line.get_gid() == gid]


def net_of_planes(dip, direction, kind="fault", holes=NONE, tangent=(0.0, 0.0, -1.0), cones=NO_CONES):
    normal = orient.vector_of_plane(np.array(dip, float), np.array(direction, float))
    tangents = np.broadcast_to(np.array(tangent, float), normal.shape)
    kinds, clear = np.full(len(normal), kind), np.zeros(len(normal), dtype=bool)
    return Net(normal, tangents, kinds, clear, NONE, *cones, np.array(holes, float), TITLE)


# PROJ on a sphere of radius 1 seen from its pole of projection: +proj=laea is Lambert's azimuthal equal-area
# projection, +proj=stere the stereographic. A lower-hemisphere net is the map centred on straight down.
MAPS = {"equal_area": ("laea", np.sqrt(2.0)), "equal_angle": ("stere", 2.0)}


@pytest.mark.parametrize("projection", ["equal_area", "equal_angle"])
def test_poles_are_where_proj_maps_them(projection):
    rng = np.random.default_rng(5)
    trend, plunge = rng.uniform(0, 360, 200), rng.uniform(0, 90, 200)
    net = net_of_planes(90.0 - plunge, (trend + 180.0) % 360)  # the pole plunges away from the dip direction
    figure = draw_net(net, NetLook(projection=projection, contours="none", sets=False))
    name, rim = MAPS[projection]
    to_map = pyproj.Proj(f"+proj={name} +lat_0=-90 +lon_0=0 +R=1")
    x, y = to_map(trend, -plunge)
    assert drawn(figure, "poles: fault")[0] == pytest.approx(np.column_stack([x, y]) / rim, abs=1e-9)


@pytest.mark.parametrize(
    ("projection", "radii"),
    [
        # CHECK_VALUES section 3: Schmidt and Wulff radii at plunges 0, 10, 30, 45, 60, 90
        ("equal_area", [1, 0.909039, 0.707107, 0.541196, 0.366025, 0]),
        ("equal_angle", [1, 0.839100, 0.577350, 0.414214, 0.267949, 0]),
    ],
)
def test_radii_of_the_tables(projection, radii):
    lines = orient.vector_of_line(np.full(6, 37.0), [0, 10, 30, 45, 60, 90])
    assert np.linalg.norm(project(lines, projection), axis=1) == pytest.approx(radii, abs=5e-7)


def test_great_circles_hold_every_line_of_their_plane_and_small_circles_every_pole_of_their_cone():
    hole = curvature.tangent(np.array([0.7]), np.array([-1.0]))
    net = net_of_planes([55.0], [120.0], cones=(hole, np.array([30.0])))
    figure = draw_net(net, NetLook(contours="none", sets=False, great_circles=True, cones=True))
    on_plane = sphere.from_equal_area(drawn(figure, "plane")[0])
    assert np.abs(on_plane @ net.normal[0]) == pytest.approx(0.0, abs=1e-9)
    ring = drawn(figure, "cone")[0]
    ring = sphere.from_equal_area(ring[np.isfinite(ring[:, 0])])
    # the plane makes alpha with the hole, so its pole makes 90 − alpha with it
    assert np.rad2deg(np.arccos(np.abs(ring @ hole[0]))) == pytest.approx(60.0, abs=1e-6)


def test_a_curve_that_crosses_the_rim_is_broken_there():
    ring = sphere.small_circle(np.array([1.0, 0.0, 0.0]), 30.0, count=721)
    points = curve(ring, "equal_area")
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    assert np.isnan(points[:, 0]).sum() >= 2
    assert np.nanmax(steps) < 0.05
    assert np.nanmax(np.linalg.norm(points, axis=1)) <= 1.0 + 1e-12


def test_two_planted_sets_are_found_and_written_down():
    rng = np.random.default_rng(11)
    dip = np.concatenate([rng.normal(60, 4, 80), rng.normal(25, 4, 60)])
    direction = np.concatenate([rng.normal(270, 5, 80), rng.normal(100, 8, 60)])
    net = net_of_planes(dip, direction % 360)
    figure = draw_net(net)
    text = " ".join(t.get_text() for t in figure.findobj(Text))
    means = np.vstack(drawn(figure, "set mean"))
    truth = project(orient.vector_of_plane([60.0, 25.0], [270.0, 100.0]), "equal_area")
    assert len(means) == 2
    assert np.linalg.norm(means[:, None] - truth[None], axis=2).min(axis=0).max() < 0.02
    assert "Set 1: dip/dip direction" in text
    assert "140 poles" in text
    # the cone drawn around a mean is as wide as the mean is said to be known
    first = sphere.find_sets(net.normal)
    mean = sphere.axial_mean(net.normal[first.member == 0])
    ring = sphere.from_equal_area(drawn(figure, "set cone")[0])
    angle = np.rad2deg(np.arccos(np.clip(np.abs(ring @ mean.axis), 0, 1)))
    assert (angle.max(), angle.min()) == pytest.approx(tuple(mean.cone_deg), abs=1e-6)


def test_one_vertical_hole_is_blind_to_the_share_that_the_formula_gives():
    net = net_of_planes([10.0, 20.0], [0.0, 90.0], holes=[[0.0, 0.0, -1.0]])
    text = " ".join(t.get_text() for t in draw_net(net).findobj(Text))
    # sin 20° of the half sphere (CHECK_VALUES section 3: Goodman's limit of α ≥ 20°)
    assert "34%" in text
    crossed = net_of_planes([10.0], [0.0], holes=np.eye(3) * -1.0)
    said = " ".join(t.get_text() for t in draw_net(crossed, NetLook(contours="none")).findobj(Text))
    assert "blind): 0%" in said.replace("\n", " ")


def test_weights_move_the_contours():
    rng = np.random.default_rng(2)
    normal = orient.vector_of_plane(rng.uniform(0, 90, 100), rng.uniform(0, 360, 100))
    tangent, kind, clear = np.tile([0.0, 0.0, -1.0], (100, 1)), np.full(100, "joint"), np.zeros(100, dtype=bool)
    net = Net(normal, tangent, kind, clear, NONE, NONE, np.empty(0), NONE, TITLE)
    plain, weighted = (draw_net(net, NetLook(weighted=weighted, sets=False)) for weighted in (False, True))
    paths = [[p.vertices.tolist() for c in axes_of(f).collections for p in c.get_paths()] for f in (plain, weighted)]
    assert paths[0] != paths[1]
    assert "Terzaghi" in " ".join(t.get_text() for t in weighted.findobj(Text))


@pytest.mark.parametrize("number", [0, 1, 2])
def test_few_poles_are_no_error(number):
    figure = draw_net(net_of_planes(np.full(number, 40.0), np.full(number, 90.0)))
    assert f"{number} poles" in " ".join(t.get_text() for t in figure.findobj(Text))


def test_the_net_is_round_and_the_same_each_time(tmp_path):
    net = net_of_planes([30.0, 60.0, 80.0], [10.0, 120.0, 200.0])
    figure = draw_net(net, paper="A3")
    corners = axes_of(figure).transData.transform([[1, 0], [0, 1], [0, 0]])
    assert corners[0, 0] - corners[2, 0] == pytest.approx(corners[1, 1] - corners[2, 1])
    for name in ("a.svg", "b.svg"):
        sheet.save(draw_net(net), tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
