"""A small map and a small section of each fault, for the first page of a report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from desurvey import directions
from viewer import theme
from viewer.figures.drawing import BACKED
from viewer.figures.sheet import SMALL_PT, Box, axes_at, figure_markup, style
from viewer.figures.slab import Slab, cut_mesh, even_depths

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from desurvey.study import Answers, Study

__all__ = ["fault_thumbnails"]

Floats = npt.NDArray[np.float64]

SIZE_MM = (58.0, 30.0)
HIGH_MM = 25.0
MM_PER_INCH = 25.4


def fault_thumbnails(study: Study, answers: Answers) -> dict[str, str]:
    """Return fault → its map at the height of its centroid beside its section along dip, as an SVG element."""
    holes = np.arange(len(study.holes.hole_ids))
    hole, depth = even_depths(study.holes, holes, 10.0)
    courses = np.split(study.holes.at(hole, depth).position, np.flatnonzero(np.diff(hole)) + 1)
    made = {}
    for fault in answers.found.faults:
        mesh = answers.meshes.get(fault.fault_id)
        if mesh is None:
            continue
        into = directions.azimuth(fault.normal[:2]) if np.hypot(*fault.normal[:2]) > 1e-6 else 90.0
        slab = Slab(float(fault.centre[0]), float(fault.centre[1]), float(into) % 180.0 or 180.0, 1.0)
        picks = answers.found.picks.position[fault.rows]
        seen, away = slab.seen, mesh.vertices - fault.centre
        on_map = [one[:, :2] - fault.centre[:2] for one in courses]
        beside = [seen(one)[:, :2] for one in courses]
        views = [
            ("map", on_map, cut_mesh(away, mesh.triangles), picks[:, :2] - fault.centre[:2]),
            (f"section towards {slab.azimuth_deg:03.0f}°", beside, cut_mesh(seen(mesh.vertices), mesh.triangles),
             seen(picks)[:, :2]),
        ]  # fmt: skip
        made[fault.fault_id] = _drawn(fault.fault_id, views)
    return made


def _drawn(name: str, views: list[tuple[str, list[Floats], Floats, Floats]]) -> str:
    with style():
        figure = Figure(figsize=(SIZE_MM[0] / MM_PER_INCH, SIZE_MM[1] / MM_PER_INCH))
        wide = (SIZE_MM[0] - 2.0) / 2
        for place, (title, courses, cut, picks) in enumerate(views):
            axes = axes_at(figure, Box(0.3 + place * (wide + 1.4), 0.5, wide, HIGH_MM), label=title)
            _view(axes, title, courses, cut, picks)
        return figure_markup(figure, f"Fault {name}: map at its centroid, and section along its dip", rim=0.0)


def _view(axes: Axes, title: str, courses: list[Floats], cut: Floats, picks: Floats) -> None:
    axes.add_collection(LineCollection(courses, colors=theme.OTHER, linewidths=0.4))
    axes.add_collection(LineCollection(list(cut), colors=theme.LIGHT.text, linewidths=1.2))
    axes.plot(*picks.T, "o", ms=2.2, mfc=theme.LIGHT.background, mec=theme.LIGHT.text, mew=0.6)
    ends = np.concatenate([picks, cut.reshape(-1, 2)])
    middle, half = (ends.min(axis=0) + ends.max(axis=0)) / 2, np.ptp(ends, axis=0) / 2
    box = axes.get_position()
    shape = box.width * SIZE_MM[0] / (box.height * SIZE_MM[1])
    high = 1.1 * max(half[1], half[0] / shape, 1.0)
    axes.set_xlim(middle[0] - high * shape, middle[0] + high * shape)
    axes.set_ylim(middle[1] - high, middle[1] + high)
    axes.set_xticks([])
    axes.set_yticks([])
    step = theme.nice_step(2 * high * shape, 4)
    left, foot = axes.get_xlim()[0] + 0.06 * high, axes.get_ylim()[0] + 0.1 * high
    axes.plot([left, left + step], [foot, foot], color=theme.LIGHT.text, lw=1.6, solid_capstyle="butt")
    axes.text(left + step, foot, f" {step:g} m", fontsize=SMALL_PT, va="center", bbox=BACKED)
    axes.set_title(title, fontsize=SMALL_PT, pad=1.5, loc="left")
