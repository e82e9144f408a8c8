"""A click on the demo project draws little, however many poles lie on the net."""

import shutil
from pathlib import Path

import pytest

from tests.browser.chromium import needs_chromium
from tests.browser.served import at_rest, opened, pixel_of, served

pytestmark = [pytest.mark.browser, needs_chromium]

DEMO = Path(__file__).parents[2] / "demo_project"
LISTEN = """() => {
    window.arcs = 0;
    const { arc } = CanvasRenderingContext2D.prototype;
    CanvasRenderingContext2D.prototype.arc = function (...all) { window.arcs += 1; return arc.apply(this, all); };
}"""
"""Counts the circles that are drawn."""


SEEN = """many => {
    const { space } = document.querySelector(".low-host"), view = space.projection(), found = [];
    for (let i = 0; found.length < many && i < space.scene.disc.radius.length; i += 7) {
        const [x, y] = space.onScreen(view, [...space.scene.disc.centre.subarray(3 * i, 3 * i + 3)]);
        const under = space.under(x, y);
        if (under.what === "disc" && under.index === i) found.push(i);
    }
    return found;
}"""
"""Discs of which the middle is seen."""


@pytest.fixture(scope="module")
def tab(tmp_path_factory, browser):
    whole = tmp_path_factory.mktemp("app") / "demo"
    folder = Path(shutil.copytree(DEMO, whole, ignore=shutil.ignore_patterns("pictures", "truth", "*.py")))
    with served(folder) as app, browser.new_page(viewport={"width": 1280, "height": 900}) as page:
        yield opened(page, app)


def test_a_click_has_its_card_and_leaves_the_poles_alone(tab):
    """A click draws rings round what is chosen, and no pole: among thousands its card would wait for them."""
    tab.wait_for_selector(".low-busy", state="detached")  # what is worked out on opening draws the net anew
    poles = tab.evaluate("document.querySelector('.low-host').space.scene.disc.radius.length")
    assert poles > 1000
    clicked = tab.evaluate(SEEN, 4)
    assert len(clicked) == 4
    tab.evaluate(LISTEN)
    for disc in clicked:
        at_rest(tab)  # an opened card shifts the scene
        tab.evaluate("window.arcs = 0")
        tab.mouse.click(*pixel_of(tab, disc))
        tab.wait_for_function("document.querySelector('.low-card') && window.arcs")
        assert tab.evaluate("window.arcs") < poles
        tab.keyboard.press("Escape")  # the card may lie over the next disc
        tab.wait_for_selector(".low-card", state="detached")
