"""The report in Chromium with the network off: it asks for nothing, its figures show, and its scene is drawn."""

from __future__ import annotations

import pytest

import desurvey
from tests.browser.chromium import listened, needs_chromium
from tests.projects import write_project
from viewer.report import WantedDrawings, compose, write_report

pytestmark = [pytest.mark.browser, needs_chromium]


def test_the_report_shows_its_figures_and_its_scene_offline(tmp_path, browser):
    report = compose(desurvey.open(write_project(tmp_path / "p")), WantedDrawings(logs=False))
    write_report(report, tmp_path / "report.html")
    tab = browser.new_context(viewport={"width": 1200, "height": 900}, offline=True).new_page()
    heard = listened(tab)
    tab.goto((tmp_path / "report.html").as_uri())
    shown = tab.evaluate("[...document.querySelectorAll('figure svg')].map(one => one.getBBox().width)")
    assert len(shown) >= 3
    assert min(shown) > 0
    tab.locator("#scene").scroll_into_view_if_needed()
    scene = tab.frame_locator("#scene iframe")
    scene.locator("#space[data-drawn]").wait_for()
    assert scene.locator("canvas").first.bounding_box()["width"] > 400
    assert all(url.startswith(("file:", "data:", "about:")) for url in heard["requests"])
    assert heard["errors"] == []
    # nothing runs off to the right at the width of a tablet
    tab.set_viewport_size({"width": 800, "height": 900})
    assert tab.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    tab.screenshot(path=tmp_path / "page.png")
