"""What a section, a plan or a log can show, as plain arrays: made once from engine results, drawn by any figure."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from desurvey.traces import Traces
from viewer import theme
from viewer.figures.sheet import Title

__all__ = ["Bars", "Content", "Structures", "Surface", "Windows"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Strings = npt.NDArray[np.str_]


@dataclass(frozen=True, slots=True, eq=False)
class Structures:
    """Planes that have an orientation, one a row.

    Attributes
    ----------
    hole : (n,) int array
        Index of the hole in the traces.
    depth : (n,) array
        Metres along the hole.
    position : (n, 3) array
        Easting, northing, elevation, metres.
    dip_deg, dip_direction_deg : (n,) arrays
        Degrees; the dip direction of a horizontal plane is NaN.
    kind : (n,) str array
        Kind of structure.
    suspect : (n,) bool array
        Which are accused by a suspect that stands undecided: drawn as logged, and marked.
    """

    hole: Ints
    depth: Floats
    position: Floats
    dip_deg: Floats
    dip_direction_deg: Floats
    kind: Strings
    suspect: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Bars:
    """Intervals of one column, drawn as coloured bars beside the holes.

    Attributes
    ----------
    name : str
        The column.
    hole : (n,) int array
        Index of the hole in the traces.
    depth_from, depth_to : (n,) arrays
        Metres along the hole.
    value : (n,) array of str or float
        Classes, or values for a continuous colour map.
    """

    name: str
    hole: Ints
    depth_from: Floats
    depth_to: Floats
    value: Strings | Floats


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """A triangulated surface: a fault sheet, a fitted surface, topography.

    Attributes
    ----------
    name : str
        What the legend says.
    vertices : (v, 3) array
        Easting, northing, elevation, metres.
    triangles : (t, 3) int array
        Rows of the corners of each triangle.
    colour : str
        ``#RRGGBB``.
    """

    name: str
    vertices: Floats
    triangles: Ints
    colour: str = theme.CLASS_COLOURS[0]


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """Depth windows in which faults are expected.

    Attributes
    ----------
    fault : (n,) str array
        Identifier of the fault.
    hole : (n,) int array
        Index of the hole in the traces.
    depth_from, depth_to : (n,) arrays
        The 95 % window, metres along the hole.
    """

    fault: Strings
    hole: Ints
    depth_from: Floats
    depth_to: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """Everything that a figure of a project may draw.

    Attributes
    ----------
    traces : Traces
        Desurveyed holes, drilled and planned.
    planned : (H,) bool array
        Which of them are only planned.
    title : Title
        For the title block.
    structures, bars, windows
        What stands along the holes, or None.
    surfaces : tuple of Surface
        Faults and fitted surfaces.
    topography : Surface or None
        The ground.
    absent : tuple of str
        What could not be shown and why, for the notes.
    """

    traces: Traces
    planned: Bools
    title: Title
    structures: Structures | None = None
    bars: Bars | None = None
    windows: Windows | None = None
    surfaces: tuple[Surface, ...] = ()
    topography: Surface | None = None
    absent: tuple[str, ...] = field(default=())
