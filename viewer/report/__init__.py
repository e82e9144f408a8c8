"""The report: one file with everything that a reviewer needs, readable on a screen and on paper."""

from __future__ import annotations

import tempfile
from importlib import metadata
from pathlib import Path

from desurvey.outputs import date_of_issue
from desurvey.study import Study
from viewer.report.drawings import WantedDrawings, draw_all
from viewer.report.gather import Report, Section, data_date, gather
from viewer.report.writing import print_pdf, render, write_report

__all__ = ["Report", "Section", "WantedDrawings", "compose", "print_pdf", "render", "write_report"]


def compose(study: Study, wanted: WantedDrawings | None = None) -> Report:
    """Return the report on a study.

    Parameters
    ----------
    study : Study
        Suspects are looked for, and fault picks lined up, where that hasn't been done.
    wanted : Wanted, optional
        Which figures it holds.
    """
    wanted = wanted or WantedDrawings()
    answers = study.lineup_or_none()
    sections, appendices = gather(study, answers)
    return Report(
        project=study.name,
        date=date_of_issue(),
        version=metadata.version("lowside"),
        sections=sections,
        appendices=appendices,
        data_date=data_date(study),
        sheets=draw_all(study, answers, wanted),
        scene_html=_scene(study) if wanted.scene else "",
    )


def _scene(study: Study) -> str:
    """Return the page of the scene in three dimensions."""
    from viewer import scene  # VTK, which a report without it need not wait for
    from viewer.page import page

    with tempfile.TemporaryDirectory() as folder:
        return page(scene.build(study), Path(folder) / "scene.html").read_text(encoding="utf-8")
