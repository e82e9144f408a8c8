"""The commands as a person runs them, beside pandas doing nothing but read and write the same files."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from tests.benchmarks.measuring import Cost, child

__all__ = ["Against", "oriented", "started", "written"]

ROOT = Path(__file__).parents[2]
RUN = "from viewer.cli import main; main()"

SETTINGS = """name = "Speed"
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

READ_AND_WRITE = """
import sys, pandas as pd
folder, result, out = sys.argv[1:]
for name in ("collars", "surveys", "structures"):
    pd.read_csv(f"{folder}/{name}.csv")
"""


class Against(NamedTuple):
    """A command, and what it is held against."""

    ours: Cost
    pandas: Cost


def written(folder: Path, holes: int, structures: int = 300, stations: int = 100) -> Path:
    """Write a project of very many holes as CSV, angles to a tenth and depths to a hundredth, and return its folder."""
    rng = np.random.default_rng(12)
    names = np.char.add("TH-", np.char.zfill(np.arange(holes).astype(str), 5))
    collars = {
        "hole_id": names,
        "easting": 500_000 + 50.0 * (np.arange(holes) % 100),
        "northing": 5_400_000 + 50.0 * (np.arange(holes) // 100),
        "elevation": rng.uniform(300, 320, holes).round(2),
        "depth": 6.0 * stations,
    }
    rank = np.tile(np.arange(stations), holes)
    surveys = {
        "hole_id": np.repeat(names, stations),
        "depth": 6.0 * rank,
        "azimuth": (np.repeat(rng.uniform(40, 300, holes), stations) + 0.1 * rank).round(1),
        "dip": (np.repeat(rng.uniform(-80, -60, holes), stations) + 0.1 * rank).round(1),
    }
    depth = np.sort(rng.uniform(0, 6 * (stations - 1), (holes, structures)), axis=1).ravel().round(2)
    kinds = np.array(["joint", "vein", "fault", "foliation"])
    logged = {
        "structure_id": np.char.add("S", np.arange(holes * structures).astype(str)),
        "hole_id": np.repeat(names, structures),
        "depth": depth,
        "kind": kinds[rng.integers(0, 4, len(depth))],
        "alpha": rng.uniform(5, 89, len(depth)).round(1),
        "beta": rng.uniform(0, 359, len(depth)).round(1),
    }
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "project.toml").write_text(SETTINGS, encoding="utf-8")
    for name, columns in {"collars": collars, "surveys": surveys, "structures": logged}.items():
        pd.DataFrame(columns).to_csv(folder / f"{name}.csv", index=False)
    return folder


def oriented(holes: int, repeats: int = 3) -> Against:
    """Run ``lowside orient``, CSV in and CSV out, and pandas reading its three inputs and writing its output."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = written(Path(scratch) / "project", holes)
        out, again = Path(scratch) / "oriented.csv", Path(scratch) / "again.csv"
        ours = child(RUN, "orient", folder, "--out", out, repeats=repeats)
        kept = Path(scratch) / "oriented.pickle"
        pd.read_csv(out).to_pickle(kept)
        program = f"{READ_AND_WRITE}pd.read_pickle(result).to_csv(out, index=False)\n"
        both = child(program, folder, kept, again, repeats=repeats)
        return Against(ours, both)


def started(repeats: int = 5) -> dict[str, float]:
    """Return what starting takes beyond Python with pandas, in processor seconds, by command."""
    bare = child("import pandas", repeats=repeats).seconds
    runs = {"lowside --help": ["--help"], "lowside check demo_project": ["check", ROOT / "demo_project"]}
    return {
        name: child(RUN, *arguments, repeats=repeats, allowed=(0, 1)).seconds - bare for name, arguments in runs.items()
    }
