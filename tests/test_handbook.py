"""The handbook: nothing of the program missing in it, every command and block of code run, every link led somewhere.

What must be there is asked of the program itself, so that a new command, key, column, rule or blunder fails here until
its page says what it is; the message says where to write.
"""

from __future__ import annotations

import ast
import contextlib
import dataclasses
import html.parser
import http.client
import io
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from desurvey import blunders
from desurvey.blunders import BLUNDERS
from desurvey.checks import Limits
from desurvey.problems import DataProblem
from desurvey.project.settings import SECTIONS, settings_of
from desurvey.study import RULES
from desurvey.tables import INTERVALS, TABLES
from tests.command import lowside
from viewer.handbook import book, drawings, reference, rendering
from viewer.handbook.book import pages, parts, why

ROOT = Path(__file__).parents[1]
PAGES = ROOT / "viewer/handbook/pages"
HOLES = {"TH-04", "TH-05", "TH-10", "TH-11", "TH-16", "TH-17", "TH-23", "TH-24", "TH-26"}
"""Of Tarn Hollow: enough for all that pages say of it, in a third of the time."""


def titles(name):
    return {part.title for page in pages() if page.name == name for part in parts(page)}


# ------------------------------------------------------------------------------------------------- nothing is missing


def test_every_page_has_a_file_or_is_made_and_every_file_is_a_page():
    names = {name for names in book.CONTENTS.values() for name in names}
    assert {path.stem for path in PAGES.glob("*.md")} == names, "CONTENTS in viewer/handbook/book.py lists the pages"
    for page in pages():
        assert page.text.startswith("# "), page.name
        assert len(page.text) > 300, f"{page.name}.md says next to nothing"


def test_every_command_is_on_the_page_of_commands_and_is_shown_on_some_page():
    commands = reference.commands()
    assert {f"lowside {name}" for name in commands} <= titles("commands")
    shown = {words[1] for page in pages() for words in lines_of(page.text)} | IN_WORDS
    missing = {name.split()[0] for name in commands} - shown
    assert not missing, (
        f"{missing}: show each in a block of sh on the page of viewer/handbook/pages/ whose task it serves "
        "(what to type, what to make of it), or make a page for the task and name it in CONTENTS of book.py"
    )


IN_WORDS = {"archive", "handbook", "map"}
"""Commands that a page names without a block that is run: they need a cluster, a browser, or stand under another."""


def test_every_key_of_the_settings_is_on_the_page_of_project_toml():
    known = titles("project_toml")
    assert set(SECTIONS) - known == set(), "write the section in viewer/handbook/pages/project_toml.md"
    for section, kind in reference.SECTIONS.items():
        for item in dataclasses.fields(kind):
            prefix = f"{section}.{item.name}"
            assert any(title == prefix or title.startswith(f"{prefix}.") for title in known), prefix
            nested = isinstance(item.default, tuple(reference.SECTIONS.values())) or dataclasses.is_dataclass(
                item.default
            )
            said = reference.attributes(kind).get(item.name, "")
            assert said or nested, f"{kind.__name__}.{item.name}: say what it is in the docstring's Attributes"


def test_every_section_that_is_read_into_a_dataclass_is_known():
    """Whatever module asks ``options(SECTION, …, CLASS)`` of the settings."""
    for file in (ROOT / "desurvey").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "options" and len(node.args) == 3:
                section, kind = node.args[0], ast.unparse(node.args[2]).rpartition(".")[2]
                if isinstance(section, ast.Constant):
                    found = reference.SECTIONS.get(section.value)
                    assert found is not None, (
                        f"[{section.value}]: name its class in SECTIONS of viewer/handbook/reference.py"
                    )
                    assert found.__name__ == kind


def test_every_rule_has_reason_limit_and_source():
    assert {rule.id for rule in RULES} <= titles("rules")
    named = {key for keys in reference.LIMITS.values() for key in keys}
    limits = {item.name for item in dataclasses.fields(Limits)} - {"severity"}  # of whichever rule it names
    assert limits == named, "say in LIMITS of viewer/handbook/reference.py by which rule the new limit is used"
    assert set(reference.LIMITS) <= {rule.id for rule in RULES}
    for rule in RULES:
        (text,) = (part.text for part in why(rule.id) if part.page == "rules")
        assert text.count("**Limit:**") == len(reference.LIMITS.get(rule.id, ()))
        for key in reference.LIMITS.get(rule.id, ()):
            assert f"checks.{key}" in text
        sourced = [item for item in dataclasses.fields(Limits) if item.name in reference.LIMITS.get(rule.id, ())]
        assert text.count("Source:") == len([item for item in sourced if item.default != ""]), (
            "a limit needs its source"
        )


def test_every_blunder_and_every_column_is_explained():
    assert set(BLUNDERS) <= titles("blunders")
    for table, columns in {**TABLES, "intervals": INTERVALS}.items():
        for column in columns:
            assert f"{table}.{column.name}" in titles("inputs")
    for table, columns in reference.outputs().items():
        assert {f"{table}.{name}" for name in columns if name != "about"} <= titles("outputs")
        assert all(meaning.endswith((".", ").")) for meaning in columns.values()), table


def test_put_right_on_the_page_is_put_right_by_the_book():
    """By hand: a line on the other side adds 180° to beta; anticlockwise 40° is 320° clockwise; 90 − 30 = 60."""
    assert "beta 220°" in why("line_side")[0].text
    assert "beta 320°" in why("beta_reversed")[0].text
    assert "alpha 60°" in why("alpha_complement")[0].text
    assert "azimuth 210°" in why("azimuth_reversed")[0].text
    assert "dip 60°" in next(part.text for part in why("dip_sign") if part.page == "blunders")
    assert all(name in blunders.BLUNDERS for name in titles("blunders") - {"Blunders"})


def test_every_word_of_the_python_page_is_public():
    from desurvey.study import Study

    for title in titles("python"):
        if title.startswith("study."):
            assert hasattr(Study, re.match(r"study\.(\w+)", title)[1]), title


# ---------------------------------------------------------------------------------------------------- code is run


def blocks(text, language):
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def lines_of(text):
    """Return the commands of a page, each as words."""
    return [shlex.split(line) for block in blocks(text, "sh") for line in block.splitlines() if line.strip()]


BROWSER = {"view", "handbook", "start"}
"""Commands that open a browser and stay; with an output they end."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a folder that holds a part of Tarn Hollow as ``demo_project``, the same as ``my_folder``, and pads."""
    place = tmp_path_factory.mktemp("handbook")
    demo = place / "demo_project"
    demo.mkdir()
    for table in ("collars", "surveys", "runs", "structures", "lithology"):
        frame = pd.read_csv(ROOT / f"demo_project/{table}.csv", dtype=str, keep_default_na=False)
        frame[frame["hole_id"].isin(HOLES)].to_csv(demo / f"{table}.csv", index=False)
    shutil.copytree(demo, place / "my_folder")
    shutil.copy(ROOT / "demo_project/project.toml", demo)
    (place / "pads.csv").write_text("collar,easting,northing,elevation\nP1,512100,5311900,560\nP2,512060,5311980,610\n")
    return place


@pytest.fixture(scope="module")
def said(folder):
    """Run every command of every page in the order of the contents, and return what each page's commands said."""
    heard = {}
    with contextlib.chdir(folder):
        for page in pages():
            heard[page.name] = ""
            for words in lines_of(page.text):
                assert words[0] == "lowside", f"{page.name}.md: {words}"
                if words[1] in BROWSER and not {"--shot", "--html"} & set(words):
                    assert words[1] in reference.commands(), words
                    continue
                done = lowside(*words[1:])
                assert done.returncode in ({0, 1} if words[1] in {"check", "since"} else {0}), (
                    f"{page.name}.md: {words}\n{done}"
                )
                heard[page.name] += done.stdout + done.stderr
    return heard


def test_commands_say_what_pages_quote(said):
    quoted = [
        (page.name, line) for page in pages() for block in blocks(page.text, "output") for line in block.splitlines()
    ]
    assert quoted
    for name, line in quoted:
        heard = " ".join(said[name].split())
        for piece in line.split("…"):
            assert " ".join(piece.split()) in heard, f"{name}.md quotes what no command says: {piece}"


def test_every_column_that_commands_write_is_explained(said, folder):
    outputs, own = reference.outputs(), {column.name for column in (*TABLES["structures"],)}
    seen = set()
    for file in (*folder.glob("*.csv"), *folder.glob("faults/*.csv")):
        columns = set(pd.read_csv(file, nrows=0).columns) - {"basis"}
        if file.stem in {"pads", "hole"}:
            continue
        assert file.stem in outputs, (
            f"add [{file.stem}] to viewer/handbook/outputs.toml, with `about` and a line for each of {columns}"
        )
        missing = columns - set(outputs[file.stem]) - (own if file.stem == "oriented" else set())
        assert not missing, f"say what {missing} of {file.name} are under [{file.stem}] in viewer/handbook/outputs.toml"
        gone = set(outputs[file.stem]) - columns - {"about"}
        assert not gone, f"{file.name} holds no {gone} any more: take them out of viewer/handbook/outputs.toml"
        seen.add(file.stem)
    assert seen == set(outputs), "each table of outputs.toml is written by some block of sh"


@pytest.mark.parametrize("page", [page for page in pages() if blocks(page.text, "python")], ids=lambda page: page.name)
def test_python_on_pages_runs(page, said, folder):
    with contextlib.chdir(folder), contextlib.redirect_stdout(io.StringIO()):
        space = {}
        for block in blocks(page.text, "python"):
            exec(compile(block, f"{page.name}.md", "exec"), space)


def test_settings_on_pages_are_settings():
    base = tomllib.loads((ROOT / "demo_project/project.toml").read_text(encoding="utf-8"))
    found = [block for page in pages() for block in blocks(page.text, "toml")]
    assert found
    for block in found:
        given = tomllib.loads(block)
        settings_of({**base, **given})
        for section in set(given) & set(reference.SECTIONS) - {"faults"}:  # its keys are names of faults
            known = {item.name for item in dataclasses.fields(reference.SECTIONS[section])}
            assert set(given[section]) <= known


def test_blocks_say_what_they_are():
    for page in pages():
        for language in re.findall(r"^```(\w*)\n", page.text, re.MULTILINE):
            assert language in {"sh", "python", "toml", "output", "text", ""}, f"{page.name}.md: {language}"


# ------------------------------------------------------------------------------------------------- links and drawings


class _Links(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.ids, self.links, self.sources = set(), [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if "id" in given:
            assert given["id"] not in self.ids, f"two parts have one anchor: {given['id']}"
            self.ids.add(given["id"])
        if tag == "a":
            self.links.append(given["href"])
        if tag in {"img", "script"}:
            self.sources.append(given["src"])
            assert tag != "img" or given.get("alt"), "a picture needs words for who can't see it"


@pytest.fixture(scope="module")
def site():
    read = {}
    for page in pages():
        read[f"{page.name}.html"] = _Links()
        read[f"{page.name}.html"].feed(rendering.content(f"{page.name}.html")[1].decode())
    return read


def test_every_link_leads_somewhere_and_nothing_is_fetched_from_outside(site):
    files = set(rendering.names())
    for name, page in site.items():
        for source in page.sources:
            assert source in files, f"{name}: {source}"
        for link in page.links:
            place, _, anchor = link.partition("#")
            if place.startswith("https://"):
                assert place.startswith("https://doi.org/10."), f"{name} leads outside: {place}"
                continue
            target = place or name
            assert target in site, f"{name} links to {link}"
            assert not anchor or anchor in site[target].ids, f"{name} links to {link}, which has no such part"


def test_every_picture_and_every_source_is_used(site):
    used = {source for page in site.values() for source in page.sources}
    assert {name for name in rendering.names() if name.endswith((".svg", ".png"))} <= used
    cited = {
        link.partition("#")[2] for name, page in site.items() for link in page.links if name != "bibliography.html"
    }
    entries = {part.anchor for page in pages() if page.name == "bibliography" for part in parts(page)} - {
        "bibliography"
    }
    assert entries <= cited, f"cited nowhere: {entries - cited}"


def test_formula_and_source_are_two_clicks_from_any_column_of_a_result(site):
    """From the column's part: one link to a page of methods, one from there to the bibliography or a sign's table."""
    methods = set(book.CONTENTS["Why"])
    for table, columns in reference.outputs().items():
        text = columns["about"] + " ".join(columns.values())
        linked = set(re.findall(r"\]\((\w+)\.md", text))
        assert linked & (methods | {"rules", "blunders"}) or table in PLAIN, (
            f"[{table}] of outputs.toml leads to no method"
        )


PLAIN = {"stretches", "lines", "pads_ranked", "follow", "relog"}
"""Lists that count or repeat what other tables explain."""


def line_on(drawing, kind):
    """Return the direction on the page of a drawn line, degrees anticlockwise from the right."""
    root = ElementTree.fromstring(drawing)
    line = next(one for one in root.iter("{http://www.w3.org/2000/svg}polyline") if one.get("class") == kind)
    points = np.array([[float(part) for part in pair.split(",")] for pair in line.get("points").split()])
    return np.rad2deg(np.arctan2(-(points[-1] - points[0])[1], (points[-1] - points[0])[0]))


def turn(one, other):
    """Return the clockwise turn from one direction on the page to another, 0 to 360."""
    return (one - other) % 360


def test_drawn_angles_are_the_angles():
    """Measured on the paper with the protractor of the definitions (DESIGN.md section 3), not by the engine."""
    draw = drawings.DRAWINGS
    near = pytest.approx
    azimuth = draw["drawn_azimuth"]()
    assert turn(line_on(azimuth, "north"), line_on(azimuth, "hole")) == near(drawings.AZIMUTH, abs=0.05)
    dip = draw["drawn_dip"]()
    assert line_on(dip, "hole") == near(drawings.DIP, abs=0.05)
    assert line_on(dip, "high") == near(90 + drawings.DIP, abs=0.05)  # square to the hole, and up
    assert line_on(dip, "low") == near(drawings.DIP - 90, abs=0.05)
    alpha = draw["drawn_alpha"]()
    assert line_on(alpha, "plane") % 180 == near(drawings.ALPHA, abs=0.05)
    assert abs(turn(line_on(alpha, "normal"), line_on(alpha, "plane")) - 180) == near(90, abs=0.1)
    beta = draw["drawn_beta"]()
    assert line_on(beta, "line") == near(-90, abs=0.05)  # the low side is down on the page
    assert turn(line_on(beta, "line"), line_on(beta, "apex")) == near(drawings.BETA, abs=0.05)
    gamma = draw["drawn_gamma"]()
    assert turn(line_on(gamma, "apex"), line_on(gamma, "line")) == near(drawings.GAMMA, abs=0.05)
    plane = draw["drawn_plane"]()
    assert turn(line_on(plane, "north"), line_on(plane, "dip")) == near(130, abs=0.05)
    norths = draw["drawn_norths"]()
    assert turn(line_on(norths, "true"), line_on(norths, "magnetic")) == near(12, abs=0.05)
    assert turn(line_on(norths, "magnetic"), line_on(norths, "hole")) == near(40, abs=0.05)


# ------------------------------------------------------------------------------------------------------ read and found


def test_why_answers_for_every_name_and_hints_at_the_nearest():
    for name in (*(rule.id for rule in RULES), *BLUNDERS, "checks.dogleg_b", "pole_sigma", "alpha", "check"):
        assert why(name)
    with pytest.raises(DataProblem, match="Did you mean 'dogleg'"):
        why("doglg")
    done = lowside("why", "pole_sigma")
    assert (done.returncode, done.stderr) == (0, "")
    assert "degrees" in done.stdout
    assert lowside("why", "nonsense_at_all").returncode == 2


def test_the_handbook_is_served_behind_a_token():
    """As another program on the machine would knock: without the token nothing, with it pages, and nothing besides."""
    program = (
        "from viewer.handbook.serving import serve; import sys;"
        "serve('why.html', open_browser=False, say=lambda text: print(text, flush=True))"
    )
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        port, token = re.search(r":(\d+)/\?token=(\S+)", process.stdout.readline()).groups()

        def ask(path, **headers):
            connection = http.client.HTTPConnection("127.0.0.1", int(port), timeout=60)
            connection.request("GET", path, headers=headers)
            answer = connection.getresponse()
            found = answer.status, dict(answer.getheaders()), answer.read().decode(errors="replace")
            connection.close()
            return found

        assert ask("/handbook/start.html")[0] == 403
        status, headers, _ = ask(f"/?token={token}")
        assert (status, headers["Location"]) == (302, "/handbook/why.html")
        cookie = headers["Set-Cookie"].split(";")[0]
        status, headers, text = ask("/handbook/start.html", Cookie=cookie)
        assert (status, "three answers" in text) == (200, True)
        assert "default-src 'self'" in headers["Content-Security-Policy"]
        assert "window.HANDBOOK" in ask("/handbook/search.js", Cookie=cookie)[2]
        assert ask("/handbook/..%2Fbook.py", Cookie=cookie)[0] == 404
        assert ask("/handbook/nothing.html", Cookie=cookie)[0] == 404
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=60)
    assert process.returncode == 0


def test_the_site_and_its_sources_are_written(tmp_path):
    from viewer.handbook.__main__ import write_markdown, write_site

    write_site(tmp_path / "site")
    assert {path.name for path in (tmp_path / "site").iterdir()} == {*rendering.names(), "index.html"}
    write_markdown(tmp_path / "sources")
    listed = re.findall(r"- (\w+\.md)", (tmp_path / "sources/mkdocs.yml").read_text())
    assert {path.name for path in (tmp_path / "sources/docs").glob("*.md")} == set(listed)
    assert (tmp_path / "site/viewer.png").stat().st_size > 10_000
