"""How well the position and direction of any point along any hole are known.

Linear propagation of the survey's errors through the exact derivative of minimum curvature
(:mod:`desurvey.spread.jacobian`). The sources, each independent of the others:

* *random* azimuth and dip errors, one draw a station;
* *systematic* azimuth and dip errors, one draw a hole and instrument, which add up along the hole as vectors;
* the depth of each survey station (it shifts where the hole bends) and the depth at which the point itself was logged;
* the *scale* of the depths, one draw a hole: it stretches the hole from its collar;
* the collar, one draw a hole;
* below the last station, and all along a planned hole, how the rods wander (:mod:`desurvey.spread.wander`).

A direction error is a small vector square to the hole: σ_A cos d across it, along (cos A, −sin A, 0), and σ_d in its
vertical plane. The first never falls below the second. Both come from the same sensors, and only so does a vertical
hole, whose azimuth means nothing, get the same error on all sides.

Each source is a running sum of three or six numbers a station, restarted at each collar: no hole is done by itself
(:mod:`desurvey.spread.part`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from desurvey.shown import shown
from desurvey.spread.part import PLANNED, SpreadPart, matrix, part_of
from desurvey.spread.sigmas import INSTRUMENTS, Sigmas
from desurvey.spread.wander import Wander, covariance, foreseen
from desurvey.traces import BLOCK, Traces, blocks_of_holes

__all__ = ["HoleSpread", "PointSpread", "hole_spread"]

Floats = npt.NDArray[np.float64]


@shown
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


@shown
@dataclass(frozen=True, slots=True, eq=False)
class HoleSpread:
    """Uncertainty of all holes of a :class:`desurvey.traces.Traces`; made by :func:`hole_spread`.

    The holes are cut into blocks, each with some forty numbers a station that don't depend on where a point is asked
    for. Up to :data:`KEPT` stations all blocks are kept; above it each is made when it is needed.

    Attributes
    ----------
    traces : Traces
    sigmas : Sigmas
    wander : Wander or None
        What lengths that aren't surveyed may do; None: nothing is known of that, and they are taken as straight.
    planned : (H,) bool array
        Holes that are only planned.
    ahead : bool
        Whether those are drawn as the mean wander will bend them (:meth:`foreseen`), or as planned.
    """

    traces: Traces
    sigmas: Sigmas
    wander: Wander | None
    planned: npt.NDArray[np.bool_]
    ahead: bool
    _code: npt.NDArray[np.int8]
    _blocks: list[tuple[int, int]]
    _kept: tuple[SpreadPart, ...]

    @property
    def wander_words(self) -> str:
        """What is known of the rods' wander, in a sentence."""
        return "Holes are taken as straight." if self.wander is None else self.wander.words

    def foreseen(self) -> HoleSpread:
        """Return the same with its planned holes bent as the rods are expected to bend them."""
        if self.wander is None or self.ahead:
            return self
        bent = foreseen(self.traces, self.planned, self.wander)
        code = np.full(len(bent.depth), PLANNED)
        code[~self.planned[bent.station_hole]] = self._code[~self.planned[self.traces.station_hole]]
        return replace(hole_spread(bent, self.sigmas, code, self.wander, self.planned), ahead=True)

    def wandered(self, hole: npt.NDArray[np.int64], depth: Floats) -> PointSpread:
        """Return the part of the covariances that is due to wander; zeros where the hole is surveyed, or not known."""
        if self.wander is None:
            return PointSpread(np.zeros((len(depth), 3, 3)), np.zeros((len(depth), 3, 3)))
        planned = self.planned[hole]
        length = np.maximum(depth - np.where(planned, 0.0, self.traces.surveyed[hole]), 0.0)
        tangent = self.traces.at(hole, depth).tangent
        return PointSpread(*covariance(self.wander, tangent, length, planned, ~planned | (not self.ahead)))

    def stations(self) -> Floats:
        """Return the position covariance at every station, m², shape (S, 3, 3)."""
        out = np.empty((len(self.traces.depth), 3, 3))
        for place, (first, last) in enumerate(self._blocks):
            rows = slice(self.traces.offsets[first], self.traces.offsets[last])
            out[rows] = matrix(self._part(place).at_stations())
        plan = np.flatnonzero(self.planned[self.traces.station_hole])
        out[plan] += self.wandered(self.traces.station_hole[plan], self.traces.depth[plan]).position
        return out

    def at(self, hole: npt.ArrayLike, depth: npt.ArrayLike) -> PointSpread:
        """Return position and direction covariances at any mixed array of holes and depths.

        Parameters
        ----------
        hole : array of int or str
            Index of the hole or its name; −1, a row of a table without a hole, gives NaN.
        depth : array
            Metres along the hole, one value or any shape that fits the holes'. Below the deepest station the hole runs
            straight on, with the error of the last reading and what the rods may do there, if their wander is known.

        Raises
        ------
        DataProblem
            When no hole has such a name or index.
        """
        hole, depth = np.broadcast_arrays(self.traces.known(hole), np.asarray(depth, dtype=float))
        shape, hole, depth = depth.shape, hole.ravel(), depth.ravel()
        position, direction = np.full((len(depth), 3, 3), np.nan), np.full((len(depth), 3, 3), np.nan)
        known = np.flatnonzero((hole >= 0) & (depth >= 0.0))
        known = known[np.argsort(hole[known], kind="stable")]
        for place, (first, last) in enumerate(self._blocks):
            begin, end = np.searchsorted(hole[known], [first, last])
            if begin == end:
                continue
            part = self._part(place)
            for start in range(begin, end, BLOCK):
                rows = known[start : min(start + BLOCK, end)]
                answer = part.at_points(hole[rows].astype(np.int64) - first, depth[rows])
                position[rows], direction[rows] = (matrix(six) for six in answer)
        if self.wander is not None:
            free = known[self.planned[hole[known]] | (depth[known] > self.traces.surveyed[hole[known]])]
            more = self.wandered(hole[free], depth[free])
            position[free] += more.position
            direction[free] += more.direction
        return PointSpread(position.reshape(*shape, 3, 3), direction.reshape(*shape, 3, 3))

    def _part(self, place: int) -> SpreadPart:
        if self._kept:
            return self._kept[place]
        first, last = self._blocks[place]
        rows = slice(self.traces.offsets[first], self.traces.offsets[last])
        return part_of(self.traces.part(first, last), self.sigmas, self._code[rows])


KEPT = 262_144
"""Stations up to which what is known of them is kept: 100 MB with three instruments in a hole."""


def hole_spread(
    traces: Traces,
    sigmas: Sigmas | None = None,
    instrument: npt.ArrayLike | None = None,
    wander: Wander | None = None,
    planned: npt.ArrayLike | None = None,
) -> HoleSpread:
    """Prepare the uncertainty of all holes.

    Parameters
    ----------
    traces : Traces
        The holes.
    sigmas : Sigmas, optional
        1-σ errors; the defaults if not given.
    instrument : (S,) int array, optional
        What read each station: 0 magnetic, 1 gyro, 2 unstated (:data:`desurvey.spread.INSTRUMENTS`), −1 where a
        collar was not read and takes the direction of the station below, 3 in a plan. All unstated if not given.
    wander : Wander, optional
        How rods wander, for lengths that aren't surveyed; without it they are taken as straight.
    planned : (H,) bool array, optional
        Holes that are only planned; none if not given.

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
    code = np.full(stations, INSTRUMENTS.index("unstated")) if instrument is None else np.asarray(instrument)
    if code.shape != (stations,):
        raise ValueError(f"instrument has shape {code.shape}, expected {(stations,)}")
    blocks = blocks_of_holes(traces.offsets)
    holes = np.zeros(len(traces.hole_ids), dtype=bool) if planned is None else np.asarray(planned, dtype=bool)
    spread = HoleSpread(traces, sigmas, wander, holes, False, code.astype(np.int8), blocks, ())
    if stations > KEPT:
        return spread
    return replace(spread, _kept=tuple(spread._part(place) for place in range(len(blocks))))
