"""The start page in Chromium: from a folder as it is on the laptop to the viewer, with the clicks counted.

The folders are those of the corpus from the field, whose generator knows the truth (:mod:`tests.corpus.field`).
"""

from __future__ import annotations

import hashlib
import urllib.error
import urllib.request

import numpy as np
import pytest

from desurvey.project import load_project
from tests.browser.chromium import listened, needs_chromium
from tests.browser.served import START, served
from tests.browser.test_app import status
from tests.command import lowside
from tests.corpus.field import FOLDERS, HABITS, FieldFolder, drawn, judged, truth, world, write

pytestmark = [pytest.mark.browser, needs_chromium]

SAYS = {"frame": {"north": "grid", "dip_sign": "negative_down"}, "core": {"line": "low"}}

EVERYDAY = [
    "no_dashes",
    "recovery_in_per_cent",
    "minus_99_for_no_offset",
    "holes_under_an_odd_heading",
    "a_row_of_totals",
    "one_workbook",
]
"""The habits of the prospect that was told of: none of them was a mistake of hers."""

MOST_CLICKS = 12


class Person:
    """Somebody at the page who counts the clicks."""

    def __init__(self, tab):
        self.tab, self.clicks = tab, 0

    def click(self, what):
        what.click()
        self.clicks += 1
        self.tab.wait_for_function("!document.body.hasAttribute('aria-busy')")

    def look(self, folder):
        self.tab.fill("#folder", str(folder))
        self.click(self.tab.get_by_role("button", name="Look", exact=True))
        self.tab.wait_for_selector("#seen section")

    def answer(self, says):
        for section, given in says.items():
            for key, value in given.items():
                box = self.tab.locator(f"section[data-key='{section}.{key}']")
                if box.count():
                    self.click(box.locator(f".answer[data-value='{value}']"))

    def accept(self):
        """Accept what has one answer until nothing of it is left."""
        single = self.tab.locator(".repair:not(:has(.accept ~ .accept)):has(.accept)")
        for _ in range(5):
            every = self.tab.locator("button.all")
            if every.count():
                self.click(every)
            elif single.count() and single.first.locator(".accept").count() == 1:
                self.click(single.first.locator(".accept"))
            else:
                return


def checksums(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.is_file()}


@pytest.fixture
def tab(browser):
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.heard = listened(page)
    yield page
    context.close()


def test_from_lowside_to_the_report_in_a_dozen_clicks(tmp_path, tab):
    prospect = FieldFolder(5, world(5), SAYS)
    for name in EVERYDAY:
        HABITS[name][1](prospect, np.random.default_rng(5))
    folder = tmp_path / "as it came"
    folder.mkdir()
    before = checksums(write(prospect, folder))
    true = truth(5)
    with served(tmp_path, START) as app:
        tab.goto(app.address)
        person = Person(tab)
        person.look(folder)
        assert tab.get_by_role("button", name="Write project.toml and open").is_disabled()
        assert list(folder.glob("project.toml")) == []
        person.answer(SAYS)
        person.accept()
        assert tab.locator(".repair .accept").count() == 0, tab.locator(".repair").all_inner_texts()
        person.click(tab.get_by_role("button", name="Write project.toml and open"))
        tab.wait_for_selector(".space[data-drawn]")
        assert tab.url.startswith(app.bare)
    assert person.clicks <= MOST_CLICKS, person.clicks
    got = drawn(load_project(folder))
    for mine, theirs in ((got.structures, true.structures), (got.holes, true.holes)):
        assert mine.keys() == theirs.keys()
        np.testing.assert_allclose([mine[key] for key in theirs], list(theirs.values()), atol=2e-3)
    assert {name: sum_ for name, sum_ in checksums(folder).items() if name in before} == before
    done = lowside("report", folder, "--out", tmp_path / "report.html", "--no-logs", "--no-scene")
    assert done.returncode == 0, done.stderr
    assert [error for error in tab.heard["errors"] if "Failed to load resource" not in error] == []  # while they change


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    with served(tmp_path_factory.mktemp("start"), START) as running:
        yield running


@pytest.mark.parametrize("field", FOLDERS[1:3], ids=str)
def test_the_page_and_adopt_make_the_same_of_a_folder(field, app, tab, tmp_path):
    """What comes out by clicks is what comes out by the loop that the counts of the corpus are of."""
    _, seen = judged(field, tmp_path)
    tab.goto(app.address)
    person = Person(tab)
    person.look(tmp_path)
    person.answer(field.says)
    person.accept()
    shown = tab.locator("details:has(summary:text-is('project.toml, as it would be written')) pre").text_content()
    assert shown == seen.toml()


def test_guesses_are_changed_by_choosing_and_undone(app, tab, tmp_path):
    folder = write(FieldFolder(3, world(3), SAYS), tmp_path)
    tab.goto(app.address)
    person = Person(tab)
    person.look(folder)
    tab.locator("details[data-file='structures.csv'] > summary").click()
    tab.get_by_label("What structures.csv is").select_option("not used")
    tab.wait_for_selector("text=structures.csv: not used")
    toml = "details:has(summary:text-is('project.toml, as it would be written')) pre"
    assert "structures" not in tab.locator(toml).text_content()
    person.click(tab.get_by_role("button", name="Undo"))
    tab.wait_for_function(
        "path => document.querySelector('main').textContent.includes(path)", arg='structures = "struct'
    )
    tab.locator("details[data-file='structures.csv'] > summary").click()
    tab.get_by_label("What beta means").select_option("gamma")
    tab.wait_for_selector("text=structures: beta is gamma")
    assert 'gamma = "beta"' in tab.locator(toml).text_content()


def test_nobody_comes_in_without_the_token_and_no_page_of_another_server(app):
    for path in ("index.html", "start.json", "?token=guess"):
        assert status(app.bare + path) == 403
    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    assert "Which folder" in opener.open(app.address).read().decode()
    other = urllib.request.Request(f"{app.bare}look", b"{}", {"Origin": "http://example.org"})
    with pytest.raises(urllib.error.HTTPError, match="403"):
        opener.open(other)


def test_a_coordinate_system_is_found_by_its_name(app, tab, tmp_path):
    """EPSG:32633 is WGS 84 / UTM zone 33N in the EPSG register."""
    folder = write(FieldFolder(3, world(3), SAYS), tmp_path)
    tab.goto(app.address)
    person = Person(tab)
    person.look(folder)
    tab.get_by_label("Which coordinate system").fill("WGS84 UTM 33N")
    person.click(tab.get_by_role("button", name="Take it"))
    box = tab.locator("section[data-key='frame.crs']")
    assert "° N" in box.inner_text()
    assert 'crs = "EPSG:32633"' in tab.locator("details pre").last.text_content()
    turned = tab.locator("section[data-key='frame.north'] .answer[data-value='true'] small").first.inner_text()
    assert "from grid north" in turned


def test_a_folder_without_tables_says_what_to_do(app, tab, tmp_path):
    (tmp_path / "inner").mkdir()
    tab.goto(app.address)
    for folder, words in ((tmp_path / "nothing", "there is no such folder"), (tmp_path, "looks like collars")):
        tab.fill("#folder", str(folder))
        tab.get_by_role("button", name="Look", exact=True).click()
        tab.wait_for_selector(f"#problem:has-text('{words}')")
    tab.get_by_role("button", name="Browse …").click()
    tab.get_by_role("button", name="inner").click()
    tab.wait_for_function("path => document.querySelector('#folder').value === path", arg=str(tmp_path / "inner"))
