"""The answer at a glance, the picture of each question, one history, and what belongs to one tab."""

import re
import tomllib

import numpy as np
import pytest

from desurvey.project import load_project
from tests.benches import layered, written
from tests.browser.chromium import listened, needs_chromium
from tests.browser.served import at_rest, eventually, line_up, opened, served
from viewer import theme
from viewer.scene.colouring import rgb

pytestmark = [pytest.mark.browser, needs_chromium]

SPACE = "document.querySelector('.low-host').space"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return written(tmp_path_factory.mktemp("app") / "layered", layered())


@pytest.fixture(scope="module")
def app(folder):
    with served(folder) as running:
        yield running


@pytest.fixture(scope="module")
def tab(app, browser):
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.heard = listened(page)
    opened(page, app, picture="")
    line_up(page)
    return page


def shown(tab, picture):
    tab.wait_for_function(f"name => {SPACE}.scene.dress === name", arg=picture)


def colours(tab):
    return np.array(tab.evaluate(f"[...{SPACE}.scene.disc.rgb]")).reshape(-1, 3)


def decided(folder):
    path = folder / "decisions.toml"
    return tomllib.loads(path.read_text(encoding="utf-8")).get("decision", []) if path.exists() else []


def test_the_answers_stand_in_one_line_and_each_leads_to_its_panel(tab):
    said = tab.locator(".low-verdict").inner_text()
    assert re.search(r"1 suspect\b", said)
    assert "2 faults line up" in said
    assert re.search(r"windows? to look at again", said)
    for text, panel in (("suspect", "possible"), ("line up", "lines_up")):
        tab.locator(".low-verdict button", has_text=text).first.click()
        tab.wait_for_function("name => location.hash === `#${name}`", arg=panel)
    assert "As logged" in tab.inner_text(".low-basis")
    assert tab.title().startswith("bench") or tab.title().endswith("lowside")
    assert tab.heard["errors"] == []


def test_possible_shows_the_accused_in_colour_and_the_rest_as_quiet_context(tab):
    tab.keyboard.press("1")
    shown(tab, "possible")
    found, sizes = colours(tab), np.array(tab.evaluate(f"[...{SPACE}.scene.disc.radius]"))
    accused = (found == rgb(theme.SUSPECT)).all(axis=1)
    quiet = (found == rgb(theme.LIGHT.quiet_disc)).all(axis=1)
    assert accused.any()
    assert (accused | quiet).all()
    assert np.median(sizes[quiet]) < np.median(sizes[accused])
    assert tab.evaluate(f"{SPACE}.scene.sheets.length") == 0
    assert f"({accused.sum()})" in tab.inner_text(".low-legend")
    tab.locator(".low-item").first.get_by_role("button", name="select").click()
    tab.wait_for_function(
        "n => Number(document.querySelector('.low-host').dataset.expected) === n", arg=int(accused.sum())
    )
    ghosts = tab.evaluate(f"{SPACE}.scene.ghosts")
    assert ghosts["disc"] == np.flatnonzero(accused).tolist()
    assert min(ghosts["angle"]) > 5  # a line on the wrong side turns planes


def test_lines_up_colours_picks_by_their_fault_and_one_fault_stands_edge_on_alone(tab):
    tab.keyboard.press("2")
    shown(tab, "lines_up")
    names = {one["id"]: one["colour"] for one in tab.evaluate("window.lowside.space.edge_on")}
    members = tab.evaluate("window.lowside.space.scene.members")
    found = colours(tab)
    for name, rows in members.items():
        assert (found[rows] == rgb(names[name])).all()
    tab.keyboard.press("f")
    shown(tab, "fault:F1")
    tab.wait_for_selector(".low-chart .pick")
    assert tab.locator(".low-chart .pick").count() == tab.evaluate("window.lowside.space.fault.picks.length")
    sizes = np.array(tab.evaluate(f"[...{SPACE}.scene.disc.radius]"))
    assert np.flatnonzero(sizes > 0).tolist() == members["F1"]
    assert tab.evaluate(f"{SPACE}.scene.sheets.map(one => one.name)") == ["F1"]
    tab.wait_for_function(f"{SPACE}.camera.parallel")
    places = tab.evaluate(
        f"""rows => {{
            const space = {SPACE}, {{ centre }} = space.scene.disc;
            return rows.map(i => space.onScreen(space.projection(), [...centre.subarray(3 * i, 3 * i + 3)]));
        }}""",
        members["F1"],
    )
    spread = np.linalg.svd(np.array(places) - np.mean(places, axis=0), compute_uv=False)
    assert spread[1] < 0.08 * spread[0]
    chart = tab.locator(".low-chart").bounding_box()
    host = tab.locator(".low-host").bounding_box()
    assert all(0 < x < host["width"] and 0 < y < chart["y"] - host["y"] for x, y in places)  # the chart covers none
    tab.keyboard.press("f")
    shown(tab, "fault:F2")
    tab.keyboard.press("Escape")
    shown(tab, "lines_up")
    assert tab.locator(".low-chart").count() == 0


def test_a_switch_keeps_the_picture_that_a_person_wants(tab):
    tab.get_by_label("picture", exact=True).select_option("show")
    for key in "123":
        tab.keyboard.press("Escape")
        tab.evaluate("document.activeElement.blur()")
        tab.keyboard.press(key)
        shown(tab, "show")
    tab.get_by_label("picture", exact=True).select_option("")
    shown(tab, "next_hole")


def test_names_and_axis_numbers_stand_at_once_while_the_picture_is_drawn(tab):
    """Pictures are held back: texts have their places, and the old picture says that it is old."""
    at_rest(tab)
    tab.evaluate(
        """() => {
            const { painter } = window.lowside.space.space;
            window.held = painter.ask;
            const wait = () => new Promise((go) => { window.go = go; });
            painter.ask = async (camera) => { await wait(); return window.held(camera); };
        }"""
    )
    tab.keyboard.press("4")
    tab.wait_for_selector(".low-host.late")
    tab.wait_for_function(
        """() => {
            const seen = (one) => !one.hidden && one.style.visibility === "visible";
            const there = [...document.querySelectorAll(".labels span")].filter(seen).map((one) => one.className);
            return there.includes("name") && there.includes("axis");
        }"""
    )
    assert tab.locator(".space .drawing").inner_text() == "drawing …"
    tab.wait_for_function("Boolean(window.go)")
    tab.evaluate("() => { window.lowside.space.space.painter.ask = window.held; window.go(); }")
    tab.wait_for_selector(".low-host.late", state="detached")


def test_a_pin_is_taken_back_by_undo_with_words(tab, folder):
    tab.keyboard.press("2")
    row = tab.locator("tr[data-pick]:has-text('F1')").first
    pick = row.get_attribute("data-pick")
    row.locator("select").select_option(label="none")
    tab.wait_for_selector(f"tr[data-pick={pick}]:has-text('pinned')")
    tab.wait_for_selector(".low-busy", state="detached")
    assert [one["key"] for one in decided(folder)] == [pick]
    button = tab.get_by_role("button", name=f"undo: pinned {pick} to none")
    button.click()

    def taken_back():
        assert decided(folder) == []

    eventually(taken_back)
    tab.wait_for_selector(f"tr[data-pick={pick}]:not(:has-text('pinned'))")
    tab.get_by_role("button", name=f"redo: pinned {pick} to none").click()
    tab.wait_for_selector(f"tr[data-pick={pick}]:has-text('pinned')")
    tab.get_by_role("button", name=f"undo: pinned {pick} to none").click()
    tab.wait_for_selector(".low-busy", state="detached")


def test_panel_picture_and_card_belong_to_one_tab(tab, app, browser):
    context = browser.new_context(viewport={"width": 1000, "height": 700})
    other = opened(context.new_page(), app, picture="")
    tab.keyboard.press("2")
    shown(tab, "lines_up")
    tab.locator("tr[data-pick]").first.focus()
    tab.keyboard.press("Enter")  # rows can be picked without a mouse
    tab.wait_for_selector(".low-card")
    other.keyboard.press("3")
    shown(other, "next_hole")
    assert other.locator(".low-card").count() == 0
    assert tab.evaluate("location.hash") == "#lines_up"
    shown(tab, "lines_up")
    other.keyboard.press("1")
    other.go_back()
    other.wait_for_function("location.hash === '#next_hole'")
    shown(other, "next_hole")
    other.go_forward()
    shown(other, "possible")
    context.close()


def test_a_number_box_keeps_its_digits_and_escape_leaves_it(tab):
    tab.keyboard.press("Escape")
    tab.keyboard.press("3")
    tab.get_by_label("show it").check()
    box = tab.get_by_label("dip, number", exact=True)
    box.focus()
    box.press("2")
    assert tab.evaluate("location.hash") == "#next_hole"
    box.press("Escape")
    assert tab.evaluate("document.activeElement.tagName") != "INPUT"
    box.fill("45")  # upwards, from underground
    tab.wait_for_selector("[data-row=collar]:has-text(',45.0,planned')")


def test_the_line_for_the_collars_table_reads_back_as_the_hole(tab, folder):
    text = tab.locator("[data-row=collar]").inner_text()
    table = folder / "collars.csv"
    before = table.read_bytes()
    try:
        table.write_bytes(before + (text + "\n").encode())
        row = load_project(folder).collars.iloc[-1]
    finally:
        table.write_bytes(before)
    assert row["dip"] == pytest.approx(45.0)
    assert row["azimuth"] == pytest.approx(
        float(tab.get_by_label("azimuth, number", exact=True).input_value()), abs=0.05
    )
    tab.get_by_label("length, number", exact=True).fill("-5")
    tab.wait_for_selector(".low-wrong:has-text('the length of a hole must be')")
    assert tab.locator("[data-row=collar]").count() == 0


def test_keys_before_the_scene_is_there_do_no_harm(app, browser):
    context = browser.new_context()
    page = context.new_page()
    heard = listened(page)
    page.route("**/scene.json", lambda route: None)  # never answered
    page.goto(app.address)
    page.wait_for_selector(".low-host canvas")
    for key in ("r", "p", "ArrowLeft", "+", "e", "o", "t", "[", "."):
        page.keyboard.press(key)
    page.wait_for_timeout(300)
    assert heard["errors"] == []
    context.close()


@pytest.mark.parametrize("size", [(390, 844), (1280, 720), (2560, 1440)])
def test_nothing_covers_or_leaves_the_page_at_any_size(app, browser, size):
    context = browser.new_context(viewport={"width": size[0], "height": size[1]})
    page = opened(context.new_page(), app, picture="")
    wide = page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert wide[0] <= wide[1]
    host = page.locator(".low-host").bounding_box()
    assert host["height"] > 0.3 * size[1]
    assert host["width"] > 0.5 * size[0]
    page.get_by_role("button", name="panel ▸").click()
    page.wait_for_selector(".low-side", state="hidden")
    context.close()


def test_kept_views_are_played_as_a_story(tab):
    names = iter(["The suspects", "The faults"])
    tab.keyboard.press("Escape")  # out of the box in which the test before typed
    tab.once("dialog", lambda dialog: dialog.accept(next(names)))
    tab.keyboard.press("1")
    tab.get_by_role("button", name="keep view").click()
    tab.wait_for_function("[...document.querySelectorAll('.low-bar option')].some(one => one.value === 'The suspects')")
    tab.once("dialog", lambda dialog: dialog.accept(next(names)))
    tab.keyboard.press("2")
    tab.keyboard.press("p")
    tab.get_by_role("button", name="keep view").click()
    tab.get_by_role("button", name="play the story").click()
    tab.wait_for_selector(".low-story h2:has-text('The suspects')")
    shown(tab, "possible")
    assert tab.locator(".low-side").is_hidden()
    tab.keyboard.press("ArrowRight")
    tab.wait_for_selector(".low-story h2:has-text('The faults')")
    shown(tab, "lines_up")
    tab.wait_for_function(f"{SPACE}.camera.dip === -90")  # after a smooth turn
    tab.keyboard.press("ArrowRight")  # there is no third
    assert "2 of 2" in tab.inner_text(".low-story")
    tab.keyboard.press("Escape")
    tab.wait_for_selector(".low-story", state="detached")
    assert tab.locator(".low-side").is_visible()
    assert tab.heard["errors"] == []
