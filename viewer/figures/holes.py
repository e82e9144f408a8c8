"""Holes on a drawing, seen from the side or from above: traces, depth ticks, interval bars, expected windows.

A *view* says where points of the ground are seen and whether they belong to the drawing: a
:class:`viewer.figures.slab.Slab` for a section, a :class:`viewer.figures.plan.Level` for a plan.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
from matplotlib import colormaps
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from viewer import theme
from viewer.figures.drawing import BACKED, Drawing, grouped
from viewer.figures.labels import points_in, without_overlap
from viewer.figures.layers import Bars, Content, Surface, Windows
from viewer.figures.sheet import SMALL_PT, text_size
from viewer.figures.slab import cut_mesh, even_depths

__all__ = [
    "Key",
    "SeenHoles",
    "PaperView",
    "bar_colours",
    "draw_bars",
    "draw_depths",
    "draw_surfaces",
    "draw_traces",
    "draw_windows",
    "seen_holes",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Key = list[tuple[Line2D | Patch, str]]

BAR_MM: Final = 1.7
"""Distance of the middle of a bar from its hole on the paper."""
BAR_WIDTH_PT: Final = 4.2
WINDOW_WIDTH_PT: Final = 13.0
TICK_MM: Final = 1.2
TICK_SPACING_MM: Final = 5.0
SURFACE_STYLE: Final[dict[str, Any]] = {"lw": 1.4, "zorder": 4}
BAR_POINTS: Final = 9
"""Points along each bar: enough for an interval to bend with its hole."""


class PaperView(Protocol):
    """Where points of the ground are seen, and which of them belong to the drawing."""

    def seen(self, points: Floats) -> Floats:
        """Return across the sheet, up the sheet and away from it, metres, shape (..., 3)."""

    def holds(self, seen: Floats) -> Bools:
        """Return which of those points are to be drawn."""


class SeenHoles(NamedTuple):
    """Points close together along all holes, as a view sees them.

    Attributes
    ----------
    hole, depth : (n,) arrays
        Where they are.
    at : (n, 2) array
        Across and up the sheet, metres.
    inside : (n,) bool array
        Which are to be drawn.
    beyond : (n,) bool array
        Which lie below the deepest survey station.
    """

    hole: Ints
    depth: Floats
    at: Floats
    inside: Bools
    beyond: Bools


def seen_holes(content: Content, view: PaperView, step: float) -> SeenHoles:
    """Return points every ``step`` metres along all holes as a view sees them."""
    hole, depth = even_depths(content.traces, np.arange(len(content.traces.hole_ids)), step)
    points = content.traces.at(hole, depth)
    seen = view.seen(points.position)
    return SeenHoles(hole, depth, seen[:, :2], view.holds(seen), points.extrapolated)


def draw_traces(drawing: Drawing, content: Content, seen: SeenHoles) -> Key:
    """Draw the holes, each part in the look of what is known of it, and return their legend."""
    planned = content.planned[seen.hole]
    enters = np.bincount(seen.hole, weights=seen.inside, minlength=len(content.planned)) > 0
    looks = (
        (seen.inside & ~planned & ~seen.beyond, "hole", theme.LIGHT.text, "-", 1.1),
        (seen.inside & ~planned & seen.beyond, "below its last survey", theme.LIGHT.text, (0, (4, 1.5)), 1.1),
        (seen.inside & planned, "planned hole", theme.PLANNED, (0, (5, 2)), 1.1),
        (enters[seen.hole] & ~seen.inside, "outside the slab", theme.OTHER, (0, (1, 1.5)), 0.6),
    )
    key: Key = []
    for chosen, name, colour, dashes, width in looks:
        line = Line2D([], [], color=colour, ls=dashes, lw=width, gid=name, zorder=3)
        if chosen.any():
            line.set_data(*_pieces(seen, chosen).T)
            drawing.axes.add_line(line)
            key.append((line, name))
    return key


def _pieces(seen: SeenHoles, chosen: Bools) -> Floats:
    """Return the chosen points as one line with NaN between pieces; each piece runs on to the next point."""
    reach = chosen.copy()
    same = seen.hole[1:] == seen.hole[:-1]
    reach[1:] |= chosen[:-1] & same
    broken = np.where(reach[:, None], seen.at, np.nan)
    starts = np.flatnonzero(~same) + 1
    return np.insert(broken, starts, np.nan, axis=0)


def directions(drawing: Drawing, content: Content, view: PaperView, hole: Ints, depth: Floats) -> tuple[Floats, Floats]:
    """Return where depths of holes are on the paper (mm) and the unit vectors square to the holes there."""
    offset = 0.5
    above = view.seen(content.traces.at(hole, np.maximum(depth - offset, 0.0)).position)[:, :2]
    below = view.seen(content.traces.at(hole, depth + offset).position)[:, :2]
    here = view.seen(content.traces.at(hole, depth).position)[:, :2]
    along = drawing.on_paper(below) - drawing.on_paper(above)
    length = np.linalg.norm(along, axis=1, keepdims=True)
    along = np.where(length > 1e-9, along / np.maximum(length, 1e-9), [0.0, -1.0])
    return drawing.on_paper(here), np.stack([-along[:, 1], along[:, 0]], axis=1)


def draw_depths(
    drawing: Drawing,
    content: Content,
    view: PaperView,
    every: float | None,
    seen: SeenHoles,
    *,
    taken: Floats | None = None,
    ends_only: bool = False,
) -> tuple[float, Floats]:
    """Draw depth ticks across the holes, with as many numbers as there is room for.

    Parameters
    ----------
    drawing, content, view
        What is drawn, and how it is seen.
    every : float or None
        Metres between ticks; a round length that leaves some 5 mm between them when None.
    seen : Seen
        The holes themselves, which the numbers keep clear of.
    taken : (k, 4) array, optional
        Boxes on the paper (mm) that other names stand in.
    ends_only : bool
        Number the ends of the holes only.

    Returns
    -------
    float
        Metres between ticks.
    (m, 4) array
        The boxes taken, those of the numbers included.
    """
    every = every or theme.nice_step(TICK_SPACING_MM * drawing.scale / 1000.0, parts=1)
    hole, depth = even_depths(content.traces, np.arange(len(content.traces.hole_ids)), every)
    keep = (depth > 0) & view.holds(view.seen(content.traces.at(hole, depth).position))
    hole, depth = hole[keep], depth[keep]
    here, across = directions(drawing, content, view, hole, depth)
    ends = np.stack([here - across * TICK_MM, here + across * 0.3], axis=1)
    drawing.axes.add_collection(
        LineCollection(list(drawing.on_ground(ends)), colors=theme.LIGHT.text, lw=0.4, zorder=3, label="depth ticks"),
        autolim=False,
    )
    _, beside = directions(drawing, content, view, seen.hole, seen.depth)
    at = drawing.on_paper(seen.at)
    drawn = np.vstack([at, at + beside * BAR_MM])[np.tile(seen.inside, 2)]
    last = depth >= content.traces.end[hole] - 1e-9
    numbered = last | (not ends_only)
    ticks = (depth[numbered], last[numbered], here[numbered], across[numbered])
    taken = np.empty((0, 4)) if taken is None else taken
    return every, np.vstack([taken, _write_depths(drawing, ticks, drawn, taken)])


def _write_depths(
    drawing: Drawing, ticks: tuple[Floats, Bools, Floats, Floats], drawn: Floats, taken: Floats
) -> Floats:
    """Write depths beside their ticks, those at the ends of holes first and below them; return their boxes."""
    depth, last, here, across = ticks
    order = np.argsort(~last, kind="stable")
    texts = [grouped(round(value, 1)) for value in depth[order].tolist()]
    size = SMALL_PT - 1.0
    half = np.array([text_size(text, size, "bold") for text in texts]).reshape(-1, 2) / 2
    down = np.stack([across[order, 1], -across[order, 0]], axis=1)
    reach = np.abs(across[order] * half).sum(axis=1, keepdims=True) + TICK_MM + 0.3
    beside = here[order] - across[order] * reach
    below = here[order] + down * (np.abs(down * half).sum(axis=1, keepdims=True) + 0.6)
    centres = np.where(last[order][:, None], below, beside)
    clear = last[order] | (points_in(centres - half, centres + half, drawn) == 0)
    clear &= np.all((centres - half > 0.3) & (centres + half < drawing.size - 0.3), axis=1)
    rows = np.flatnonzero(clear)
    kept = rows[without_overlap(centres[rows], 2 * half[rows], taken)]
    for i in kept.tolist():
        x, y = drawing.on_ground(centres[i]).tolist()
        weight = "bold" if last[order][i] else "normal"
        drawing.axes.text(
            x, y, texts[i], fontsize=size, ha="center", va="center", color=theme.LIGHT.quiet, weight=weight,
            gid="depth", bbox=BACKED, zorder=6,
        )  # fmt: skip
    return np.hstack([centres - half, centres + half])[kept]


def draw_bars(drawing: Drawing, content: Content, view: PaperView, bars: Bars) -> Key:
    """Draw intervals as coloured bars on the right of their holes (looking down them), and return their legend."""
    share = np.linspace(0.0, 1.0, BAR_POINTS)
    depth = bars.depth_from[:, None] + share * (bars.depth_to - bars.depth_from)[:, None]
    hole = np.repeat(bars.hole, BAR_POINTS)
    inside = view.holds(view.seen(content.traces.at(hole, depth.ravel()).position)) & (hole >= 0)
    here, across = directions(drawing, content, view, hole, depth.ravel())
    points = np.where(inside[:, None], drawing.on_ground(here + across * BAR_MM), np.nan).reshape(-1, BAR_POINTS, 2)
    drawn = inside.reshape(-1, BAR_POINTS).sum(axis=1) >= 2
    colours, key = bar_colours(bars, drawn)
    thin = min(1.0, float(drawing.size[0]) / (9.0 * max(len(set(bars.hole[drawn].tolist())), 1)))
    lines = LineCollection(
        list(points[drawn]), colors=[colours[i] for i in np.flatnonzero(drawn)], lw=BAR_WIDTH_PT * thin,
        capstyle="butt", zorder=2, label="bars",
    )  # fmt: skip
    drawing.axes.add_collection(lines, autolim=False)
    return key


def bar_colours(bars: Bars, drawn: Bools) -> tuple[list[object], Key]:
    """Return a colour for each interval, and the legend of those drawn."""
    heading = theme.heading(bars.name)
    if bars.value.dtype.kind in "US":
        palette = theme.class_colours(bars.value.tolist())
        shown = sorted(set(bars.value[drawn].tolist()))
        return [palette[value] for value in bars.value.tolist()], [
            (Patch(fc=palette[name], ec="none"), f"{heading}: {name or 'not given'}") for name in shown
        ]
    value = np.asarray(bars.value, dtype=np.float64)
    if not np.isfinite(value).any():
        return [theme.OTHER] * len(value), [(Patch(fc=theme.OTHER, ec="none"), f"{heading}: no value")]
    norm = Normalize(float(np.nanmin(value)), float(np.nanmax(value)))
    colour_map = colormaps[theme.colour_map(bars.name)]
    steps = np.linspace(norm.vmin or 0.0, norm.vmax or 0.0, 5)
    key: Key = [(Patch(fc=colour_map(norm(step)), ec="none"), f"{heading}: {step:.4g}") for step in steps.tolist()]
    colours = [theme.OTHER if np.isnan(v) else colour_map(norm(v)) for v in value.tolist()]
    return colours, key


def draw_windows(drawing: Drawing, content: Content, view: PaperView, windows: Windows) -> Key:
    """Draw expected windows as pale sleeves around their holes, and return their legend."""
    palette = dict.fromkeys(windows.fault.tolist(), theme.CLASS_COLOURS[0])
    palette |= {surface.name: surface.colour for surface in content.surfaces}
    share = np.linspace(0.0, 1.0, BAR_POINTS)
    depth = np.maximum(windows.depth_from[:, None] + share * (windows.depth_to - windows.depth_from)[:, None], 0.0)
    hole = np.repeat(windows.hole, BAR_POINTS)
    seen = view.seen(content.traces.at(hole, depth.ravel()).position)
    inside = view.holds(seen) & (hole >= 0)
    points = np.where(inside[:, None], seen[:, :2], np.nan).reshape(-1, BAR_POINTS, 2)
    drawn = inside.reshape(-1, BAR_POINTS).sum(axis=1) >= 2
    colours = [palette[name] for name in windows.fault[drawn].tolist()]
    lines = LineCollection(
        list(points[drawn]), colors=colours, lw=WINDOW_WIDTH_PT, alpha=0.3, capstyle="butt", zorder=1, label="windows"
    )
    drawing.axes.add_collection(lines, autolim=False)
    names = sorted(set(windows.fault[drawn].tolist()))
    return [(Patch(fc=palette[name], ec="none", alpha=0.3), f"{name} expected (95 %)") for name in names]


def draw_surfaces(drawing: Drawing, content: Content, view: PaperView) -> Key:
    """Draw the lines in which faults, surfaces and the ground meet the middle of the drawing; return their legend."""
    looks: list[tuple[Surface, str, Any]] = [(surface, surface.colour, (0, (6, 2))) for surface in content.surfaces]
    if content.topography is not None:
        looks.append((content.topography, theme.OKABE_ITO["bluish green"], "solid"))
    key: Key = []
    for surface, colour, dashes in looks:
        lines = cut_mesh(view.seen(surface.vertices), surface.triangles)
        if len(lines):
            drawing.axes.add_collection(
                LineCollection(list(lines), colors=colour, ls=dashes, label=surface.name, **SURFACE_STYLE),
                autolim=False,
            )
            key.append((Line2D([], [], color=colour, ls=dashes, lw=1.4), surface.name))
            if surface is not content.topography:
                _name_line(drawing, lines.reshape(-1, 2), surface.name, colour)
    return key


def _name_line(drawing: Drawing, points: Floats, name: str, colour: str) -> None:
    """Write a fault's name at the lowest point of its line in the drawing, away from the names of the holes."""
    at = drawing.on_paper(points)
    inside = np.all((at > (2.0, 4.0)) & (at < drawing.size - (6.0, 4.0)), axis=1)
    if inside.any():
        x, y = points[inside][np.argmin(points[inside, 1])].tolist()
        drawing.axes.text(
            x, y, f" {name}", fontsize=SMALL_PT + 1.5, fontweight="bold", color=colour, ha="left", va="top",
            gid="fault name", bbox=BACKED, zorder=7,
        )  # fmt: skip
