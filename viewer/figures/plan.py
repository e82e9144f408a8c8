"""A plan: collars, holes and strike and dip seen from above, all of them or those near one elevation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from desurvey.problems import DataProblem
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
from viewer.figures.labels import placed, without_overlap
from viewer.figures.layers import Content, Structures
from viewer.figures.legend import draw_key, draw_north, draw_notes, draw_scale_bar
from viewer.figures.sheet import SMALL_PT, Orientation, blank, draw_title, style, text_size, with_lines
from viewer.theme import Paper

__all__ = ["Level", "draw_plan"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

STRIKE_MM: Final = 4.0
DIP_MM: Final = 1.5
"""Length of a strike bar and of its dip tick on the paper."""
SYMBOL_MM: Final = 4.8
"""Side of the square that a symbol with its number keeps for itself."""


@dataclass(frozen=True, slots=True)
class Level:
    """A level slab, or everything seen from above.

    Attributes
    ----------
    elevation : float or None
        Metres; None: everything.
    thickness : float
        Metres, half above and half below.
    """

    elevation: float | None = None
    thickness: float = 20.0

    def __post_init__(self) -> None:
        """Refuse a slab without thickness."""
        if not (np.isfinite(self.thickness) and self.thickness > 0):
            raise DataProblem("the thickness of a plan must be more than 0 m", value=self.thickness)

    def seen(self, points: Floats) -> Floats:
        """Return easting, northing and height above the level, shape (..., 3)."""
        return np.asarray(points - np.array([0.0, 0.0, self.elevation or 0.0]), dtype=np.float64)

    def holds(self, seen: Floats) -> Bools:
        """Return which points, as :meth:`seen` gives them, lie in the slab."""
        if self.elevation is None:
            return np.isfinite(seen[..., 2])
        return np.asarray(np.abs(seen[..., 2]) <= self.thickness / 2)


def draw_plan(
    content: Content,
    level: Level | None = None,
    *,
    paper: Paper = "A4",
    orientation: Orientation = "landscape",
    scale: float | None = None,
    every: float | None = None,
) -> Figure:
    """Return a plan as a figure of true size.

    Parameters
    ----------
    content : Content
        What there is to show.
    level : Level, optional
        The elevation that it shows; everything from above when it is left out.
    paper, orientation
        The sheet.
    scale : float, optional
        500 for 1:500; the largest round scale that fits when it is left out.
    every : float, optional
        Metres between depth ticks along the holes.
    """
    level = level or Level()
    with style():
        sheet = blank(paper, orientation)
        low, high = _reach(content, seen_holes(content, level, step=2.0))
        drawing = start_drawing(sheet, low, high, scale=scale, above=4.0)
        seen = seen_holes(content, level, drawing.scale * POINT_STEP)
        _draw_grid(drawing)
        taken, left_out = _draw_names(drawing, content, seen)
        everything = level.elevation is None
        key, notes, taken = _draw_content(drawing, content, level, seen, taken)
        every, _ = draw_depths(drawing, content, level, every, seen, taken=taken, ends_only=everything)
        notes = [f"Depth ticks every {every:g} m", "North is grid north", *notes, *left_out, *content.absent]
        top = sheet.side.get_ylim()[1]
        draw_north(sheet.side, (8.0, top - 10.0), 8.0)
        top = draw_scale_bar(sheet.side, top - 24.0, drawing.scale)
        draw_notes(sheet.side, draw_key(sheet.side, top, key), notes)
        shown = "Collars and holes, projected down" if everything else (
            f"Plan at {level.elevation:g} m, {level.thickness:g} m thick"
        )  # fmt: skip
        draw_title(sheet, with_lines(content.title, shown), "1:" + grouped(drawing.scale))
    return sheet.figure


def _collars(content: Content) -> Floats:
    collars: Floats = content.traces.position[content.traces.offsets[:-1], :2]
    return collars


def _reach(content: Content, seen: SeenHoles) -> tuple[Floats, Floats]:
    """Return the corners of all collars and of the holes that are drawn."""
    at = np.vstack([_collars(content), seen.at[seen.inside]])
    at = at if len(at) else np.zeros((1, 2))
    return at.min(axis=0), at.max(axis=0)


def _draw_grid(drawing: Drawing) -> None:
    """Draw the grid of eastings and northings."""
    axes = drawing.axes
    step = theme.nice_step(drawing.scale / 1000.0 * 30.0, parts=1)
    for axis, low, high in ((axes.xaxis, *axes.get_xlim()), (axes.yaxis, *axes.get_ylim())):
        values = grid_values(low, high, step)
        axis.set_ticks(values, [grouped(value) for value in values.tolist()])
    axes.tick_params(axis="y", labelrotation=90)
    for label in axes.get_yticklabels():
        label.set_verticalalignment("center")
    axes.grid(visible=True, zorder=0)
    axes.set_axisbelow(True)
    name_axis(axes, "easting (m)", "bottom")
    name_axis(axes, "northing (m)", "left")


def _draw_content(
    drawing: Drawing, content: Content, level: Level, seen: SeenHoles, taken: Floats
) -> tuple[Key, list[str], Floats]:
    """Draw all that belongs to the plan; return the legend, notes on what was left out, and the boxes taken."""
    key = draw_traces(drawing, content, seen)
    collars = drawing.axes.plot(
        *_collars(content).T, "o", ms=3.2, mfc=theme.LIGHT.background, mec=theme.LIGHT.text, mew=0.8, zorder=6,
        gid="collars",
    )  # fmt: skip
    key.append((collars[0], "collar"))
    notes: list[str] = []
    if content.structures is not None:
        more, notes, taken = _draw_symbols(drawing, content.structures, level, taken)
        key += more
    if level.elevation is not None:  # from above, bars and cuts of many levels would lie on each other
        key += draw_surfaces(drawing, content, level)
        key += draw_bars(drawing, content, level, content.bars) if content.bars is not None else []
    if content.windows is not None:
        key += draw_windows(drawing, content, level, content.windows)
    return key, notes, taken


def _draw_symbols(
    drawing: Drawing, structures: Structures, level: Level, taken: Floats
) -> tuple[Key, list[str], Floats]:
    """Draw strike bars with dip ticks and numbers, faults first, where they don't lie on one another."""
    seen = level.seen(structures.position)
    middle = drawing.on_paper(seen[:, :2])
    inside = level.holds(seen) & np.all((middle > 3.0) & (middle < drawing.size - 3.0), axis=1)
    rows = np.flatnonzero(inside)
    rows = rows[np.argsort(structures.kind[rows] != "fault", kind="stable")]
    rows = rows[without_overlap(middle[rows], np.full((len(rows), 2), SYMBOL_MM), taken)]
    palette = theme.class_colours(structures.kind.tolist())
    key: Key = []
    for kind in sorted(set(structures.kind[rows].tolist())):
        of_kind = rows[structures.kind[rows] == kind]
        width = 1.4 if kind == "fault" else 0.9
        lines = LineCollection(
            list(drawing.on_ground(_symbols(structures, middle, of_kind))), colors=palette[kind],
            lw=width, zorder=5, label=f"structures: {kind}",
        )  # fmt: skip
        drawing.axes.add_collection(lines, autolim=False)
        key.append((Line2D([], [], color=palette[kind], lw=width), f"{kind}: strike, dip"))
    key += mark_suspects(drawing, middle[rows[structures.suspect[rows]]])
    _write_dips(drawing, structures, middle, rows)
    notes = []
    if level.elevation is not None and np.any(~level.holds(seen)):
        notes.append(f"{int((~level.holds(seen)).sum())} structures outside {level.thickness / 2:g} m")
    if inside.sum() > len(rows):
        notes.append(f"{int(inside.sum()) - len(rows)} of {int(inside.sum())} symbols left out, for want of room")
    half = SYMBOL_MM / 2
    return key, notes, np.vstack([taken, np.hstack([middle[rows] - half, middle[rows] + half])])


def _symbols(structures: Structures, middle: Floats, rows: npt.NDArray[np.int64]) -> Floats:
    """Return strike bars and dip ticks of chosen rows on the paper, (2 n, 2, 2) in millimetres; a cross where level."""
    level = ~np.isfinite(structures.dip_direction_deg[rows])
    bearing = np.deg2rad(np.nan_to_num(structures.dip_direction_deg[rows]))
    down = np.stack([np.sin(bearing), np.cos(bearing)], axis=1)
    strike = np.stack([-down[:, 1], down[:, 0]], axis=1) * STRIKE_MM / 2
    at = middle[rows]
    bars = np.stack([at - strike, at + strike], axis=1)
    near = np.where(level[:, None], -STRIKE_MM / 2, 0.0)
    far = np.where(level[:, None], STRIKE_MM / 2, DIP_MM)
    return np.concatenate([bars, np.stack([at + down * near, at + down * far], axis=1)])


def _write_dips(drawing: Drawing, structures: Structures, middle: Floats, rows: npt.NDArray[np.int64]) -> None:
    """Write the dip of each symbol beyond its tick."""
    for row in rows.tolist():
        bearing = np.deg2rad(np.nan_to_num(structures.dip_direction_deg[row]))
        away = (DIP_MM + 1.1) * np.array([np.sin(bearing), np.cos(bearing)])
        x, y = drawing.on_ground(middle[row] + away).tolist()
        drawing.axes.text(
            x, y, f"{structures.dip_deg[row]:.0f}", fontsize=SMALL_PT - 1.5, ha="center", va="center", zorder=6,
            gid="dip", bbox=BACKED,
        )  # fmt: skip


def _draw_names(drawing: Drawing, content: Content, seen: SeenHoles) -> tuple[Floats, list[str]]:
    """Write the names of the holes around their collars; return their boxes, and a note on those without room."""
    names = content.traces.hole_ids.tolist()
    points = drawing.on_paper(_collars(content))
    sizes = np.array([text_size(name, SMALL_PT + 0.5, "bold") for name in names]).reshape(-1, 2)
    drawn = np.vstack([drawing.on_paper(seen.at[seen.inside]), np.repeat(points, 20, axis=0)])
    width, height = drawing.size.tolist()
    centres = placed(points, sizes, drawn, (0.5, 0.5, width - 0.5, height - 0.5))
    for name, centre, point, size in zip(names, centres, points, sizes, strict=True):
        if np.isnan(centre[0]):
            continue
        edge = np.clip(point, centre - size / 2, centre + size / 2)
        if np.linalg.norm(edge - point) > 2.0:
            leader = drawing.on_ground(np.stack([point, edge]))
            drawing.axes.plot(*leader.T, lw=0.3, color=theme.LIGHT.quiet, zorder=2)
        x, y = drawing.on_ground(centre).tolist()
        drawing.axes.text(
            x, y, name, fontsize=SMALL_PT + 0.5, fontweight="bold", ha="center", va="center", gid="hole name",
            bbox=BACKED, zorder=8,
        )  # fmt: skip
    found = np.isfinite(centres[:, 0])
    boxes = np.hstack([centres - sizes / 2, centres + sizes / 2])[found]
    missing = int((~found).sum())
    return boxes, [f"{missing} hole names left out, for want of room"] if missing else []
