"""What uncertainty costs beside the plain trace: ``pytest -n 0 tests/test_spread_speed.py --benchmark-only``."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest

from desurvey.spread import hole_spread
from desurvey.traces import chained

STATIONS = 100


def surveyed(holes: int) -> tuple:
    """Return the arguments of :func:`desurvey.traces.chained` for holes of 100 stations, 10 m apart."""
    rng = np.random.default_rng(10)
    azimuth = np.repeat(rng.uniform(0, 360, holes), STATIONS) + rng.normal(0, 1, holes * STATIONS)
    dip = np.clip(np.repeat(rng.uniform(-85, -50, holes), STATIONS) + rng.normal(0, 0.5, holes * STATIONS), -90, 90)
    depth = np.tile(10.0 * np.arange(STATIONS), holes)
    names, offsets = np.arange(holes).astype(str), STATIONS * np.arange(holes + 1)
    return names, np.zeros((holes, 3)), np.full(holes, 1e3), offsets, depth, azimuth, dip


def least(function: Callable[[], object], rounds: int = 3) -> float:
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        function()
        times.append(time.perf_counter() - begin)
    return min(times)


@pytest.mark.parametrize("holes", [100, 1000, 10_000])
def test_covariance_of_all_stations(benchmark, holes):
    """At most ten times the trace, for 10,000 holes of 100 stations."""
    given = surveyed(holes)
    trace = least(lambda: chained(*given))
    traces = chained(*given)
    covariance = benchmark.pedantic(lambda: hole_spread(traces).stations(), rounds=3)
    assert covariance.shape == (holes * STATIONS, 3, 3)
    ratio = benchmark.stats["min"] / trace
    benchmark.extra_info["times_the_trace"] = ratio
    print(f"{holes} holes: {ratio:.1f} times the trace")
    if holes == 10_000:
        assert ratio < 10


def test_covariance_of_100_000_points(benchmark):
    spread = hole_spread(chained(*surveyed(1000)))
    rng = np.random.default_rng(3)
    hole, depth = rng.integers(0, 1000, 100_000), rng.uniform(0, 1000, 100_000)
    assert benchmark(spread.at, hole, depth).position.shape == (100_000, 3, 3)
