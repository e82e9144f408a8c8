"""Title and legend as flat drawings in the top left corner of a window, in pixels."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import vtkDataArray, vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkRenderingCore import vtkActor2D, vtkCoordinate, vtkPolyDataMapper2D, vtkTextActor, vtkTextProperty
from vtkmodules.vtkRenderingCore import vtkProp as Prop

from viewer import theme
from viewer.scene.colouring import Bar, Block, Entry, rgb

__all__ = ["font", "legend_props", "scale_props", "share"]

FONT_FILE = str(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf")
"""The font that matplotlib brings along."""

FONT_FILE_BOLD = str(Path(mpl.get_data_path()) / "fonts" / "ttf" / "DejaVuSans-Bold.ttf")

VTK_FONT_FILE = 4
"""VTK's code for a font family read from a file (vtkTextProperty.h)."""


class _Corner:
    """Props laid out downwards from the top left corner of the window."""

    def __init__(self, look: theme.Look, text_px: int) -> None:
        self.look, self.em = look, text_px
        self.x, self.y = 1.5 * text_px, -1.5 * text_px
        self.props: list[Prop] = []
        self.corner = vtkCoordinate()
        self.corner.SetCoordinateSystemToNormalizedViewport()
        self.corner.SetValue(0.0, 1.0)

    def text(self, text: str, *, x: float = 0.0, size: float = 1.0, bold: bool = False, colour: str = "") -> None:
        """Write a text with its middle line at the present height."""
        actor = vtkTextActor()
        actor.SetInput(text)
        style = actor.GetTextProperty()
        font(style, bold=bold)
        style.SetFontSize(round(size * self.em))
        style.SetColor(*share(colour or self.look.text))
        style.SetVerticalJustificationToCentered()
        self._place(actor, self.x + x, self.y)

    def patch(self, outline: npt.NDArray[np.float64], colour: str) -> None:
        """Draw a filled outline, in pixels right and up from the present height."""
        self._add_polygons(outline[None], np.array([rgb(colour)], dtype=np.uint8))

    def bar(self, bar: Bar, width: float, height: float) -> None:
        """Draw a colour bar as 128 strips."""
        edge = np.linspace(0.0, width, BAR_STRIPS + 1)
        left, right = edge[:-1], edge[1:]
        zero, high = np.zeros(BAR_STRIPS), np.full(BAR_STRIPS, height)
        strips = np.stack(
            [np.stack(pair, -1) for pair in ((left, zero), (right, zero), (right, high), (left, high))], 1
        )
        colours = mpl.colormaps[bar.cmap]((np.arange(BAR_STRIPS) + 0.5) / BAR_STRIPS, bytes=True)[:, :3]
        self._add_polygons(strips, np.ascontiguousarray(colours))

    def down(self, lines: float) -> None:
        """Go down by a number of lines."""
        self.y -= lines * 1.45 * self.em

    def _add_polygons(self, outlines: npt.NDArray[np.float64], colours: npt.NDArray[np.uint8]) -> None:
        count, corners = outlines.shape[:2]
        flat = np.column_stack([outlines.reshape(-1, 2), np.zeros(count * corners)])
        points, cells, mesh = vtkPoints(), vtkCellArray(), vtkPolyData()
        points.SetData(_vtk_array(flat))
        for first in range(0, count * corners, corners):
            cells.InsertNextCell(corners, list(range(first, first + corners)))
        mesh.SetPoints(points)
        mesh.SetPolys(cells)
        mesh.GetCellData().SetScalars(_vtk_array(colours))
        mapper, actor = vtkPolyDataMapper2D(), vtkActor2D()
        mapper.SetInputData(mesh)
        actor.SetMapper(mapper)
        self._place(actor, self.x, self.y)

    def _place(self, prop: vtkActor2D, x: float, y: float) -> None:
        place = prop.GetPositionCoordinate()
        place.SetCoordinateSystemToViewport()
        place.SetReferenceCoordinate(self.corner)
        place.SetValue(x, y)
        self.props.append(prop)


def _vtk_array(values: npt.NDArray[Any]) -> vtkDataArray:
    array: vtkDataArray = numpy_to_vtk(values, deep=True)  # type: ignore[no-untyped-call]
    return array


BAR_STRIPS = 128
"""Strips of one colour each that a colour bar is made of."""


def legend_props(
    head: tuple[str, str], said: tuple[str, ...], blocks: tuple[Block, ...], look: theme.Look, text_px: int
) -> list[Prop]:
    """Return the title and the legend as VTK props for a renderer.

    Parameters
    ----------
    head : (str, str)
        Name of the project and the line below it.
    said : tuple of str
        What a reader of the picture must not miss, a line each: vertical exaggeration, slab, filters.
    blocks : tuple of Block
        Parts of the legend.
    look : Look
        Colours of text.
    text_px : int
        Height of the text in pixels.
    """
    corner = _Corner(look, text_px)
    corner.text(head[0], size=1.7, bold=True)
    corner.down(1.25)
    corner.text(head[1], colour=look.quiet)
    for line in said:
        corner.down(1.0)
        corner.text(line, bold=True, colour=look.accent)
    corner.down(0.6)
    for block in blocks:
        _write(corner, block)
    return corner.props


def scale_props(
    metres_per_pixel: float, said: str, place: tuple[float, float], look: theme.Look, text_px: int
) -> list[Prop]:
    """Return a bar of a round length for a picture with parallel sight, as VTK props.

    Parameters
    ----------
    metres_per_pixel : float
        Length across the picture.
    said : str
        What follows the length: empty, or that it holds across only.
    place : (float, float)
        Right end of the bar and its foot, pixels from the top left corner, downwards.
    look, text_px
        Colours, and height of the text in pixels.
    """
    corner = _Corner(look, text_px)
    most = SCALE_BAR_EMS * text_px * metres_per_pixel
    ten = 10.0 ** np.floor(np.log10(most))
    length = float(max(step for step in (1.0, 2.0, 5.0) if step * ten <= most) * ten)
    width, high = length / metres_per_pixel, 0.45 * text_px
    name = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    corner.x, corner.y = place[0] - width, -place[1]
    outer = np.array([[0, high], [0, 0], [width, 0], [width, high]])
    inner = np.array([[width - 0.15 * text_px, high], [width - 0.15 * text_px, 0.2 * text_px]])
    inner = np.vstack([inner, [0.15 * text_px, 0.2 * text_px], [0.15 * text_px, high]])
    corner.patch(np.vstack([outer, inner]), look.text)
    corner.y += 1.1 * text_px
    corner.text(f"{name}{said}", bold=True)
    return corner.props


SCALE_BAR_EMS = 16.0
"""Longest scale bar, in heights of the text."""


def _write(corner: _Corner, block: Block) -> None:
    corner.down(1.0)
    if block.title:
        corner.text(block.title, bold=True)
        corner.down(1.0)
    if block.bar:
        _write_bar(corner, block.bar)
    for entry in block.entries:
        corner.patch(_outline(block.symbol, corner.em), entry.colour)
        _write_entry(corner, entry)
        corner.down(1.0)


def _write_entry(corner: _Corner, entry: Entry) -> None:
    count = "" if entry.count is None else f"  ({entry.count:,})".replace(",", "\N{NARROW NO-BREAK SPACE}")
    corner.text(entry.label + count, x=2.2 * corner.em)


def _write_bar(corner: _Corner, bar: Bar) -> None:
    width, height = 12.0 * corner.em, 0.8 * corner.em
    corner.bar(bar, width, height)
    corner.down(0.75)
    for tick in bar.ticks:
        share = (tick - bar.low) / (bar.high - bar.low)
        corner.text(f"{tick:g}".replace("-", "\N{MINUS SIGN}"), x=share * width - 0.3 * corner.em, size=0.9)
    corner.down(1.0)


def _outline(symbol: str, em: float) -> npt.NDArray[np.float64]:
    """Return the outline of the symbol beside an entry, in pixels: a disc, a sheet, a length of hole or two dashes."""
    if symbol == "disc":
        angle = 2 * np.pi * np.arange(20) / 20
        return np.column_stack([0.8 + 0.6 * np.cos(angle), 0.42 * np.sin(angle)]) * em
    high = {"sheet": 0.42, "tube": 0.22}.get(symbol, 0.1)
    if symbol in ("sheet", "tube"):
        return np.array([[0, -high], [1.6, -high], [1.6, high], [0, high]]) * em
    gap = [[0, -high], [0.65, -high], [0.65, 0], [0.95, 0], [0.95, -high], [1.6, -high]]
    return np.array([*gap, [1.6, high], [0.95, high], [0.95, 0], [0.65, 0], [0.65, high], [0, high]]) * em


def font(style: vtkTextProperty, *, bold: bool = False) -> None:
    """Set the font of a VTK text."""
    style.SetFontFamily(VTK_FONT_FILE)
    style.SetFontFile(FONT_FILE_BOLD if bold else FONT_FILE)


def share(colour: str) -> tuple[float, float, float]:
    """Return a ``#RRGGBB`` colour as three numbers from 0 to 1."""
    red, green, blue = rgb(colour)
    return red / 255, green / 255, blue / 255
