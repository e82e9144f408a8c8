"""A drawing at a true, round scale: metres on the ground to millimetres on the paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from desurvey.problems import DataProblem
from viewer import theme
from viewer.figures.sheet import SMALL_PT, Box, PaperSheet, axes_at, round_scale

__all__ = [
    "BACKED",
    "POINT_STEP",
    "Drawing",
    "grid_values",
    "grouped",
    "mark_suspects",
    "name_axis",
    "start_drawing",
]

Floats = npt.NDArray[np.float64]

ROOM = Box(15.0, 11.0, 17.0, 16.0)
"""Room for tick labels and headings: left, below, and of width and height in all, millimetres."""


BACKED: Final = {"boxstyle": "square,pad=0.05", "fc": theme.LIGHT.background, "ec": "none", "alpha": 0.75}
"""The patch behind text that may stand on lines. (An outline would turn the text into shapes no one can search.)"""

POINT_STEP = 0.5e-3
"""Points along a hole stand half a millimetre apart on the paper: this times the scale, in metres."""

SPARE_MM = 22.0
"""Ground kept in sight above and below a drawing that is flatter than the sheet."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """Axes whose data coordinates are metres, at a true scale.

    Attributes
    ----------
    axes : Axes
        The drawing.
    scale : float
        1:scale, across the sheet.
    exaggeration : float
        How many times larger the scale is up the sheet.
    low, high : (2,) arrays
        Corners in metres.
    """

    axes: Axes
    scale: float
    exaggeration: float
    low: Floats
    high: Floats

    @property
    def metres_per_mm(self) -> Floats:
        """Metres to the millimetre across and up the sheet, shape (2,)."""
        return np.array([1.0, 1.0 / self.exaggeration]) * self.scale / 1000.0

    def on_paper(self, points: Floats) -> Floats:
        """Return millimetres from the drawing's lower left corner of points in metres, shape (..., 2)."""
        return (points - self.low) / self.metres_per_mm

    def on_ground(self, millimetres: Floats) -> Floats:
        """Return metres of points in millimetres from the drawing's lower left corner, shape (..., 2)."""
        return millimetres * self.metres_per_mm + self.low

    @property
    def size(self) -> Floats:
        """Width and height in millimetres, shape (2,)."""
        return self.on_paper(self.high)


def start_drawing(
    sheet: PaperSheet,
    low: Floats,
    high: Floats,
    *,
    exaggeration: float = 1.0,
    scale: float | None = None,
    above: float = 0.0,
) -> Drawing:
    """Return a drawing of a part of the ground in the middle of a sheet's frame.

    Parameters
    ----------
    sheet : Sheet
        Where it goes.
    low, high : (2,) arrays
        Corners of what must be seen, metres.
    exaggeration : float
        Vertical exaggeration.
    scale : float, optional
        1:scale; the largest round scale at which everything fits when it is left out.
    above : float
        Millimetres at the top to keep free for names.

    Raises
    ------
    DataProblem
        When the exaggeration or the scale isn't a number above 0.
    """
    if not (np.isfinite(exaggeration) and exaggeration > 0):
        raise DataProblem("the vertical exaggeration must be more than 0", value=exaggeration)
    if scale is not None and not (np.isfinite(scale) and scale > 0):
        raise DataProblem("the scale must be more than 0 (500 for 1:500)", value=scale)
    paper = np.array([sheet.frame.width - ROOM.width, sheet.frame.height - ROOM.height])
    room = np.maximum(high - low, 1e-3) * np.array([1.0, exaggeration])
    scale = scale or max(round_scale(room[0], paper[0] - 6.0), round_scale(room[1], paper[1] - above - 6.0))
    metres_per_mm = np.array([1.0, 1.0 / exaggeration]) * scale / 1000.0
    spare = sheet.frame.height - ROOM.height
    paper[1] = min(paper[1], (high[1] - low[1]) / metres_per_mm[1] + above + 2 * SPARE_MM)
    spare -= paper[1]
    middle = (low + high) / 2 + np.array([0.0, above / 2]) * metres_per_mm
    low, high = middle - paper / 2 * metres_per_mm, middle + paper / 2 * metres_per_mm
    box = Box(
        sheet.frame.left + ROOM.left, sheet.frame.bottom + ROOM.bottom + float(spare), float(paper[0]), float(paper[1])
    )
    axes = axes_at(sheet.figure, box, label="drawing")
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_autoscale_on(False)
    return Drawing(axes, float(scale), float(exaggeration), low, high)


def grid_values(low: float, high: float, step: float) -> Floats:
    """Return the multiples of a step from ``low`` to ``high``."""
    return np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step + 0.0  # no minus zero


def grouped(value: float) -> str:
    """Return a coordinate with its thousands set apart.

    >>> grouped(6512340.0)
    '6 512 340'
    """
    return f"{value:,.10g}".replace(",", " ")


def mark_suspects(drawing: Drawing, middle: Floats) -> list[tuple[Line2D, str]]:
    """Ring the places (n, 2), millimetres on the paper, of structures that a suspect accuses; return the legend."""
    if not len(middle):
        return []
    rings = Line2D(
        *drawing.on_ground(middle).T, ls="", marker="o", ms=7.0, mfc="none", mec=theme.SUSPECT, mew=0.8, zorder=6,
        gid="suspects",
    )  # fmt: skip
    drawing.axes.add_line(rings)
    return [(rings, f"suspect, drawn as logged: {len(middle)}")]


def name_axis(axes: Axes, text: str, side: str) -> None:
    """Write what the numbers along a side are."""
    place = {"left": (-12.6, 0.5), "bottom": (0.5, -7.6), "top": (0.5, 7.0)}[side]
    box = axes.get_position()
    width, height = axes.figure.get_size_inches() * 25.4  # type: ignore[union-attr]
    x = place[0] / (box.width * width) if side == "left" else place[0]
    y = place[1] if side == "left" else (place[1] / (box.height * height) + (1.0 if side == "top" else 0.0))
    axes.text(
        x, y, text, transform=axes.transAxes, fontsize=SMALL_PT + 0.5, ha="center", va="center",
        rotation=90 if side == "left" else 0, color=theme.LIGHT.quiet,
    )  # fmt: skip
