"""Scenes: the right thing at the right place in the right colour, before any window opens."""

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import pyvista as pv
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

import desurvey
from desurvey import lineup, traces
from desurvey.problems import DataProblem
from desurvey.spread import StructureSpread
from tests.benches import TWO_HOLES, fan, layered, written
from viewer import scene, theme
from viewer.figures.layers import Surface
from viewer.scene import discs, floor, values
from viewer.scene.colouring import coloured, rgb
from viewer.scene.doubt import with_doubt
from viewer.scene.faults import with_faults
from viewer.scene.frame import framed
from viewer.scene.ground import with_ground
from viewer.scene.holes import DASH_M, pieces
from viewer.scene.labels import AROUND, free_places


@pytest.fixture
def bench(tmp_path):
    return desurvey.open(written(tmp_path))


def drawn(bench, **how):
    return scene.build(bench, **how)


# ---- frame ----------------------------------------------------------------------------------------------------------


def test_metres_survive_single_precision_at_large_northings():
    true = np.array([[500123.456, 5400234.567, 312.345], [500923.4, 5400834.5, -10.0]])
    frame = framed(true)
    kept = frame.true(frame.local(true).astype(np.float32))
    assert np.abs(kept - true).max() < 1e-4
    assert np.abs(true.astype(np.float32) - true).max() > 0.05  # what would be lost without the shift


@given(
    st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(-1e7, 1e7), st.floats(-5e3, 5e3)), min_size=1, max_size=6),
)
def test_box_holds_all_points_on_round_lines(points):
    frame = framed(points)
    low, high = frame.true(frame.low), frame.true(frame.high)
    assert (low <= np.min(points, axis=0) + 1e-6).all()
    assert (high >= np.max(points, axis=0) - 1e-6).all()
    assert np.allclose(low / frame.step, np.round(low / frame.step), atol=1e-6)
    assert (np.round(frame.size / frame.step) >= 1).all()


def test_labels_say_true_coordinates():
    frame = framed([[500010, 5400020, 210], [500410, 5400220, -40]])
    labels = floor.axis_labels(frame)
    said = dict(zip(labels.text, labels.position, strict=True))
    east = said["500 400 E".replace(" ", "\N{NARROW NO-BREAK SPACE}", 1)]
    assert frame.true(east)[0] == 500400
    assert said["\N{MINUS SIGN}50 m"][2] == -50


# ---- discs ----------------------------------------------------------------------------------------------------------


def test_discs_lie_in_their_planes():
    """The plane through each polygon, by singular value decomposition, is the one asked for; its area is known."""
    rng = np.random.default_rng(3)
    normal = rng.normal(size=(50, 3))
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    normal[0], normal[1] = (0, 0, 1), (1, 0, 0)
    centre, radius = rng.uniform(-100, 100, (50, 3)), rng.uniform(1, 5, 50)
    mesh = discs.disc_mesh(centre, normal, radius)
    corner = mesh.points.reshape(50, discs.SIDES, 3).astype(float)
    assert np.abs(corner.mean(axis=1) - centre).max() < 1e-4
    least = np.linalg.svd(corner - corner.mean(axis=1, keepdims=True))[2][:, 2]
    assert np.abs(np.abs(np.einsum("ij,ij->i", least, normal)) - 1).max() < 1e-6
    # Area of a regular polygon of k corners on a circle: k/2 · r² · sin(2π/k), any handbook of geometry.
    expected = discs.SIDES / 2 * radius**2 * np.sin(2 * np.pi / discs.SIDES)
    assert mesh.compute_cell_sizes()["Area"] == pytest.approx(expected, rel=1e-4)


def test_strike_is_level_and_plane_dips_to_its_right():
    normal = np.array([[np.sin(0.5), 0.0, np.cos(0.5)]])  # dips east at 0.5 rad
    strike, down = discs.bases(normal)
    assert strike[0] == pytest.approx([0, 1, 0])  # north, with east to its right
    assert down[0] == pytest.approx([np.cos(0.5), 0, -np.sin(0.5)])


def test_line_of_sight_meets_the_disc_that_vtk_finds():
    """VTK's own ray casting on the triangulated discs names the same first disc (polygons must be triangulated)."""
    rng = np.random.default_rng(7)
    normal = rng.normal(size=(300, 3))
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    centre, radius = rng.uniform(-40, 40, (300, 3)), rng.uniform(3, 6, 300)
    mesh = discs.disc_mesh(centre, normal, radius, sides=128)
    mesh.cell_data["index"] = np.arange(300)
    triangles = mesh.triangulate()
    met = 0
    for start in rng.normal(size=(150, 3)):
        eye = 300 * start / np.linalg.norm(start)
        aim = rng.uniform(-35, 35, 3)
        points, cells = triangles.ray_trace(eye, eye + 2 * (aim - eye))
        index, distance = discs.first_disc(centre, normal, radius, eye, aim - eye)
        away = np.linalg.norm(points - eye, axis=1)
        rim = index >= 0 and len(points) and distance < away.min() - 1e-3  # between the polygon and the circle
        if rim:
            continue
        expected = int(triangles["index"][cells[away.argmin()]]) if len(points) else -1
        assert index == expected
        met += index >= 0
    assert met > 50


def test_empty_sight_meets_nothing():
    index, distance = discs.first_disc(np.zeros((1, 3)), np.array([[0.0, 0, 1]]), 1.0, (5, 5, 5), (0, 0, -1))
    assert (index, distance) == (-1, np.inf)
    assert discs.first_disc(np.empty((0, 3)), np.empty((0, 3)), 1.0, (0, 0, 0), (0, 0, 1))[0] == -1


# ---- holes ----------------------------------------------------------------------------------------------------------


def test_pieces_cover_each_hole_once_and_end_at_boundaries(bench):
    project, holes = bench.project, bench.holes
    cuts = values.hole_cuts(project, holes, values.Choice("rocks", "rock"))
    parts = pieces(holes, *cuts)
    length = np.bincount(parts.hole, weights=parts.depth_to - parts.depth_from)
    assert length == pytest.approx([120, 90])
    assert 33.3 in parts.depth_to


def test_rocks_are_where_pandas_says(bench):
    project, holes = bench.project, bench.holes
    choice = values.Choice("rocks", "rock")
    parts = pieces(holes, *values.hole_cuts(project, holes, choice))
    found = values.hole_values(project, holes, choice, parts)
    rocks = project.intervals["rocks"]
    index = pd.IntervalIndex.from_arrays(rocks["depth_from"], rocks["depth_to"], closed="left")
    place = index.get_indexer(parts.middle)
    expected = np.where((place >= 0) & (parts.hole == 0), rocks["rock"].to_numpy()[place], "")
    assert found.fillna("").tolist() == expected.tolist()


def test_survey_values_follow_the_trace(bench):
    project, holes = bench.project, bench.holes
    parts = pieces(holes)
    dip = values.hole_values(project, holes, values.Choice("surveys", "dip"), parts)
    first = parts.hole == 0
    assert dip[first].is_monotonic_increasing  # −60° at the collar to −55° at the end
    assert dip[first].between(-60, -55).all()
    assert dip[~first].to_numpy() == pytest.approx(-60)  # the planned hole is straight
    bend = values.hole_values(project, holes, values.Choice("surveys", "dogleg_30m"), parts)
    below = traces.dogleg_severity(holes)
    assert bend[first].to_numpy() == pytest.approx(np.where(parts.middle[first] < 60, below[1], below[2]))


def test_planned_holes_are_dashes_and_drilled_ones_are_whole(bench):
    made = drawn(bench)
    drilled = made.drilled.compute_cell_sizes()["Length"].sum()
    planned = made.planned.compute_cell_sizes()["Length"].sum()
    assert drilled == pytest.approx(120, rel=1e-3)
    assert planned == pytest.approx(45, abs=DASH_M)  # every second dash of 90 m


# ---- scene ----------------------------------------------------------------------------------------------------------


def test_discs_carry_their_rows(bench):
    made = drawn(bench)
    assert made.discs.mesh.n_cells == 3  # S4 has no beta
    assert made.discs.mesh["row"].tolist() == [2, 3, 4]
    assert made.discs.table["source"].tolist()[0] == "structures.csv, row 2"
    assert made.frame.true(made.discs.centre) == pytest.approx(bench.structures.position[:3])
    assert made.lineations.n_cells == 1


def test_discs_take_their_kinds_colours(bench):
    made = drawn(bench)
    assert made.discs.mesh["rgb"][0].tolist() == list(rgb(theme.KIND_COLOURS["fault"]))
    block = made.legend[0]
    assert [(entry.label, entry.count) for entry in block.entries] == [("fault", 1), ("foliation", 1), ("joint", 1)]


def test_numbers_take_the_colour_bar(bench):
    made = drawn(bench, discs_by="alpha")
    low, high = made.legend[0].bar.low, made.legend[0].bar.high
    assert (low, high) == (30, 60)
    ends = mpl.colormaps["viridis"]([0.0, 1.0, 0.5], bytes=True)[:, :3]
    assert made.discs.mesh["rgb"].tolist() == ends.tolist()
    assert made.legend[0].title == "alpha (°)"


def test_missing_values_are_grey_and_said():
    colours = coloured(pd.Series([1.0, np.nan, 3.0]), "copper", symbol="tube")
    assert colours.rgb[1].tolist() == list(rgb(theme.OTHER))
    assert colours.block.entries[0].label == "no value"
    named = coloured(pd.Series(["granite", None]), "rock", symbol="tube")
    assert [entry.label for entry in named.block.entries] == ["granite", "not logged"]


def test_many_classes_are_summed_up():
    colours = coloured(pd.Series([f"rock {i}" for i in range(12)]), "rock", symbol="tube")
    assert len(colours.block.entries) == 9
    assert colours.block.entries[-1].label == "4 others"


def test_unknown_column_is_refused_with_the_nearest(bench):
    with pytest.raises(DataProblem, match=r"rocks\.rock|rock"):
        drawn(bench, holes_by="rokc")
    with pytest.raises(DataProblem, match="must be in the project"):
        drawn(bench, discs_by="no_such_thing_at_all")


@pytest.mark.parametrize(
    "tables",
    [
        {"collars": TWO_HOLES["collars"][:1]},
        {"collars": ["V-1,500100,5400200,300,150,0,-90,drilled"], "structures": ["S1,V-1,20,fault,30,0,"]},
        {"collars": [], "surveys": [], "structures": []},
    ],
    ids=["one hole and nothing else", "a vertical hole", "nothing at all"],
)
def test_little_data_is_a_scene_too(tmp_path, tables):
    made = drawn(desurvey.open(written(tmp_path, tables)))
    assert made.discs.mesh.n_cells == 0
    assert np.isfinite(made.frame.size).all()


def test_many_holes_are_few_meshes(tmp_path):
    made = drawn(desurvey.open(written(tmp_path, fan(300))))
    assert len(made.collars.text) == 300
    assert made.discs.mesh.n_cells == 600
    assert len(np.unique(made.drilled["hole"])) == 300
    assert isinstance(made.drilled, pv.PolyData)


# ---- texts ----------------------------------------------------------------------------------------------------------


def test_texts_never_overlap_and_the_first_comes_first():
    rng = np.random.default_rng(1)
    point = rng.uniform(0, 300, (80, 2))
    middle, taken = free_places(point, np.full(80, 40.0), 14.0, AROUND, np.empty((0, 4)))
    shown = np.isfinite(middle).all(axis=1)
    assert shown[0]
    assert 20 < shown.sum() < 80
    assert len(taken) == shown.sum()
    for i, box in enumerate(taken):
        others = np.delete(taken, i, axis=0)
        apart = (
            (others[:, 0] >= box[2]) | (others[:, 2] <= box[0]) | (others[:, 1] >= box[3]) | (others[:, 3] <= box[1])
        )
        assert apart.all()
    away = np.abs(middle[shown] - point[shown])
    assert (away <= [20 + 14, 14 * 2]).all()  # beside its point, not somewhere


# ---- faults and doubt -----------------------------------------------------------------------------------------------


def test_doubt_is_drawn_as_large_as_it_is(bench):
    """Corners of the ellipsoids lie where xᵀC⁻¹x is χ²₃ at 95 %, and the cones open as far as √χ²₂ σ (scipy)."""
    made = drawn(bench)
    axis = made.discs.normal
    covariance = np.tile(np.diag([4.0, 1.0, 0.25]), (4, 1, 1))
    pole = np.zeros((4, 3, 3))
    pole[:3] = np.deg2rad(6.0) ** 2 * (np.eye(3) - axis[:, :, None] * axis[:, None, :])
    shown = with_doubt(made, StructureSpread(covariance, pole, np.full(4, 8.0)), np.array([True, True, False]))
    balls, cones = (sheet.mesh for sheet in shown.sheets)
    away = balls.points.reshape(2, -1, 3) - made.discs.centre[:2, None]
    square = np.einsum("nij,jk,nik->ni", away, np.linalg.inv(covariance[0]), away)
    assert square == pytest.approx(chi2.ppf(0.95, 3), rel=1e-3)
    rim = cones.points.reshape(2, -1, 3)[:, 1:] - made.discs.centre[:2, None]
    open_deg = np.rad2deg(np.arccos(np.einsum("nij,nj->ni", rim, axis[:2]) / np.linalg.norm(rim, axis=2)))
    assert open_deg == pytest.approx(6.0 * np.sqrt(chi2.ppf(0.95, 2)), abs=0.05)


def test_faults_are_sheets_through_their_picks(tmp_path):
    study = desurvey.open(written(tmp_path, layered(("", 0.0))))
    found = lineup.line_up(study.project, study.holes, "fault")
    made = with_faults(scene.build(study), found, lineup.windows_table(found))
    assert len(made.sheets) == len(found.faults) == 2
    for sheet, fault in zip(made.sheets, found.faults, strict=True):
        assert sheet.mesh.is_all_triangles
        flat = np.array([np.sin(np.deg2rad(60)) * np.array([np.sin(np.deg2rad(200)), np.cos(np.deg2rad(200))])])
        planted = np.array([*flat[0], np.cos(np.deg2rad(60))])  # tests/benches.py
        area = sheet.mesh.compute_normals(point_normals=False, split_vertices=False)["Normals"]
        assert np.abs(area @ planted).min() > np.cos(np.deg2rad(6))
        picks = made.frame.local(found.picks.position[fault.rows])
        _, nearest = sheet.mesh.find_closest_cell(picks, return_closest_point=True)
        assert np.linalg.norm(nearest - picks, axis=1).max() < 8.0
    assert made.legend[-1].title == "faults lined up"


def test_ground_lies_where_its_table_says(bench):
    corners = np.array([[500100, 5400195, 305], [500250, 5400195, 315], [500150, 5400205, 310], [9e5, 5.4e6, 300]])
    surface = Surface("ground", corners, np.array([[0, 1, 2], [0, 1, 3]]))
    made = with_ground(drawn(bench), surface)
    (sheet,) = made.sheets
    assert sheet.mesh.n_cells == 1  # what lies far off the box is left out
    assert made.frame.true(sheet.mesh.points) == pytest.approx(corners[:3], abs=1e-3)


def test_depths_are_written_where_they_are(bench):
    project, holes = bench.project, bench.holes
    made = scene.build_wanted(project, holes, bench.structures, scene.Wanted(depths=True))
    names = dict(zip(made.depths.text, made.frame.true(made.depths.position), strict=False))
    assert names["100"] == pytest.approx(holes.at([0], [100.0]).position[0])
    assert not drawn(bench).depths.text
