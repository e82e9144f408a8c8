"""How well the position and direction of any point along any hole are known.

Linear propagation of the survey's errors through the exact derivative of minimum curvature
(:mod:`desurvey.spread.jacobian`). The sources, each independent of the others:

* *random* azimuth and dip errors, one draw a station;
* *systematic* azimuth and dip errors, one draw a hole and instrument, which add up along the hole as vectors;
* the depth of each survey station (it shifts where the hole bends) and the depth at which the point itself was logged;
* the *scale* of the depths, one draw a hole: it stretches the hole from its collar;
* the collar, one draw a hole.

A direction error is a small vector square to the hole: σ_A cos d across it, along (cos A, −sin A, 0), and σ_d in its
vertical plane. The first never falls below the second. Both come from the same sensors, and only so does a vertical
hole, whose azimuth means nothing, get the same error on all sides.

Each source is a running sum of three or six numbers a station, restarted at each collar: no hole is done by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey import curvature
from desurvey.spread.jacobian import Response, direction_response, displacement_response
from desurvey.spread.sigmas import INSTRUMENTS, Sigmas
from desurvey.traces import Traces

__all__ = ["HoleSpread", "PointSpread", "hole_spread"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

CARRIED = -1
"""Instrument code of a collar station that was not read: its direction is that of the station below."""


class PointSpread(NamedTuple):
    """Covariances of points along holes.

    Attributes
    ----------
    position : (n, 3, 3) array
        Of easting, northing, elevation, m². NaN where the hole is unknown or the depth is negative.
    direction : (n, 3, 3) array
        Of the unit tangent, rad²; its null direction is the tangent itself. From the survey's angles only: what a
        depth error adds on a curve, dogleg severity times σ of the depth, is 0.01° at 3° in 30 m and 0.1 m.
    """

    position: Floats
    direction: Floats


class _Sums(NamedTuple):
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


@dataclass(frozen=True, slots=True, eq=False)
class HoleSpread:
    """Uncertainty of all holes of a :class:`desurvey.traces.Traces`; made by :func:`hole_spread`."""

    traces: Traces
    sigmas: Sigmas
    _carried: Bools
    _sums: _Sums

    def stations(self) -> Floats:
        """Return the position covariance at every station, m², shape (S, 3, 3)."""
        out = np.empty((len(self.traces.depth), 3, 3))
        hole = self.traces.station_hole
        for start in range(0, len(out), BLOCK):
            rows = np.arange(start, min(start + BLOCK, len(out)))
            out[rows] = _matrix(self._at_stations(rows, hole[rows]))
        return out

    def at(self, hole: npt.ArrayLike, depth: npt.ArrayLike) -> PointSpread:
        """Return position and direction covariances at any mixed array of holes and depths.

        Parameters
        ----------
        hole : (n,) array of int or str
            Index of the hole or its name; −1 or an unknown name gives NaN.
        depth : (n,) array
            Metres along the hole. Below the deepest station the hole runs straight on, with the error of the last
            reading: the covariance is that of the straight line, not of what the drill may do there.
        """
        hole, depth = np.broadcast_arrays(np.asarray(hole), np.asarray(depth, dtype=float))
        if hole.dtype.kind not in "iu":
            hole = self.traces.index(hole)
        known = np.flatnonzero((hole >= 0) & (depth >= 0.0))
        position = np.full((len(depth), 3, 3), np.nan)
        direction = np.full((len(depth), 3, 3), np.nan)
        for start in range(0, len(known), BLOCK):
            rows = known[start : start + BLOCK]
            answer = self._at_points(hole[rows].astype(np.int64), depth[rows])
            position[rows], direction[rows] = (_matrix(part) for part in answer)
        return PointSpread(position, direction)

    def _at_stations(self, rows: Ints, hole: Ints) -> Floats:
        """Return the position covariance (6, n) at stations: what lies above them, and their own reading."""
        sums, traces = self._sums, self.traces
        total = sums.variance[:, rows]
        down = sums.down[:, :, rows]
        for kind in range(2):
            _add(total, sums.random[kind, rows] * down[kind])
            for slot, drift in enumerate(sums.drift):
                _add(total, drift[kind][:, rows] + sums.bias[slot, kind, rows] * down[kind])
        tangent = traces.tangent[rows].T
        own = np.where(traces.depth[rows] == 0.0, 0.0, self.sigmas.depth_m)
        _add(total, own * (sums.chord[:, rows - 1] - tangent))
        _add(total, own * tangent)
        self._add_collar(total, traces.position[rows].T, hole)
        return total

    def _at_points(self, hole: Ints, depth: Floats) -> tuple[Floats, Floats]:
        """Return position and direction covariance, (6, n) each, of points in known holes."""
        traces, sums = self.traces, self._sums
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
        frame, carried = self._sums.frame[kind], self._carried[row]
        upper, under = response[0](frame[:, row].T).T, response[1](frame[:, lower].T).T
        both = upper + under
        return np.where(last, both, np.where(carried, 0.0, upper)), np.where(last, 0.0, np.where(carried, both, under))

    def _add_readings(self, total: Floats, kind: int, ends: tuple[Floats, Floats], row: Ints, lower: Ints) -> None:
        """Add the random errors of the two readings around points."""
        _add(total, self._sums.random[kind, row] * ends[0])
        _add(total, self._sums.random[kind, lower] * ends[1])

    def _add_depths(self, total: Floats, arc: curvature.Arcs, fraction: Floats, row: Ints, last: Bools) -> None:
        """Add the errors in the depths of the two stations around points and of the points themselves."""
        tangent = curvature.arc_tangent(arc, fraction).T
        mean = curvature.arc_displacement(arc, np.ones(len(row)), fraction).T
        first = self.traces.depth[row] == 0.0
        into = np.where(last, tangent, mean + (1.0 - fraction) * tangent)
        sigma = self.sigmas.depth_m
        _add(total, np.where(first, 0.0, sigma) * (self._sums.chord[:, row - 1] - into))
        _add(total, np.where(last, 0.0, sigma) * (mean - fraction * tangent))
        _add(total, np.where(first & (fraction == 0.0), 0.0, sigma) * tangent)

    def _add_collar(self, total: Floats, position: Floats, hole: Ints) -> None:
        """Add the errors of the collar and of the scale of the depths."""
        collar = _rows(self.traces.position, self.traces.offsets[hole])
        _add(total, self.sigmas.depth_scale * (position - collar.T))
        for row, sigma in enumerate((self.sigmas.easting_m, self.sigmas.northing_m, self.sigmas.elevation_m)):
            total[row] += sigma**2


def hole_spread(traces: Traces, sigmas: Sigmas | None = None, instrument: npt.ArrayLike | None = None) -> HoleSpread:
    """Prepare the uncertainty of all holes.

    Parameters
    ----------
    traces : Traces
        The holes.
    sigmas : Sigmas, optional
        1-σ errors; the defaults if not given.
    instrument : (S,) int array, optional
        What read each station: 0 magnetic, 1 gyro, 2 unstated (:data:`desurvey.spread.INSTRUMENTS`), −1 where a
        collar was not read and takes the direction of the station below. All unstated if not given.

    Examples
    --------
    A hole 100 m straight down, known by two readings of 1° each:

    >>> from desurvey.spread import Unstated
    >>> from desurvey.traces import chained
    >>> hole = chained(["A"], [[0, 0, 0]], [100], [0, 2], np.array([0., 100]), np.zeros(2), np.full(2, -90.0))
    >>> only = Unstated(1.0, 1.0, 0.0, 0.0)
    >>> nothing = dict.fromkeys(["depth_m", "depth_scale", "easting_m", "northing_m", "elevation_m"], 0.0)
    >>> spread = hole_spread(hole, Sigmas(unstated=only, **nothing))
    >>> np.sqrt(np.diagonal(spread.stations()[1])).round(3)
    array([1.234, 1.234, 0.   ])
    """
    sigmas = Sigmas() if sigmas is None else sigmas
    stations = len(traces.depth)
    code = np.full(stations, 2) if instrument is None else np.asarray(instrument, dtype=np.int64)
    if code.shape != (stations,):
        raise ValueError(f"instrument has shape {code.shape}, expected {(stations,)}")
    inside = np.ones(stations, dtype=bool)
    inside[traces.offsets[1:] - 1] = False
    carried = np.zeros(stations, dtype=bool)
    start = traces.offsets[:-1]
    carried[start] = (code[start] == CARRIED) & inside[start]
    code = np.where(carried, np.roll(code, -1), np.where(code == CARRIED, 2, code))
    slot, slots = _slots(traces, code)
    sums = _Sums(
        frame=np.empty((2, 3, stations)),
        random=np.empty((2, stations)),
        bias=np.empty((slots, 2, stations)),
        down=np.empty((2, 3, stations)),
        variance=np.empty((6, stations)),
        drift=np.empty((slots, 2, 3, stations)),
        chord=np.empty((3, stations)),
    )
    for offsets in _blocks(traces.offsets):
        rows = slice(int(offsets[0]), int(offsets[-1]))
        _set_errors(sums, rows, traces.tangent[rows].T, _table(sigmas)[:, code[rows]], slot[rows])
        _set_sums(sums, offsets, traces, carried[rows], sigmas.depth_m)
    return HoleSpread(traces, sigmas, carried, sums)


BLOCK = 16_384
"""Stations or points done at a time: what they need stays in the processor's cache and adds little to the memory."""


def _blocks(offsets: Ints) -> list[Ints]:
    """Return the offsets cut, at collars, into pieces of about :data:`BLOCK` stations; neighbours share an end."""
    cuts = np.flatnonzero(np.diff(offsets[:-1] // BLOCK, prepend=-1))
    ends = np.append(cuts[1:], len(offsets) - 1) if len(cuts) else cuts
    return [offsets[first : last + 1] for first, last in zip(cuts, ends, strict=True)]


def _slots(traces: Traces, code: Ints) -> tuple[Ints, int]:
    """Return the place (S,) of each station's instrument among those of its hole, and the most there are in one.

    Each place has a systematic draw of its own.
    """
    hole = traces.station_hole
    used = np.zeros((len(traces.hole_ids), len(INSTRUMENTS)), dtype=np.int64)
    used[hole, code] = 1
    slot = (np.cumsum(used, axis=1) - 1)[hole, code]
    return slot, int(slot.max(initial=0)) + 1


def _table(sigmas: Sigmas) -> Floats:
    """Return random azimuth and dip, systematic azimuth and dip (4, instruments), radians."""
    tools = [getattr(sigmas, name) for name in INSTRUMENTS]
    rows = [[tool.azimuth_deg, tool.dip_deg, tool.azimuth_bias_deg, tool.dip_bias_deg] for tool in tools]
    return np.asarray(np.deg2rad(rows).T)


def _set_errors(sums: _Sums, rows: slice, tangent: Floats, table: Floats, slot: Ints) -> None:
    """Fill ``frame``, ``random`` and ``bias`` for a block of stations with tangents (3, m)."""
    east, north, up = tangent
    flat = np.sqrt(east**2 + north**2)
    sideways = np.where(flat > 0.0, flat, 1.0)
    sine, cosine = east / sideways, np.where(flat > 0.0, north / sideways, 1.0)  # of the azimuth; 0 on a vertical hole
    across, upward = sums.frame[:, :, rows]
    across[0], across[1], across[2] = cosine, -sine, 0.0
    upward[0], upward[1], upward[2] = -up * sine, -up * cosine, flat
    sums.random[0, rows] = np.maximum(table[0] * flat, table[1])
    sums.random[1, rows] = table[1]
    for place, bias in enumerate(sums.bias):
        bias[0, rows] = np.where(slot == place, np.maximum(table[2] * flat, table[3]), 0.0)
        bias[1, rows] = np.where(slot == place, table[3], 0.0)


def _set_sums(sums: _Sums, offsets: Ints, traces: Traces, carried: Bools, depth_m: float) -> None:
    """Fill ``down``, ``variance``, ``drift`` and ``chord`` for the stations of a block of holes."""
    rows = slice(int(offsets[0]), int(offsets[-1]))
    offsets = offsets - rows.start
    tangent, depth = traces.tangent[rows], traces.depth[rows]
    below = np.arange(1, len(depth) + 1)
    below[offsets[1:] - 1] -= 1
    length = depth[below] - depth
    arc = curvature.arcs(tangent, _rows(tangent, below))
    upper, lower = displacement_response(arc, np.ones(len(length)))
    chord = curvature.arc_displacement(arc, np.ones(len(length))).T
    sums.chord[:, rows] = chord

    bend = depth_m * (np.roll(chord, 1, axis=1) - chord)
    bend[:, offsets[:-1]] = 0.0
    draws = np.zeros((6, len(length)))
    _add(draws, bend)
    collar = np.flatnonzero(carried)
    for kind, frame in enumerate(sums.frame[:, :, rows]):
        up = length * upper(frame.T).T
        down = np.roll(length * lower(frame[:, below].T).T, 1, axis=1)
        down[:, collar + 1] += up[:, collar]
        up[:, collar] = 0.0
        sums.down[kind][:, rows] = down
        both = down + up
        _add(draws, sums.random[kind, rows] * both)
        for slot, bias in enumerate(sums.bias[:, kind, rows]):
            sums.drift[slot, kind][:, rows] = _sum_above(bias * both, offsets)
    sums.variance[:, rows] = _sum_above(draws, offsets)


def _sum_above(values: Floats, offsets: Ints) -> Floats:
    """Return, at each station, the sum (..., m) of the values of all stations above it in its hole.

    One running sum over all holes, less its value at each collar: rounding leaves some 1e-16 of the sum over the
    holes of a block.
    """
    running = np.zeros_like(values)
    np.cumsum(values[:, :-1], axis=1, out=running[:, 1:])
    running -= np.repeat(running[:, offsets[:-1]], np.diff(offsets), axis=1)
    return running


def _rows(vectors: Floats, rows: Ints) -> Floats:
    """Return rows of (n, 3) vectors, keeping them component by component in memory."""
    return vectors.T.take(rows, axis=1).T


SIX = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
"""Row and column of the six numbers of a symmetric matrix."""


def _add(total: Floats, vector: Floats) -> None:
    """Add v vᵀ of vectors (3, n) to symmetric matrices (6, n)."""
    for number, (row, column) in enumerate(SIX):
        total[number] += vector[row] * vector[column]


def _matrix(six: Floats) -> Floats:
    """Return symmetric matrices (n, 3, 3) from their six numbers (6, n)."""
    out = np.empty((six.shape[1], 3, 3))
    for number, (row, column) in enumerate(SIX):
        out[:, row, column] = out[:, column, row] = six[number]
    return out
