"""The offline page in Chromium with the network off: north and up can be told, and a click names the disc."""

import io

import numpy as np
import pytest
import pyvista as pv
from PIL import Image

import desurvey
from tests.benches import fan, written
from tests.browser.chromium import PATIENCE_S, listened, needs_chromium
from viewer import page, scene
from viewer.scene.camera import VIEW_ANGLE_DEG, Camera
from viewer.scene.discs import first_disc
from viewer.story import Slide, write_page

pytestmark = [pytest.mark.browser, needs_chromium]

SIZE = (1200, 800)


def made(folder):
    return scene.build(desurvey.open(folder))


@pytest.fixture
def open_page(tmp_path, browser):
    """Give a function that writes a scene as a page and opens it with the network off."""

    def show(shown):
        context = browser.new_context(viewport={"width": SIZE[0], "height": SIZE[1]}, offline=True)
        tab = context.new_page()
        heard = listened(tab)
        tab.goto(page.page(shown, tmp_path / "page.html").as_uri())
        tab.wait_for_selector("#space[data-drawn]")
        return tab, heard

    return show


def lines_of_sight(tab, points):
    """Return pixels (from the top left) of points and the eye, as PyVista sees them from where the page stands."""
    camera = tab.evaluate("() => document.getElementById('space').space.seen()")
    plotter = pv.Plotter(off_screen=True, window_size=list(SIZE))
    plotter.camera.view_angle = VIEW_ANGLE_DEG
    plotter.camera.position, plotter.camera.focal_point, plotter.camera.up = camera["eye"], camera["target"], (0, 0, 1)
    plotter.camera.SetWindowCenter(-camera["aside"], -camera["lift"])
    matrix = plotter.camera.GetCompositeProjectionTransformMatrix(SIZE[0] / SIZE[1], -1, 1)
    plotter.close()
    full = np.array([[matrix.GetElement(i, j) for j in range(4)] for i in range(4)])
    clip = np.column_stack([points, np.ones(len(points))]) @ full.T
    view = clip[:, :2] / clip[:, 3:]
    return (view * [1, -1] + 1) / 2 * SIZE, np.array(camera["eye"])


def colours(tab):
    with Image.open(io.BytesIO(tab.screenshot())) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def near(picture, rgb, within=40):
    return int((np.abs(picture - rgb).max(axis=2) < within).sum())


def test_page_draws_and_says_where_is_what(tmp_path, open_page):
    tab, heard = open_page(made(written(tmp_path / "bench")))
    assert heard == {"requests": [tab.url], "errors": []}
    assert near(colours(tab), (213, 94, 0)) > 30  # the fault
    shown = tab.locator("#space .labels span:visible").all_inner_texts()
    assert {"N", "B-1", "300 m", "20 m", "Easting (m)"} <= set(shown)
    assert set(tab.locator("#space .directions text").all_text_contents()) == {"E", "N", "Up"}
    assert tab.locator("#legend li").count() >= 6


def test_north_is_up_in_plan(tmp_path, open_page):
    tab, _ = open_page(made(written(tmp_path / "bench")))
    tab.keyboard.press("p")
    arm = tab.locator("#space .directions line.north")
    for _ in range(10 * PATIENCE_S):  # the page's policy forbids eval, and with it Playwright's own way of waiting
        if float(arm.get_attribute("y2")) < -33.9:
            break
        tab.wait_for_timeout(100)
    assert float(arm.get_attribute("y2")) == pytest.approx(-34, abs=0.1)
    assert float(arm.get_attribute("x2")) == pytest.approx(0, abs=0.1)


def test_a_click_names_the_disc_that_is_there(tmp_path, open_page):
    """Pixels come from PyVista's camera, set where the page's stands; the disc from the engine's side."""
    shown = made(written(tmp_path / "fan", fan(30)))
    tab, heard = open_page(shown)
    chosen = np.arange(0, shown.discs.mesh.n_cells, 3)
    pixel, eye = lines_of_sight(tab, shown.discs.centre[chosen])
    clicked = 0
    for disc, (x, y) in zip(chosen, pixel, strict=True):
        centre, normal, radius = shown.discs.centre, shown.discs.normal, shown.discs.radius
        expected, _ = first_disc(centre, normal, radius, eye, centre[disc] - eye)
        facing = abs(normal[expected] @ (centre[disc] - eye)) / np.linalg.norm(centre[disc] - eye)
        above = tab.evaluate("([x, y]) => document.elementFromPoint(x, y).parentElement.id", [x, y])
        if facing < 0.2 or above != "space":
            continue  # too thin to hit, or under the legend
        tab.mouse.click(x, y)
        assert tab.locator("#card").inner_text().split("source\t")[1].startswith(shown.discs.table["source"][expected])
        clicked += 1
    assert clicked >= 12
    tab.keyboard.press("Escape")
    assert tab.locator("#card").is_hidden()
    assert heard["errors"] == []


def test_a_story_is_played_offline_with_its_cards(tmp_path, browser):
    shown = made(written(tmp_path / "bench"))
    target = ((shown.frame.low + shown.frame.high) / 2).tolist()
    raw = {"eye": [target[0], target[1] - 800.0, target[2]], "target": target, "azimuth": 0.0, "distance": 800.0}
    raw |= {"parallel": False, "stretch": 1.0, "aside": 0.1, "size": list(SIZE)}
    slides = [
        Slide(title, f"{title}.", shown, shown, shown, "", Camera.asked(raw | {"dip": dip}))
        for title, dip in (("Level", 0.0), ("From above", -90.0))
    ]
    with browser.new_context(offline=True, reduced_motion="reduce") as context, context.new_page() as tab:
        heard = listened(tab)
        tab.goto(write_page(slides, tmp_path / "story.html").as_uri())
        tab.wait_for_selector("#story h2:has-text('Level')")
        tab.keyboard.press("ArrowRight")
        tab.wait_for_selector("#story h2:has-text('From above')")
        assert tab.evaluate("document.getElementById('space').space.camera.dip") == -90
        assert "2 of 2" in tab.inner_text("#story")
        tab.evaluate(
            """() => {
                const space = document.getElementById("space").space;
                space.hear.pick({ what: "disc", index: 0 });
            }"""
        )
        assert str(shown.discs.table["structure_id"].iloc[0]) in tab.inner_text("#card")
        assert heard["errors"] == []
