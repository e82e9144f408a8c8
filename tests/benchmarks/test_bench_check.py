"""Loading and checking 1,000 holes, 100,000 survey rows and 300,000 structures: time in proportion to rows, memory.

Times are ratios to what pandas takes to read the same files, in the same process: a slower machine slows both. Run with
``pytest -n 0 --benchmark-only tests/benchmarks/test_bench_check.py``; the ratios and the memory are ordinary tests.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import desurvey
from desurvey.project import load_project
from tests.drilling import TOML

STATIONS, STRUCTURES = 100, 300
SIZES = (100, 300, 1000)


def write_holes(folder: Path, holes: int, seed: int = 20260917) -> Path:
    """Write a project of many holes: 100 stations, 200 runs, 300 structures and 20 intervals each."""
    rng = np.random.default_rng(seed)
    names = np.array([f"TH-{number:04d}" for number in range(holes)])
    number = np.arange(holes)
    station, run = np.arange(STATIONS) * 6.0, np.arange(200) * 3.0
    depth = np.sort(rng.uniform(0.0, 597.0, (holes, STRUCTURES)), axis=1).round(2)
    tables = {
        "collars": {
            "hole_id": names,
            "easting": 510000.0 + 60.0 * (number % 40),
            "northing": 5310000.0 + 60.0 * (number // 40),
            "elevation": 300.0,
            "depth": 600.0,
            "azimuth": 90.0,
            "dip": -60.0,
            "core_size": "N",
            "status": "drilled",
            "date": "2026-04-01",
        },
        "surveys": {
            "hole_id": np.repeat(names, STATIONS),
            "depth": np.tile(station, holes),
            "azimuth": (90.0 + rng.normal(0.0, 0.2, holes * STATIONS)).round(2),
            "dip": (-60.0 + rng.normal(0.0, 0.1, holes * STATIONS)).round(2),
            "north": "grid",
            "instrument": "gyro",
        },
        "runs": {
            "hole_id": np.repeat(names, 200),
            "depth_from": np.tile(run, holes),
            "depth_to": np.tile(run + 3.0, holes),
            "recovered": 2.95,
            "line_offset": rng.normal(0.0, 3.0, holes * 200).round(),
            "settle_s": 30,
        },
        "structures": {
            "structure_id": [f"S{place}" for place in range(holes * STRUCTURES)],
            "hole_id": np.repeat(names, STRUCTURES),
            "depth": depth.ravel(),
            "kind": rng.choice(["joint", "vein", "fault"], holes * STRUCTURES),
            "alpha": rng.integers(5, 88, holes * STRUCTURES),
            "beta": rng.integers(0, 360, holes * STRUCTURES),
            "note": "planar, rough",
        },
        "lithology": {
            "hole_id": np.repeat(names, 20),
            "depth_from": np.tile(np.arange(20) * 30.0, holes),
            "depth_to": np.tile(np.arange(20) * 30.0 + 30.0, holes),
            "rock": "schist",
        },
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in tables.items():
        pd.DataFrame(columns).to_csv(folder / f"{name}.csv", index=False)
    (folder / "project.toml").write_text(TOML, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def projects(tmp_path_factory) -> dict[int, Path]:
    return {holes: write_holes(tmp_path_factory.mktemp("many") / str(holes), holes) for holes in SIZES}


def checked(folder: Path) -> tuple:
    return desurvey.open(folder).findings


def read_by_pandas(folder: Path) -> list[pd.DataFrame]:
    return [pd.read_csv(file) for file in sorted(folder.glob("*.csv"))]


def seconds(function, *arguments, repeats: int = 3) -> float:
    """Return the shortest processor time of some runs: other programs on the machine don't count."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        function(*arguments)
        times.append(time.process_time() - start)
    return min(times)


@pytest.mark.parametrize("holes", SIZES)
def test_bench_check(benchmark, projects, holes):
    findings = benchmark.pedantic(checked, args=(projects[holes],), rounds=3, warmup_rounds=1)
    assert {finding.severity for finding in findings} <= {"warning", "note"}


@pytest.mark.slow
def test_time_grows_with_the_rows_and_no_faster(projects):
    """Ten times the holes take at most twelve times as long; small sizes carry what no row costs."""
    checked(projects[100])
    small, large = seconds(checked, projects[100]), seconds(checked, projects[1000])
    assert large < 12.0 * small


@pytest.mark.slow
def test_loading_takes_a_few_times_what_pandas_takes_to_read(projects):
    """The two are timed in turn, so that a machine that slows down slows both."""
    folder = projects[1000]
    load_project(folder)
    pairs = [(seconds(load_project, folder, repeats=1), seconds(read_by_pandas, folder)) for _ in range(5)]
    assert np.median([ours / pandas for ours, pandas in pairs]) < 8.0


@pytest.mark.slow
def test_memory_stays_below_a_gibibyte(projects):
    """The peak of all checks of tables (``lowside check --quick``), by the system's own count (ru_maxrss)."""
    script = (
        "import resource, sys; sys.argv = ['lowside', 'check', '--quick', sys.argv[1]]\n"
        "from viewer.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(projects[1000])], capture_output=True, text=True, check=True
    )
    assert int(done.stderr.split()[-1]) < 1024 * 1024
