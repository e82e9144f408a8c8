"""All figures of a report: plan, a section for each drill fence, nets, and a log for each hole."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from desurvey.study import Answers, Study
from viewer.figures import sheet
from viewer.figures.collect import content_of, log_of
from viewer.figures.holelog import draw_log
from viewer.figures.layers import Content
from viewer.figures.net import NetLook, draw_net, net_of
from viewer.figures.plan import draw_plan
from viewer.figures.section import draw_section
from viewer.figures.sheet import Title
from viewer.figures.slab import fences, through_holes
from viewer.report.gather import FEWEST_POLES, Figure, Section

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
    """

    bars: str | None = None
    logs: bool = True
    scene: bool = True


def draw_all(study: Study, answers: Answers | None, wanted: WantedDrawings) -> tuple[Section, ...]:
    """Return the sections of a report that hold its figures."""
    bars = wanted.bars or next(iter(study.project.intervals), None)
    content = content_of(study, heading="", bars=bars, answers=answers)
    parts = [
        Section(
            "plan", "Plan", figures=(_drawn(draw_plan(_titled(content, "Collars and holes")), "Plan of all holes"),)
        ),
        Section("sections", "Sections", figures=tuple(_sections(content))),
        Section("nets", "Nets", figures=tuple(_nets(study, content))),
    ]
    if wanted.logs:
        logs = tuple(_logs(study, content))
        parts.append(Section("logs", "Logs", figures=logs))
    return tuple(parts)


def _drawn(figure: Drawn, caption: str, *, upright: bool = False) -> Figure:
    """Return a figure as SVG whose text is drawn as shapes: a reader need not have the font."""
    return Figure(caption, sheet.figure_bytes(figure, ".svg", text_as_shapes=True), upright)


def _titled(content: Content, heading: str) -> Content:
    return replace(content, title=replace(content.title, heading=heading))


def _sections(content: Content) -> Iterator[Figure]:
    for number, holes in enumerate(fences(content.traces), start=1):
        names = content.traces.hole_ids[holes].tolist()
        slab = through_holes(content.traces, holes, THICKNESS)
        heading = f"Section {number} through {names[0]} to {names[-1]}" if len(names) > 1 else f"Section {names[0]}"
        caption = f"{heading}: {', '.join(names)}; {THICKNESS:g} m thick"
        yield _drawn(draw_section(_titled(content, heading), slab), caption)


def _nets(study: Study, content: Content) -> Iterator[Figure]:
    structures = study.structures
    kind = structures.table["kind"].fillna("").astype(str).to_numpy()
    everything = np.ones(len(kind), dtype=bool)
    title: Title = replace(content.title, heading="All structures")
    net = net_of(study, ~content.planned, everything, title)
    yield _drawn(draw_net(net, NetLook(sets=False)), "All poles")
    for name in sorted(set(kind[structures.usable].tolist()) - {""}):
        rows = kind == name
        if int((rows & structures.usable).sum()) >= FEWEST_POLES:
            net = net_of(study, ~content.planned, rows, replace(title, heading=f"Kind: {name}"))
            yield _drawn(draw_net(net, NetLook(cones=name == "fault")), f"Poles of kind {name}, with their sets")


def _logs(study: Study, content: Content) -> Iterator[Figure]:
    for hole in study.holes.hole_ids[~content.planned].tolist():
        log = log_of(study, hole)
        yield _drawn(draw_log(log), f"Log of {hole}", upright=True)
