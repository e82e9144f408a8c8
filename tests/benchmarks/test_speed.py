"""What speed is stated for, as ratios within one run: ``pytest -n 0 tests/benchmarks --benchmark-only``.

Absolute times are recorded by pytest-benchmark and never judged. Each limit is the stated one, at the middle size.
"""

from __future__ import annotations

import pytest

from tests.benchmarks import commands
from tests.benchmarks.measuring import peak_floats, seconds, slope
from tests.benchmarks.works import WORKS

SMALL = {"minimum curvature": 5.0}
"""Times the floor where the middle size is too small for the stated limit: its floor stays in the cache."""


@pytest.mark.parametrize("stated", WORKS, ids=lambda stated: stated.name)
def test_a_work_against_its_floor(benchmark, stated):
    work = stated.made(stated.sizes[1])
    ours, floor, *loops = seconds(work.run, work.floor, *work.plain.values(), repeats=7)
    benchmark.extra_info["times_the_floor"] = ours / floor
    benchmark.pedantic(work.run, rounds=3)
    assert ours / floor <= SMALL.get(stated.name, stated.limit)
    for loop in loops:
        assert loop / work.plain_rows > 10 * ours / work.rows


@pytest.mark.parametrize("stated", WORKS, ids=lambda stated: stated.name)
def test_time_grows_with_the_rows(benchmark, stated):
    times = [seconds(stated.made(size).run)[0] for size in stated.sizes[:2]]
    power = slope(stated.sizes[:2], times)
    benchmark.extra_info["power"] = power
    benchmark.pedantic(stated.made(stated.sizes[0]).run, rounds=1)
    assert power <= 1.15


@pytest.mark.parametrize("stated", WORKS, ids=lambda stated: stated.name)
def test_memory_is_flat(benchmark, stated):
    """A million stations are streamed in blocks of holes; look-ups and angles are flat at any size."""
    work = stated.made(1_000_000)
    floats = peak_floats(work.run, work.rows)
    benchmark.extra_info["float64_a_row"] = floats
    benchmark.pedantic(work.run, rounds=1)
    assert floats <= 12.0


def test_orient_takes_little_more_than_pandas_takes_to_read_and_write(benchmark):
    found = benchmark.pedantic(lambda: commands.oriented(300), rounds=1)
    benchmark.extra_info["times_pandas"] = found.ours.seconds / found.pandas.seconds
    assert found.ours.seconds <= 1.5 * found.pandas.seconds


def test_commands_start_soon(benchmark):
    over = benchmark.pedantic(commands.started, rounds=1)
    benchmark.extra_info.update(over)
    assert max(over.values()) <= 0.5
