"""Pictures and figures in Chromium: what is written is what the tab shows."""

import json
import re

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from tests.benches import fan, written
from tests.browser.chromium import needs_chromium
from tests.browser.served import at_rest, opened, served

pytestmark = [pytest.mark.browser, needs_chromium]

RINGED = "document.querySelector('.low-host').space.scene.disc.radius.length"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return written(tmp_path_factory.mktemp("app") / "fan", fan(20))


@pytest.fixture(scope="module")
def tab(folder, browser):
    with served(folder) as app, browser.new_page(viewport={"width": 1280, "height": 720}) as page:
        opened(page, app)
        page.keyboard.press("4")
        yield page


def taken(tab, button):
    """Press a button of the panel and wait until its file is written."""
    tab.get_by_role("button", name=button).click()
    tab.wait_for_selector(".low-message")
    said = tab.inner_text(".low-message")
    tab.locator(".low-message").click()
    tab.wait_for_selector(".low-message", state="detached")
    tab.wait_for_selector(".low-busy", state="detached")
    return said


ON_DISCS = """() => {  // a place on each disc that faces the eye, aside from the hole through its middle
    const { space } = document.querySelector(".low-host"), { centre, normal, radius } = space.scene.disc, found = [];
    const { ahead } = space.directions(), view = space.projection();
    for (let i = 0; i < radius.length; i++) {
        const n = [...normal.subarray(3 * i, 3 * i + 3)], c = [...centre.subarray(3 * i, 3 * i + 3)];
        const flat = Math.hypot(n[0], n[1]), facing = Math.abs(n[0] * ahead[0] + n[1] * ahead[1] + n[2] * ahead[2]);
        const p = [c[0] + 0.6 * radius[i] * n[1] / flat, c[1] - 0.6 * radius[i] * n[0] / flat, c[2]];
        const at = space.onScreen(view, p), under = at && space.under(...at);
        if (facing > 0.5 && under?.what === "disc" && under.index === i) found.push([at[0], at[1], i]);
    }
    return found;
}"""


def test_the_picture_is_what_the_tab_shows(tab, folder):
    tab.get_by_label("vertical scale").fill("2")
    tab.get_by_role("button", name="looking north").click()
    tab.locator(".low-host canvas").first.focus()
    for key in ("+", "+", "ArrowLeft", "ArrowUp", "o"):
        tab.keyboard.press(key)
    at_rest(tab)
    box = tab.locator(".low-host").bounding_box()
    places = tab.evaluate(ON_DISCS)
    assert len(places) > 5
    assert "Written" in taken(tab, "picture (PNG)")
    with Image.open(folder / "pictures" / "scene.png") as picture:
        pixels = np.asarray(picture.convert("RGB")).astype(int)
    height, width = pixels.shape[:2]
    assert max(width, height) == 3200
    assert width / height == pytest.approx(box["width"] / box["height"], abs=0.005)
    factor = width / box["width"]
    right = 0
    for x, y, disc in places:
        red, _, blue = pixels[round(y * factor), round(x * factor)]
        right += blue < 0.6 * red if disc % 2 else blue > 1.4 * red  # veins are yellow, joints blue
    assert right >= 0.9 * len(places)  # a name may stand before one


def test_section_net_and_page_carry_the_filters_and_say_so(tab, folder):
    assert tab.get_by_role("button", name="section of the slab").is_disabled()
    tab.get_by_label("joint", exact=True).uncheck()
    tab.wait_for_function(f"{RINGED} === 20")
    tab.keyboard.press("]")
    tab.wait_for_function("document.querySelector('.low-host').space.how.slab")
    offset = tab.evaluate("document.querySelector('.low-host').space.how.slab.offset")
    for name, file in (("net (PDF)", "net.pdf"), ("section of the slab (PDF)", "section.pdf")):
        assert "Written" in taken(tab, name)
        text = PdfReader(folder / "pictures" / file).pages[0].extract_text().replace("\n", " ")
        assert "Filter on: kinds: only vein (20 of 40 structures)." in text
        assert "joint" not in text
    assert "VERTICAL EXAGGERATION 2" in text
    assert "Written" in taken(tab, "offline page (HTML)")
    page = (folder / "pictures" / "scene.html").read_text(encoding="utf-8")
    assert '<p class="said">Filter on: kinds: only vein (20 of 40 structures).</p>' in page
    start = json.loads(re.search(r'<script type="application/json" id="scene">(.*?)</script>', page)[1])["start"]
    assert start["stretch"] == 2
    assert start["slab"]["offset"] == pytest.approx(offset)
    assert start["camera"]["azimuth"] == pytest.approx(
        tab.evaluate("document.querySelector('.low-host').space.camera.azimuth")
    )


def test_the_offline_page_begins_with_what_the_tab_shows(tab, folder):
    page = tab.context.new_page()
    page.goto((folder / "pictures" / "scene.html").as_uri())
    page.wait_for_selector(".space[data-drawn]")
    target = "document.querySelector('%s').space.camera.target"
    assert page.evaluate(target % "#space") == pytest.approx(tab.evaluate(target % ".low-host"))
    assert page.evaluate("document.querySelector('#space').space.how.slab.thickness") == 40
    page.get_by_role("button", name="without the slab").click()
    assert page.evaluate("document.querySelector('#space').space.how.slab") is None
    page.close()


def test_the_scale_bar_stands_clear_of_the_buttons(tab):
    tab.set_viewport_size({"width": 1280, "height": 720})
    tab.evaluate("document.querySelector('.low-host').space.camera.parallel = true")
    tab.evaluate("document.querySelector('.low-host').space.settle()")
    tab.wait_for_selector(".space .scale:visible")
    foot = tab.locator(".space .scale").bounding_box()
    buttons = [one.bounding_box() for one in tab.locator(".low-bar button").all()]
    assert foot["y"] + foot["height"] <= min(one["y"] for one in buttons)
