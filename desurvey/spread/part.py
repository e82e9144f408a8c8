"""The uncertainty of one block of whole holes: what the readings do at each station, summed down the holes.

The sources and their model are those of :mod:`desurvey.spread.position`, which cuts the holes into such blocks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey import curvature
from desurvey.shown import shown
from desurvey.spread.jacobian import Response, direction_response, displacement_response
from desurvey.spread.sigmas import INSTRUMENTS, Sigmas
from desurvey.traces import Traces, sums_above

__all__ = ["CARRIED", "PLANNED", "SpreadPart", "matrix", "part_of", "station_errors"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CARRIED = -1
"""Instrument code of a collar station that was not read: its direction is that of the station below."""

PLANNED = len(INSTRUMENTS)
"""Instrument code of the stations of a plan: nothing is read, and what the drill will do is another matter (wander)."""


@shown
class Sums(NamedTuple):
    """What the readings do at each station: all that does not depend on where a point is asked for.

    Vectors lie component by component here, (..., 3, S), and symmetric matrices as their six numbers EE, NN, UU, EN,
    EU, NU. ``frame`` (2, 3, S) holds the unit errors across and in the vertical plane of the hole, ``random`` (2, S)
    and ``bias`` (slots, 2, S) their 1-σ in radians; ``down`` (2, 3, S) what the unit errors of a station do to the
    interval above it. The rest are sums over all stations above: ``variance`` (6, S) of the independent draws,
    ``drift`` (slots, 2, 3, S) of the systematic ones. ``chord`` (3, S) is the mean direction of the interval below.
    """

    frame: Floats
    random: Floats
    bias: Floats
    down: Floats
    variance: Floats
    drift: Floats
    chord: Floats


@shown
@dataclass(frozen=True, slots=True, eq=False)
class SpreadPart:
    """Uncertainty of some whole holes; made by :func:`part_of`. Holes and stations count from the first of the part."""

    traces: Traces
    sigmas: Sigmas
    carried: Bools
    sums: Sums

    def at_stations(self) -> Floats:
        """Return the position covariance (6, S) at all stations: what lies above them, and their own reading."""
        sums, traces = self.sums, self.traces
        total = sums.variance.copy()
        for kind, down in enumerate(sums.down):
            _add(total, sums.random[kind] * down)
            for slot, drift in enumerate(sums.drift[:, kind]):
                _add(total, drift + sums.bias[slot, kind] * down)
        tangent = traces.tangent.T
        own = np.where(traces.depth == 0.0, 0.0, self.sigmas.depth_m)
        _add(total, own * (np.roll(sums.chord, 1, axis=1) - tangent))
        _add(total, own * tangent)
        self._add_collar(total, traces.position.T, traces.station_hole)
        return total

    def at_points(self, hole: Ints, depth: Floats) -> tuple[Floats, Floats]:
        """Return position and direction covariance, (6, n) each, of points in known holes."""
        traces, sums = self.traces, self.sums
        row = traces.station_above(hole, depth)
        last = row == traces.offsets[hole + 1] - 1
        lower = np.where(last, row, row + 1)
        arc = curvature.arcs(_rows(traces.tangent, row), _rows(traces.tangent, lower))
        length = np.where(last, 1.0, traces.depth[lower] - traces.depth[row])
        fraction = (depth - traces.depth[row]) / length

        position, direction = sums.variance[:, row], np.zeros((6, len(row)))
        moves, turns = displacement_response(arc, fraction), direction_response(arc, fraction)
        for kind in range(2):
            upper, under = self._ends(moves, kind, row, lower, last)
            upper, under = sums.down[kind][:, row] + length * upper, length * under
            self._add_readings(position, kind, (upper, under), row, lower)
            for slot, drift in enumerate(sums.drift[:, kind]):
                bias = sums.bias[slot, kind]
                _add(position, drift[:, row] + bias[row] * upper + bias[lower] * under)
            upper, under = self._ends(turns, kind, row, lower, last)
            self._add_readings(direction, kind, (upper, under), row, lower)
            for bias in sums.bias[:, kind]:
                _add(direction, bias[row] * upper + bias[lower] * under)
        self._add_depths(position, arc, fraction, row, last)
        place = _rows(traces.position, row) + curvature.arc_displacement(arc, length, fraction)
        self._add_collar(position, place.T, hole)
        return position, direction

    def _ends(
        self, response: tuple[Response, Response], kind: int, row: Ints, lower: Ints, last: Bools
    ) -> tuple[Floats, Floats]:
        """Return what the unit errors of one kind at the upper and the lower station do, (3, n) each.

        Where both ends share a reading (a collar direction carried up, the straight end of a hole) its whole effect
        is put on the one station that was read.
        """
        frame, carried = self.sums.frame[kind], self.carried[row]
        upper, under = response[0](frame[:, row].T).T, response[1](frame[:, lower].T).T
        both = upper + under
        return np.where(last, both, np.where(carried, 0.0, upper)), np.where(last, 0.0, np.where(carried, both, under))

    def _add_readings(self, total: Floats, kind: int, ends: tuple[Floats, Floats], row: Ints, lower: Ints) -> None:
        """Add the random errors of the two readings around points."""
        _add(total, self.sums.random[kind, row] * ends[0])
        _add(total, self.sums.random[kind, lower] * ends[1])

    def _add_depths(self, total: Floats, arc: curvature.Arcs, fraction: Floats, row: Ints, last: Bools) -> None:
        """Add the errors in the depths of the two stations around points and of the points themselves."""
        tangent = curvature.arc_tangent(arc, fraction).T
        mean = curvature.arc_displacement(arc, np.ones(len(row)), fraction).T
        first = self.traces.depth[row] == 0.0
        into = np.where(last, tangent, mean + (1.0 - fraction) * tangent)
        sigma = self.sigmas.depth_m
        _add(total, np.where(first, 0.0, sigma) * (self.sums.chord[:, row - 1] - into))
        _add(total, np.where(last, 0.0, sigma) * (mean - fraction * tangent))
        _add(total, np.where(first & (fraction == 0.0), 0.0, sigma) * tangent)

    def _add_collar(self, total: Floats, position: Floats, hole: Ints) -> None:
        """Add the errors of the collar and of the scale of the depths."""
        collar = _rows(self.traces.position, self.traces.offsets[hole])
        _add(total, self.sigmas.depth_scale * (position - collar.T))
        for row, sigma in enumerate((self.sigmas.easting_m, self.sigmas.northing_m, self.sigmas.elevation_m)):
            total[row] += sigma**2


def part_of(traces: Traces, sigmas: Sigmas, code: npt.NDArray[np.int8]) -> SpreadPart:
    """Return the uncertainty of some whole holes.

    Parameters
    ----------
    traces : Traces
        Few enough holes for some forty numbers a station.
    sigmas : Sigmas
    code : (S,) int array
        What read each station, or :data:`CARRIED`.
    """
    stations, start = len(traces.depth), traces.offsets[:-1]
    inside = np.ones(stations, dtype=bool)
    inside[traces.offsets[1:] - 1] = False
    carried = np.zeros(stations, dtype=bool)
    carried[start] = (code[start] == CARRIED) & inside[start]
    read = np.where(carried, np.roll(code, -1), np.where(code == CARRIED, len(INSTRUMENTS) - 1, code)).astype(np.int64)
    slot, slots = _slots(traces, read)
    sums = Sums(
        frame=np.empty((2, 3, stations)),
        random=np.empty((2, stations)),
        bias=np.empty((slots, 2, stations)),
        down=np.empty((2, 3, stations)),
        variance=np.empty((6, stations)),
        drift=np.empty((slots, 2, 3, stations)),
        chord=np.empty((3, stations)),
    )
    _set_errors(sums, traces.tangent.T, station_errors(sigmas, read), slot)
    _set_sums(sums, traces, carried, sigmas.depth_m)
    return SpreadPart(traces, sigmas, carried, sums)


def _slots(traces: Traces, code: Ints) -> tuple[Ints, int]:
    """Return the place (S,) of each station's instrument among those of its hole, and the most there are in one.

    Each place has a systematic draw of its own.
    """
    hole = traces.station_hole
    used = np.zeros((len(traces.hole_ids), PLANNED + 1), dtype=np.int64)
    used[hole, code] = 1
    slot = (np.cumsum(used, axis=1) - 1)[hole, code]
    return slot, int(slot.max(initial=0)) + 1


def station_errors(sigmas: Sigmas, code: npt.NDArray[Any]) -> Floats:
    """Return random azimuth and dip, systematic azimuth and dip errors of stations read so (4, S), radians."""
    tools = [getattr(sigmas, name) for name in INSTRUMENTS]
    rows = [[tool.azimuth_deg, tool.dip_deg, tool.azimuth_bias_deg, tool.dip_bias_deg] for tool in tools]
    return np.asarray(np.deg2rad([*rows, [0.0] * 4]).T[:, code])


def _set_errors(sums: Sums, tangent: Floats, table: Floats, slot: Ints) -> None:
    """Fill ``frame``, ``random`` and ``bias``; ``tangent`` is (3, S), ``table`` the errors of each station (4, S)."""
    east, north, up = tangent
    flat = np.sqrt(east**2 + north**2)
    sideways = np.where(flat > 0.0, flat, 1.0)
    sine, cosine = east / sideways, np.where(flat > 0.0, north / sideways, 1.0)  # of the azimuth; 0 on a vertical hole
    across, upward = sums.frame
    across[0], across[1], across[2] = cosine, -sine, 0.0
    upward[0], upward[1], upward[2] = -up * sine, -up * cosine, flat
    sums.random[0] = np.maximum(table[0] * flat, table[1])
    sums.random[1] = table[1]
    for place, bias in enumerate(sums.bias):
        bias[0] = np.where(slot == place, np.maximum(table[2] * flat, table[3]), 0.0)
        bias[1] = np.where(slot == place, table[3], 0.0)


def _set_sums(sums: Sums, traces: Traces, carried: Bools, depth_m: float) -> None:
    """Fill ``down``, ``variance``, ``drift`` and ``chord``."""
    depth, offsets = traces.depth, traces.offsets
    below = np.arange(1, len(depth) + 1)
    below[offsets[1:] - 1] -= 1
    length = depth[below] - depth
    arc = traces.arcs
    upper, lower = displacement_response(arc, np.ones(len(length)))
    sums.chord[:] = curvature.arc_displacement(arc, np.ones(len(length))).T

    bend = depth_m * (np.roll(sums.chord, 1, axis=1) - sums.chord)
    bend[:, offsets[:-1]] = 0.0
    draws = np.zeros((6, len(length)))
    _add(draws, bend)
    collar = np.flatnonzero(carried)
    for kind, frame in enumerate(sums.frame):
        up = length * upper(frame.T).T
        down = np.roll(length * lower(frame[:, below].T).T, 1, axis=1)
        down[:, collar + 1] += up[:, collar]
        up[:, collar] = 0.0
        sums.down[kind] = down
        both = down + up
        _add(draws, sums.random[kind] * both)
        for slot, bias in enumerate(sums.bias[:, kind]):
            sums.drift[slot, kind] = sums_above(bias * both, offsets)
    sums.variance[:] = sums_above(draws, offsets)


def _rows(vectors: Floats, rows: Ints) -> Floats:
    """Return rows of (n, 3) vectors, keeping them component by component in memory."""
    return vectors.T.take(rows, axis=1).T


SIX = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
"""Row and column of the six numbers of a symmetric matrix."""


def _add(total: Floats, vector: Floats) -> None:
    """Add v vᵀ of vectors (3, n) to symmetric matrices (6, n)."""
    for number, (row, column) in enumerate(SIX):
        total[number] += vector[row] * vector[column]


def matrix(six: Floats) -> Floats:
    """Return symmetric matrices (n, 3, 3) from their six numbers (6, n)."""
    out = np.empty((six.shape[1], 3, 3))
    for number, (row, column) in enumerate(SIX):
        out[:, row, column] = out[:, column, row] = six[number]
    return out
