"""What is taken away shows what a tab shows: its camera, vertical scale, slab and filters."""

import numpy as np
import pytest
import pyvista as pv
from PIL import Image
from vtkmodules.vtkRenderingCore import vtkTextActor

import desurvey
from desurvey.problems import DataProblem
from tests.benches import fan, written
from viewer import theme
from viewer.app.desk import desk_of, filters_said, shown_rows, shown_scene
from viewer.app.taking import free_name, section_slab
from viewer.app.view import View
from viewer.figures.collect import Shown, content_of
from viewer.figures.section import draw_section
from viewer.figures.slab import along_line
from viewer.page import page
from viewer.scene import draw
from viewer.scene.camera import Camera
from viewer.scene.marks import Marks, Meeting
from viewer.still import still

SIZE = (900, 600)


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    return desk_of(desurvey.open(written(tmp_path_factory.mktemp("taking") / "bench")))


@pytest.fixture(scope="module")
def scene(desk):
    return shown_scene(desk, View(), np.zeros(4, dtype=bool))


def sight(scene, *, azimuth=70.0, dip=-20.0, distance=900.0, stretch=1.0, **more):
    """Return a camera as a page sends it, looking at the middle of a scene."""
    a, d = np.deg2rad([azimuth, dip])
    ahead = np.array([np.cos(d) * np.sin(a), np.cos(d) * np.cos(a), np.sin(d)])
    target = (scene.frame.low + scene.frame.high) / 2 * [1.0, 1.0, stretch]
    asked = {
        "eye": list(target - distance * ahead), "target": list(target), "azimuth": azimuth, "dip": dip,
        "distance": distance, "parallel": False, "stretch": stretch, "aside": 0.1, "size": list(SIZE),
    }  # fmt: skip
    return Camera.asked(asked | more)


def pixel(camera, point):
    """Return where a pinhole or a parallel camera with a 20° field of sight sees a local point, pixels from top left.

    Foley, van Dam, Feiner & Hughes, Computer Graphics, 2nd ed., ch. 6 (from memory): divide by the depth, or don't.
    """
    a, d = np.deg2rad([camera.azimuth, camera.dip])
    ahead = np.array([np.cos(d) * np.sin(a), np.cos(d) * np.cos(a), np.sin(d)])
    right = np.array([np.cos(a), -np.sin(a), 0.0])
    away = np.asarray(point) * [1.0, 1.0, camera.stretch] - camera.eye
    depth = camera.distance if camera.parallel else away @ ahead
    half = np.tan(np.deg2rad(10.0)) * depth
    x = away @ right / (half * SIZE[0] / SIZE[1]) + camera.aside
    y = away @ np.cross(right, ahead) / half
    return (1 + x) / 2 * SIZE[0], (1 - y) / 2 * SIZE[1]


def drawn(scene, folder, camera, **more):
    with Image.open(still(scene, folder / "still.png", size=SIZE, camera=camera, **more)) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def near(pixels, place, colour, within=45):
    """Return whether the picture has a colour, in light or shade, at a place."""
    x, y = (round(part) for part in place)
    spot = pixels[y - 1 : y + 2, x - 1 : x + 2].reshape(-1, 3).mean(axis=0)
    wanted = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])
    shade = spot.sum() / wanted.sum()
    return np.abs(spot - shade * wanted).max() < within * min(shade, 1.0) and 0.5 < shade < 1.2


def on_disc(scene, disc=0, share=0.6):
    """Return a point of a disc aside from the hole through its middle."""
    across = np.cross(scene.discs.normal[disc], [0.0, 0.0, 1.0])
    return scene.discs.centre[disc] + share * scene.discs.radius[disc] * across / np.linalg.norm(across)


@pytest.mark.parametrize("parallel", [False, True])
@pytest.mark.parametrize("stretch", [1.0, 2.0])
def test_a_still_looks_from_where_the_tab_looks(scene, tmp_path, parallel, stretch):
    camera = sight(scene, parallel=parallel, stretch=stretch)
    pixels = drawn(scene, tmp_path, camera)
    fault = theme.KIND_COLOURS["fault"]
    assert near(pixels, pixel(camera, on_disc(scene)), fault)
    assert not near(pixels, pixel(camera, on_disc(scene, share=1.5)), fault)  # beyond its edge


def test_a_slab_leaves_a_disc_out_of_the_still(scene, tmp_path):
    place, fault = on_disc(scene), theme.KIND_COLOURS["fault"]
    far = {"normal": [1.0, 0.0, 0.0], "offset": float(place[0]) + 40.0, "thickness": 30.0}
    here = far | {"offset": float(place[0])}
    for slab, there in ((here, True), (far, False)):
        camera = sight(scene, slab=slab)
        assert near(drawn(scene, tmp_path, camera), pixel(camera, place), fault) == there


def written_on(scene, camera, **more):
    """Return the texts in the corner of a picture."""
    plotter = pv.Plotter(off_screen=True, window_size=list(SIZE))
    try:
        draw(scene, plotter, camera=camera, **more)
        props = plotter.renderer.GetViewProps()
        return [prop.GetInput() for prop in props if isinstance(prop, vtkTextActor)]
    finally:
        plotter.close()


def test_what_a_reader_must_not_miss_stands_on_the_still(scene):
    slab = {"normal": [np.sin(np.deg2rad(110)), np.cos(np.deg2rad(110)), 0.0], "offset": 0.0, "thickness": 40.0}
    said = written_on(scene, sight(scene, stretch=2.0, slab=slab), said=("Filter on: no joints",))
    assert "vertical × 2" in said
    assert "only a slab 40 m thick along azimuth 020°" in said
    assert "Filter on: no joints" in said
    plain = written_on(scene, sight(scene))
    assert not [text for text in plain if "vertical" in text or "slab" in text]


def test_the_scale_bar_is_as_long_as_it_says(scene):
    """Its length in metres, by the height of the picture that parallel sight shows: 2 · distance · tan 10°."""
    camera = sight(scene, parallel=True, azimuth=0.0, dip=0.0)
    said = [text for text in written_on(scene, camera) if text.endswith(" m")]
    plotter = pv.Plotter(off_screen=True, window_size=list(SIZE))
    try:
        draw(scene, plotter, camera=camera)
        pixels = np.asarray(plotter.screenshot(return_img=True))[560:, 450:, :3].astype(int)
    finally:
        plotter.close()
    (metres,) = {float(text.removesuffix(" m")) for text in said}
    dark = (pixels.max(axis=2) < 90).sum(axis=1)
    expected = metres / (2 * camera.distance * np.tan(np.deg2rad(10.0)) / SIZE[1])
    assert dark.max() == pytest.approx(expected, abs=2.0)
    assert not [text for text in written_on(scene, sight(scene)) if text.endswith(" m")]


def test_rings_and_a_planned_hole_lie_in_front(scene, tmp_path):
    camera = sight(scene)
    ends = np.array([scene.discs.centre[0] + [0.0, 0.0, 60.0], scene.discs.centre[0] - [0.0, 0.0, 60.0]])
    course = np.linspace(*ends, 20)
    marks = Marks(np.array([0]), course, (Meeting(course[8:11], "#009E73", "F1 60 m"),))
    pixels = drawn(scene, tmp_path, camera, marks=marks)
    assert near(pixels, pixel(camera, course[9]), "#009E73")  # the hole and the disc there are behind it
    accent = np.array([int(theme.LIGHT.accent[i : i + 2], 16) for i in (1, 3, 5)])
    ring = np.argwhere(np.abs(pixels - accent).max(axis=2) < 60)
    x, y = pixel(camera, scene.discs.centre[0])
    assert len(ring) > 40
    assert ring.mean(axis=0) == pytest.approx([y, x], abs=6.0)


# ---- sections, nets, pages: filters --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fanned(tmp_path_factory):
    return desk_of(desurvey.open(written(tmp_path_factory.mktemp("taking") / "fan", fan(6))))


def part_of(desk, view):
    rows = shown_rows(desk, view, np.zeros(len(desk.project.structures), dtype=bool))
    holes = ~np.isin(desk.traces.hole_ids, list(view.holes_off))
    return Shown(rows, holes, filters_said(desk, view, rows))


def test_a_section_draws_what_the_filters_leave(fanned):
    view = View(kinds_off=frozenset({"joint"}), holes_off=frozenset({"F001", "F002"}))
    east, north = fanned.traces.position[:, :2].mean(axis=0)
    line = along_line((east - 500, north), (east + 500, north), 1000.0)

    def drawn_on(**shown):
        content = content_of(fanned.study, heading="Section", **shown)
        figure = draw_section(content, line)
        texts = [text for axes in figure.axes for text in axes.texts]
        ticks = [one for axes in figure.axes for one in axes.collections]
        kinds = {one.get_label(): len(one.get_segments()) for one in ticks if "structures" in str(one.get_label())}
        names = {text.get_text() for text in texts if text.get_gid() == "hole name"}
        return kinds, names, " ".join(text.get_text() for text in texts)

    kinds, names, said = drawn_on()
    assert kinds == {"structures: joint": 6, "structures: vein": 6}
    assert len(names) == 6
    assert "Filter" not in said
    kinds, names, said = drawn_on(shown=part_of(fanned, view))
    assert kinds == {"structures: vein": 4}
    assert names == {"F000", "F003", "F004", "F005"}
    assert "Filter on: kinds: only vein; holes: without F001, F002" in said
    assert "4 of 12 structures" in said


def test_filters_are_said_in_words(fanned):
    none = np.ones(12, dtype=bool)
    assert filters_said(fanned, View(), none) == ""
    assert filters_said(fanned, View(selected=frozenset({1}), disc_size=2.0), none) == ""  # these leave nothing out
    holes = frozenset(fanned.traces.hole_ids.tolist()) - {"F002"}
    said = filters_said(fanned, View(holes_off=holes, depth=(30.0, np.inf), hidden=frozenset({1, 2})), none)
    assert "holes: only F002" in said
    assert f"depth 30 to {fanned.deepest:g} m" in said
    assert "2 hidden by hand" in said


@pytest.mark.parametrize(("azimuth", "looking"), [(10.0, 20.0), (190.0, 200.0), (290.0, 20.0)])
def test_a_section_is_seen_from_the_side_that_the_tab_looks_from(fanned, azimuth, looking):
    scene = shown_scene(fanned, View(), np.zeros(12, dtype=bool))
    a = np.deg2rad(20.0)
    slab = {"normal": [np.sin(a), np.cos(a), 0.0], "offset": 25.0, "thickness": 30.0}
    cut = section_slab(sight(scene, azimuth=azimuth, slab=slab), scene.frame)
    assert (cut.azimuth_deg - 90.0) % 360.0 == pytest.approx(looking)
    assert cut.thickness == 30.0
    local = scene.frame.local([[cut.easting, cut.northing, 0.0]])[0]
    assert local @ slab["normal"] == pytest.approx(25.0)


def test_a_section_needs_an_upright_slab(fanned):
    scene = shown_scene(fanned, View(), np.zeros(12, dtype=bool))
    with pytest.raises(DataProblem, match="needs a slab"):
        section_slab(sight(scene), scene.frame)
    lying = {"normal": [0.0, 0.0, 1.0], "offset": 25.0, "thickness": 30.0}
    with pytest.raises(DataProblem, match="upright"):
        section_slab(sight(scene, slab=lying), scene.frame)


def test_some_holes_stay_where_they_are(fanned):
    traces = fanned.traces
    chosen = np.array([False, True, False, True, True, False])
    some = traces.only(chosen)
    assert some.hole_ids.tolist() == traces.hole_ids[chosen].tolist()
    hole, depth = np.array([0, 1, 2, 2]), np.array([10.0, 55.5, 0.0, 140.0])
    there, here = traces.at(np.flatnonzero(chosen)[hole], depth), some.at(hole, depth)
    np.testing.assert_array_equal(here.position, there.position)
    np.testing.assert_array_equal(here.extrapolated, there.extrapolated)
    assert traces.only(np.zeros(6, dtype=bool)).hole_ids.size == 0


def test_the_offline_page_says_what_is_left_out(scene, tmp_path):
    camera = sight(scene, stretch=2.0)
    text = page(scene, tmp_path / "page.html", camera=camera, said=("Filter on: <b>",)).read_text(encoding="utf-8")
    assert '<p class="said">vertical × 2</p><p class="said">Filter on: &lt;b&gt;</p>' in text
    assert '<p class="said">' not in page(scene, tmp_path / "plain.html").read_text(encoding="utf-8")


def test_nothing_taken_earlier_is_written_over(tmp_path):
    names = []
    for _ in range(3):
        path = free_name(tmp_path, "scene.png")
        path.write_text(path.name)
        names.append(path.name)
    assert names == ["scene.png", "scene-2.png", "scene-3.png"]
