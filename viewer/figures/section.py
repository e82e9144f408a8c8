"""A vertical section: holes, structures in apparent dip, faults and ground cut by it, at a true scale on paper.

A plane that dips at δ towards D shows in a section of azimuth A with the apparent dip δ' of

    tan δ' = tan δ · cos(D − A)

(any textbook of structural geology, e.g. Ragan, *Structural Geology: An Introduction to Geometrical Techniques*, 4th
ed. 2009, ch. 1, there with the angle from the strike). Only a section square to strike shows the true dip.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon

from desurvey import orient
from viewer import theme
from viewer.figures.drawing import (
    BACKED,
    POINT_STEP,
    Drawing,
    grid_values,
    grouped,
    mark_suspects,
    name_axis,
    start_drawing,
)
from viewer.figures.holes import (
    Key,
    SeenHoles,
    draw_bars,
    draw_depths,
    draw_surfaces,
    draw_traces,
    draw_windows,
    seen_holes,
)
from viewer.figures.labels import spread
from viewer.figures.layers import Content, Structures
from viewer.figures.legend import draw_key, draw_north, draw_notes, draw_scale_bar
from viewer.figures.sheet import (
    SMALL_PT,
    Box,
    Orientation,
    PaperSheet,
    axes_at,
    blank,
    draw_title,
    style,
    text_size,
    with_lines,
)
from viewer.figures.slab import Slab
from viewer.theme import Paper

__all__ = ["draw_section"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

NAMES_MM: Final = 16.0
"""Room above the holes for their names."""
MOST_ASIDE_MM: Final = 6.0
"""A name that would have to stand further aside than this makes all names stand upright."""
KEY_PLAN_MM: Final = 34.0
STRUCTURE_MM: Final = {"fault": 5.5}
OTHER_STRUCTURE_MM: Final = 3.2
"""Lengths of apparent-dip ticks on the paper."""


def draw_section(
    content: Content,
    slab: Slab,
    *,
    paper: Paper = "A4",
    orientation: Orientation = "landscape",
    scale: float | None = None,
    exaggeration: float = 1.0,
    every: float | None = None,
) -> Figure:
    """Return a section as a figure of true size.

    Parameters
    ----------
    content : Content
        What there is to show.
    slab : Slab
        Where it is cut, how thick, and how far it reaches.
    paper, orientation
        The sheet.
    scale : float, optional
        500 for 1:500; the largest round scale that fits when it is left out.
    exaggeration : float
        Vertical exaggeration; stated on the sheet.
    every : float, optional
        Metres between depth ticks along the holes.
    """
    with style():
        sheet = blank(paper, orientation)
        low, high = _reach(slab, seen_holes(content, slab, step=2.0))
        drawing = start_drawing(sheet, low, high, exaggeration=exaggeration, scale=scale, above=NAMES_MM)
        seen = seen_holes(content, slab, drawing.scale * POINT_STEP)
        _draw_grid(drawing, slab)
        key, notes = _draw_content(drawing, content, slab, seen)
        left_out = _draw_names(drawing, content, seen)
        every, _ = draw_depths(drawing, content, slab, every, seen)
        notes = [f"Depth ticks every {every:g} m", *notes, *left_out]
        _draw_side(sheet, drawing, (content, slab), key, notes)
        _draw_block(sheet, drawing, content, slab)
    return sheet.figure


def _reach(slab: Slab, seen: SeenHoles) -> tuple[Floats, Floats]:
    """Return the corners of what is to be seen: the parts of holes in the slab, and the slab's own ends."""
    at = seen.at[seen.inside] if seen.inside.any() else np.zeros((1, 2))
    low, high = at.min(axis=0), at.max(axis=0)
    if slab.extent is not None:
        low[0], high[0] = slab.extent
    return low, high


def _draw_grid(drawing: Drawing, slab: Slab) -> None:
    """Draw the grid of eastings or northings and elevations, and the directions the section's ends look to."""
    axes = drawing.axes
    step = theme.nice_step(float(drawing.metres_per_mm[1]) * 25.0, parts=1)
    levels = grid_values(float(drawing.low[1]), float(drawing.high[1]), step)
    axes.set_yticks(levels, [grouped(value) for value in levels.tolist()])
    along_east = abs(slab.right[0]) >= abs(slab.right[1])
    values, places = _crossings(drawing, slab, 0 if along_east else 1)
    axes.set_xticks(places, [grouped(value) for value in values.tolist()])
    axes.grid(visible=True, zorder=0)
    axes.set_axisbelow(True)
    name_axis(axes, "elevation (m)", "left")
    name_axis(axes, "easting (m)" if along_east else "northing (m)", "bottom")
    other, at = _crossings(drawing, slab, 1 if along_east else 0)
    if len(other) > 1:
        top = axes.secondary_xaxis("top")
        top.set_xticks(at, [grouped(value) for value in other.tolist()])
        name_axis(axes, "northing (m)" if along_east else "easting (m)", "top")
    for x, bearing in ((0.0, slab.azimuth_deg + 180.0), (1.0, slab.azimuth_deg)):
        axes.annotate(
            f"{_compass(bearing)} {bearing % 360.0:03.0f}°", (x, 1.0), xycoords="axes fraction",
            xytext=(2.0 if x == 0.0 else -2.0, -2.0), textcoords="offset points", ha="left" if x == 0.0 else "right",
            va="top", fontsize=SMALL_PT + 2.5, fontweight="bold", gid="end",
        )  # fmt: skip


def _crossings(drawing: Drawing, slab: Slab, axis: int) -> tuple[Floats, Floats]:
    """Return round eastings (axis 0) or northings (1) and where the section crosses them."""
    slope = float(slab.right[axis])
    if abs(slope) < 0.05:  # nearly along a grid line: a crossing means little
        return np.zeros(0), np.zeros(0)
    origin = (slab.easting, slab.northing)[axis]
    ends = sorted(origin + slope * float(x) for x in (drawing.low[0], drawing.high[0]))
    step = theme.nice_step(drawing.scale / 1000.0 * 30.0 * abs(slope), parts=1)
    values = grid_values(ends[0], ends[1], step)
    return values, (values - origin) / slope


def _compass(bearing: float) -> str:
    return ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round((bearing % 360.0) / 45.0) % 8]


def _draw_content(drawing: Drawing, content: Content, slab: Slab, seen: SeenHoles) -> tuple[Key, list[str]]:
    """Draw all that stands in the slab; return the legend and notes on what was left out."""
    key = draw_traces(drawing, content, seen)
    notes: list[str] = []
    out = int((np.bincount(seen.hole, weights=seen.inside, minlength=len(content.planned)) == 0).sum())
    if out:
        notes.append(_count(out, "hole") + f" outside {slab.thickness / 2:g} m")
    if content.structures is not None:
        more, said = _draw_structures(drawing, content.structures, slab)
        key, notes = key + more, notes + said
    key += draw_surfaces(drawing, content, slab)
    if content.windows is not None:
        key += draw_windows(drawing, content, slab, content.windows)
    if content.bars is not None:
        key += draw_bars(drawing, content, slab, content.bars)
    return key, [*notes, *content.absent]


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def _draw_structures(drawing: Drawing, structures: Structures, slab: Slab) -> tuple[Key, list[str]]:
    """Draw structures as ticks along the trace of their plane in the section."""
    seen = slab.seen(structures.position)
    inside = slab.holds(seen)
    apparent = np.deg2rad(orient.apparent_dip(structures.dip_deg, structures.dip_direction_deg, slab.azimuth_deg))
    shown = inside & np.isfinite(apparent)
    along = np.stack([np.cos(apparent), -np.sin(apparent) * drawing.exaggeration], axis=1)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    palette = theme.class_colours(structures.kind.tolist())
    key: Key = []
    for kind in sorted(set(structures.kind[shown].tolist())):
        chosen = shown & (structures.kind == kind)
        half = along[chosen] * STRUCTURE_MM.get(kind, OTHER_STRUCTURE_MM) / 2
        middle = drawing.on_paper(seen[chosen, :2])
        ends = drawing.on_ground(np.stack([middle - half, middle + half], axis=1))
        width = 1.5 if kind in STRUCTURE_MM else 0.7
        lines = LineCollection(list(ends), colors=palette[kind], lw=width, zorder=5, label=f"structures: {kind}")
        drawing.axes.add_collection(lines, autolim=False)
        key.append((Line2D([], [], color=palette[kind], lw=width), f"{kind} (apparent dip)"))
    key += mark_suspects(drawing, drawing.on_paper(seen[shown & structures.suspect, :2]))
    notes = ["Apparent dip is the true dip only where the section is square to strike"] if key else []
    if np.any(~inside):
        notes.append(_count(int((~inside).sum()), "structure") + f" outside {slab.thickness / 2:g} m")
    if np.any(inside & ~shown):
        notes.append(_count(int((inside & ~shown).sum()), "structure") + " parallel to the section, not drawn")
    return key, notes


def _draw_names(drawing: Drawing, content: Content, seen: SeenHoles) -> list[str]:
    """Write the names of the holes in a row above them, each led to the first point of its hole in the section.

    The name of a hole that comes in deep down stands nearer to that point, or its leader would look like a hole.
    """
    first = _first_inside(seen, len(content.planned))
    holes = np.flatnonzero(first >= 0)
    if not len(holes):
        return ["No hole lies in this section"]
    names = content.traces.hole_ids[holes].tolist()
    at = drawing.on_paper(seen.at[first[holes]])
    sizes = np.array([text_size(name, SMALL_PT + 0.5, "bold") for name in names])
    width = float(drawing.size[0])
    x = spread(at[:, 0], sizes[:, 0] + 2.0, 0.5, width - 0.5)
    upright = bool(np.abs(x - at[:, 0]).max() > MOST_ASIDE_MM)
    if upright:
        x = spread(at[:, 0], sizes[:, 1] + 0.8, 0.5, width - 0.5)
    row = min(float(at[:, 1].max()) + 4.0, float(drawing.size[1]) - NAMES_MM + 2.0)
    rows = np.where(row - at[:, 1] > LEADER_MOST_MM, at[:, 1] + LEADER_MM, row)
    for name, centre, level, point in zip(names, x.tolist(), rows.tolist(), at, strict=True):
        foot = drawing.on_ground(np.array([centre, level]))
        bend = drawing.on_ground(np.array([centre, level - 0.6]))
        drawing.axes.plot(*np.stack([drawing.on_ground(point), bend]).T, lw=0.3, color=theme.LIGHT.quiet, zorder=2)
        drawing.axes.text(
            float(foot[0]), float(foot[1]), name, fontsize=SMALL_PT + 0.5, fontweight="bold", ha="center", va="bottom",
            rotation=90 if upright else 0, gid="hole name", zorder=7, bbox=BACKED,
        )  # fmt: skip
    return []


LEADER_MOST_MM, LEADER_MM = 20.0, 8.0
"""Longest leader from the row of names to a hole, and the leader of a name outside that row."""


def _first_inside(seen: SeenHoles, holes: int) -> npt.NDArray[np.int64]:
    """Return the row of the shallowest point inside of each hole, −1 for a hole with none."""
    first = np.full(holes, -1)
    rows = np.flatnonzero(seen.inside)[::-1]
    first[seen.hole[rows]] = rows
    return first


def _draw_side(sheet: PaperSheet, drawing: Drawing, what: tuple[Content, Slab], key: Key, notes: list[str]) -> None:
    """Fill the side column: key plan with north, scale bar, legend, notes."""
    top = sheet.side.get_ylim()[1]
    _draw_key_plan(sheet, what[0], what[1])
    top = draw_scale_bar(sheet.side, top - KEY_PLAN_MM - 7.0, drawing.scale)
    top = draw_key(sheet.side, top, key)
    draw_notes(sheet.side, top, notes)


def _draw_key_plan(sheet: PaperSheet, content: Content, slab: Slab) -> None:
    """Draw where the section lies, in plan, with north."""
    side = sheet.side
    top = float(side.get_ylim()[1])
    side.text(0.0, top, "Where it lies (north up)", fontsize=SMALL_PT + 1.5, fontweight="bold", va="top")
    frame = sheet.figure.get_size_inches() * 25.4
    box = side.get_position()
    left, bottom = box.x0 * frame[0], box.y0 * frame[1]
    plan = axes_at(sheet.figure, Box(left, bottom + top - KEY_PLAN_MM - 4.5, 42.0, KEY_PLAN_MM), label="key plan")
    collars = content.traces.position[content.traces.offsets[:-1], :2]
    ends = np.array(slab.extent or _ends(slab, content))
    half = slab.into[:2] * slab.thickness / 2
    line = np.array([slab.easting, slab.northing]) + ends[:, None] * slab.right[:2]
    corners = np.vstack([line - half, line[::-1] + half])
    plan.add_patch(Polygon(corners, closed=True, fc=theme.OKABE_ITO["sky blue"], alpha=0.35, ec="none"))
    plan.plot(*line.T, color=theme.OKABE_ITO["blue"], lw=1.0)
    plan.plot(*collars.T, ".", ms=2.0, color=theme.LIGHT.text)
    everything = np.vstack([collars, corners])
    centre = (everything.min(axis=0) + everything.max(axis=0)) / 2
    half_size = max(np.ptp(everything[:, 0]) / 42.0, np.ptp(everything[:, 1]) / KEY_PLAN_MM, 1e-3) / 2 * 1.08
    plan.set_xlim(centre[0] - 42.0 * half_size, centre[0] + 42.0 * half_size)
    plan.set_ylim(centre[1] - KEY_PLAN_MM * half_size, centre[1] + KEY_PLAN_MM * half_size)
    plan.set_xticks([])
    plan.set_yticks([])
    draw_north(side, (47.0, top - 14.0), 6.0)


def _ends(slab: Slab, content: Content) -> tuple[float, float]:
    """Return how far the holes reach along the section."""
    along = slab.seen(content.traces.position)[:, 0]
    return float(along.min()), float(along.max())


def _draw_block(sheet: PaperSheet, drawing: Drawing, content: Content, slab: Slab) -> None:
    """Fill the title block."""
    vertical = "no vertical exaggeration" if drawing.exaggeration == 1.0 else (
        f"VERTICAL EXAGGERATION {drawing.exaggeration:g}×"
    )  # fmt: skip
    lines = (
        f"Section azimuth {slab.azimuth_deg:05.1f}°, looking {(slab.azimuth_deg - 90.0) % 360.0:05.1f}°; "
        f"{slab.thickness:g} m thick; {vertical}",
        f"Through {grouped(round(slab.easting, 1))} E, {grouped(round(slab.northing, 1))} N",
    )
    name = "1:" + grouped(drawing.scale)
    draw_title(sheet, with_lines(content.title, *lines), name if drawing.exaggeration == 1.0 else f"{name} across")
