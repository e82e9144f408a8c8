"""A report as one HTML file, and that file as a PDF."""

from __future__ import annotations

import base64
import io
import os
import re
import shutil
import string
import subprocess
import tempfile
from pathlib import Path

import jinja2
import pypdf
from fontTools import subset
from matplotlib.font_manager import FontProperties, findfont

from desurvey.exchange.facts import CAUTION
from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from viewer.figures.sheet import TRIMMED_MM
from viewer.report.gather import Report
from viewer.theme import FONT, PAPERS

__all__ = ["print_pdf", "render", "write_report"]

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "chrome",
    "msedge",
)
"""Programs that can print a page to PDF without a window."""
PRINT_SECONDS = 180


def render(report: Report) -> str:
    """Return a report as one HTML page that asks for nothing else."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("viewer"), autoescape=True, trim_blocks=True, lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )  # fmt: skip
    letters = "".join(sorted(set().union(*(sheet.markup for sheet in report.sheets))))
    return environment.get_template("report.html.j2").render(
        report=report,
        head=_css_string(
            " · ".join(filter(None, (report.project, f"data to {report.data_date or 'no date'}", "draft")))
        ),
        caution=CAUTION,
        papers=PAPERS,
        rim=TRIMMED_MM,
        fonts=[(weight, font(weight, letters)) for weight in WEIGHTS],
    )


def _css_string(text: str) -> str:
    """Return a text as a string of a style sheet, whatever letters it has."""
    return '"' + "".join(one if one.isalnum() and one.isascii() else f"\\{ord(one):x} " for one in text) + '"'


WEIGHTS = ("normal", "bold")


def font(weight: str, letters: str) -> str:
    """Return the font of the figures, cut down to some letters, for a style sheet (base64 of a WOFF file)."""
    file = findfont(FontProperties(family=[FONT], weight=weight))
    options = subset.Options(
        flavor="woff", desubroutinize=True, hinting=False, layout_features=["kern"], notdef_outline=True
    )
    options.drop_tables += ["FFTM"]  # when its editor last saved it
    with subset.load_font(file, options) as whole:
        cut = subset.Subsetter(options)
        cut.populate(text=f"{string.printable}{letters}")
        cut.subset(whole)
        content = io.BytesIO()
        subset.save_font(whole, content, options)
    return base64.b64encode(content.getvalue()).decode()


def write_report(report: Report, path: Path) -> None:
    """Write a report as HTML."""
    with replacing(path) as partial:
        partial.write_text(render(report), encoding="utf-8")


def print_pdf(page: Path, path: Path, workbook: Path | None = None) -> None:
    """Print an HTML page to PDF with a browser of this machine, with bookmarks, and page numbers in its contents.

    Parameters
    ----------
    page : Path
        The report as HTML.
    path : Path
        Where the PDF goes.
    workbook : Path, optional
        A file that is attached to it.

    Raises
    ------
    DataProblem
        When there is no browser that can, or it fails.
    """
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        hint = "install Chromium, or open the report in any browser and print it to PDF there"
        raise DataProblem("printing a PDF needs a browser of the Chromium family, and none was found", hint=hint)
    with replacing(path) as partial, tempfile.TemporaryDirectory() as folder:
        printed = _printed(browser, page, Path(folder))
        markup = page.read_text(encoding="utf-8")
        numbered = Path(folder) / "numbered.html"
        numbered.write_text(_with_page_numbers(markup, _pages_of(printed)), encoding="utf-8")
        writer = pypdf.PdfWriter(clone_from=_printed(browser, numbered, Path(folder)))
        if workbook is not None:
            writer.add_attachment(workbook.name, workbook.read_bytes())
        content = io.BytesIO()  # pypdf and a full disk leave a file open
        writer.write(content)
        partial.write_bytes(content.getvalue())


def _printed(browser: str, page: Path, folder: Path) -> Path:
    """Print a page once."""
    root = (
        ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    )  # it refuses to run as root otherwise
    printed = folder / f"{page.stem}.pdf"  # a browser doesn't say why it couldn't write: a full disk comes up below
    command = [
        browser, "--headless", "--disable-gpu", *root, f"--user-data-dir={folder / 'profile'}",
        "--no-pdf-header-footer", "--generate-pdf-document-outline", f"--print-to-pdf={printed}",
        page.resolve().as_uri(),
    ]  # fmt: skip
    try:
        done = subprocess.run(command, capture_output=True, timeout=PRINT_SECONDS, check=False)
    except subprocess.TimeoutExpired as problem:
        raise DataProblem(f"the browser didn't print the PDF in {PRINT_SECONDS} s", value=browser) from problem
    if done.returncode or not printed.is_file():
        said = done.stderr.decode(errors="replace").strip().splitlines()
        raise DataProblem("the browser didn't print the PDF", value=said[-1] if said else browser)
    return printed


def _pages_of(printed: Path) -> dict[str, int]:
    """Return the page, from 1, of each place that the contents lead to."""
    pdf = pypdf.PdfReader(printed)
    places = {name: pdf.get_destination_page_number(place) for name, place in pdf.named_destinations.items()}
    return {name.lstrip("/"): page + 1 for name, page in places.items() if page is not None}


def _with_page_numbers(markup: str, pages: dict[str, int]) -> str:
    """Return the report with the page of each place beside its link; browsers have no counter for that."""
    return re.sub(
        r'<span class="page" data-of="([^"]+)"></span>',
        lambda place: f'<span class="page">{pages.get(place[1], "")}</span>',
        markup,
    )
