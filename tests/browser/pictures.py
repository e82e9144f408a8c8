"""Take the pictures of the viewer that the documents show: ``python -m tests.browser.pictures [folder]``.

Everything in them comes from the app as a person sees it in Chromium: the demo with its faults lined up, a suspect
shown as explained on a dark background, one hole, and 300 holes.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, Page

from tests.browser.chromium import chromium
from tests.browser.served import Served, line_up, opened, pixel_of, seen_discs, served
from tests.worlds.folded import Settings, make_world, write_project

DEMO = Path(__file__).parents[2] / "demo_project"
WAIT = 120_000
"""Milliseconds that suspects and the line-up may take."""


def main(folder: Path) -> None:
    """Write all pictures into a folder."""
    with tempfile.TemporaryDirectory() as place, chromium() as browser:
        demo = Path(place) / "demo"
        shutil.copytree(DEMO, demo, ignore=shutil.ignore_patterns("truth", "pictures"))
        with served(demo) as app:
            _faults(_tab(browser, app), folder / "viewer.png")
            _suspect(_tab(browser, app), folder / "viewer_dark.png")
        with served(_one_hole(demo, "TH-09")) as app:
            _card(_tab(browser, app), folder / "viewer_one_hole.png")
        many = make_world(3, Settings(holes=300, readings=(0, 1), spacing=(30.0, 50.0)))
        with served(write_project(many, Path(place) / "many")) as app:
            _still(_tab(browser, app), folder / "viewer_300_holes.png")


def _one_hole(folder: Path, hole: str) -> Path:
    """Leave one hole in the tables of a project, and return its folder."""
    for path in folder.glob("*.csv"):
        rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
        if "hole" in rows[0].lower():
            path.write_text("".join([rows[0], *(row for row in rows[1:] if hole in row)]), encoding="utf-8")
    return folder


def _tab(browser: Browser, app: Served) -> Page:
    tab = browser.new_page(viewport={"width": 1440, "height": 810})
    return opened(tab, app)


def _still(tab: Page, path: Path) -> None:
    """Take a picture when everything has come to rest."""
    tab.wait_for_selector(".low-busy", state="detached", timeout=WAIT)
    tab.wait_for_timeout(2500)
    tab.screenshot(path=path)
    tab.close()


def _faults(tab: Page, path: Path) -> None:
    line_up(tab)
    tab.get_by_role("button", name="select its picks").nth(2).click()
    tab.wait_for_selector(".low-card")
    tab.locator(".low-bar button[data-way=first]").click()
    _still(tab, path)


def _card(tab: Page, path: Path) -> None:
    tab.keyboard.press("4")
    tab.get_by_label("depths along holes").check()
    disc = seen_discs(tab)[-1]
    tab.mouse.click(*pixel_of(tab, disc))
    tab.wait_for_selector(".low-card svg.core")
    _still(tab, path)


def _suspect(tab: Page, path: Path) -> None:
    tab.keyboard.press("4")
    tab.get_by_label("dark").check()
    tab.keyboard.press("1")
    tab.get_by_role("button", name="look for suspects").click()
    tab.wait_for_selector(".low-item", timeout=WAIT)
    first = tab.locator(".low-item").first
    first.get_by_role("button", name="select").click()
    first.get_by_role("button", name="show as explained").click()
    tab.wait_for_selector(".low-item.on")
    _still(tab, path)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO / "pictures")
