"""Possible? in Chromium: suspects are found, shown as explained, accepted and set aside."""

import tomllib

import numpy as np
import pytest

from tests.benches import layered, written
from tests.browser.chromium import needs_chromium
from tests.browser.served import opened, served

pytestmark = [pytest.mark.browser, needs_chromium]

SUSPECT = ".low-item:has-text('L04')"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return written(tmp_path_factory.mktemp("app") / "layered", layered())


@pytest.fixture(scope="module")
def tab(folder, browser):
    with served(folder) as app, browser.new_page(viewport={"width": 1280, "height": 720}) as page:
        opened(page, app)
        page.wait_for_selector(SUSPECT)
        page.wait_for_selector(".low-busy", state="detached")
        yield page


def normals(tab):
    return np.array(tab.evaluate("[...document.querySelector('.low-host').space.scene.disc.normal]")).reshape(-1, 3)


def version(tab):
    return tab.evaluate("document.querySelector('.low-host').space.scene.version")


def switch(tab, text):
    before = version(tab)
    tab.locator(SUSPECT).get_by_role("button", name=text, exact=True).click()
    tab.wait_for_function("before => document.querySelector('.low-host').space.scene.version > before", arg=before)


def test_the_run_on_the_wrong_side_is_named(tab):
    said = tab.locator(SUSPECT).inner_text()
    assert "run 60.0" in said
    assert "high side" in said


def test_discs_turn_and_poles_move_when_it_is_shown_as_explained(tab):
    before = normals(tab)
    tab.locator(SUSPECT).get_by_role("button", name="select", exact=True).click()
    tab.wait_for_function("document.querySelector('.low-host').space.chosen.length > 0")
    concerned = tab.evaluate("[...document.querySelector('.low-host').space.chosen]")
    switch(tab, "show as explained")
    turned = np.flatnonzero(np.abs(np.einsum("ij,ij->i", before, normals(tab))) < 0.99)
    assert turned.tolist() == concerned  # the readings of that run, and no others
    tab.wait_for_function("v => Number(document.querySelector('.low-net').dataset.version) >= v", arg=version(tab))
    switch(tab, "show as logged")
    assert normals(tab) == pytest.approx(before)


def test_a_decision_is_kept_with_who_when_and_why(tab, folder):
    before = {file.name: file.read_bytes() for file in folder.glob("*.csv")}
    tab.locator("input[type=text]").fill('seen on the "photo"')
    switch(tab, "accept")
    tab.wait_for_selector(f"{SUSPECT} >> text=accepted by")
    (decision,) = tomllib.loads((folder / "decisions.toml").read_text(encoding="utf-8"))["decision"]
    assert decision["answer"] == "accepted"
    assert decision["why"] == 'seen on the "photo"'
    assert decision["who"]
    assert decision["when"]
    assert {file.name: file.read_bytes() for file in folder.glob("*.csv")} == before
    switch(tab, "set aside")
    tab.wait_for_selector(f"{SUSPECT} >> text=set aside by")
