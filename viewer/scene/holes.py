"""Holes as geometry: short pieces along the traces, each with one value, so that each can have one colour."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pyvista as pv

from desurvey.ragged import numbered
from desurvey.traces import Traces
from viewer.scene.frame import LocalFrame

__all__ = ["Pieces", "dashes", "lines", "pieces"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PIECE_M = 5.0
"""Length of a piece: at a dogleg of 6° per 30 m the chord leaves the arc by 1 cm."""

PIECES_MOST = 60_000
"""Above this many, pieces grow longer: a picture can't show more."""

DASH_M = 6.0
"""Length of a dash of a planned hole, and of the gap after it."""


class Pieces(NamedTuple):
    """Pieces of holes, in order along each hole.

    Attributes
    ----------
    hole : (n,) int array
        Index of the hole in the traces.
    depth_from, depth_to : (n,) arrays
        Metres along the hole.
    """

    hole: Ints
    depth_from: Floats
    depth_to: Floats

    @property
    def middle(self) -> Floats:
        """Depth half-way along each piece."""
        return (self.depth_from + self.depth_to) / 2

    def where(self, wanted: npt.NDArray[np.bool_]) -> Pieces:
        """Return some of the pieces."""
        return Pieces(self.hole[wanted], self.depth_from[wanted], self.depth_to[wanted])


def pieces(
    traces: Traces, at_hole: npt.ArrayLike = (), at_depth: npt.ArrayLike = (), length: float = PIECE_M
) -> Pieces:
    """Return the holes cut into short pieces.

    Parameters
    ----------
    traces : Traces
        The holes; each is cut from its collar to its end, or to its deepest station where that is deeper.
    at_hole, at_depth : (m,) arrays
        Where holes have to be cut besides (boundaries of intervals): index of the hole, depth. Cuts outside a hole
        are left out.
    length : float
        Longest piece in metres; longer where the pieces would be too many.
    """
    end = np.maximum(traces.end, traces.depth[traces.offsets[1:] - 1]) if len(traces.end) else traces.end
    length = max(length, float(end.sum()) / PIECES_MOST)
    counts = np.maximum(np.ceil(end / length), 1).astype(np.int64) + 1
    hole, number = numbered(counts)
    depth = np.minimum(number * length, end[hole])

    cut_hole, cut_depth = np.asarray(at_hole, dtype=np.int64), np.asarray(at_depth, dtype=float)
    inside = (cut_hole >= 0) & (cut_depth > 0.0)
    inside[inside] &= cut_depth[inside] < end[cut_hole[inside]]
    hole = np.concatenate([hole, cut_hole[inside]])
    depth = np.concatenate([depth, cut_depth[inside]])
    order = np.lexsort((depth, hole))
    hole, depth = hole[order], depth[order]
    same = (hole[1:] == hole[:-1]) & (depth[1:] - depth[:-1] > SHORTEST_M)
    return Pieces(hole[:-1][same], depth[:-1][same], depth[1:][same])


SHORTEST_M = 1e-6
"""Cuts nearer together than this are one cut."""


def dashes(traces: Traces, frame: LocalFrame) -> Pieces:
    """Return every second piece of the holes, for lines that are drawn dashed."""
    even = pieces(traces, length=max(DASH_M, frame.reach / 150))
    first = np.searchsorted(even.hole, even.hole)
    return even.where((np.arange(len(even.hole)) - first) % 2 == 0)


def lines(traces: Traces, frame: LocalFrame, parts: Pieces) -> pv.PolyData:
    """Return pieces as line segments in local coordinates, one cell a piece.

    Cell arrays ``hole``, ``depth_from`` and ``depth_to`` say what a cell is.
    """
    count = len(parts.hole)
    ends = traces.at(np.repeat(parts.hole, 2), np.column_stack([parts.depth_from, parts.depth_to]).ravel())
    mesh = segments(frame.local(ends.position))
    if count:
        mesh.cell_data["hole"] = parts.hole
        mesh.cell_data["depth_from"] = parts.depth_from
        mesh.cell_data["depth_to"] = parts.depth_to
    return mesh


def segments(points: Floats) -> pv.PolyData:
    """Return line segments between points 0 and 1, 2 and 3, and so on; one cell a segment."""
    count = len(points) // 2
    mesh = pv.PolyData()
    if count:
        mesh.points = points.astype(np.float32)
        index = np.arange(2 * count).reshape(-1, 2)
        mesh.lines = np.column_stack([np.full(count, 2), index]).ravel()
    return mesh
