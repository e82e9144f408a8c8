"""What stands in the side column of a sheet: legend, notes, scale bar, north. All lengths in millimetres."""

from __future__ import annotations

import math
from collections.abc import Iterable

from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Polygon, Rectangle

from viewer import theme
from viewer.figures.sheet import BODY_PT, POINT_MM, SIDE_WIDTH, SMALL_PT, lines_down, wrapped

LEAST_MM = 14.0
"""What a legend leaves at the foot of the column: notes must find some room."""

__all__ = ["draw_key", "draw_north", "draw_notes", "draw_scale_bar"]


def draw_key(side: Axes, top: float, entries: Iterable[tuple[Line2D | Patch, str]]) -> float:
    """Draw the legend into the side column below ``top`` (millimetres) and return where it ends."""
    side.text(0.0, top, "Legend", fontsize=BODY_PT, fontweight="bold", va="top")
    top -= 4.5
    shown = list(entries)
    for i, (mark, text) in enumerate(shown):
        if top < LEAST_MM:
            side.text(10.0, top, f"… and {len(shown) - i} more", fontsize=SMALL_PT + 0.5, va="top")
            return top - 4.0
        lines = wrapped(text, SIDE_WIDTH - 11.0, SMALL_PT + 0.5)
        _mark(side, mark, top - 1.3)
        lines_down(side, 10.0, top, [(line, SMALL_PT + 0.5, "normal") for line in lines])
        top -= max(len(lines) * (SMALL_PT + 0.5) * POINT_MM * 1.3, 3.2) + 0.5
    return top - 1.5


def _mark(side: Axes, mark: Line2D | Patch, middle: float) -> None:
    """Put a legend mark, made by the caller, at its place in the column."""
    if isinstance(mark, Patch):
        swatch = Rectangle((0.0, middle - 1.2), 8.0, 2.4)
        swatch.update_from(mark)
        swatch.set_transform(side.transData)  # update_from takes the other's transform along
        side.add_patch(swatch)
        return
    points = [0.0, 4.0, 8.0] if mark.get_marker() in ("None", "", None) else [4.0]
    if mark.get_linestyle() not in ("None", ""):
        points = [0.0, 4.0, 8.0]
    line = Line2D(points, [middle] * len(points))
    line.update_from(mark)
    line.set_transform(side.transData)
    line.set_clip_path(None)
    line.set_gid("legend")  # update_from takes the other's transform, clipping and mark along
    line.set_markevery([len(points) // 2])
    side.add_line(line)


def draw_notes(side: Axes, top: float, notes: Iterable[str], heading: str = "Notes") -> float:
    """Write notes into the side column below ``top`` and return where they end."""
    lines = [line for note in notes for line in wrapped("· " + note, SIDE_WIDTH - 1.0, SMALL_PT + 0.3)]
    if not lines:
        return top
    room = max(int((top - 4.2) / ((SMALL_PT + 0.3) * POINT_MM * 1.3)), 1)
    if len(lines) > room:
        lines = [*lines[: room - 1], "…"]
    side.text(0.0, top, heading, fontsize=BODY_PT, fontweight="bold", va="top")
    lines_down(side, 0.0, top - 4.2, [(line, SMALL_PT + 0.3, "normal") for line in lines])
    return top - 4.2 - len(lines) * (SMALL_PT + 0.3) * POINT_MM * 1.3 - 2.0


def draw_scale_bar(side: Axes, top: float, scale: float, name: str = "Scale") -> float:
    """Draw a scale bar of round length for a drawing at 1:``scale`` and return where it ends."""
    longest = (SIDE_WIDTH - 14.0) * scale / 1000.0
    step = theme.nice_step(longest, parts=4)
    count = int(longest / step)
    part = step * 1000.0 / scale
    side.text(0.0, top, f"{name} 1:{scale:,.0f}".replace(",", " "), fontsize=BODY_PT, fontweight="bold", va="top")
    base = top - 9.5
    for i in range(count):
        face = theme.LIGHT.text if i % 2 == 0 else theme.LIGHT.background
        side.add_patch(Rectangle((2.0 + i * part, base), part, 1.6, fc=face, ec=theme.LIGHT.text, lw=0.5))
    for i in range(count + 1):
        text = f"{i * step:g}" + (" m" if i == count else "")
        side.text(2.0 + i * part, base + 2.2, text, fontsize=SMALL_PT, ha="center", va="bottom")
    return base - 3.5


def draw_north(axes: Axes, centre: tuple[float, float], radius: float, bearing_up_deg: float = 0.0) -> None:
    """Draw a north arrow in axes of equal scale, for a drawing whose top edge looks along a bearing."""
    turn = math.radians(-bearing_up_deg)
    along = (math.sin(turn), math.cos(turn))
    across = (along[1], -along[0])

    def at(up: float, right: float) -> tuple[float, float]:
        return (
            centre[0] + radius * (up * along[0] + right * across[0]),
            centre[1] + radius * (up * along[1] + right * across[1]),
        )

    for side, face in ((1.0, theme.LIGHT.background), (-1.0, theme.LIGHT.text)):
        points = [at(0.75, 0.0), at(-0.75, 0.32 * side), at(-0.45, 0.0)]
        axes.add_patch(Polygon(points, closed=True, fc=face, ec=theme.LIGHT.text, lw=0.6, zorder=6))
    axes.text(*at(1.05, 0.0), "N", fontsize=BODY_PT + 1, fontweight="bold", ha="center", va="center", zorder=6)
