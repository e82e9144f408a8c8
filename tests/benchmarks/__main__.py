"""Print one table of what speed and memory are stated for: ``python -m tests.benchmarks [--quick]``.

Times are the least of several runs, in processor seconds, and ratios are taken within one run; pictures a second are by
the clock. ``--quick`` leaves out the largest size of each work, for which the limits are stated, and the largest scene.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
from collections.abc import Iterator
from typing import NamedTuple

from tests.benchmarks import commands
from tests.benchmarks.measuring import peak_floats, seconds, slope
from tests.benchmarks.works import WORKS, Stated

OVER_PANDAS = 1.5
OVER_START = 0.5
MOST_FLOATS = 12.0
FASTEST_LOOP = 50.0
POINTS_A_SECOND = 3e6


class Line(NamedTuple):
    """One line of the table: what was measured, and the limit it must keep."""

    work: str
    rows: str
    what: str
    measured: float
    unit: str
    limit: float
    at_most: bool = True

    def __str__(self) -> str:
        """Return the line; limits of what has none are left blank."""
        sign = "≤" if self.at_most else "≥"
        limit = f"{sign} {self.limit:g}" if self.limit else ""
        kept = (self.measured <= self.limit) if self.at_most else (self.measured >= self.limit)
        verdict = ("yes" if kept else "NO") if self.limit else ""
        number = f"{self.measured:,.0f}" if self.measured >= 100 else f"{self.measured:.3g}"
        return f"{self.work:<32} {self.rows:>11}  {self.what:<34} {number:>10} {self.unit:<14} {limit:>9}  {verdict}"


def of_work(stated: Stated, sizes: tuple[int, ...]) -> Iterator[Line]:
    """Measure a work: time at each size against its floor, growth, loops, and memory."""
    times = []
    for size in sizes:
        work = stated.made(size)
        ours, floor, *loops = seconds(work.run, work.floor, *work.plain.values())
        times.append(ours)
        largest = size == stated.sizes[-1]
        yield Line(stated.name, f"{size:,}", "time a row", ours / work.rows * 1e9, "ns", 0.0)
        yield Line("", "", f"times {stated.floor}", ours / floor, "", stated.limit if largest else 0.0)
        for name, loop in zip(work.plain, loops, strict=True):
            ratio = loop / work.plain_rows / (ours / work.rows)
            limit = FASTEST_LOOP if largest and name == "numpy" else 0.0
            yield Line("", "", f"faster than a loop with {name}", ratio, "times", limit, at_most=False)
        if stated.name.startswith("positions"):
            yield Line("", "", "look-ups", work.rows / ours, "a second", POINTS_A_SECOND * largest, at_most=False)
        memory = peak_floats(work.run, work.rows)
        yield Line("", "", "memory at the peak", memory, "float64 a row", MOST_FLOATS if largest else 0.0)
    yield Line("", "", "growth: time ∝ rows to the power", slope(sizes, times), "", 1.1)


def of_commands(holes: tuple[int, ...]) -> Iterator[Line]:
    """Measure ``orient``, CSV in and out, against pandas, and how long commands take to start."""
    start = commands.started()
    base = start["lowside --help"] + commands.child("import pandas").seconds
    times = []
    for count in holes:
        done = commands.oriented(count)
        times.append(max(done.ours.seconds - base, 1e-3))
        ratio = done.ours.seconds / done.pandas.seconds
        yield Line("lowside orient, CSV", f"{300 * count:,}", "time", done.ours.seconds, "s", 0.0)
        yield Line("", "", "times pandas on the same files", ratio, "", OVER_PANDAS if count >= 1000 else 0.0)
        yield Line("", "", "memory", done.ours.mebibytes, "MiB", 0.0)
        yield Line("", "", "memory of pandas", done.pandas.mebibytes, "MiB", 0.0)
    yield Line("", "", "growth: time ∝ rows to the power", slope(holes, times), "", 1.1)
    for name, over in start.items():
        yield Line(name, "", "start beyond Python and pandas", over, "s", OVER_START)


def of_scene(holes: int, discs: int, first: float, turning: float, memory: float) -> Iterator[Line]:
    """Measure a scene in a process of its own."""
    program = [sys.executable, "-m", "tests.benchmarks.scenes", str(holes), str(discs // holes)]
    done = subprocess.run(program, check=True, capture_output=True, text=True, cwd=commands.ROOT)
    found = json.loads(done.stdout.splitlines()[-1])
    yield Line(f"scene of {holes:,} holes", f"{discs:,}", "first picture after loading", found["first"], "s", first)
    yield Line("", "", "the same, processors together", found["first_cpu"], "s", 0.0)
    yield Line("", "", "pictures turning", found["turning"], "a second", turning, at_most=False)
    yield Line("", "", "one of them, processors together", 1e3 * found["turning_cpu"], "ms", 0.0)
    yield Line("", "", "pictures in full detail", found["resting"], "a second", 0.0)
    yield Line("", "", "memory", found["mebibytes"], "MiB", memory)


def lines(*, quick: bool) -> Iterator[Line]:
    """Measure everything, one line after the other."""
    for stated in WORKS:
        yield from of_work(stated, stated.sizes[:2] if quick else stated.sizes)
    yield from of_commands((10, 100) if quick else (10, 100, 1000))
    yield from of_scene(1_000, 20_000, 4.0, 15.0, 3072.0)
    if not quick:
        yield from of_scene(10_000, 100_000, 15.0, 10.0, 3072.0)


def main() -> None:
    """Print the table."""
    print(
        f"{platform.processor() or platform.machine()}, {os.cpu_count()} processors, Python {platform.python_version()}"
    )
    busy = os.getloadavg()[0]
    if busy > 1.0:
        print(f"others keep {busy:.1f} processors busy: times by the clock mean little")
    for line in lines(quick="--quick" in sys.argv[1:]):
        print(line, flush=True)


if __name__ == "__main__":
    main()
