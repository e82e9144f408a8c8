"""The report: complete, self-contained, the same each time, and honest about what was not run."""

from __future__ import annotations

import hashlib
import html
import re
import shutil
from html.parser import HTMLParser
from importlib import metadata
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pypdf
import pytest
from typer.testing import CliRunner

import desurvey
from desurvey.exchange.facts import CAUTION
from desurvey.lineup import Remembered
from desurvey.problems import DataProblem
from desurvey.study import Answers
from desurvey.suspects import COLUMNS, RUN_COLUMNS, Weighed
from tests.command import lowside
from tests.projects import PROJECT_TOML, TABLES, write_project
from viewer.cli import app
from viewer.figures.slab import fences
from viewer.report import WantedDrawings, compose, print_pdf, render
from viewer.report.wording import count

PLAIN = WantedDrawings(logs=False, scene=False)

FAULTS = pd.DataFrame(
    {
        "fault_id": ["F1"], "picks": [3], "holes": [2], "dip": [61.0], "dip_direction": [74.6], "dip_sigma": [1.8],
        "easting": [1030.0], "northing": [2000.0], "elevation": [60.0], "rms_m": [0.84], "chi2": [4.0], "dof": [3],
        "p_value": [0.26], "shape": ["plane"],
    }
)  # fmt: skip
PICKS = pd.DataFrame(
    {
        "structure_id": ["S1", "S2", ""], "hole_id": ["A", "A", "B"], "depth": [1.5, 4.0, 10.0],
        "fault_id": ["F1", "F1", "F1"], "probability": [0.99, 0.97, 0.91],
    }
)  # fmt: skip
WINDOWS = pd.DataFrame(
    {
        "fault_id": ["F1", "F1"], "hole_id": ["B", "P"], "expected_depth": [44.2, 71.0], "sigma": [2.0, 3.0],
        "depth_from": [40.3, 65.1], "depth_to": [48.1, 76.9], "pierce_angle": [52.0, 61.0],
        "status": ["not_logged", "planned"],
    }
)  # fmt: skip


@pytest.fixture
def project(tmp_path):
    collars = TABLES["collars"].replace(",date\n", ",date,status\n").replace("-01\n", "-01,drilled\n")
    collars = collars.replace("-03\n", "-03,drilled\n") + "P,1050,2050,100,90,90,-60,2026-06-01,planned\n"
    return write_project(tmp_path / "project", collars=collars)


NO_SUSPECTS = pd.DataFrame(columns=list(COLUMNS))


def report_on(folder, suspects=NO_SUSPECTS, answers=None, wanted=PLAIN):
    """Return the report on a project of which others have found suspects and faults (faults, picks, windows)."""
    study = desurvey.open(folder)
    study.learn("weighed", Weighed(suspects, pd.DataFrame(columns=list(RUN_COLUMNS)), ()))
    if answers is not None:
        found = SimpleNamespace(faults=[SimpleNamespace(fault_id=name, colour=0) for name in answers[0]["fault_id"]])
        rest = {"meshes": {}, "words": "", "distrusted": 0, "remembered": Remembered(), "changes": ()}
        study.learn("fault", Answers("fault", found, *answers, **rest))
    return compose(study, wanted)


def words(page):
    """Return what a reader sees of a page, in one line."""
    text = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", text)).split())


def test_it_says_what_was_read_and_under_which_conventions(project):
    said = words(render(report_on(project)))
    assert "2 holes drilled, 200 m in all; 1 hole planned." in said
    assert "5 structures logged, of which 4 have a true orientation." in said
    assert "Orientation line marks the low side" in said
    assert "Dips in the tables of collars and surveys are negative downwards." in said
    assert "no azimuth was changed" in said
    assert "only alpha is logged" in said
    assert CAUTION in said
    for heading in (
        "Competent person",
        "Signature",
        "Holes, surveys and their uncertainty",
        "Plan of all holes",
        "What public reporting asks",
    ):
        assert heading in said


def test_what_is_not_there_is_said_to_be_absent(project):
    (project / "structures.csv").write_text(TABLES["structures"].replace("fault", "joint"))
    said = words(render(report_on(project)))
    assert "No suspect stands undecided" in said
    assert "No structure of kind 'fault' lies on a hole; the kinds there are: joint (4), vein (1)" in said
    assert "Planned: P." in said


def test_answers_come_as_sentences(project):
    suspects = pd.DataFrame(
        {
            "key": ["run A 3"], "scope": ["run"], "hole_id": ["A"], "depth_from": [3.0], "depth_to": [6.0],
            "structure_id": [""], "blunder": ["line_side"],
            "message": ["Hole A, run 3.0–6.0: the reading agrees if the line was drawn on the high side"],
        }
    )  # fmt: skip
    said = words(render(report_on(project, suspects, (FAULTS, PICKS, WINDOWS))))
    assert "Better explained by a blunder than as logged, and not yet decided: 1 run." in said
    assert "Hole A, run 3.0–6.0" in said
    assert "Fault F1 dips 61° towards 075° (± 1.8°): 3 picks in 2 holes, 0.8 m off it (root mean square)" in said
    assert "; they fit (p = 0.26)." in said
    assert "B: fault F1 is expected at 44.2 m (95 %: 40.3 to 48.1 m), and nothing is logged there." in said
    assert "P meets fault F1 at 71.0 m (95 %: 65.1 to 76.9 m), at 61° to the fault." in said


def test_empty_answers_are_answers(project):
    said = words(render(report_on(project, NO_SUSPECTS, (FAULTS.iloc[:0], PICKS.iloc[:0], WINDOWS.iloc[:0]))))
    assert "no reading, run or hole is better explained by a blunder" in said
    assert "No fault picks of different holes line up." in said
    assert "There is no window in which a fault is expected and none is logged." in said
    assert "P is not expected to meet any of the faults." in said


def test_checksums_and_versions_are_those_of_the_inputs(project):
    said = words(render(report_on(project)))
    for file in ("project.toml", "collars.csv", "surveys.csv", "runs.csv", "structures.csv", "lithology.csv"):
        assert f"{file} {hashlib.sha256((project / file).read_bytes()).hexdigest()}" in said
    assert f"numpy {np.__version__}" in said
    assert f"lowside {metadata.version('lowside')}" in said


def test_the_same_input_gives_the_same_bytes(project, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1790000000")
    pages = [render(report_on(project, wanted=WantedDrawings(logs=True, scene=True))) for _ in range(2)]
    assert pages[0] == pages[1]
    assert "Issued 2026-09-21" in words(pages[0])  # 1 790 000 000 s after 1970: date -u -d @1790000000


class Outside(HTMLParser):
    """Collects what a page would fetch, and checks that its tags are closed."""

    def __init__(self):
        super().__init__()
        self.fetched, self.open = [], []

    def handle_starttag(self, tag, attrs):
        self.fetched += [value for name, value in attrs if name in {"src", "href", "data"} and value]
        if tag not in {"meta", "img", "link", "br", "input"}:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_it_is_one_file_that_fetches_nothing(project):
    page = render(report_on(project, wanted=WantedDrawings(scene=True)))
    reader = Outside()
    reader.feed(page)
    assert not reader.open
    assert all(link.startswith(("#", "data:")) for link in reader.fetched)
    assert "@import" not in page
    assert "srcdoc=" in page


def test_names_can_not_break_out_of_the_page(tmp_path):
    nasty = 'A"><script>alert(1)</script>'
    tables = {name: text.replace("\nA,", f"\n{nasty.replace(chr(34), chr(39))},") for name, text in TABLES.items()}
    toml = PROJECT_TOML.replace('"Two holes"', "'Two <b>holes</b>'")
    page = render(report_on(write_project(tmp_path / "p", toml=toml, **tables), wanted=WantedDrawings(scene=False)))
    assert "<script>alert(1)" not in page
    assert "<b>holes</b>" not in page
    assert "Two <b>holes</b>" in words(page)


def test_a_project_without_structures_is_reported_all_the_same(tmp_path):
    toml = PROJECT_TOML.replace('structures = "structures.csv"\n', "").replace('runs = "runs.csv"\n', "")
    folder = write_project(tmp_path / "p", toml=toml, structures=None, runs=None)
    said = words(render(report_on(folder, wanted=WantedDrawings(scene=False))))
    assert "0 structures logged" in said
    assert "Log of A" in said


def test_fences_are_told_apart_across_the_holes():
    from tests.fences import fence_traces

    groups = fences(fence_traces(12, fences=3))
    assert [group.tolist() for group in groups] in ([[0, 1, 2, 3], [4, 5, 6, 7], [8, 9, 10, 11]],
                                                     [[8, 9, 10, 11], [4, 5, 6, 7], [0, 1, 2, 3]])  # fmt: skip
    assert len(fences(fence_traces(2))) == 1


def test_counting_words():
    assert [count(n, "run") for n in (0, 1, 2)] == ["0 runs", "1 run", "2 runs"]


def test_the_command_writes_the_report(project, tmp_path):
    arguments = ["report", str(project), "--out", str(tmp_path / "r.html"), "--no-logs", "--no-scene"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code in {0, 1}, result.output
    assert (tmp_path / "r.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_a_report_by_another_ending_is_refused_with_the_way_out(tmp_path):
    done = lowside("report", write_project(tmp_path), "--out", tmp_path / "report.pdf")
    assert done.returncode == 2
    assert "a report is written as .html" in done.stderr
    assert "--pdf" in done.stderr
    assert not (tmp_path / "report.pdf").exists()


def test_without_a_browser_a_pdf_is_refused_with_the_way_out(monkeypatch, tmp_path):
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(DataProblem, match="open the report in any browser and print it"):
        print_pdf(tmp_path / "r.html", tmp_path / "r.pdf")
    assert not (tmp_path / "r.pdf").exists()


@pytest.mark.browser
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs chromium (apt-get install chromium)")
def test_it_prints_on_a4(project, tmp_path):
    page = tmp_path / "r.html"
    page.write_text(render(report_on(project, wanted=WantedDrawings(scene=True))), encoding="utf-8")
    print_pdf(page, tmp_path / "r.pdf")
    pages = pypdf.PdfReader(tmp_path / "r.pdf").pages
    size = [float(pages[0].mediabox.width) * 25.4 / 72, float(pages[0].mediabox.height) * 25.4 / 72]
    assert size == pytest.approx([210.0, 297.0], abs=1.0)
    text = " ".join(page.extract_text() for page in pages)
    assert "Competent person" in text
    assert "In three dimensions" not in text  # what can't be turned is left out on paper
