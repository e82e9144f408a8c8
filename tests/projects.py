"""Small projects on disk for tests, written as a person would."""

from __future__ import annotations

from pathlib import Path

__all__ = ["PROJECT_TOML", "TABLES", "write_project"]

PROJECT_TOML = """
name = "Two holes"
[frame]
north = "grid"
dip_sign = "negative_down"
[core]
line = "low"
[tables]
collars = "collars.csv"
surveys = "surveys.csv"
runs = "runs.csv"
structures = "structures.csv"
[tables.intervals]
lithology = "lithology.csv"
"""

TABLES = {
    "collars": """hole_id,easting,northing,elevation,depth,azimuth,dip,date
A,1000,2000,100,120,90,-60,2026-05-01
B,1100,2000,101,80,90,-60,2026-05-03
""",
    "surveys": """hole_id,depth,azimuth,dip
A,0,90,-60
A,60,92,-58
A,120,95,-55
B,0,0,-60
B,80,4,-61
""",
    "runs": """hole_id,depth_from,depth_to,recovered,line
A,0,3,3,
A,3,6,2.9,high
B,0,3,3,
""",
    "structures": """hole_id,depth,kind,alpha,beta,gamma,structure_id,line,note
A,1.5,fault,30,180,,S1,,
A,4,fault,30,0,25,S2,,
A,50,joint,45,,,S3,,no line here
B,2,vein,90,,,S4,,
B,10,fault,60,200,,,high,
""",
    "lithology": """hole_id,depth_from,depth_to,rock
A,0,70,schist
A,70,120,dyke
B,0,80,schist
""",
}


def write_project(folder: Path, toml: str = PROJECT_TOML, **changed: str | None) -> Path:
    """Write the two-hole project, with tables exchanged or (None) left out, and return its folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "project.toml").write_text(toml, encoding="utf-8")
    for name, text in {**TABLES, **changed}.items():
        if text is not None:
            (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder
