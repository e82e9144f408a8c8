"""The page for everybody: axe-core's rules (contrast AA, names, roles, order) hold in every state of the page.

axe-core is a general-purpose checker of the rules of WCAG 2.x; it can't see what is drawn on canvases, whose colours
``tests/test_theme.py`` checks against their backgrounds.
"""

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.benches import layered, written
from tests.browser.chromium import needs_chromium
from tests.browser.served import held, line_up, opened, pixel_of, seen_discs, served

pytestmark = [pytest.mark.browser, needs_chromium]


@pytest.fixture(scope="module")
def tab(tmp_path_factory, browser):
    """Give a tab with content in all panels: suspects, a line-up, a planned hole, sets."""
    folder = written(tmp_path_factory.mktemp("app") / "layered", layered())
    with served(folder) as app, browser.new_page(viewport={"width": 1280, "height": 720}) as page:
        opened(page, app)
        page.wait_for_selector(".low-item")
        line_up(page)
        page.keyboard.press("3")
        page.get_by_label("show it").check()
        page.keyboard.press("4")
        page.get_by_role("button", name="find sets").click()
        page.wait_for_selector(".low-sets label")
        page.app = app
        yield page


def check(tab):
    """Let axe look at the page as it is; it must find nothing. What it finds is said a line each."""
    tab.wait_for_function(  # transitions of widgets end; what goes round for ever doesn't count
        "document.getAnimations().every(one => one.effect.getComputedTiming().endTime === Infinity)"
    )
    found = Axe().run(tab).response["violations"]
    said = [
        f"{rule['id']} ({rule['impact']}) at {' '.join(map(str, node['target']))}: {node['failureSummary']}"
        for rule in found
        for node in rule["nodes"]
    ]
    assert not said, "\n".join(said)


@pytest.fixture(params=["light", "dark"])
def lit(tab, request):
    """Give the tab in a light and in a dark look."""
    tab.keyboard.press("4")
    tab.get_by_label("dark").set_checked(request.param == "dark")
    tab.wait_for_selector(f".low-{request.param}")
    yield tab
    tab.keyboard.press("Escape")


@pytest.mark.parametrize("panel", ["1", "2", "3", "4"])
def test_each_panel_is_for_everybody(lit, panel):
    lit.keyboard.press(panel)
    check(lit)


def test_a_card_and_what_is_selected_are_for_everybody(lit):
    lit.mouse.click(*pixel_of(lit, seen_discs(lit)[0]))
    lit.wait_for_selector(".low-card")
    check(lit)
    lit.keyboard.press("Escape")
    lit.wait_for_selector(".low-card", state="detached")


def test_a_fault_edge_on_is_for_everybody(lit):
    lit.get_by_label("picture", exact=True).select_option("")
    lit.keyboard.press("f")
    lit.wait_for_selector(".low-chart .pick")
    check(lit)
    lit.keyboard.press("Escape")
    lit.wait_for_selector(".low-chart", state="detached")
    lit.get_by_label("picture", exact=True).select_option("show")


def test_keys_and_messages_are_for_everybody(lit):
    lit.keyboard.press("e")
    lit.wait_for_selector(".low-message")
    lit.keyboard.press("?")
    lit.wait_for_selector(".low-keys >> text=Keys")
    check(lit)


def test_filters_and_the_slab_are_for_everybody(lit):
    lit.keyboard.press("]")
    lit.wait_for_selector(".low-panel >> text=along azimuth")
    lit.get_by_label("only holes").fill("L03")
    lit.keyboard.press("Enter")
    lit.wait_for_selector("button:has-text('L03 ×')")
    lit.get_by_label("list all that are shown").check()
    lit.wait_for_selector(".low-table tr.pickable")
    check(lit)
    lit.get_by_label("list all that are shown").uncheck()
    lit.get_by_role("button", name="show everything").click()
    lit.wait_for_selector("button:has-text('L03 ×')", state="detached")  # before the next test asks for that hole


def test_work_under_way_is_for_everybody(lit):
    lit.keyboard.press("2")
    with held(lit.app):
        lit.get_by_role("button", name="line up anew").click()
        lit.wait_for_selector(".low-busy")
        check(lit)
    lit.wait_for_selector(".low-busy", state="detached")
