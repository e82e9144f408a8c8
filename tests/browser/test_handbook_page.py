"""The handbook's search, on files of a disk, with the browser offline."""

import pytest

from tests.browser.chromium import needs_chromium
from viewer.handbook.__main__ import write_site

pytestmark = [pytest.mark.browser, needs_chromium]


@pytest.mark.parametrize("width", [390, 1280])
def test_the_box_finds_without_a_network(browser, tmp_path, width):
    write_site(tmp_path)
    context = browser.new_context(offline=True, viewport={"width": width, "height": 800})
    page = context.new_page()
    page.goto((tmp_path / "start.html").as_uri())
    page.get_by_label("Search").fill("pole_sigma")
    first = page.locator("#found a").first
    assert "pole_sigma" in first.inner_text()
    first.click()
    page.wait_for_url("**/outputs.html#oriented.pole_sigma")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()
