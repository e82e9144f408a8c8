"""Made-up drill fences for the tests of figures and exports: exact geometry, seeded, of any number of holes."""

from __future__ import annotations

import numpy as np

from desurvey import traces
from viewer.figures.layers import Bars, Content, Structures, Surface, Windows
from viewer.figures.sheet import Title

FAULT_DIP, FAULT_DIRECTION = 55.0, 270.0
ORIGIN = np.array([500_000.0, 6_500_000.0, 350.0])
TITLE = Title("Tarn Hollow", "Made-up fence", "EPSG:32633", "Azimuths from grid north", (), "2026-11-25")
ROCKS = np.array(["greywacke", "basalt", "schist", "dyke"])


def fence_traces(holes: int, azimuth: float = 90.0, spacing: float = 40.0, fences: int = 1) -> traces.Traces:
    """Return holes on fences 100 m apart, drilled towards ``azimuth`` at 60° and lifting on the way."""
    per_fence = -(-holes // fences)
    number = np.arange(holes)
    collar = ORIGIN + np.stack([(number % per_fence) * spacing, (number // per_fence) * 100.0, 0.0 * number], axis=1)
    collar[:, 2] += 5.0 * np.sin(number)
    end = 180.0 + 25.0 * (number % 5)
    stations = np.linspace(0.0, 1.0, 7)
    depth = (end[:, None] * 0.9 * stations).ravel()
    dip = (-60.0 + 12.0 * stations * (1 + number[:, None] % 3) / 2).ravel()
    bearing = (azimuth + 6.0 * stations * np.ones((holes, 1))).ravel()
    names = [f"TH-{i + 1:03d}" for i in range(holes)]
    return traces.chained(names, collar, end, np.arange(holes + 1) * 7, depth, bearing, dip)


def fence_content(holes: int, fences: int = 1, azimuth: float = 90.0, seed: int = 1) -> Content:
    """Return everything a figure can show of a made-up drill fence."""
    rng = np.random.default_rng(seed)
    trace = fence_traces(holes, azimuth=azimuth, fences=fences)
    number = 14 * holes
    hole = rng.integers(0, holes, number)
    depth = rng.uniform(2.0, trace.end[hole] - 1.0)
    kind = rng.choice(["foliation", "joint", "vein", "fault"], number, p=[0.5, 0.25, 0.17, 0.08])
    dip, direction = rng.normal(55, 6, number), rng.normal(270, 9, number) % 360
    suspect = np.zeros(number, dtype=bool)
    planes = Structures(hole, depth, trace.at(hole, depth).position, dip, direction, kind, suspect)
    cuts = np.linspace(0.0, 1.0, 6)
    bars = Bars(
        "lithology",
        np.repeat(np.arange(holes), 5),
        (trace.end[:, None] * cuts[:-1]).ravel(),
        (trace.end[:, None] * cuts[1:]).ravel(),
        rng.choice(ROCKS, 5 * holes),
    )
    centre = ORIGIN + np.array([20.0 * holes / fences + 60.0, 50.0 * (fences - 1), -120.0])
    windows = Windows(np.array(["F1"]), np.array([holes // 2]), np.array([90.0]), np.array([112.0]))
    return Content(
        traces=trace,
        planned=np.arange(holes) == holes - 1,
        title=Title(
            "Tarn Hollow", "Made-up fence for the tests", "EPSG:32633", "Azimuths from grid north", (), "2026-11-25"
        ),
        structures=planes,
        bars=bars,
        windows=windows,
        surfaces=(square("F1", centre, FAULT_DIP, FAULT_DIRECTION, 90.0 + 4 * holes),),
        topography=square("topography", ORIGIN + np.array([300.0, 0.0, 6.0]), 0.0, 0.0, 4000.0),
    )


def square(name: str, centre: np.ndarray, dip: float, direction: float, half: float) -> Surface:
    """Return a square sheet of two triangles with the given dip, dip direction and half side."""
    d, b = np.deg2rad([dip, direction])
    down = np.array([np.cos(d) * np.sin(b), np.cos(d) * np.cos(b), -np.sin(d)])
    strike = np.array([np.cos(b), -np.sin(b), 0.0])
    corners = [centre + half * (i * down + j * strike) for i, j in ((-1, -1), (-1, 1), (1, 1), (1, -1))]
    return Surface(name, np.array(corners), np.array([[0, 1, 2], [0, 2, 3]]))
