"""Long work in Chromium, on the demo project: how far it is, stopping it, and what the line-up makes of suspects."""

import re
import shutil
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from tests.browser.chromium import needs_chromium
from tests.browser.served import held, opened, served, workers

pytestmark = [pytest.mark.browser, needs_chromium]

DEMO = Path(__file__).parents[2] / "demo_project"

LISTEN = """() => {
    window.bars = [];
    const look = () => {
        const bar = document.querySelector(".low-busy .v-progress-linear");
        const said = bar ? bar.getAttribute("aria-valuenow") : "none";
        if (window.bars.at(-1) !== said) window.bars.push(said);
        requestAnimationFrame(look);
    };
    look();
}"""
"""Keeps what the bar shows: nothing where there is none, null while it only moves to and fro, else a percentage."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    whole = tmp_path_factory.mktemp("app") / "demo"
    return Path(shutil.copytree(DEMO, whole, ignore=shutil.ignore_patterns("pictures", "truth", "*.py")))


@pytest.fixture(scope="module")
def app(folder, tmp_path_factory):
    """Serve with a cache of its own: what another test has worked out of the demo would leave nothing to wait for."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOWSIDE_CACHE", str(tmp_path_factory.mktemp("cache")))
        with served(folder) as running:
            yield running


@pytest.fixture(scope="module")
def tab(app, browser):
    with browser.new_page(viewport={"width": 1280, "height": 900}) as page:
        yield opened(page, app)


def wait_until_idle(tab):
    tab.wait_for_selector(".low-busy", state="detached")


def stop(tab):
    tab.locator(".low-busy").get_by_role("button", name="stop").click()
    tab.wait_for_selector(".low-message:has-text('stopped')")
    tab.wait_for_selector(".low-busy", state="detached")


def line_up(tab, kind):
    tab.keyboard.press("2")
    tab.get_by_label("kind to line up").select_option(kind)
    tab.get_by_role("button", name=re.compile("^line up")).click()
    tab.wait_for_selector(".low-busy")


def test_stop_ends_the_process_and_the_app_works_on(tab, app):
    """What is suspect and what lines up is worked out on opening."""
    tab.keyboard.press("1")
    tab.wait_for_selector(".low-busy .v-progress-linear[aria-valuenow]")
    with held(app):
        stop(tab)
    assert workers(app) == []
    assert tab.get_by_role("button", name="look for suspects").is_visible()


def test_the_bar_grows_to_the_end(tab, app):
    """Shares come every fifth of a second; the work is held for as long, again and again, until eight were seen."""
    tab.evaluate(LISTEN)
    tab.get_by_role("button", name="look for suspects").click()
    while tab.evaluate("window.bars.length") < 10 and not tab.locator(".low-item").count():
        with held(app):
            tab.wait_for_timeout(250)
        tab.wait_for_timeout(50)
    tab.wait_for_selector(".low-item")
    wait_until_idle(tab)
    assert len(workers(app)) == 1
    seen = tab.evaluate("window.bars")
    assert seen[:2] == ["none", None]
    assert seen[-1] == "none"
    shares = [float(share) for share in seen[1:-1] if share is not None]
    assert len(shares) >= 8
    assert all(later > earlier for earlier, later in pairwise(shares))
    assert shares[0] < 40
    assert shares[-1] > 60


def test_what_suspects_accuse_is_distrusted_until_it_is_set_aside(tab):
    tab.wait_for_selector("text=look for suspects", state="detached")
    line_up(tab, "fault")
    wait_until_idle(tab)
    said = tab.wait_for_selector("text=/The orientation of \\d+ of \\d+ picks is distrusted/").inner_text()
    distrusted, picks = (int(number) for number in re.search(r"of (\d+) of (\d+)", said).groups())
    assert 0 < distrusted < picks == tab.locator("tr[data-pick]").count()
    tab.keyboard.press("1")
    for number in range(tab.locator(".low-item").count()):
        tab.locator(".low-item").nth(number).get_by_role("button", name="set aside").click()
        tab.locator(".low-item").nth(number).get_by_text("set aside by").wait_for()
    tab.keyboard.press("2")
    tab.wait_for_selector("text=No pick's orientation is distrusted")  # decisions line up anew by themselves
    wait_until_idle(tab)


def test_a_pin_survives_a_stop(tab, folder, app):
    row = tab.locator("tr[data-pick]").first
    pick = row.get_attribute("data-pick")
    before = row.locator("td").nth(1).inner_text()
    assert before.startswith("F")
    with held(app):
        row.locator("select").select_option(label="none")
        stop(tab)
    pins = [one for one in tomllib.loads((folder / "decisions.toml").read_text())["decision"] if one["what"] == "pick"]
    assert [(one["key"], one.get("fault", "")) for one in pins] == [(pick, "")]
    row = tab.locator(f"tr[data-pick='{pick}']")
    assert row.locator("td").nth(1).inner_text() == f"{before}, pinned"  # the answer is still the one before
    tab.wait_for_selector("text=Pins or suspects have changed since")
    line_up(tab, "fault")
    wait_until_idle(tab)
    assert re.match(r"none \(.*\), pinned", row.locator("td").nth(1).inner_text())
    assert not tab.get_by_text("Pins or suspects have changed since").is_visible()
