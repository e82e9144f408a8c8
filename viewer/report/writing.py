"""A report as one HTML file, and that file as a PDF."""

from __future__ import annotations

import base64
import io
import os
import shutil
import string
import subprocess
import tempfile
from pathlib import Path

import jinja2
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
        caution=CAUTION,
        papers=PAPERS,
        rim=TRIMMED_MM,
        fonts=[(weight, font(weight, letters)) for weight in WEIGHTS],
    )


WEIGHTS = ("normal", "bold")


def font(weight: str, letters: str) -> str:
    """Return the font of the figures, cut down to some letters, for a style sheet (base64 of a WOFF file)."""
    file = findfont(FontProperties(family=[FONT], weight=weight))
    options = subset.Options(
        flavor="woff", desubroutinize=True, hinting=False, layout_features=["kern"], notdef_outline=True
    )
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


def print_pdf(page: Path, path: Path) -> None:
    """Print an HTML page to PDF with a browser of this machine.

    Raises
    ------
    DataProblem
        When there is no browser that can, or it fails.
    """
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        hint = "install Chromium, or open the report in any browser and print it to PDF there"
        raise DataProblem("printing a PDF needs a browser of the Chromium family, and none was found", hint=hint)
    root = (
        ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    )  # it refuses to run as root otherwise
    with replacing(path) as partial, tempfile.TemporaryDirectory() as profile:
        printed = Path(profile) / "page.pdf"  # a browser doesn't say why it couldn't write: a full disk comes up below
        command = [
            browser, "--headless", "--disable-gpu", *root, f"--user-data-dir={profile}", "--no-pdf-header-footer",
            f"--print-to-pdf={printed}", page.resolve().as_uri(),
        ]  # fmt: skip
        try:
            done = subprocess.run(command, capture_output=True, timeout=PRINT_SECONDS, check=False)
        except subprocess.TimeoutExpired as problem:
            raise DataProblem(f"the browser didn't print the PDF in {PRINT_SECONDS} s", value=browser) from problem
        if done.returncode or not printed.is_file():
            said = done.stderr.decode(errors="replace").strip().splitlines()
            raise DataProblem("the browser didn't print the PDF", value=said[-1] if said else browser)
        partial.write_bytes(printed.read_bytes())
