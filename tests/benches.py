"""Small projects written to disk for tests of pictures: tables as a geologist would hand them in."""

from __future__ import annotations

from pathlib import Path

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
    if "rocks" in tables:
        headings["rocks"] = ROCKS
        settings += '[tables.intervals]\nrocks = "rocks.csv"\n'
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "project.toml").write_text(settings, encoding="utf-8")
    for table, heading in headings.items():
        (folder / f"{table}.csv").write_text("\n".join([heading, *tables.get(table, [])]) + "\n", encoding="utf-8")
    return folder


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
