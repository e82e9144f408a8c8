"""The report on paper, as an independent reader of PDF (pypdf) finds it: sheets at true scale, pages, bookmarks."""

from __future__ import annotations

import dataclasses
import re
import shutil

import numpy as np
import pandas as pd
import pypdf
import pytest

import desurvey
from tests.projects import TABLES, write_project
from viewer.report import WantedDrawings, compose, print_pdf, write_report
from viewer.report.drawings import draw_all
from viewer.report.gather import Section, grid
from viewer.theme import PAPERS

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(shutil.which("chromium") is None, reason="needs chromium (apt-get install chromium)"),
]

MM = 25.4 / 72.0
PIXEL_MM = 25.4 / 96.0
"""Browsers lay pages out in pixels of 1/96 inch: a page may be one of them smaller or larger than its paper."""


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """Print one report with sheets on all papers; return its sheets and its pages."""
    folder = tmp_path_factory.mktemp("printed")
    collars = TABLES["collars"].replace(",date\n", ",date,status\n").replace("-01\n", "-01,drilled\n")
    collars = collars.replace("-03\n", "-03,drilled\n") + "P,1050,2050,100,90,90,-60,2026-06-01,planned\n"
    study = desurvey.open(write_project(folder / "project", collars=collars))
    report = compose(study, WantedDrawings(scene=False))
    more = [
        sheet
        for paper in PAPERS
        if paper != "A4"
        for sheet in draw_all(study, None, WantedDrawings(paper=paper, logs=False))
    ]
    columns = {f"column {n}": [1234567.891] * 3 for n in range(18)}  # as wide as picks with all that is known of them
    wide = Section("wide", "A wide table", ("It would shrink the sheets.",), (("", grid(pd.DataFrame(columns))),))
    report = dataclasses.replace(report, sheets=(*report.sheets, *more), appendices=(*report.appendices, wide))
    write_report(report, folder / "r.html")
    (folder / "tables.xlsx").write_bytes(b"PK of a workbook")
    print_pdf(folder / "r.html", folder / "r.pdf", folder / "tables.xlsx")
    pdf = pypdf.PdfReader(folder / "r.pdf")
    return report, pdf, [Drawn(page) for page in pdf.pages]


def pages_of_sheets(printed):
    """Return each sheet with its page: those that say what a sheet stands on, in order."""
    report, _, pages = printed
    pages = [page for page in pages if re.search(r"Sheet\s+(A4|A3|letter|tabloid)\s", page.text)]
    assert len(pages) == len(report.sheets)
    return list(zip(report.sheets, pages, strict=True))


class Drawn:
    """The size of a page, its text, and the places of its filled rectangles, in millimetres."""

    def __init__(self, page):
        self.size = np.array([float(page.mediabox.width), float(page.mediabox.height)]) * MM
        self.boxes, self._path = [], []
        self.text = page.extract_text(visitor_operand_before=self._operand)

    def _operand(self, operator, operands, matrix, _):
        a, b, c, d, e, f = (float(value) for value in matrix)
        numbers = [float(value) for value in operands if isinstance(value, (int, float))]
        if operator in {b"m", b"l"}:
            x, y = numbers
            self._path.append((a * x + c * y + e, b * x + d * y + f))
        elif operator == b"re":
            x, y, w, h = numbers
            self._path += [(a * i + c * j + e, b * i + d * j + f) for i, j in ((x, y), (x + w, y + h))]
        elif operator in {b"f", b"f*", b"S", b"B", b"B*", b"b", b"b*", b"n", b"s"}:
            if operator in {b"f", b"f*", b"B", b"B*"} and self._path:
                low, high = np.min(self._path, axis=0) * MM, np.max(self._path, axis=0) * MM
                self.boxes.append((*low, *(high - low)))
            self._path = []


def bar_mm(page):
    """Return the length of the scale bar: dark and white parts of one height, side by side, 1.6 mm high."""
    parts = [box for box in page.boxes if abs(box[3] - 1.6) < 0.1 and 2.0 < box[2] < 30.0]
    assert parts, "no scale bar was found"
    left, right = min(box[0] for box in parts), max(box[0] + box[2] for box in parts)
    assert len({round(box[1], 1) for box in parts}) == 1
    return right - left


def test_contents_bookmarks_and_heads_lead_to_their_pages(printed):
    report, pdf, pages = printed
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in " ".join(page.text.split())
    titles = [part.title for part in (*report.sections, *report.appendices)]
    bookmarks = [mark for mark in flat(pdf.outline) if any(mark.title.endswith(title) for title in titles)]
    assert len(bookmarks) >= len(titles)
    contents = " ".join(" ".join(page.text for page in pages[:3]).split())
    for mark in bookmarks[: len(titles)]:
        page = pdf.get_destination_page_number(mark)
        title = mark.title.removeprefix("Appendix ")
        assert re.search(rf"{re.escape(title)} ?{page + 1}\b", contents), title
        assert title.split()[-1] in pages[page].text
    assert "Two holes · data to 2026-06-01 · draft" in pages[0].text
    assert pdf.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert pdf.attachments["tables.xlsx"] == [b"PK of a workbook"]


def flat(outline):
    return [mark for part in outline for mark in (flat(part) if isinstance(part, list) else [part])]


def test_every_sheet_has_a_page_of_its_paper(printed):
    for sheet, page in pages_of_sheets(printed):
        wide = PAPERS[sheet.paper] if sheet.orientation == "landscape" else PAPERS[sheet.paper][::-1]
        assert page.size == pytest.approx(wide, abs=PIXEL_MM)
        assert "".join(sheet.scale.split()) in "".join(page.text.split())


def test_the_bar_of_every_sheet_agrees_with_its_ratio(printed):
    measured = 0
    for sheet, page in pages_of_sheets(printed):
        if "Section" not in sheet.caption and "Plan" not in sheet.caption:
            continue
        ratio = float(re.fullmatch(r"1:([\d ]+)", sheet.scale)[1].replace(" ", ""))
        metres = float(re.search(r"Scale\s+1:[\d\s]+?\n(?:[\d.]+\s+)*?([\d.]+)\s*m\b", page.text)[1])
        assert bar_mm(page) == pytest.approx(metres * 1000.0 / ratio, rel=2e-3)
        measured += 1
    assert measured >= 2 * len(PAPERS)
