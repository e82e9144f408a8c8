"""All figures of a report: plan, a section for each drill fence, nets, and a log for each hole."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from desurvey.study import FEWEST_POLES, Answers, Study
from viewer.figures import sheet
from viewer.figures.collect import content_of, log_of
from viewer.figures.holelog import draw_log
from viewer.figures.layers import Content
from viewer.figures.net import Net, NetLook, draw_net, net_of
from viewer.figures.plan import draw_plan
from viewer.figures.section import draw_section
from viewer.figures.sheet import Orientation, Title
from viewer.figures.slab import named_fences
from viewer.report.gather import Figure
from viewer.theme import Paper

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.figure import Figure as Drawn

__all__ = ["WantedDrawings", "draw_all"]

THICKNESS = 60.0
"""Metres of the sections through fences (own choice)."""


@dataclass(frozen=True, slots=True)
class WantedDrawings:
    """Which figures a report holds.

    Attributes
    ----------
    bars : str or None
        Intervals to colour the sections by; the first table when None.
    logs : bool
        A log for each drilled hole.
    scene : bool
        The scene in three dimensions.
    paper : str
        What the figures are drawn on, each at the scale that its title block states.
    """

    bars: str | None = None
    logs: bool = True
    scene: bool = True
    paper: Paper = "A4"


def draw_all(study: Study, answers: Answers | None, wanted: WantedDrawings) -> tuple[Figure, ...]:
    """Return all sheets of a report: plan, sections, nets, logs."""
    return tuple(_drawn(*drawing, wanted.paper) for drawing in _drawings(study, answers, wanted))


def _drawn(figure: Drawn, caption: str, orientation: Orientation, paper: Paper) -> Figure:
    return Figure(caption, str(figure.get_label()), sheet.figure_markup(figure, caption), paper, orientation)


def _drawings(
    study: Study, answers: Answers | None, wanted: WantedDrawings
) -> Iterator[tuple[Drawn, str, Orientation]]:
    """Yield figures with their captions and orientations, each drawn when it is asked for: they take much memory."""
    bars = wanted.bars or next(iter(study.project.intervals), None)
    content = content_of(study, heading="", bars=bars, answers=answers)
    yield draw_plan(_titled(content, "Collars and holes"), paper=wanted.paper), "Plan of all holes", "landscape"
    for heading, slab in named_fences(content.traces, THICKNESS):
        yield draw_section(_titled(content, heading), slab, paper=wanted.paper), heading, "landscape"
    for net, look, caption in _nets(study, content):
        yield draw_net(net, look, paper=wanted.paper), caption, "landscape"
    if wanted.logs:
        for hole in study.holes.hole_ids[~content.planned].tolist():
            yield draw_log(log_of(study, hole), paper=wanted.paper), f"Log of {hole}", "portrait"


def _titled(content: Content, heading: str) -> Content:
    return replace(content, title=replace(content.title, heading=heading))


def _nets(study: Study, content: Content) -> Iterator[tuple[Net, NetLook, str]]:
    structures = study.structures
    kind = structures.table["kind"].fillna("").astype(str).to_numpy()
    title: Title = replace(content.title, heading="All structures")
    yield (
        net_of(study, ~content.planned, np.ones(len(kind), dtype=bool), title),
        NetLook(sets=False),
        "Net of all structures",
    )
    for name in sorted(set(kind[structures.usable].tolist()) - {""}):
        rows = kind == name
        if int((rows & structures.usable).sum()) >= FEWEST_POLES:
            net = net_of(study, ~content.planned, rows, replace(title, heading=f"Kind: {name}"))
            yield net, NetLook(cones=name == "fault", weighted=True), f"Net of {name}, with its sets"
