"""Lines up? in Chromium: picks are lined up, selected, seen edge-on, pinned to none and back."""

import re
import tomllib

import numpy as np
import pytest

from tests.benches import layered, written
from tests.browser.chromium import needs_chromium
from tests.browser.served import line_up, opened, served

pytestmark = [pytest.mark.browser, needs_chromium]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return written(tmp_path_factory.mktemp("app") / "layered", layered(wrong_run=("", 0.0)))


@pytest.fixture(scope="module")
def tab(folder, browser):
    with served(folder) as app, browser.new_page(viewport={"width": 1280, "height": 1100}) as page:
        opened(page, app)
        line_up(page)
        yield page


def faults(tab):
    """Return the fault that each pick is shown to belong to."""
    rows = tab.locator("tr[data-pick]")
    return {
        rows.nth(i).get_attribute("data-pick"): rows.nth(i).locator("td").nth(1).inner_text().split()[0]
        for i in range(rows.count())
    }


def wait_for_fault(tab, pick, fault, pinned=True):
    """Wait until a pick is shown to belong to a fault, pinned there or found there."""
    tab.wait_for_function(
        """([pick, fault, pinned]) => {
            const row = document.querySelector(`tr[data-pick=${pick}]`);
            const shown = row.cells[1].innerText.trim().split(/\\s/)[0];
            return row.innerText.includes('pinned') === pinned && shown === fault;
        }""",
        arg=[pick, fault, pinned],
    )


def test_the_two_planted_faults_are_found(tab):
    """They were planted with dip 60° to 200°, 60 m apart (tests/benches.py)."""
    said = tab.locator(".low-item").all_inner_texts()
    assert len(said) == 2
    for text in said:
        dip, direction = (float(number) for number in re.search(r"(\d+)° / (\d+)°", text).groups())
        assert dip == pytest.approx(60, abs=3)
        assert direction == pytest.approx(200, abs=4)
    tab.wait_for_function("document.querySelector('.low-host').space.scene.sheets.length === 2")


def test_edge_on_the_picks_of_a_fault_fall_on_a_line(tab):
    tab.get_by_role("button", name="select its picks").first.click()
    tab.wait_for_function("document.querySelector('.low-host').space.chosen.length > 3")
    tab.keyboard.press("e")
    tab.wait_for_function("document.querySelector('.low-host').space.camera.parallel")
    places = tab.evaluate(
        """() => {
            const s = document.querySelector('.low-host').space, view = s.projection();
            return s.chosen.map(i => s.onScreen(view, [...s.scene.disc.centre.subarray(3 * i, 3 * i + 3)]));
        }"""
    )
    spread = np.linalg.svd(np.array(places) - np.mean(places, axis=0), compute_uv=False)
    assert spread[1] < 0.08 * spread[0]


def test_a_pick_can_be_pinned_to_none_and_back(tab, folder):
    before = faults(tab)
    pick = next(name for name, fault in before.items() if fault == "F1")
    tab.locator(f"tr[data-pick={pick}] select").select_option(label="none")
    wait_for_fault(tab, pick, "none")
    (decision,) = tomllib.loads((folder / "decisions.toml").read_text(encoding="utf-8"))["decision"]
    assert (decision["what"], decision["key"], decision["answer"]) == ("pick", pick, "pinned")
    tab.locator(f"tr[data-pick={pick}] select").select_option(label="as found")
    wait_for_fault(tab, pick, "F1", pinned=False)
    assert faults(tab) == before


def test_a_pick_is_dragged_to_another_fault(tab, folder):
    before = faults(tab)
    pick = next(name for name, fault in before.items() if fault == "F1")
    tab.locator(f"tr[data-pick={pick}]").drag_to(tab.locator(".low-item:has-text('F2')"))
    wait_for_fault(tab, pick, "F2")
    (decision,) = tomllib.loads((folder / "decisions.toml").read_text(encoding="utf-8"))["decision"]
    assert decision["fault"] == "F2"


def test_a_pick_is_dragged_to_no_fault(tab, folder):
    pick = next(name for name, fault in faults(tab).items() if fault == "F1")
    tab.locator(f"tr[data-pick={pick}]").drag_to(tab.get_by_text("no fault: drag a pick here"))
    wait_for_fault(tab, pick, "none")
    decisions = tomllib.loads((folder / "decisions.toml").read_text(encoding="utf-8"))["decision"]
    assert {one["key"]: one.get("fault", "") for one in decisions}[pick] == ""
