"""Small projects written to disk for tests of pictures: tables as a geologist would hand them in."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from desurvey import curvature, orient

SETTINGS = """name = "{name}"
[frame]
north = "grid"
dip_sign = "negative_down"
[core]
line = "low"
[tables]
collars = "collars.csv"
surveys = "surveys.csv"
structures = "structures.csv"
"""

COLLARS = "hole_id,easting,northing,elevation,depth,azimuth,dip,status"
SURVEYS = "hole_id,depth,azimuth,dip"
STRUCTURES = "structure_id,hole_id,depth,kind,alpha,beta,gamma"
RUNS = "hole_id,depth_from,depth_to,line"
ROCKS = "hole_id,depth_from,depth_to,rock,copper_pct"

TWO_HOLES = {
    "collars": ["B-1,500100,5400200,300,120,90,-60,drilled", "B-2,500200,5400200,310,90,90,-60,planned"],
    "surveys": ["B-1,0,90,-60", "B-1,60,96,-58", "B-1,120,100,-55"],
    "structures": [
        "S1,B-1,20,fault,30,0,",
        "S2,B-1,50,joint,60,120,25",
        "S3,B-1,80,foliation,45,180,",
        "S4,B-1,90,foliation,45,,",
    ],
    "rocks": ["B-1,0,33.3,granite,0.1", "B-1,33.3,70,schist,0.9", "B-1,80,120,granite,"],
}
"""A drilled and a planned hole; S4 has no beta and so no orientation; nothing was logged from 70 to 80 m."""


def written(folder: Path, tables: dict[str, list[str]] = TWO_HOLES, name: str = "Bench") -> Path:
    """Write a project and return its folder; a table without rows gets its heading alone."""
    settings = SETTINGS.format(name=name)
    headings = {"collars": COLLARS, "surveys": SURVEYS, "structures": STRUCTURES}
    if "runs" in tables:
        headings["runs"] = RUNS
        settings += 'runs = "runs.csv"\n'
    if "rocks" in tables:
        headings["rocks"] = ROCKS
        settings += '[tables.intervals]\nrocks = "rocks.csv"\n'
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "project.toml").write_text(settings, encoding="utf-8")
    for table, heading in headings.items():
        (folder / f"{table}.csv").write_text("\n".join([heading, *tables.get(table, [])]) + "\n", encoding="utf-8")
    return folder


def layered(wrong_run: tuple[str, float] = ("L04", 60.0)) -> dict[str, list[str]]:
    """Return the tables of nine holes through one layering and two faults, with the line of one run on the wrong side.

    The layering dips at 50° to 110°; the faults dip at 60° to 200° and lie 60 m apart. Core angles come from the
    kernels of the engine, rounded to a degree as a logger would, with a little seeded scatter.
    """
    names = [f"L{i:02d}" for i in range(9)]
    collars = np.array([[500000 + 60 * (i % 3), 5400000 + 60 * (i // 3), 300] for i in range(9)], dtype=float)
    azimuth, dip = np.deg2rad(280.0 + 3 * np.arange(9)), np.deg2rad(-62.0 - np.arange(9) % 4)
    along = curvature.tangent(azimuth, dip)
    rng = np.random.default_rng(5)
    rows: list[str] = []
    for hole, depth in ((hole, depth) for hole in range(9) for depth in np.arange(15.0, 180.0, 5.0)):
        rows.append(_logged(names[hole], depth, "foliation", along[hole], (50.0, 110.0), rng, wrong_run))
    normal = orient.vector_of_plane(np.array([60.0]), np.array([200.0]))[0]
    for distance in (0.0, 60.0):
        origin = np.array([500060.0, 5400060.0, 210.0]) + distance * normal
        depth = ((origin - collars) @ normal) / (along @ normal)
        for hole in np.flatnonzero((depth > 10.0) & (depth < 180.0)):
            rows.append(_logged(names[hole], depth[hole], "fault", along[hole], (60.0, 200.0), rng, ("", 0.0)))
    return {
        "collars": [
            f"{names[i]},{collars[i, 0]:.0f},{collars[i, 1]:.0f},300,190,{np.rad2deg(azimuth[i]):.0f},"
            f"{np.rad2deg(dip[i]):.0f},drilled"
            for i in range(9)
        ],
        "structures": [f"S{number:04d},{row}" for number, row in enumerate(rows)],
        "runs": [f"{name},{top},{top + 10},low" for name in names for top in range(0, 190, 10)],
    }


def _logged(hole, depth, kind, tangent, plane, rng, wrong_run):
    """Return a row of a structure as it would be logged, on the wrong side where its run is the wrong one."""
    normal = orient.vector_of_plane(np.array([plane[0]]), np.array([plane[1]]))
    reference = orient.reference_line(tangent[None], np.array(["low"]))
    alpha, beta = (float(angle[0]) for angle in orient.core_angles(tangent[None], reference, normal))
    wrong = hole == wrong_run[0] and wrong_run[1] <= depth < wrong_run[1] + 10.0
    beta += rng.normal(0.0, 4.0) + (180.0 if wrong else 0.0)
    return f"{hole},{depth:.2f},{kind},{alpha + rng.normal(0.0, 1.5):.0f},{beta % 360.0:.0f},"


def fan(holes: int) -> dict[str, list[str]]:
    """Return the tables of a grid of holes, ten to a fence 50 m apart, each with a joint and a vein."""
    names = [f"F{i:03d}" for i in range(holes)]
    return {
        "collars": [
            f"{name},{500000 + 50 * (i % 10)},{5400000 + 80 * (i // 10)},{400 + i % 7},200,"
            f"{85 + i % 11},-{55 + i % 9},drilled"
            for i, name in enumerate(names)
        ],
        "surveys": [],
        "structures": [
            f"{name}-{kind},{name},{depth},{kind},{35 + i % 40},{7 * i % 360},"
            for i, name in enumerate(names)
            for kind, depth in (("joint", 60), ("vein", 140))
        ],
    }
