"""A report as one HTML file, and that file as a PDF."""

from __future__ import annotations

import base64
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import jinja2

from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from viewer.cautions import CAUTION
from viewer.report.gather import Report

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
    environment.filters["data_uri"] = lambda svg: "data:image/svg+xml;base64," + base64.b64encode(svg).decode()
    return environment.get_template("report.html.j2").render(report=report, caution=CAUTION)


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
