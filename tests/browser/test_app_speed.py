"""A click on the demo project is answered at once, however many poles lie on the net."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from tests.browser.chromium import needs_chromium
from tests.browser.served import at_rest, opened, pixel_of, served

pytestmark = [pytest.mark.browser, needs_chromium]

DEMO = Path(__file__).parents[2] / "demo_project"
TIMES = 8
"""Most that a card may take, from the lifted finger until it is drawn, beside :data:`PLAIN`."""

PLAIN = """async () => {
    const asked = performance.now();
    await (await fetch("__lowside_app/app.js", { cache: "no-store" })).text();
    await new Promise(requestAnimationFrame);
    return performance.now() - asked;
}"""
"""How long the same server takes to send a small file, until the next frame is drawn, milliseconds."""

LISTEN = """() => {
    window.took = [];
    window.arcs = 0;
    const { arc } = CanvasRenderingContext2D.prototype;
    CanvasRenderingContext2D.prototype.arc = function (...all) { window.arcs += 1; return arc.apply(this, all); };
    let begun = 0, last = "";
    addEventListener("pointerup", () => { begun = performance.now(); }, true);
    new MutationObserver(() => {
        const card = document.querySelector(".low-card");
        if (!begun || !card || card.innerText === last) return;
        const from = begun;
        [begun, last] = [0, card.innerText];
        requestAnimationFrame(() => window.took.push(performance.now() - from));
    }).observe(document.body, { subtree: true, childList: true, characterData: true });
}"""
"""Keeps how long each click took to its card, and counts the circles that are drawn."""


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


def test_a_click_has_its_card_at_once_and_leaves_the_poles_alone(tab):
    tab.evaluate(LISTEN)
    poles = tab.evaluate("document.querySelector('.low-host').space.scene.disc.radius.length")
    assert poles > 1000
    clicked, plain = tab.evaluate(SEEN, 11), []
    assert len(clicked) == 11
    for number, disc in enumerate(clicked):
        tab.evaluate("window.arcs = 0")
        tab.mouse.click(*pixel_of(tab, disc))
        tab.wait_for_function("count => window.took.length > count", arg=number)
        assert 1 <= tab.evaluate("window.arcs") < 20  # rings round what is chosen, and not each pole again
        at_rest(tab)  # an opened card shifts the scene
        plain.append(tab.evaluate(PLAIN))
    assert np.median(tab.evaluate("window.took")) < TIMES * np.median(plain)
