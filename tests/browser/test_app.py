"""The app in Chromium: the door, the picture, picking, the net, filters, two tabs."""

import io
import urllib.error
import urllib.request

import numpy as np
import pytest
from PIL import Image

from tests.benches import fan, written
from tests.browser.chromium import listened, needs_chromium
from tests.browser.served import at_rest, disc_at, opened, pixel_of, seen_discs, served

pytestmark = [pytest.mark.browser, needs_chromium]

SPACE = "document.querySelector('.low-host').space"


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    with served(written(tmp_path_factory.mktemp("app") / "fan", fan(20))) as running:
        yield running


@pytest.fixture
def tab(app, browser):
    """Give a fresh tab on the app, with everything that is selected or filtered taken back."""
    context = browser.new_context(viewport={"width": 1280, "height": 720})
    page = context.new_page()
    page.heard = listened(page)
    opened(page, app)
    page.keyboard.press("a")
    page.keyboard.press("Escape")
    page.wait_for_function(f"{SPACE}.scene.disc.radius.length === 40 && {SPACE}.chosen.length === 0")
    page.wait_for_selector(".low-busy", state="detached")  # a scene that is replaced meanwhile answers no click
    at_rest(page)
    yield page
    context.close()


def picture(tab):
    with Image.open(io.BytesIO(tab.locator(".low-host").screenshot())) as image:
        return np.asarray(image.convert("RGB")).astype(int)[:, 260:]  # right of the legend


def yellow(pixels):
    """Return how many pixels have the colour of veins, lit or in shade."""
    red, green, blue = pixels[..., 0], pixels[..., 1], pixels[..., 2]
    return int(((red > 110) & (green > 100) & (blue < 0.6 * green)).sum())


def seen_disc(tab):
    """Return a disc whose middle nothing hides."""
    return seen_discs(tab)[0]


def status(url, cookie=""):
    request = urllib.request.Request(url, headers={"Cookie": cookie} if cookie else {})
    try:
        with urllib.request.urlopen(request) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        return error.code


@pytest.mark.parametrize(
    "path", ["", "index.html", "scene.json", "net.json", "ws", "__lowside_app/app.js", "?token=guess"]
)
def test_nobody_comes_in_without_the_token(app, path):
    assert status(app.bare + path) == 403


def test_no_path_leads_to_the_file_system(app, browser):
    context = browser.new_context()
    page = opened(context.new_page(), app)
    for path in (
        "project.toml",
        "__lowside_app/..%2Fapp.py",
        "__lowside_app/%2e%2e/app.py",
        "structures.csv",
        "etc/passwd",
    ):
        assert page.request.get(app.bare + path).status in (403, 404)
    context.close()


def test_page_draws_and_asks_for_nothing_outside(tab, app):
    assert all(url.startswith(app.bare) or url.startswith("blob:") for url in tab.heard["requests"])
    assert tab.heard["errors"] == []
    assert yellow(picture(tab)) > 20  # veins, drawn by VTK


def test_a_click_shows_the_row_of_the_disc(tab):
    for disc in seen_discs(tab)[::5]:
        x, y = pixel_of(tab, disc)
        row = disc_at(tab, x, y) + 2  # a disc nearer to the eye may lie in front; rows count from 2 in a spreadsheet
        tab.mouse.click(x, y)
        tab.wait_for_function("n => document.querySelector('.low-card')?.innerText.includes(`row ${n}`)", arg=row)
        tab.keyboard.press("Escape")
        tab.wait_for_selector(".low-card", state="detached")


def test_card_holds_a_drawn_piece_of_core(tab):
    tab.mouse.click(*pixel_of(tab, seen_disc(tab)))
    drawing = tab.wait_for_selector(".low-card svg.core")
    assert drawing.get_attribute("aria-label").startswith("Piece of core, alpha")
    assert "dip / dip direction" in tab.inner_text(".low-card")


def test_lasso_on_the_net_selects_in_space(tab):
    tab.keyboard.press("4")
    net = tab.locator(".low-net canvas").bounding_box()
    x, y, half = net["x"] + net["width"] / 2, net["y"] + net["height"] / 2, net["height"] / 2 - 16
    tab.mouse.move(x - half, y - half)
    tab.mouse.down()
    for a, b in ((0, -half), (0, half), (-half, half), (-half, -half)):  # the western half
        tab.mouse.move(x + a, y + b, steps=5)
    tab.mouse.up()
    tab.wait_for_function("document.querySelector('.low-host').space.chosen.length > 0")
    inside = tab.evaluate(
        """() => { const s = document.querySelector('.low-host').space, n = s.scene.disc.normal;
        return [...Array(n.length / 3).keys()].filter(i => -n[3 * i] < 0); }"""
    )  # the pole of an upward normal points the other way: west of the middle where its east part is negative
    assert sorted(tab.evaluate("[...document.querySelector('.low-host').space.chosen]")) == inside
    assert f"{len(inside)} selected" in tab.inner_text(".low-panel")


def test_hide_and_undo(tab):
    tab.keyboard.press("4")
    tab.mouse.click(*pixel_of(tab, seen_disc(tab)))
    tab.wait_for_selector(".low-card")
    tab.keyboard.press("x")
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 39")
    tab.keyboard.press("Control+z")
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 40")


def test_kinds_can_be_switched_off(tab):
    tab.keyboard.press("4")
    tab.get_by_label("joint", exact=True).uncheck()
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 20")
    assert "joint" not in tab.inner_text(".low-legend")


def test_holes_can_be_picked_out_and_left_again(tab):
    tab.keyboard.press("4")
    for name, count in (("F003", 2), ("F011", 4), ("no such hole", 4)):
        tab.get_by_label("only holes").fill(name)
        tab.keyboard.press("Enter")
        tab.wait_for_function(f"document.querySelector('.low-host').space.scene.disc.radius.length === {count}")
    tab.get_by_role("button", name="F003 ×").click()
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 2")
    tab.get_by_role("button", name="F011 ×").click()
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 40")


def test_slab_leaves_what_lies_in_it(tab):
    before = yellow(picture(tab))
    for _ in range(5):  # out beyond the second of the two fences
        tab.keyboard.press("]")
    tab.wait_for_function("document.querySelector('.low-host').space.how.slab?.offset > 90")
    at_rest(tab)
    after = yellow(picture(tab))
    assert after < 0.1 * before


def test_browser_draws_the_same_as_the_server(tab):
    """Two renderers, VTK and WebGL, give nearly the same picture of the same camera."""
    at_rest(tab)
    by_vtk = picture(tab)
    tab.keyboard.press("4")
    tab.get_by_label("draw in this browser").check()
    tab.wait_for_function(f"{SPACE}.painter.constructor.name === 'Glass'")
    at_rest(tab)
    by_browser = picture(tab)
    tab.get_by_label("draw in this browser").uncheck()
    changed = (np.abs(by_vtk - by_browser).max(axis=2) > 60).mean()
    assert 0 < changed < 0.03


def test_each_tab_has_its_own_camera(tab, app, browser):
    context = browser.new_context(viewport={"width": 900, "height": 600})
    other = opened(context.new_page(), app)
    tab.keyboard.press("p")
    angle = "document.querySelector('.low-host').space.camera.dip"
    tab.wait_for_function(f"{angle} === -90")
    at_rest(tab)
    assert other.evaluate(angle) == -24
    context.close()


def test_edge_on_lays_a_plane_on_a_line(tab):
    tab.mouse.click(*pixel_of(tab, seen_disc(tab)))
    tab.wait_for_function("document.querySelector('.low-host').space.chosen.length === 1")
    chosen = tab.evaluate("document.querySelector('.low-host').space.chosen[0]")
    tab.keyboard.press("e")
    tab.wait_for_function("document.querySelector('.low-host').space.camera.parallel")
    across = tab.evaluate(
        """i => {
            const s = document.querySelector('.low-host').space, n = s.scene.disc.normal.subarray(3 * i, 3 * i + 3);
            const { ahead } = s.directions();
            return n[0] * ahead[0] + n[1] * ahead[1] + n[2] * ahead[2];
        }""",
        chosen,
    )
    assert across == pytest.approx(0, abs=1e-6)
    tab.keyboard.press("Escape")


def test_errors_are_said_and_the_app_lives_on(tab, app):
    tab.keyboard.press("e")  # nothing is selected
    tab.wait_for_selector(".low-message")
    assert "Select discs first" in tab.inner_text(".low-message")
    answer = tab.request.post(app.bare + "picture", data='{"eye": "nonsense"}')
    assert answer.status == 400
    assert "whole camera" in answer.text()
    tab.mouse.click(*pixel_of(tab, seen_disc(tab)))
    tab.wait_for_selector(".low-card")


def test_tables_that_change_on_disk_are_loaded_anew(tmp_path, browser):
    folder = written(tmp_path / "bench", fan(3))
    with served(folder) as app:
        context = browser.new_context(viewport={"width": 1280, "height": 720})
        page = opened(context.new_page(), app)
        page.keyboard.press("p")
        page.mouse.click(*pixel_of(page, 0))
        page.wait_for_function("document.querySelector('.low-host').space.chosen.length === 1")
        table = folder / "structures.csv"
        table.write_text(table.read_text() + "new,F001,90,fault,40,100,\n")
        page.wait_for_selector(".low-message")
        assert "structures: 6 rows before, 7 now" in page.inner_text(".low-message")
        page.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 7")
        assert page.evaluate("document.querySelector('.low-host').space.camera.dip") == -90
        assert page.evaluate("document.querySelector('.low-host').space.chosen.length") == 1
        table.write_text("no,such,heading\n1,2,3\n")
        page.wait_for_function("document.querySelector('.low-message')?.innerText.includes('from before')")
        assert page.evaluate("document.querySelector('.low-host').space.scene.disc.radius.length") == 7
        context.close()


def test_views_are_kept_by_name(tab):
    tab.on("dialog", lambda dialog: dialog.accept("from the air"))
    tab.keyboard.press("p")
    tab.keyboard.press("4")
    tab.get_by_label("joint", exact=True).uncheck()
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 20")
    tab.get_by_label("vertical scale").fill("3")
    tab.get_by_role("button", name="keep view").click()
    tab.get_by_label("kept views").wait_for()
    tab.get_by_label("vertical scale").fill("1")
    tab.keyboard.press("r")
    tab.keyboard.press("a")
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 40")
    tab.get_by_label("kept views").select_option("from the air")
    tab.wait_for_function("document.querySelector('.low-host').space.camera.dip === -90")
    tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 20")
    tab.wait_for_function("document.querySelector('.low-host').space.how.stretch === 3")
    tab.get_by_label("vertical scale").fill("1")
    tab.get_by_role("button", name="forget the view from the air").click()
    tab.get_by_label("kept views").wait_for(state="detached")


def test_a_tab_opened_anew_keeps_its_camera_and_what_is_selected(tab):
    tab.mouse.click(*pixel_of(tab, seen_disc(tab)))
    tab.wait_for_function("document.querySelector('.low-host').space.chosen.length === 1")
    tab.keyboard.press("w")
    tab.wait_for_function("sessionStorage.getItem('camera')?.includes('-90')")
    tab.reload()
    tab.wait_for_selector(".space[data-drawn]")
    tab.wait_for_function("document.querySelector('.low-host').space.camera?.azimuth === -90")
    tab.wait_for_function("document.querySelector('.low-host').space.chosen.length === 1")


def test_a_broken_connection_is_mended(app, browser):
    context = browser.new_context(viewport={"width": 1280, "height": 720})
    context.add_init_script(
        """const Plain = window.WebSocket;
        window.sockets = [];
        window.WebSocket = class extends Plain { constructor(...how) { super(...how); window.sockets.push(this); } };"""
    )
    page = opened(context.new_page(), app)
    page.keyboard.press("Escape")
    page.mouse.click(*pixel_of(page, seen_disc(page)))
    page.wait_for_function("document.querySelector('.low-host').space.chosen.length === 1")
    chosen = page.evaluate("document.querySelector('.low-host').space.chosen[0]")
    page.keyboard.press("w")
    page.wait_for_function("sessionStorage.getItem('camera')?.includes('-90')")
    page.evaluate("window.sockets.forEach(socket => socket.close())")
    page.wait_for_selector(".low-host", state="detached")
    page.wait_for_selector(".space[data-drawn]")
    page.wait_for_function("n => document.querySelector('.low-host').space.chosen?.[0] === n", arg=chosen)
    assert page.evaluate("document.querySelector('.low-host').space.camera.azimuth") == -90
    context.close()


def test_vertical_scale_is_said_and_keeps_what_is_looked_at(tab):
    middle = """(() => {
        const { space } = document.querySelector('.low-host');
        window.looked_at ??= [...space.camera.target];  // at a vertical scale of 1
        return space.onScreen(space.projection(), window.looked_at);
    })()"""
    before = tab.evaluate(middle)
    tab.keyboard.press("4")
    tab.get_by_label("vertical scale").fill("3")
    tab.wait_for_selector(".low-legend >> text=vertical × 3")
    at_rest(tab)
    assert tab.evaluate(middle) == pytest.approx(before, abs=0.5)
    tab.mouse.click(*pixel_of(tab, seen_disc(tab)))  # picking takes the scale out
    tab.wait_for_selector(".low-card")
    tab.get_by_label("vertical scale").fill("1")
