"""A paper strip to wrap around core for reading beta, in true millimetres, with a ruler to check the print by.

The printed face is outside and the arrows point down the hole. Then beta, clockwise looking down the hole, grows to the
right: with t down the hole and r outwards, the direction of growing beta is t × r (DESIGN.md section 3), and seen from
outside with t up the page that is to the right.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from desurvey.problems import DataProblem
from viewer import theme
from viewer.figures.sheet import BODY_PT, MARGIN, SMALL_PT, Box, figure_of_paper, in_millimetres, style
from viewer.theme import PAPERS

__all__ = ["CORE_SIZES_MM", "circumference", "diameter_of", "draw_strip"]

CORE_SIZES_MM: Final = {"B": 36.5, "N": 47.6, "H": 63.5, "P": 85.0}
"""Core diameters by size. B and P: the scope of ASTM D6032/D6032M-17 (RQD) names 36.5 to 85 mm; N and H: the common
wireline sizes between them (common practice, no source)."""

SMALLEST_MM, LARGEST_MM = 15.0, 86.0
"""Diameters whose strip can be read, and fits an A4 sheet."""

STRIP_MM: Final = 34.0
GAP_MM: Final = 8.0
TAB_MM: Final = 7.0
RULER_MM: Final = 100.0
LONG_MM, SHORT_MM = 8.0, 3.0
"""Lengths of the ticks at every tenth degree and between."""
CLOSEST_MM: Final = 0.5
"""Ticks nearer than this run together in print: thin core has one at every tenth degree only."""
EDGE_PT, FINE_PT = 0.8, 0.25
"""Line widths of the two ends of the scale and of the ruler, and of the ticks between."""


def diameter_of(size: str | None, diameter_mm: float | None) -> float:
    """Return the diameter that a person asks for by size or in millimetres.

    Raises
    ------
    DataProblem
        When neither or both are given, the size is unknown, or the diameter can't be printed.

    Examples
    --------
    >>> diameter_of("n", None)
    47.6
    """
    if (size is None) == (diameter_mm is None):
        raise DataProblem("a strip needs a core size or a diameter", hint="give --size B, N, H or P, or --diameter MM")
    if size is not None and size.upper() not in CORE_SIZES_MM:
        raise DataProblem(
            f"core sizes are {', '.join(CORE_SIZES_MM)}",
            value=size,
            hint="give another core's diameter with --diameter",
        )
    diameter = CORE_SIZES_MM[size.upper()] if size is not None else float(diameter_mm or 0.0)
    if not SMALLEST_MM <= diameter <= LARGEST_MM:
        raise DataProblem(f"the diameter must lie in {SMALLEST_MM:g} to {LARGEST_MM:g} mm", value=diameter)
    return diameter


def circumference(diameter_mm: float) -> float:
    """Return the length of 360° of beta on core of a diameter, millimetres.

    >>> round(circumference(47.6), 2)
    149.54
    """
    return math.pi * diameter_mm


def draw_strip(diameter_mm: float, name: str = "") -> Figure:
    """Return a sheet of strips for one diameter, A4 across.

    Parameters
    ----------
    diameter_mm : float
        Of the core.
    name : str
        Core size, for the heading.
    """
    with style():
        figure = figure_of_paper("A4", "landscape")
        width, height = PAPERS["A4"]
        axes = in_millimetres(figure, Box(0.0, 0.0, width, height))
        length = circumference(diameter_mm)
        top = _draw_heading(axes, diameter_mm, name, height - MARGIN)
        count = int((top - MARGIN - 16.0) // (STRIP_MM + GAP_MM))
        for i in range(count):
            _draw_one(axes, length, (width - length - TAB_MM) / 2, top - (i + 1) * (STRIP_MM + GAP_MM) + GAP_MM, name)
        _draw_ruler(axes, (width - RULER_MM) / 2, MARGIN + 3.0)
    return figure


def _draw_heading(axes: Axes, diameter_mm: float, name: str, top: float) -> float:
    length = circumference(diameter_mm)
    heading = f"Core strip for {f'{name} core, ' if name else ''}diameter {diameter_mm:g} mm"
    axes.text(MARGIN, top, heading, fontsize=BODY_PT + 4, fontweight="bold", va="top")
    facts = (
        f"360° = {length:.2f} mm; 1 mm = {360.0 / length:.2f}°. Print at 100 % (no fitting to the page) and measure "
        "the ruler below.\n"
        "Cut out, wrap with the print outside and the arrows down the hole, and lay 0 on the orientation line: the end "
        "of the scale meets 0 again if the core\nhas this diameter. Read beta where the down-hole end of the ellipse "
        "meets the scale."
    )
    axes.text(MARGIN, top - 6.5, facts, fontsize=SMALL_PT + 1.0, va="top", linespacing=1.35)
    return top - 20.0


def _draw_one(axes: Axes, length: float, left: float, bottom: float, name: str) -> None:
    """Draw one strip with its lower left corner at a place on the sheet."""
    edge, quiet = theme.LIGHT.text, theme.LIGHT.quiet
    axes.add_patch(Rectangle((left, bottom), length + TAB_MM, STRIP_MM, fill=False, lw=0.4, ls=(0, (3, 2)), ec=quiet))
    degrees = np.arange(0, 361, 2 if length / 180.0 >= CLOSEST_MM else 10)  # even steps, so that they can be counted
    x = left + degrees / 360.0 * length
    high = np.where(degrees % 10 == 0, LONG_MM, SHORT_MM)
    top = np.full(len(x), bottom + STRIP_MM)
    ticks = np.stack([np.stack([x, top], axis=1), np.stack([x, top - high], axis=1)], axis=1)
    axes.add_collection(LineCollection(list(ticks[1:-1]), lw=FINE_PT, colors=edge, gid="ticks"), autolim=False)
    ends = [[(end, bottom + STRIP_MM), (end, bottom)] for end in (left, left + length)]
    axes.add_collection(LineCollection(ends, lw=EDGE_PT, colors=edge, gid="ends"), autolim=False)
    size = SMALL_PT if length > 130.0 else SMALL_PT - 0.8
    for degree in range(0, 361, 10):
        aside = 1.1 if degree in (0, 360) else 0.0  # beside the ends, not on them
        axes.text(
            left + degree / 360.0 * length + aside, bottom + STRIP_MM - 8.5, f"{degree}", fontsize=size,
            ha="center", va="top", rotation=90,
        )  # fmt: skip
    _draw_arrows(axes, left, length, bottom)
    words = f"beta, clockwise looking down the hole  ({name + ' core, ' if name else ''}360° = {length:.2f} mm)"
    axes.text(left + length / 2, bottom + 2.0, words, fontsize=SMALL_PT, ha="center", va="bottom", color=quiet)
    axes.text(left + length + TAB_MM / 2, bottom + STRIP_MM / 2, "under 0", fontsize=SMALL_PT, rotation=90, ha="center",
              va="center", color=quiet)  # fmt: skip


def _draw_arrows(axes: Axes, left: float, length: float, bottom: float) -> None:
    """Draw arrows down the hole (up the sheet) along a strip."""
    for share in (1 / 8, 3 / 8, 5 / 8, 7 / 8):
        x, y = left + share * length, bottom + 5.5
        axes.add_patch(Polygon([(x - 1.6, y + 7.0), (x + 1.6, y + 7.0), (x, y + 12.0)], fc=theme.LIGHT.text, ec="none"))
        axes.add_patch(Rectangle((x - 0.4, y), 0.8, 7.2, fc=theme.LIGHT.text, ec="none"))
        axes.text(
            x + 2.4, y + 6.0, "down\nhole", fontsize=SMALL_PT - 0.5, va="center", ha="left", color=theme.LIGHT.quiet
        )


def _draw_ruler(axes: Axes, left: float, bottom: float) -> None:
    """Draw a ruler in millimetres."""
    mark = np.arange(int(RULER_MM) + 1)
    high = np.select([mark % step == 0 for step in (10, 5, 1)], [4.0, 3.0, 2.0])
    ticks = [[(left + m, bottom), (left + m, bottom + h)] for m, h in zip(mark.tolist(), high.tolist(), strict=True)]
    axes.add_collection(LineCollection(ticks, lw=FINE_PT, colors=theme.LIGHT.text, gid="ruler"), autolim=False)
    axes.plot([left, left + RULER_MM], [bottom, bottom], lw=EDGE_PT, color=theme.LIGHT.text, gid="ruler base")
    for m in range(0, int(RULER_MM) + 1, 10):
        axes.text(left + m, bottom + 4.4, f"{m}", fontsize=SMALL_PT, ha="center", va="bottom")
    said = f"{RULER_MM:g} mm:\nmeasure it"
    axes.text(left + RULER_MM + 4.0, bottom + 3.0, said, fontsize=SMALL_PT + 0.5, va="center", ha="left")
