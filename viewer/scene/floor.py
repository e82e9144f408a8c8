"""What the eye holds on to: grid on the floor, elevation axis, labels, north arrow, scale bar, shadows of the holes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyvista as pv

from viewer import theme
from viewer.scene.colouring import rgb
from viewer.scene.frame import LocalFrame
from viewer.scene.holes import segments

__all__ = ["Labels", "axis_labels", "axis_titles", "grid", "north_arrow", "outer_corners", "scale_bar", "shadows"]

Floats = npt.NDArray[np.float64]


class Labels(NamedTuple):
    """Texts at points.

    Attributes
    ----------
    position : (n, 3) array
        Local coordinates.
    text : tuple of n str
    """

    position: Floats
    text: tuple[str, ...]


def grid(frame: LocalFrame) -> pv.PolyData:
    """Return the lines of the floor and of the elevation axis in the north-west corner, with its ticks."""
    east, north, up = (frame.ticks(axis) for axis in range(3))
    low, high, tick = frame.low, frame.high, _tick(frame)
    runs = [([x, low[1], low[2]], [x, high[1], low[2]]) for x in east]
    runs += [([low[0], y, low[2]], [high[0], y, low[2]]) for y in north]
    runs += [([low[0], high[1], low[2]], [low[0], high[1], high[2]])]
    runs += [([low[0] - tick, high[1], z], [low[0], high[1], z]) for z in up]
    return segments(np.array(runs).reshape(-1, 3))


def shadows(frame: LocalFrame, holes: pv.PolyData) -> pv.PolyData:
    """Return lines laid down on the floor, so that the eye sees where they lie on the map."""
    flat = holes.copy(deep=True)
    if flat.n_points:
        flat.points[:, 2] = frame.low[2]
    flat.clear_data()
    return flat


def axis_labels(frame: LocalFrame) -> Labels:
    """Return the coordinates along the south edge, the west edge and the elevation axis, as true values."""
    east, north, up = (frame.ticks(axis) for axis in range(3))
    low, high, off = frame.low, frame.high, 2.2 * _tick(frame)
    places = [(x, low[1] - off, low[2]) for x in east[1:]]
    places += [(low[0] - off, y, low[2]) for y in north[:-1]]
    places += [(low[0] - off, high[1], z) for z in up]
    texts = [_grouped(x + frame.origin[0]) + " E" for x in east[1:]]
    texts += [_grouped(y + frame.origin[1]) + " N" for y in north[:-1]]
    texts += [f"{_grouped(z)} m" for z in up]
    return Labels(np.array(places, dtype=float), tuple(texts))


def axis_titles(frame: LocalFrame) -> Labels:
    """Return the names of the three axes with their unit, outside the labels."""
    low, high, off = frame.low, frame.high, 8.0 * _tick(frame)
    middle = (low + high) / 2
    places = [
        (middle[0] + frame.step / 2, low[1] - off, low[2]),
        (low[0] - off, middle[1] - frame.step / 2, low[2]),
        (low[0], high[1], high[2] + 2.5 * _tick(frame)),
    ]
    return Labels(np.array(places), ("Easting (m)", "Northing (m)", "Elevation (m)"))


def sign_length(frame: LocalFrame) -> float:
    """Return how long north arrow and scale bar are: a grid step, or a smaller round length where that is long."""
    return min(frame.step, theme.nice_step(frame.reach, PARTS_OF_REACH))


PARTS_OF_REACH = 6
"""The scale bar is at most about this part of the diagonal of the box."""


def north_arrow(frame: LocalFrame, look: theme.Look) -> tuple[pv.PolyData, Labels]:
    """Return an arrow lying on the floor east of the grid, pointing to grid north, and its letter."""
    length = sign_length(frame)
    middle = (frame.low[1] + frame.high[1]) / 2
    foot = np.array(
        [frame.high[0] + 0.75 * length, max(middle - length / 2, frame.low[1] + 0.3 * length), frame.low[2]]
    )
    outline = np.array([[0, 0.25], [0.28, 0], [0, 1], [-0.28, 0]], dtype=float) * length
    points = foot + np.column_stack([outline, np.zeros(len(outline))])
    mesh = pv.PolyData(points.astype(np.float32), faces=np.array([3, 0, 1, 2, 3, 0, 2, 3]))
    mesh.cell_data["rgb"] = _two_tones(look)
    return mesh, Labels(foot[None] + [0.0, 1.18 * length, 0.0], ("N",))


def scale_bar(frame: LocalFrame, look: theme.Look) -> tuple[pv.PolyData, Labels]:
    """Return a bar of two fields on the floor, east of its south-east corner, and its labels."""
    length = sign_length(frame)
    start = np.array([frame.high[0] + 0.55 * length, frame.low[1], frame.low[2]])
    edge = np.array([[0, 0], [0.5, 0], [1, 0], [0, 0.05], [0.5, 0.05], [1, 0.05]]) * length
    points = start + np.column_stack([edge, np.zeros(len(edge))])
    mesh = pv.PolyData(points.astype(np.float32), faces=np.array([4, 0, 1, 4, 3, 4, 1, 2, 5, 4]))
    mesh.cell_data["rgb"] = _two_tones(look)
    places = start + np.array([[0.0, -2.2 * _tick(frame), 0.0], [length, -2.2 * _tick(frame), 0.0]])
    return mesh, Labels(places, ("0", f"{_grouped(length)} m"))


def outer_corners(frame: LocalFrame) -> Floats:
    """Return the corners of the box and of the signs beside it, local coordinates, shape (8, 3)."""
    high = frame.high + np.array([1.6 * sign_length(frame), 0.0, 0.0])
    return np.array(
        [[x, y, z] for x in (frame.low[0], high[0]) for y in (frame.low[1], high[1]) for z in (frame.low[2], high[2])]
    )


def _two_tones(look: theme.Look) -> npt.NDArray[np.uint8]:
    """Return a strong and a weak colour for the two halves of a sign."""
    weak = [(one + other) // 2 for one, other in zip(rgb(look.quiet), rgb(look.background), strict=True)]
    return np.array([rgb(look.text), weak], dtype=np.uint8)


def _tick(frame: LocalFrame) -> float:
    """Return the length of a tick in metres."""
    return 0.012 * frame.reach


def _grouped(value: float) -> str:
    """Return a number with thin spaces between thousands, and no decimals that say nothing."""
    text = f"{value + 0.0:,.3f}".rstrip("0").rstrip(".")
    return text.replace(",", "\N{NARROW NO-BREAK SPACE}").replace("-", "\N{MINUS SIGN}")
