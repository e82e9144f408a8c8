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


class _Stations(NamedTuple):
    """What the readings do at each station: all that does not depend on where a point is asked for.

    ``frame`` (2, S, 3) holds the unit errors across and in the vertical plane of the hole, ``random`` (2, S) and
    ``bias`` (slots, 2, S) their 1-σ in radians; ``down`` (2, S, 3) what the unit errors of a station do to the
    interval above it. The rest are sums over all stations above: ``variance`` (S, 6) of the independent draws,
    ``drift`` (slots, 2, S, 3) of the systematic ones. ``chord`` (S, 3) is the mean direction of the interval below.
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
    _sums: _Stations

    def stations(self) -> Floats:
        """Return the position covariance at every station, m², shape (S, 3, 3)."""
        sums, traces = self._sums, self.traces
        total = sums.variance + np.einsum("ks,ksj->sj", sums.random**2, _outer(sums.down))
        for slot, drift in enumerate(sums.drift):
            total += _outer(drift + sums.bias[slot][..., None] * sums.down).sum(axis=0)
        first = np.zeros(len(traces.depth), dtype=bool)
        first[traces.offsets[:-1]] = True
        above = np.where(first[:, None], 0.0, np.roll(sums.chord, 1, axis=0) - traces.tangent)
        own = np.where(first[:, None], 0.0, traces.tangent)
        total += self.sigmas.depth_m**2 * (_outer(above) + _outer(own))
        total += self._scale(traces.position, traces.station_hole)
        return _matrix(total)

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
        known = (hole >= 0) & (depth >= 0.0)
        position = np.full((len(depth), 6), np.nan)
        direction = np.full((len(depth), 6), np.nan)
        if known.any():
            position[known], direction[known] = self._at(hole[known].astype(np.int64), depth[known])
        return PointSpread(_matrix(position), _matrix(direction))

    def _at(self, hole: Ints, depth: Floats) -> tuple[Floats, Floats]:
        row = self.traces.station_above(hole, depth)
        last = row == self.traces.offsets[hole + 1] - 1
        lower = np.where(last, row, row + 1)
        arc = curvature.Arcs(*(part[row] for part in self.traces.arcs))
        length = self.traces.length_below[row]
        fraction = (depth - self.traces.depth[row]) / length
        moved = [length[:, None] * part for part in self._ends(displacement_response(arc, fraction), row, lower, last)]
        turned = self._ends(direction_response(arc, fraction), row, lower, last)

        position = self._sums.variance[row] + self._readings(
            (moved[0] + self._sums.down[:, row], moved[1]), self._sums.drift[:, :, row], row, lower
        )
        position += self._depths(arc, fraction, row, lower, last)
        displaced = self.traces.position[row] + curvature.arc_displacement(arc, length, fraction)
        position += self._scale(displaced, hole)
        nothing = np.zeros((len(self._sums.drift), 2, len(row), 3))
        return position, self._readings((turned[0], turned[1]), nothing, row, lower)

    def _ends(self, response: tuple[Response, Response], row: Ints, lower: Ints, last: Bools) -> tuple[Floats, Floats]:
        """Return what the unit errors of the upper and lower station do, (2, n, 3) each.

        Where both ends share a reading (a collar direction carried up, the straight end of a hole) its whole effect
        is put on the one station that was read.
        """
        frame = self._sums.frame
        upper = np.stack([response[0](frame[kind, row]) for kind in range(2)])
        under = np.stack([response[1](frame[kind, lower]) for kind in range(2)])
        carried = self._carried[row]
        both = upper + under
        return (
            np.where(last[:, None], both, np.where(carried[:, None], 0.0, upper)),
            np.where(last[:, None], 0.0, np.where(carried[:, None], both, under)),
        )

    def _readings(self, ends: tuple[Floats, Floats], drift: Floats, row: Ints, lower: Ints) -> Floats:
        """Return the covariance (n, 6) of the two readings around points and of the systematic errors so far."""
        sums, (upper, under) = self._sums, ends
        total = np.einsum("kn,knj->nj", sums.random[:, row] ** 2, _outer(upper))
        total += np.einsum("kn,knj->nj", sums.random[:, lower] ** 2, _outer(under))
        for slot, so_far in enumerate(drift):
            near = sums.bias[slot][:, row, None] * upper + sums.bias[slot][:, lower, None] * under
            total += _outer(so_far + near).sum(axis=0)
        return np.asarray(total)

    def _depths(self, arc: curvature.Arcs, fraction: Floats, row: Ints, lower: Ints, last: Bools) -> Floats:
        """Return the covariance (n, 6) from the depths of the two stations around points and of the points."""
        tangent = curvature.arc_tangent(arc, fraction)
        mean = curvature.arc_displacement(arc, np.ones(len(row)), fraction)
        first = self.traces.depth[row] == 0.0
        above = self._sums.chord[row - 1]
        into = np.where(last[:, None], tangent, mean + (1.0 - fraction)[:, None] * tangent)
        upper = np.where(first[:, None], 0.0, above - into)
        under = np.where(last[:, None], 0.0, mean - fraction[:, None] * tangent)
        own = np.where((first & (fraction == 0.0))[:, None], 0.0, tangent)
        return self.sigmas.depth_m**2 * (_outer(upper) + _outer(under) + _outer(own))

    def _scale(self, position: Floats, hole: Ints) -> Floats:
        """Return the covariance (n, 6) from the collar and from the scale of the depths."""
        collar = self.traces.position[self.traces.offsets[:-1]]
        total = self.sigmas.depth_scale**2 * _outer(position - collar[hole])
        total[:, :3] += np.square([self.sigmas.easting_m, self.sigmas.northing_m, self.sigmas.elevation_m])
        return np.asarray(total)


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
    frame, random, bias = _errors(traces.tangent, sigmas, code)
    bias = _slots(traces, code, bias)
    sums = _Stations(
        frame=frame,
        random=random,
        bias=bias,
        down=np.empty((2, stations, 3)),
        variance=np.empty((stations, 6)),
        drift=np.empty((len(bias), 2, stations, 3)),
        chord=curvature.arc_displacement(traces.arcs, np.ones(stations)),
    )
    length = np.where(inside, traces.length_below, 0.0)
    for offsets in _blocks(traces.offsets):
        _sum_block(sums, offsets, traces.arcs, length, carried, sigmas.depth_m)
    return HoleSpread(traces, sigmas, carried, sums)


BLOCK = 20_000
"""Stations summed at a time: the working arrays stay in the processor's cache and add little to the memory."""


def _blocks(offsets: Ints) -> list[Ints]:
    """Return the offsets cut, at collars, into pieces of about :data:`BLOCK` stations; neighbours share an end."""
    cuts = np.flatnonzero(np.diff(offsets[:-1] // BLOCK, prepend=-1))
    ends = np.append(cuts[1:], len(offsets) - 1) if len(cuts) else cuts
    return [offsets[first : last + 1] for first, last in zip(cuts, ends, strict=True)]


def _sum_block(
    sums: _Stations, offsets: Ints, arcs: curvature.Arcs, lengths: Floats, carried: Bools, depth_m: float
) -> None:
    """Fill ``down``, ``variance`` and ``drift`` for the stations of a block of holes."""
    rows = slice(int(offsets[0]), int(offsets[-1]))
    offsets = offsets - rows.start
    length, frame, bias = lengths[rows, None], sums.frame[:, rows], sums.bias[:, :, rows]
    arc = curvature.Arcs(*(part[rows] for part in arcs))
    upper, lower = displacement_response(arc, np.ones(len(length)))
    up = np.stack([length * upper(part) for part in frame])
    down = np.stack([np.roll(length * lower(np.roll(part, -1, axis=0)), 1, axis=0) for part in frame])
    collar = np.flatnonzero(carried[rows])
    down[:, collar + 1] += up[:, collar]
    up[:, collar] = 0.0

    both = down + up
    bend = np.roll(sums.chord[rows], 1, axis=0) - sums.chord[rows]
    bend[offsets[:-1]] = 0.0
    draws = np.einsum("ks,ksj->sj", sums.random[:, rows] ** 2, _outer(both)) + depth_m**2 * _outer(bend)
    sums.down[:, rows] = down
    sums.variance[rows] = _sum_above(draws, offsets)
    for slot, part in enumerate(bias):
        for kind in range(2):
            sums.drift[slot, kind, rows] = _sum_above(part[kind][:, None] * both[kind], offsets)


def _errors(tangent: Floats, sigmas: Sigmas, code: Ints) -> tuple[Floats, Floats, Floats]:
    """Return unit errors (2, S, 3), their random σ (2, S) and systematic σ (2, S), radians."""
    azimuth, dip = curvature.angles(tangent)
    across = np.stack([np.cos(azimuth), -np.sin(azimuth), np.zeros(len(azimuth))], axis=-1)
    frame = np.stack([across, np.cross(tangent, across) * -1.0])
    table = np.deg2rad(
        [
            [tool.azimuth_deg, tool.dip_deg, tool.azimuth_bias_deg, tool.dip_bias_deg]
            for tool in (getattr(sigmas, name) for name in INSTRUMENTS)
        ]
    )[code]
    flat = np.cos(dip)
    random = np.stack([np.maximum(table[:, 0] * flat, table[:, 1]), table[:, 1]])
    bias = np.stack([np.maximum(table[:, 2] * flat, table[:, 3]), table[:, 3]])
    return frame, random, bias


def _slots(traces: Traces, code: Ints, bias: Floats) -> Floats:
    """Return systematic σ (slots, 2, S): a hole's k-th instrument in slot k, so that each has a draw of its own."""
    hole = traces.station_hole
    used = np.zeros((len(traces.hole_ids), len(INSTRUMENTS)), dtype=np.int64)
    used[hole, code] = 1
    slot = (np.cumsum(used, axis=1) - 1)[hole, code]
    count = int(slot.max(initial=0)) + 1
    return np.where(slot == np.arange(count)[:, None, None], bias, 0.0)


def _sum_above(values: Floats, offsets: Ints) -> Floats:
    """Return, at each station, the sum of the values of all stations above it in its hole.

    One running sum over all holes, less its value at each collar: rounding leaves some 1e-16 of the sum over the
    holes of a block.
    """
    running = np.zeros_like(values)
    np.cumsum(values[:-1], axis=0, out=running[1:])
    return running - np.repeat(running[offsets[:-1]], np.diff(offsets), axis=0)


def _outer(vectors: Floats) -> Floats:
    """Return v vᵀ of vectors (..., 3) as six numbers (..., 6): EE, NN, UU, EN, EU, NU."""
    out = np.empty((*vectors.shape[:-1], 6))
    np.multiply(vectors, vectors, out=out[..., :3])
    np.multiply(vectors[..., 0], vectors[..., 1], out=out[..., 3])
    np.multiply(vectors[..., 0], vectors[..., 2], out=out[..., 4])
    np.multiply(vectors[..., 1], vectors[..., 2], out=out[..., 5])
    return out


def _matrix(six: Floats) -> Floats:
    """Return symmetric matrices (..., 3, 3) from their six numbers."""
    return six[..., [[0, 3, 4], [3, 1, 5], [4, 5, 2]]]
