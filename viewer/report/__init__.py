"""The report: one file with everything that a reviewer needs, readable on a screen and on paper."""

from __future__ import annotations

import tempfile
from importlib import metadata
from pathlib import Path

from desurvey.orient import Oriented
from desurvey.project import Project
from desurvey.traces import Traces
from viewer.figures.sheet import date_of_issue
from viewer.report.drawings import Wanted, draw_all
from viewer.report.gather import Report, Results, Section, gather
from viewer.report.writing import print_pdf, render, write_report

__all__ = ["Report", "Results", "Section", "Wanted", "compose", "print_pdf", "render", "write_report"]


def compose(
    project: Project, traces: Traces, structures: Oriented, results: Results, wanted: Wanted | None = None
) -> Report:
    """Return the report on a project.

    Parameters
    ----------
    project, traces, structures
        As loaded, desurveyed and oriented.
    results : Results
        What the analyses answered.
    wanted : Wanted, optional
        Which figures it holds.
    """
    wanted = wanted or Wanted()
    *said, reproducing = gather(project, traces, structures, results)
    return Report(
        project=project.name,
        date=date_of_issue(),
        version=metadata.version("lowside"),
        sections=(*said, *draw_all(project, traces, structures, results, wanted), reproducing),
        scene_html=_scene(project, traces, structures) if wanted.scene else "",
    )


def _scene(project: Project, traces: Traces, structures: Oriented) -> str:
    """Return the page of the scene in three dimensions."""
    from viewer import scene  # VTK, which a report without it need not wait for
    from viewer.page import page

    with tempfile.TemporaryDirectory() as folder:
        return page(scene.build(project, traces, structures), Path(folder) / "scene.html").read_text(encoding="utf-8")
