"""A drilling programme without a fault to be found, to be broken in one place by each test of a check."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

__all__ = ["TOML", "flawless", "write_tables"]

TOML = """name = "Flawless"
[frame]
north = "grid"
dip_sign = "negative_down"
crs = "EPSG:32633"
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

HOLES = [f"D-{i}" for i in range(1, 9)]
END = 120.0


def flawless() -> dict[str, pd.DataFrame]:
    """Return tables of eight parallel holes 40 m apart, surveyed and fitted, with nothing to complain of."""
    count = np.arange(len(HOLES))
    depth = np.arange(0.0, END + 1, 30.0)
    top = np.arange(0.0, END, 3.0)
    stations, runs = np.tile(depth, len(HOLES)), np.tile(top, len(HOLES))
    hole = {n: np.repeat(HOLES, n) for n in (len(depth), len(top), 5, 3)}
    logged = np.tile([4.0, 22.5, 51.0, 80.25, 111.0], len(HOLES))
    return {
        "collars": pd.DataFrame(
            {
                "hole_id": HOLES,
                "easting": 512000.0 + 40.0 * count,
                "northing": 5311900.0 + 5.0 * (count % 3),
                "elevation": 600.0 + 2.0 * count,
                "depth": END,
                "azimuth": 90.0,
                "dip": -60.0,
                "core_size": "N",
                "status": "drilled",
                "date": "2026-04-01",
            }
        ),
        "surveys": pd.DataFrame(
            {
                "hole_id": hole[len(depth)],
                "depth": stations,
                "azimuth": 90.0 + stations / 60.0,
                "dip": -60.0 + stations / 40.0,
                "north": "grid",
                "instrument": "gyro",
                "field_nt": np.nan,
                "field_dip": np.nan,
            }
        ),
        "runs": pd.DataFrame(
            {
                "hole_id": hole[len(top)],
                "depth_from": runs,
                "depth_to": runs + 3.0,
                "recovered": 2.95,
                "line": "",
                "line_offset": np.where(runs == 0.0, np.nan, 2.0 - 4.0 * ((runs / 3.0) % 2)),
                "settle_s": 30.0,
            }
        ),
        "structures": pd.DataFrame(
            {
                "hole_id": hole[5],
                "depth": logged,
                "kind": "fault",
                "alpha": 40.0,
                "beta": 100.0,
                "gamma": np.nan,
                "dip": np.nan,
                "dip_direction": np.nan,
            }
        ),
        "lithology": pd.DataFrame(
            {
                "hole_id": hole[3],
                "depth_from": np.tile([0.0, 40.0, 90.0], len(HOLES)),
                "depth_to": np.tile([40.0, 90.0, END], len(HOLES)),
                "rock": "schist",
            }
        ),
    }


def write_tables(tables: dict[str, pd.DataFrame], folder: Path, toml: str = TOML) -> Path:
    """Write tables and project.toml into a folder and return it."""
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    (folder / "project.toml").write_text(toml, encoding="utf-8")
    return folder
