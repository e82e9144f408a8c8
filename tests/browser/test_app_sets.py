"""Sets in Chromium: found on demand, switched off and on, undone, coloured, kept with a view."""

import re

import pytest

from tests.benches import layered, written
from tests.browser.chromium import needs_chromium
from tests.browser.served import opened, served

pytestmark = [pytest.mark.browser, needs_chromium]

DISCS = "document.querySelector('.low-host').space.scene.disc.radius.length"


@pytest.fixture(scope="module")
def tab(tmp_path_factory, browser):
    folder = written(tmp_path_factory.mktemp("app") / "layered", layered(wrong_run=("", 0.0)))
    with served(folder) as app, browser.new_page(viewport={"width": 1280, "height": 720}) as page:
        opened(page, app)
        page.keyboard.press("4")
        yield page


def found(tab, kind=""):
    tab.get_by_label("kind to find sets of").select_option(kind)
    tab.get_by_role("button", name="find sets").click()
    tab.wait_for_selector(f".low-panel p:has-text('poles of {kind or 'all kinds'};')")
    rows = tab.locator(".low-sets label").all_inner_texts()
    return [re.sub(r"\s+", " ", row).strip() for row in rows]


def test_the_planted_planes_come_out_as_sets(tab):
    """The world's layering dips at 50° to 110° and its faults at 60° to 200° (tests/benches.py)."""
    tab.wait_for_function(f"{DISCS} > 300")
    rows = found(tab)
    planes = [re.match(r"set (\d) (\d+)°/(\d+)° ± \d+° \((\d+)\)", row) for row in rows[:-1]]
    assert len(planes) == 2
    assert [int(plane[2]) for plane in planes] == pytest.approx([50, 60], abs=2)
    assert [int(plane[3]) for plane in planes] == pytest.approx([110, 200], abs=2)
    assert rows[-1].startswith("in no set")
    counts = [int(re.search(r"\((\d+)\)", row)[1]) for row in rows]
    assert sum(counts) == tab.evaluate(DISCS)


def test_a_set_is_switched_off_and_the_change_undone(tab):
    total = tab.evaluate(DISCS)
    largest = int(re.search(r"\((\d+)\)", tab.locator(".low-sets label").first.inner_text())[1])
    tab.get_by_label("set 1").uncheck()
    tab.wait_for_function(f"{DISCS} === {total - largest}")
    tab.keyboard.press("Control+z")
    tab.wait_for_function(f"{DISCS} === {total}")
    assert tab.get_by_label("set 1").is_checked()


def test_discs_take_the_colours_of_their_sets(tab):
    tab.get_by_role("button", name="colour by set").click()
    tab.wait_for_selector(".low-legend >> text=set 2")
    swatch = ".low-sets label:has-text('%s') .low-swatch"
    entry = ".low-legend li:has-text('%s') i"
    colour = "one => getComputedStyle(one).backgroundColor"
    for name in ("set 1", "set 2"):
        assert tab.eval_on_selector(swatch % name, colour) == tab.eval_on_selector(entry % name, colour)
    assert "not logged" not in tab.inner_text(".low-legend")


def test_a_kept_view_brings_its_sets_back(tab):
    tab.once("dialog", lambda dialog: dialog.accept("without layering"))
    total = tab.evaluate(DISCS)
    tab.get_by_label("set 1").uncheck()
    tab.wait_for_function(f"{DISCS} < {total}")
    left = tab.evaluate(DISCS)
    tab.get_by_role("button", name="keep view").click()
    tab.get_by_label("kept views").wait_for()
    tab.keyboard.press("a")
    tab.wait_for_function(f"{DISCS} === {total}")
    tab.get_by_label("kept views").select_option("without layering")
    tab.wait_for_function(f"{DISCS} === {left}")
    tab.keyboard.press("a")
    tab.wait_for_function(f"{DISCS} === {total}")


def test_sets_of_one_kind_leave_the_others_alone(tab):
    total = tab.evaluate(DISCS)
    rows = found(tab, "fault")
    assert len(rows) == 2  # the two faults are parallel: one set, and those in none
    tab.get_by_label("set 1").uncheck()
    tab.wait_for_function(f"{DISCS} < {total}")
    left = tab.evaluate(DISCS)
    assert total - left == int(re.search(r"\((\d+)\)", rows[0])[1])
    assert "foliation" in tab.inner_text(".low-kinds")
    tab.keyboard.press("a")
