"""Markers that a fault has displaced, drilled and logged with errors. Nothing here uses the program under test.

The fault is a plane through the origin of the world; the hanging wall, above it, has moved by a slip that lies in it.
Rock is followed back: a point of the hanging wall was at itself less the slip before.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["Drilled", "cut_by", "drilled_project", "plane", "slip_of_rake"]

Floats = npt.NDArray[np.float64]


class Drilled(NamedTuple):
    """Where straight holes met a marker, as logged: places and planes with errors, and the truth of each."""

    hole: npt.NDArray[np.int64]
    depth: Floats
    position: Floats
    tangent: Floats
    normal: Floats
    hanging: npt.NDArray[np.bool_]


def plane(dip_deg: float, direction_deg: float) -> Floats:
    """Return the upward unit normal of a plane, from the definition of dip and dip direction."""
    dip, azimuth = np.deg2rad([dip_deg, direction_deg])
    return np.array([np.sin(dip) * np.sin(azimuth), np.sin(dip) * np.cos(azimuth), np.cos(dip)])


def slip_of_rake(dip_deg: float, direction_deg: float, size: float, rake_deg: float) -> Floats:
    """Return a slip after Aki & Richards (2002), equation 4.83, with their axes north, east, down turned to ours."""
    strike, dip, rake = np.deg2rad([direction_deg - 90.0, dip_deg, rake_deg])
    north = np.cos(rake) * np.cos(strike) + np.cos(dip) * np.sin(rake) * np.sin(strike)
    east = np.cos(rake) * np.sin(strike) - np.cos(dip) * np.sin(rake) * np.cos(strike)
    down = -np.sin(rake) * np.sin(dip)
    return size * np.array([east, north, -down])


def cut_by(
    rng: np.random.Generator,
    fault: Floats,
    slip: Floats,
    marker: Floats,
    *,
    offset: float = 0.0,
    fold_m: float = 0.0,
    wavelength: float = 240.0,
    holes: int = 5,
    spacing: float = 50.0,
    place_sigma: float = 1.0,
    depth_sigma: float = 0.3,
    pole_sigma_deg: float = 5.0,
    oriented: float = 1.0,
) -> Drilled:
    """Return how a square of ``holes`` × ``holes`` steep holes, ``spacing`` metres apart, met a marker.

    Parameters
    ----------
    rng
        Of all errors.
    fault, marker : (3,) arrays
        Upward normals; the fault passes through the origin, the marker ``offset`` metres above it before the slip.
    slip : (3,) array
        Of the hanging wall.
    fold_m, wavelength : float
        Height of the marker's folds about a horizontal axis along its strike, and their length, metres.
    """
    across = np.array([-marker[1], marker[0], 0.0])
    across /= np.linalg.norm(across)
    down = np.cross(across, marker)

    def level(points: Floats) -> Floats:
        return points @ marker - offset - fold_m / 2.0 * np.sin(2.0 * np.pi * (points @ down) / wavelength)

    def slope(points: Floats) -> Floats:
        turn = np.pi * fold_m / wavelength * np.cos(2.0 * np.pi * (points @ down) / wavelength)
        normal = marker - turn[:, None] * down
        return normal / np.linalg.norm(normal, axis=1, keepdims=True)

    ticks = spacing * (np.arange(holes) - (holes - 1) / 2.0)
    found = []
    for number, (east, north) in enumerate((e, n) for e in ticks for n in ticks):
        azimuth, dip = rng.uniform(0.0, 360.0), np.deg2rad(rng.uniform(-75.0, -60.0))
        turn = np.deg2rad(azimuth)
        tangent = np.array([np.cos(dip) * np.sin(turn), np.cos(dip) * np.cos(turn), np.sin(dip)])
        depth = np.arange(0.0, 500.0, 0.05)
        start = np.array([east, north, 0.0]) - 250.0 * tangent
        path = start + depth[:, None] * tangent
        hanging = path @ fault > 0.0
        value = level(path - np.where(hanging[:, None], slip, 0.0))
        # a change of sign at the fault itself is the fault, not the marker
        met = np.flatnonzero((value[1:] * value[:-1] < 0.0) & (hanging[1:] == hanging[:-1]))
        error = rng.normal(0.0, place_sigma, 3)
        for row in met:
            true = path[row : row + 1]
            normal = slope(true - np.where(hanging[row], slip, 0.0))[0]
            logged = normal + np.deg2rad(pole_sigma_deg) * rng.normal(size=3)
            logged /= np.linalg.norm(logged)
            logged = logged if logged[2] >= 0.0 else -logged
            seen = true[0] + error + rng.normal(0.0, depth_sigma) * tangent
            found.append(
                (
                    number,
                    depth[row],
                    seen,
                    tangent,
                    logged if rng.random() < oriented else np.full(3, np.nan),
                    hanging[row],
                )
            )
    columns = [np.array(column) for column in zip(*found, strict=True)]
    return Drilled(*columns)


def drilled_project(
    seed: int, fault: tuple[float, float], slip: Floats, dyke: Floats, *, holes: int = 4, width: float = 4.0
) -> dict[str, Any]:
    """Return the tables of a project whose one fault moved a dyke, as ``desurvey.Study.of_tables`` takes them.

    Straight holes, angles logged with errors of the trade's size; slip lines on every second pick of the fault, along
    the slip. Alpha, beta and gamma come from dot products alone (the way of the demo's own script).
    """
    rng, normal = np.random.default_rng(seed), plane(*fault)
    shape = cut_by(rng, normal, slip, dyke, holes=holes, place_sigma=0.0, depth_sigma=0.0)
    collars, structures, rock = [], [], []
    for number in range(holes**2):
        here = shape.hole == number
        tangent = shape.tangent[here][0] if here.any() else None
        if tangent is None:
            continue
        start = shape.position[here][0] - shape.depth[here][0] * tangent
        azimuth, dip = np.rad2deg(np.arctan2(tangent[0], tangent[1])) % 360.0, np.rad2deg(np.arcsin(tangent[2]))
        name = f"D{number:02d}"
        collars.append((name, *start, 500.0, azimuth, dip))
        depth = -(start @ normal) / (tangent @ normal)
        if 5.0 < depth < 495.0:
            alpha, beta, gamma = _logged(rng, tangent, normal, slip)
            structures.append((name, depth, "fault", alpha, beta, gamma if len(structures) % 2 else np.nan))
        half = width / 2.0 / abs(tangent @ dyke)
        edges = [0.0]
        for middle in np.sort(shape.depth[here]):
            edges += [max(middle - half, edges[-1] + 0.1), middle + half]
        edges.append(500.0)
        rock += [
            (name, top, bottom, "dyke" if place % 2 else "schist")
            for place, (top, bottom) in enumerate(pairwise(edges))
        ]
    columns = ["hole_id", "easting", "northing", "elevation", "depth", "azimuth", "dip"]
    frame = pd.DataFrame(collars, columns=columns)
    surveys = pd.concat([frame[["hole_id", "azimuth", "dip"]].assign(depth=depth) for depth in (0.0, 250.0, 500.0)])
    tops = np.tile(np.arange(0.0, 500.0, 50.0), len(frame))
    runs = pd.DataFrame({"hole_id": np.repeat(frame["hole_id"].to_numpy(), 10), "depth_from": tops})
    return {
        "collars": frame,
        "surveys": surveys.sort_values(["hole_id", "depth"], ignore_index=True).assign(instrument="gyro"),
        "runs": runs.assign(depth_to=tops + 50.0, recovered=49.0, line="low"),
        "structures": pd.DataFrame(structures, columns=["hole_id", "depth", "kind", "alpha", "beta", "gamma"]),
        "intervals": {"rock": pd.DataFrame(rock, columns=["hole_id", "depth_from", "depth_to", "rock"])},
    }


def _logged(rng: np.random.Generator, tangent: Floats, normal: Floats, line: Floats) -> tuple[float, float, float]:
    """Return alpha, beta and gamma of a plane and a line in it, read from the low side with errors, degrees."""
    down = normal if tangent @ normal > 0.0 else -normal
    low = -np.array([0.0, 0.0, 1.0]) + tangent[2] * tangent
    low /= np.linalg.norm(low)
    alpha = np.rad2deg(np.arcsin(tangent @ down)) + rng.normal(0.0, 2.0)
    beta = np.rad2deg(np.arctan2(-down @ np.cross(tangent, low), -down @ low)) + rng.normal(0.0, 5.0)
    apex = tangent - (tangent @ down) * down
    apex /= np.linalg.norm(apex)
    gamma = np.rad2deg(np.arctan2(line @ np.cross(down, apex), line @ apex)) + rng.normal(0.0, 6.0)
    return float(np.clip(alpha, 1.0, 89.0)), float(beta % 360.0), float(gamma % 360.0)
