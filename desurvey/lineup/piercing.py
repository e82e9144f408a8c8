"""Where holes meet a fault: the exact depth on the arc, how well it is known, and at what angle."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import elementwise

from desurvey.lineup.crossings import Course
from desurvey.lineup.sheet import Sheet
from desurvey.shown import shown
from desurvey.traces import Traces

if TYPE_CHECKING:
    from desurvey.spread import HoleSpread

__all__ = ["Z95", "Pierced", "brackets", "pierced", "slopes_to_normal"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

Z95 = 1.959963984540054
"""Standard deviations either side of the mean that hold 95 % of a normal distribution."""

TOLERANCE = 1e-9
"""Metres to which the depth of a pierce point is found."""

BLOCK = 4096
"""Places at which a surface is evaluated at once, which bounds the memory."""


@shown
class Pierced(NamedTuple):
    """Pierce points, one row each.

    Attributes
    ----------
    hole : (c,) int array
        Index of the hole.
    depth, sigma : (c,) arrays
        Depth along the hole and its standard deviation, metres.
    angle : (c,) array
        Angle between hole and surface, degrees: 90 is square.
    position : (c, 3) array
        Easting, northing, elevation, metres.
    place : (c, 2) array
        In the sheet's frame.
    """

    hole: Ints
    depth: Floats
    sigma: Floats
    angle: Floats
    position: Floats
    place: Floats


def brackets(sheet: Sheet, course: Course) -> tuple[Ints, Floats, Floats]:
    """Return the hole, upper and lower depth of each hole's crossing nearest the sheet's centre."""
    offset, place = _offset(sheet, course.position)
    above = offset > 0.0
    row = np.flatnonzero((above[1:] != above[:-1]) & (course.hole[1:] == course.hole[:-1]))
    order = np.lexsort([np.linalg.norm(place[row], axis=1), course.hole[row]])
    row = row[order]
    _, first = np.unique(course.hole[row], return_index=True)
    row = row[first]
    return course.hole[row], course.depth[row], course.depth[row + 1]


def pierced(sheet: Sheet, course: Course, traces: Traces, spread: HoleSpread) -> Pierced:
    """Return where holes meet a fault.

    Parameters
    ----------
    sheet : Sheet
        The fault.
    course : Course
        The holes to look at, as far down as to look.
    traces : Traces
        Their exact arcs.
    spread : HoleSpread
        Position covariances along them.

    Notes
    -----
    The crossing is bracketed on the course and found on the exact arcs, all holes at once, by Chandrupatla's method
    (1997). Its depth is known to √(σ² of the surface + σ² of the hole's position along the normal) / sin(pierce angle).
    """
    hole, upper, lower = brackets(sheet, course)

    def off(depth: Floats, hole: Ints) -> Floats:
        return _offset(sheet, traces.at(hole, depth).position)[0]

    found = elementwise.find_root(off, (upper, lower), args=(hole,), tolerances={"xatol": TOLERANCE})
    depth = np.asarray(found.x, dtype=float)
    points = traces.at(hole, depth)
    _, place = _offset(sheet, points.position)
    surface, covariance = sheet.surface(place)
    normal = slopes_to_normal(surface[:, 1:], sheet.axes)
    sine = np.abs(np.einsum("ci,ci->c", normal, points.tangent))
    wander = spread.wandered(hole, depth).position
    known = sheet.habit.position_scale**2 * (spread.at(hole, depth).position - wander) + wander
    variance = covariance[:, 0, 0] * (normal @ sheet.axes[2]) ** 2 + sheet.habit.depth**2
    variance += np.einsum("ci,cij,cj->c", normal, known, normal)
    sigma = np.sqrt(variance) / np.maximum(sine, 0.02)
    return Pierced(hole, depth, sigma, np.rad2deg(np.arcsin(np.clip(sine, 0, 1))), points.position, place)


def slopes_to_normal(slopes: Floats, axes: Floats) -> Floats:
    """Return unit normals of surfaces with slopes (m, 2) in a frame."""
    normal = np.column_stack([-slopes, np.ones(len(slopes))]) @ axes
    return np.asarray(normal / np.linalg.norm(normal, axis=1, keepdims=True))


def _offset(sheet: Sheet, position: Floats) -> tuple[Floats, Floats]:
    """Return the distance of positions from the surface along the frame's normal, and their places in the frame."""
    local = (position - sheet.centre) @ sheet.axes.T
    level = [sheet.level(local[i : i + BLOCK, :2]) for i in range(0, len(local), BLOCK)]
    return local[:, 2] - np.concatenate([*level, np.zeros(0)]), local[:, :2]
