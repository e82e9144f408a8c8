"""Kernels of the desurvey: directions at stations → displacements between them.

All functions take whole arrays of intervals and know nothing of holes. Vectors are (E, N, U), one a row, laid out
column by column in memory (numpy runs over such arrays some three times as fast). Azimuth is clockwise from grid north
and dip is negative down, both in radians here. An interval runs from an upper station with unit tangent ``upper`` to a
lower station with unit tangent ``lower``, ``length`` metres further along the hole.

Minimum curvature is written through the two orthogonal unit vectors of an interval, ``middle`` ∥ upper + lower and
``across`` ∥ lower − upper. The tangent at a fraction u of the length is::

    t(u) = cos ψ · middle + sin ψ · across          ψ = (u − ½) · dogleg

and the chord from the upper station to that point is parallel to the tangent at half its arc::

    r(u) = u · length · sinc(u · dogleg / 2) · t(u / 2)

No term divides by the dogleg or by its sine, so a straight hole needs no special case and no threshold.

References
----------
Taylor & Mason (1972), SPE 3362; Zaremba (1973), SPE 3664: the method (the same arcs, in the ratio-factor form).
Craig & Randall (1976), Petroleum Engineer International, March: the methods compared.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.problems import DataProblem
from desurvey.shown import shown

__all__ = [
    "Arcs",
    "Method",
    "angles",
    "arc_displacement",
    "arc_tangent",
    "arcs",
    "chord",
    "displacement",
    "high_side",
    "sinc",
    "tangent",
]

Floats = npt.NDArray[np.float64]
Method = Literal["minimum_curvature", "tangential", "balanced_tangential", "average_angle", "radius_of_curvature"]


@shown
class Arcs(NamedTuple):
    """Circular arcs, one an interval.

    Attributes
    ----------
    dogleg : (n,) array
        Angle between the end tangents, radians, 0 to just under π.
    middle, across : (n, 3) arrays
        Orthogonal unit vectors of the plane of the arc: along the tangent half-way, and towards the lower tangent.
        ``across`` is zero where the dogleg is.
    """

    dogleg: Floats
    middle: Floats
    across: Floats


def tangent(azimuth: npt.ArrayLike, dip: npt.ArrayLike, out: Floats | None = None) -> Floats:
    """Return the down-hole unit tangent (E, N, U), shape (..., 3).

    Parameters
    ----------
    azimuth, dip : array_like
        Radians; azimuth clockwise from grid north, dip negative down.
    out : (3, ...) array, optional
        Where to put them, component by component.

    Examples
    --------
    >>> tangent(np.pi / 2, 0.0).round(6) + 0.0
    array([1., 0., 0.])
    """
    azimuth, dip = np.broadcast_arrays(azimuth, dip)
    out = np.empty((3, *azimuth.shape)) if out is None else out
    flat = np.cos(dip)
    np.multiply(flat, np.sin(azimuth), out=out[0, ...])
    np.multiply(flat, np.cos(azimuth), out=out[1, ...])
    np.sin(dip, out=out[2, ...])
    return np.moveaxis(out, 0, -1)


def angles(direction: Floats) -> tuple[Floats, Floats]:
    """Return azimuth in [0, 2π) and dip (negative down) of directions, radians.

    The inverse of :func:`tangent`. On a vertical direction the azimuth carries no information; it is whatever the
    rounding residue of the horizontal part says, which for a surveyed station is the surveyed azimuth.
    """
    east, north, up = direction[..., 0], direction[..., 1], direction[..., 2]
    azimuth = np.arctan2(east, north) % (2 * np.pi)
    azimuth = np.where(azimuth >= 2 * np.pi, 0.0, azimuth)  # a tiny negative angle rounds up to the full circle
    return azimuth, np.arctan2(up, np.hypot(east, north))


def high_side(direction: Floats) -> Floats:
    """Return the unit vector square to the hole that points most nearly up, shape (..., 3).

    It is h = (−sin d sin A, −sin d cos A, cos d) of a hole with azimuth A and dip d, and NaN on a vertical hole, where
    it is undefined. The low side is its opposite.

    Examples
    --------
    >>> high_side(np.array([1.0, 0.0, 0.0])) + 0.0
    array([0., 0., 1.])
    """
    flat = np.sqrt(direction[..., 0] ** 2 + direction[..., 1] ** 2)
    flat = np.where(flat > VERTICAL, flat, np.nan)
    out = np.empty_like(direction)
    out[..., :2] = direction[..., :2] * (-direction[..., 2] / flat)[..., None]
    out[..., 2] = flat
    return out


VERTICAL = 1e-12
"""Horizontal part of a unit tangent below which a hole is vertical to the last digits of float64."""


def arcs(upper: Floats, lower: Floats) -> Arcs:
    """Return the circular arcs that join pairs of unit tangents.

    Parameters
    ----------
    upper, lower : (n, 3) arrays
        Unit tangents at the two ends of each interval.

    Raises
    ------
    DataProblem
        When a pair is exactly opposed: then no plane, and so no arc, is defined.

    Notes
    -----
    The dogleg is 2 atan2(|lower − upper|, |lower + upper|): exact to the last digits from 0 to just under 180°, where
    the arccosine of the dot product loses half of them at both ends.
    """
    total, change = lower + upper, lower - upper
    sum_length, change_length = _length(total), _length(change)
    _refuse_opposite(sum_length)
    dogleg = 2.0 * np.arctan2(change_length, sum_length)
    total /= sum_length[:, None]
    change /= np.where(change_length > 0.0, change_length, 1.0)[:, None]
    return Arcs(dogleg, total, change)


def arc_tangent(arc: Arcs, fraction: Floats) -> Floats:
    """Return the unit tangent at a fraction (0 upper end, 1 lower end) of each arc, shape (n, 3)."""
    angle = (fraction - 0.5) * arc.dogleg
    return np.cos(angle)[:, None] * arc.middle + np.sin(angle)[:, None] * arc.across


def arc_displacement(arc: Arcs, length: Floats, fraction: Floats | float = 1.0) -> Floats:
    """Return the displacement from the upper end to a fraction of each arc, metres, shape (n, 3).

    Parameters
    ----------
    arc : Arcs
        The arcs.
    length : (n,) array
        Length along the hole, metres.
    fraction : (n,) array or float
        0 at the upper end, 1 at the lower end.

    Examples
    --------
    >>> quarter = arcs(np.array([[0.0, 0, -1]]), np.array([[1.0, 0, 0]]))   # a 90° build, radius 100 m
    >>> arc_displacement(quarter, np.array([50 * np.pi])).round(9)
    array([[ 100.,    0., -100.]])
    """
    covered = np.broadcast_to(np.asarray(fraction, dtype=float), length.shape)
    chord = covered * length * sinc(covered * arc.dogleg / 2)
    return chord[:, None] * arc_tangent(arc, covered / 2)


def chord(upper: Floats, lower: Floats, length: Floats) -> Floats:
    """Return the displacement over each whole arc, metres, shape (n, 3), straight from the end tangents.

    The same as ``arc_displacement(arcs(upper, lower), length)`` without the parts that only points inside an arc need:
    length · sin(d/2) / (d/2) along ``upper + lower``.
    """
    total, change = lower + upper, lower - upper
    sum_length, change_length = _length(total), _length(change)
    _refuse_opposite(sum_length)
    dogleg = 2.0 * np.arctan2(change_length, sum_length)
    shortened = (change_length + NOTHING) / ((dogleg + NOTHING) * sum_length)
    total *= (length * shortened)[:, None]
    return total


def sinc(angle: Floats) -> Floats:
    """Return sin x / x of angles in radians, not negative; 1 at 0.

    More than twice as fast as ``np.sinc``, which looks for zeros and multiplies by π.
    """
    sine = np.sin(angle)
    sine += NOTHING
    sine /= angle + NOTHING
    return sine


NOTHING = 1e-300
"""Added above and below a quotient that is 1 where both are 0; it changes no other float64."""


def displacement(
    azimuth: tuple[Floats, Floats],
    dip: tuple[Floats, Floats],
    length: Floats,
    method: Method = "minimum_curvature",
) -> Floats:
    """Return the displacement over each interval by a named method, metres, shape (n, 3).

    Parameters
    ----------
    azimuth, dip : pairs of (n,) arrays
        (upper, lower) angles in radians, dip negative down.
    length : (n,) array
        Length along the hole, metres.
    method : str
        ``minimum_curvature`` is the one the program uses. The others are for comparison only.

    Notes
    -----
    *tangential*: the lower direction holds over the whole interval. *balanced tangential*: half the interval each.
    *average angle*: the direction of the mean angles. *radius of curvature*: the dip changes evenly along the
    hole and the azimuth evenly along its plan, a curve on a vertical cylinder.
    """
    if method == "minimum_curvature":
        return chord(tangent(azimuth[0], dip[0]), tangent(azimuth[1], dip[1]), length)
    if method == "tangential":
        return length[:, None] * tangent(azimuth[1], dip[1])
    if method == "balanced_tangential":
        return length[:, None] * (tangent(azimuth[0], dip[0]) + tangent(azimuth[1], dip[1])) / 2
    half_turn = _turn(azimuth[0], azimuth[1]) / 2
    middle_azimuth, middle_dip = azimuth[0] + half_turn, (dip[0] + dip[1]) / 2
    if method == "average_angle":
        return length[:, None] * tangent(middle_azimuth, middle_dip)
    mean = tangent(middle_azimuth, middle_dip) * np.sinc((dip[1] - dip[0]) / (2 * np.pi))[:, None]
    mean[:, :2] *= np.sinc(half_turn / np.pi)[:, None]
    return length[:, None] * mean


def _turn(upper: Floats, lower: Floats) -> Floats:
    """Return the signed turn from one azimuth to another the short way round, in [−π, π)."""
    turn: Floats = (lower - upper + np.pi) % (2 * np.pi) - np.pi
    return turn


def _refuse_opposite(sum_length: Floats) -> None:
    if np.any(sum_length < 4 * np.finfo(float).eps):
        raise DataProblem("two neighbouring stations point in exactly opposite directions, so no arc joins them")


def _length(vectors: Floats) -> Floats:
    square = vectors * vectors
    total = square[:, 0]
    total += square[:, 1]
    total += square[:, 2]
    return np.sqrt(total, out=total)
