"""The works that speed is stated for, each beside a plain baseline that runs in the same process.

A work is made at a size, outside the timing. ``run`` is what the program does; ``floor`` what numpy needs at the very
least (the passes of elementary functions that the formulas have, over the same rows) or what a plain library does;
``plain`` a loop that a person would write first, on fewer rows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from desurvey import curvature, orient, spread, traces

__all__ = ["STATIONS", "WORKS", "Work", "holes_of"]

Floats = npt.NDArray[np.float64]

STATIONS = 100
PLAIN_HOLES = 100
STEP = 6.0


@dataclass(frozen=True)
class Work:
    """One piece of work at one size.

    Attributes
    ----------
    rows : int
        Stations, points or structures.
    run, floor : callable
    plain : mapping of str to callable
        Loops over the first ``plain_rows`` rows, by what they are.
    """

    rows: int
    run: Callable[[], object]
    floor: Callable[[], object]
    plain: Mapping[str, Callable[[], object]] = field(default_factory=dict)
    plain_rows: int = PLAIN_HOLES * STATIONS


@dataclass(frozen=True)
class Stated:
    """What is said of a work.

    Attributes
    ----------
    name : str
    made : callable
        Makes it at a number of rows.
    sizes : tuple of int
        A decade apart; the largest is the one that figures are stated for.
    floor : str
        What the floor is.
    limit : float
        Times the floor that it may take.
    """

    name: str
    made: Callable[[int], Work]
    sizes: tuple[int, int, int]
    floor: str
    limit: float


def holes_of(count: int) -> dict[str, npt.NDArray[np.generic]]:
    """Return the arguments of :func:`desurvey.traces.chained` for holes of 100 stations that bend gently."""
    rng = np.random.default_rng(7)
    rank = np.tile(np.arange(STATIONS), count)
    return {
        "hole_ids": np.char.add("H", np.arange(count).astype(str)),
        "collar": rng.uniform(0, 1000, (count, 3)),
        "end": np.full(count, STEP * STATIONS),
        "offsets": np.arange(count + 1) * STATIONS,
        "depth": rank * STEP,
        "azimuth_deg": (np.repeat(rng.uniform(0, 360, count), STATIONS) + 0.1 * rank) % 360,
        "dip_deg": np.repeat(rng.uniform(-80, -50, count), STATIONS) + 0.1 * rank,
    }


def loop(holes: Mapping[str, npt.NDArray[np.generic]], count: int, functions: object) -> tuple[Floats, Floats]:
    """Return positions and tangents by minimum curvature as handbooks write it, one interval after the other.

    ``functions`` is :mod:`math` or :mod:`numpy`: people write such loops with either.
    """
    radians, sin, cos, tan = functions.radians, functions.sin, functions.cos, functions.tan
    acos = math.acos if functions is math else np.arccos
    offsets, depth, azimuth, dip = holes["offsets"], holes["depth"], holes["azimuth_deg"], holes["dip_deg"]
    position, tangent = np.empty((offsets[count], 3)), np.empty((offsets[count], 3))
    for hole in range(count):
        position[offsets[hole]] = holes["collar"][hole]
        for row in range(offsets[hole], offsets[hole + 1]):
            a2, d2 = radians(azimuth[row]), radians(dip[row])
            tangent[row] = cos(d2) * sin(a2), cos(d2) * cos(a2), sin(d2)
            if row > offsets[hole]:
                a1, d1 = radians(azimuth[row - 1]), radians(dip[row - 1])
                dogleg = acos(min(1.0, sin(d1) * sin(d2) + cos(d1) * cos(d2) * cos(a2 - a1)))
                factor = 1.0 if dogleg < 1e-9 else 2.0 / dogleg * tan(dogleg / 2.0)
                half = (depth[row] - depth[row - 1]) / 2.0 * factor
                position[row] = position[row - 1] + half * (tangent[row - 1] + tangent[row])
    return position, tangent


def minimum_curvature(rows: int) -> Work:
    holes = holes_of(rows // STATIONS)
    azimuth, dip = np.deg2rad(holes["azimuth_deg"]), np.deg2rad(holes["dip_deg"])
    count = min(PLAIN_HOLES, rows // STATIONS)

    def floor() -> None:
        # what the formula in `loop` has: sin and cos of dip and azimuth, cos of the turn, arccos; its tan is left out
        for angle in (azimuth, dip):
            np.sin(angle)
            np.cos(angle)
        np.cos(azimuth)
        np.arccos(np.clip(dip, -1, 1))

    plain = {"math": lambda: loop(holes, count, math), "numpy": lambda: loop(holes, count, np)}
    return Work(rows, lambda: traces.chained(**holes), floor, plain, count * STATIONS)


def positions(points: int) -> Work:
    """Make look-ups in 10,000 holes; the floor answers with one coordinate of the three and no direction."""
    count = 10_000
    holes = traces.chained(**holes_of(count))
    rng = np.random.default_rng(8)
    hole, depth = rng.integers(0, count, points), rng.uniform(0, STEP * STATIONS, points)
    step = STEP * STATIONS + 1.0
    key, east = holes.station_hole * step + holes.depth, np.ascontiguousarray(holes.position[:, 0])
    return Work(points, lambda: holes.at(hole, depth), lambda: np.interp(hole * step + depth, key, east))


def core_angles(rows: int) -> Work:
    rng = np.random.default_rng(9)
    tangent = curvature.tangent(rng.uniform(0, 2 * np.pi, rows), rng.uniform(-1.4, -0.3, rows))
    reference = orient.reference_line(tangent, "low")
    alpha, beta = rng.uniform(0, 90, rows), rng.uniform(0, 360, rows)

    def floor() -> None:
        for angle in (np.deg2rad(alpha), np.deg2rad(beta)):
            np.sin(angle)
            np.cos(angle)
        for _ in range(2):
            np.arctan2(alpha, beta)

    return Work(rows, lambda: orient.dip_of_core_angles(tangent, reference, alpha, beta), floor)


def covariance(rows: int) -> Work:
    holes = holes_of(rows // STATIONS)
    traced = traces.chained(**holes)
    return Work(rows, lambda: spread.hole_spread(traced).stations(), lambda: traces.chained(**holes))


WORKS = (
    Stated("minimum curvature", minimum_curvature, (10_000, 100_000, 1_000_000), "sin, cos, arccos passes", 3.0),
    Stated("positions at random points", positions, (100_000, 1_000_000, 10_000_000), "np.interp, easting only", 3.0),
    Stated("alpha, beta to dip, direction", core_angles, (50_000, 500_000, 5_000_000), "sin, cos, arctan2 passes", 2.0),
    Stated("covariance of positions", covariance, (10_000, 100_000, 1_000_000), "the plain trace", 10.0),
)
