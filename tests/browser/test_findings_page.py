"""The page of findings in Chromium with the network off: it shows every finding and filters them."""

from pathlib import Path

import pytest
from playwright.sync_api import Page

import desurvey
from tests.browser.chromium import listened, needs_chromium
from viewer.commands.findings import write_findings

pytestmark = [pytest.mark.browser, needs_chromium]

DEMO = Path(__file__).parents[2] / "demo_project"


COUNT = "Tabulator.findTable('#findings')[0].getDataCount('active')"


def settled(tab: Page, rows: int) -> bool:
    """Wait until the table shows so many rows; the page lets no script wait for us."""
    for _ in range(50):
        if tab.evaluate(COUNT) == rows:
            return True
        tab.wait_for_timeout(100)
    return False


def test_the_page_filters_by_hole_and_by_words(tmp_path, browser):
    study = desurvey.open(DEMO)
    findings = study.findings
    write_findings(study, findings, tmp_path / "findings.html")
    tab = browser.new_context(viewport={"width": 1300, "height": 900}, offline=True).new_page()
    heard = listened(tab)
    tab.goto((tmp_path / "findings.html").as_uri())
    tab.wait_for_selector(".tabulator-row")
    assert settled(tab, len(findings))

    words = tab.locator(".tabulator-col[tabulator-field=message] .tabulator-header-filter input")
    words.press_sequentially("out of line")
    assert settled(tab, 1)
    assert tab.locator(".tabulator-row .tabulator-cell[tabulator-field=hole_id]").inner_text() == "TH-21"

    words.press("Control+a")
    words.press("Backspace")
    assert settled(tab, len(findings))
    tab.locator(".tabulator-col[tabulator-field=hole_id] .tabulator-header-filter input").click()
    tab.locator(".tabulator-edit-list-item", has_text="TH-12").click()
    assert settled(tab, sum(finding.hole_id == "TH-12" for finding in findings))
    assert heard["errors"] == []
    assert [url for url in heard["requests"] if not url.startswith("file:")] == []
