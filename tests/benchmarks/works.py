"""The works that speed is stated for, each beside a plain baseline that runs in the same process.

A work is made at a size, outside the timing. ``run`` is what the program does, ``floor`` what numpy needs at the very
least (the same passes of elementary functions over the same rows) or what a plain library does, ``plain`` the loop that
a person would write first, on fewer rows.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from desurvey import curvature, orient, spread, traces

__all__ = ["WORKS", "Work", "seconds"]

STATIONS = 100
PLAIN_ROWS = 50_000


@dataclass(frozen=True)
class Work:
    """One piece of work at one size."""

    name: str
    rows: int
    run: Callable[[], object]
    floor: Callable[[], object]
    plain: Callable[[], object] | None = None


def seconds(run: Callable[[], object], repeats: int = 3) -> float:
    """Return the shortest of a few runs: what the machine can do when nobody disturbs it."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def stations(holes: int) -> dict[str, np.ndarray]:
    """Return holes of 100 stations each that bend gently."""
    rng = np.random.default_rng(7)
    rank = np.tile(np.arange(STATIONS), holes)
    return {
        "hole_ids": np.char.add("H", np.arange(holes).astype(str)),
        "collar": rng.uniform(0, 1000, (holes, 3)),
        "end": np.full(holes, 6.0 * STATIONS),
        "offsets": np.arange(holes + 1) * STATIONS,
        "depth": rank * 6.0,
        "azimuth_deg": (np.repeat(rng.uniform(0, 360, holes), STATIONS) + 0.1 * rank) % 360,
        "dip_deg": np.repeat(rng.uniform(-80, -50, holes), STATIONS) + 0.1 * rank,
    }


def plain_loop(depth: list[float], azimuth: list[float], dip: list[float]) -> list[tuple[float, float, float]]:
    """Return positions by minimum curvature as handbooks write it, one interval after the other."""
    east = north = up = 0.0
    out = []
    for row in range(1, len(depth)):
        a1, a2, d1, d2 = azimuth[row - 1], azimuth[row], dip[row - 1], dip[row]
        cosine = math.sin(d1) * math.sin(d2) + math.cos(d1) * math.cos(d2) * math.cos(a2 - a1)
        dogleg = math.acos(min(1.0, cosine))
        factor = 1.0 if dogleg < 1e-9 else 2.0 / dogleg * math.tan(dogleg / 2.0)
        half = (depth[row] - depth[row - 1]) / 2.0 * factor
        east += half * (math.cos(d1) * math.sin(a1) + math.cos(d2) * math.sin(a2))
        north += half * (math.cos(d1) * math.cos(a1) + math.cos(d2) * math.cos(a2))
        up += half * (math.sin(d1) + math.sin(d2))
        out.append((east, north, up))
    return out


def minimum_curvature(holes: int) -> Work:
    data = stations(holes)
    azimuth, dip = np.deg2rad(data["azimuth_deg"]), np.deg2rad(data["dip_deg"])
    few = min(PLAIN_ROWS, len(azimuth))
    loop = [array[:few] for array in (data["depth"], azimuth, dip)]

    def floor() -> None:
        for angle in (azimuth, dip):
            np.sin(angle)
            np.cos(angle)
        np.arccos(np.clip(dip, -1, 1))

    return Work("minimum curvature", len(azimuth), lambda: traces.chained(**data), floor, lambda: plain_loop(*loop))


def positions(holes: int, points: int) -> Work:
    holed = traces.chained(**stations(holes))
    rng = np.random.default_rng(8)
    hole, depth = rng.integers(0, holes, points), rng.uniform(0, 6.0 * STATIONS, points)
    step = 6.0 * STATIONS + 1.0
    key = holed.station_hole * step + holed.depth
    values = np.ascontiguousarray(holed.position[:, 0])
    return Work(
        "any positions", points, lambda: holed.at(hole, depth), lambda: np.interp(hole * step + depth, key, values)
    )


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

    return Work("core angles to dip", rows, lambda: orient.dip_of_core_angles(tangent, reference, alpha, beta), floor)


def covariance(holes: int) -> Work:
    data = stations(holes)
    holed = traces.chained(**data)
    return Work(
        "position covariance",
        len(holed.depth),
        lambda: spread.hole_spread(holed).stations(),
        lambda: traces.chained(**data),
    )


WORKS: dict[str, Callable[[int], Work]] = {
    "minimum curvature": lambda rows: minimum_curvature(rows // STATIONS),
    "any positions": lambda rows: positions(max(rows // 1000, 10), rows),
    "core angles to dip": core_angles,
    "position covariance": lambda rows: covariance(rows // STATIONS),
}
"""Work by its name, made at about a number of rows."""
