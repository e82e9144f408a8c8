"""Where planes cut drilled holes, and which of those crossings lie within a fault's reach."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown
from desurvey.traces import Traces

__all__ = ["Course", "Crossings", "among", "course_of", "crossings", "nearest", "reach_of"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

STEP = 10.0
"""Metres between the points at which a hole is looked at: an arc of 5°/30 m strays 4 cm from a chord that long."""


@shown
class Course(NamedTuple):
    """All holes as points, those of a hole together and going down.

    Attributes
    ----------
    hole : (p,) int array
        Index of the hole.
    depth : (p,) array
        Metres along it.
    position : (p, 3) array
        Easting, northing, elevation, metres.
    """

    hole: Ints
    depth: Floats
    position: Floats

    @property
    def length(self) -> float:
        """Total length of the holes, metres."""
        inside = np.diff(self.hole) == 0
        return float(np.diff(self.depth)[inside].sum())


@shown
class Crossings(NamedTuple):
    """The first crossing of each hole that a plane cuts.

    Attributes
    ----------
    hole : (c,) int array
        Index of the hole.
    depth : (c,) array
        Metres along the hole.
    place : (c, 2) array
        Coordinates in the plane, metres.
    """

    hole: Ints
    depth: Floats
    place: Floats


def course_of(traces: Traces, which: Bools, beyond: float = 0.0) -> Course:
    """Return the course of holes from collar to end (and ``beyond`` metres further), about every 10 m.

    Parameters
    ----------
    traces : Traces
        All holes.
    which : (H,) bool array
        Those wanted.
    beyond : float
        Metres by which each is prolonged.
    """
    hole = np.flatnonzero(which)
    length = traces.end[hole] + beyond
    intervals = np.maximum(np.ceil(length / STEP).astype(np.int64), 1)
    first = np.cumsum(intervals + 1) - (intervals + 1)
    row = np.arange(int((intervals + 1).sum())) - np.repeat(first, intervals + 1)
    depth = row * np.repeat(length / intervals, intervals + 1)
    hole = np.repeat(hole, intervals + 1)
    return Course(hole, depth, traces.at(hole, depth).position)


def crossings(course: Course, centre: Floats, axes: Floats) -> Crossings:
    """Return where holes first cut the plane through ``centre`` whose axes and normal are the rows of ``axes``."""
    off = (course.position - centre) @ axes[2]
    above = off > 0.0
    row = np.flatnonzero((above[1:] != above[:-1]) & (course.hole[1:] == course.hole[:-1]))
    hole = course.hole[row]
    row = row[np.diff(hole, prepend=-1) != 0]  # the first of each hole, for a hole's points lie together
    share = off[row] / (off[row] - off[row + 1])
    depth = course.depth[row] + share * (course.depth[row + 1] - course.depth[row])
    position = course.position[row] + share[:, None] * (course.position[row + 1] - course.position[row])
    return Crossings(course.hole[row], depth, (position - centre) @ axes[:2].T)


def among(hole: Ints, held: Ints) -> Bools:
    """Return which holes are among some, by a table of all holes: ``np.isin`` sorts."""
    table = np.zeros(max(hole.max(initial=-1), held.max(initial=-1)) + 1, dtype=bool)
    table[held] = True
    return np.asarray(table[hole])


def reach_of(place: Floats, multiple: float) -> float:
    """Return how far beyond its picks a fault is taken to go on, metres.

    Parameters
    ----------
    place : (n, 2) array
        Picks in the plane, one a hole.
    multiple : float
        Of the median distance from a pick to its nearest neighbour.
    """
    if len(place) < 2:
        return 0.0
    gap = np.linalg.norm(place[:, None] - place, axis=2)
    np.fill_diagonal(gap, np.inf)
    return float(multiple * np.median(gap.min(axis=1)))


def nearest(place: Floats, members: Floats) -> Floats:
    """Return the distance of places from the nearest member, metres."""
    if not len(members):
        return np.full(len(place), np.inf)
    return np.asarray(np.linalg.norm(place[:, None] - members, axis=2).min(axis=1))
