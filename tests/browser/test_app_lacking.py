"""Projects without surveys or without structures in Chromium: what is there is drawn, and what lacks is said."""

import base64
import re
from contextlib import contextmanager

import numpy as np
import pytest

from tests.browser.chromium import listened, needs_chromium
from tests.browser.served import opened, served
from tests.projects import PROJECT_TOML, TABLES, write_project

pytestmark = [pytest.mark.browser, needs_chromium]

NO_SURVEYS = PROJECT_TOML.replace('surveys = "surveys.csv"\n', "")
NO_STRUCTURES = PROJECT_TOML.replace('structures = "structures.csv"\n', "")
NOTE = ".low-lacks"


@contextmanager
def drawn(browser, folder):
    with served(folder) as app, browser.new_page(viewport={"width": 1280, "height": 720}) as tab:
        heard = listened(tab)
        yield opened(tab, app), heard


def pieces(tab):
    """Return the pieces of holes that are drawn, from end to end, shape (n, 3)."""
    coded = tab.evaluate("document.querySelector('.low-host').space.scene.drilled.ends")
    ends = np.frombuffer(base64.b64decode(coded), dtype="<f4").reshape(-1, 2, 3).astype(float)
    return ends[:, 1] - ends[:, 0]


def test_without_surveys_holes_are_straight_and_it_says_so(tmp_path, browser):
    """Both collars point to azimuth 90° at 60° down: along (½, 0, −½√3)."""
    with drawn(browser, write_project(tmp_path / "project", NO_SURVEYS, surveys=None)) as (tab, heard):
        for key in "1234":
            tab.keyboard.press(key)
            said = tab.locator(NOTE).inner_text()
            assert "No drilled hole has a survey. They are drawn straight" in said
            assert 'surveys = "surveys.csv"' in said
        drawn_pieces = pieces(tab)
        length = np.linalg.norm(drawn_pieces, axis=1)
        assert length.sum() == pytest.approx(120 + 80, abs=0.01)
        along = np.array([0.5, 0.0, -np.sqrt(0.75)])
        np.testing.assert_allclose(drawn_pieces, length[:, None] * along, atol=1e-3)
        assert heard["errors"] == []


def test_without_structures_there_are_holes_and_each_question_says_what_it_can_do(tmp_path, browser):
    folder = write_project(tmp_path / "project", NO_STRUCTURES, structures=None)
    with drawn(browser, folder) as (tab, heard):
        assert "No structures: there are no discs" in tab.locator(NOTE).inner_text()
        tab.keyboard.press("1")
        tab.wait_for_selector("text=No suspects: nothing is better explained")
        tab.keyboard.press("2")
        tab.wait_for_selector("text=There is no structure on any hole, and so nothing to line up.")
        assert tab.get_by_role("button", name="line up").count() == 0
        tab.keyboard.press("3")
        tab.wait_for_selector("text=There are no picks to line up, and so no fault to meet")
        tab.locator(NOTE).get_by_title("Close").click()
        tab.wait_for_selector(NOTE, state="detached")

        (folder / "structures.csv").write_text(TABLES["structures"], encoding="utf-8")
        (folder / "project.toml").write_text(PROJECT_TOML, encoding="utf-8")
        tab.keyboard.press("2")
        tab.get_by_role("button", name=re.compile("^line up")).wait_for()
        assert tab.get_by_label("kind to line up").input_value() == "fault"
        tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 4")
        assert heard["errors"] == []


def test_a_table_that_was_missing_may_stay_so_and_comes_in_when_it_is_there(tmp_path, browser):
    """A reload used to be refused as long as any named table was missing, though the project had been opened so."""
    folder = write_project(tmp_path / "project", structures=None)
    with drawn(browser, folder) as (tab, heard):
        assert "structures.csv: there is no such file" in tab.locator(NOTE).inner_text()
        with (folder / "collars.csv").open("a", encoding="utf-8") as collars:
            collars.write("C,1200,2000,101,80,90,-60,2026-05-04\n")
        tab.wait_for_selector(".low-message:has-text('Loaded anew')")
        (folder / "structures.csv").write_text(TABLES["structures"], encoding="utf-8")
        tab.wait_for_function("document.querySelector('.low-host').space.scene.disc.radius.length === 4")
        assert "no such file" not in tab.locator(NOTE).inner_text()  # but C has no survey
        (folder / "structures.csv").unlink()
        tab.wait_for_selector(".low-message:has-text('what is shown is from before')")
        assert tab.evaluate("document.querySelector('.low-host').space.scene.disc.radius.length") == 4
        assert heard["errors"] == []


def test_where_no_hole_can_be_drawn_the_page_says_why(tmp_path, browser):
    collars = "hole_id,easting,northing,elevation,depth\nA,1000,2000,100,120\nB,1100,2000,101,80\n"
    with drawn(browser, write_project(tmp_path / "project", NO_SURVEYS, collars=collars, surveys=None)) as (tab, heard):
        said = tab.locator(NOTE).inner_text()
        assert "No hole is drawn: the hole has no survey and no azimuth and dip at its collar." in said
        assert "None of the 5 structures has an orientation" in said
        assert heard["errors"] == []
