"""How time and memory are measured: the least of several runs, and baselines between the runs they are held against.

Times are those of the processor, user and system together: what else the machine does meanwhile counts little.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Cost", "child", "peak_floats", "seconds", "slope"]


def seconds(*runs: Callable[[], object], repeats: int = 5) -> list[float]:
    """Return the least processor time of each of several things, done in turn so that all meet the same machine."""
    least = [float("inf")] * len(runs)
    for _ in range(repeats):
        for place, run in enumerate(runs):
            start = time.process_time()
            run()
            least[place] = min(least[place], time.process_time() - start)
    return least


def slope(sizes: Sequence[float], times: Sequence[float]) -> float:
    """Return the power of the size that time grows with: 1 where it is proportional."""
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])


def peak_floats(run: Callable[[], object], rows: int) -> float:
    """Return the most memory that is held beside the arguments, the result included, in float64 a row."""
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        run()
        return (tracemalloc.get_traced_memory()[1] - before) / 8 / rows
    finally:
        tracemalloc.stop()


@dataclass(frozen=True)
class Cost:
    """What a process took: processor seconds and the most memory, in MiB."""

    seconds: float
    mebibytes: float


def child(*arguments: object, repeats: int = 3, allowed: Sequence[int] = (0,)) -> Cost:
    """Return the least that ``python ARGUMENTS`` takes.

    Parameters
    ----------
    arguments
        Behind ``python``.
    repeats : int
    allowed : sequence of int
        Exit statuses that are no failure.
    """
    costs = []
    for _ in range(repeats):
        process = subprocess.Popen(
            [sys.executable, *map(str, arguments)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )
        said = process.stderr.read().decode() if process.stderr else ""
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.stderr:
            process.stderr.close()
        if process.returncode not in allowed:
            raise RuntimeError(f"{arguments} ended with {process.returncode}: {said}")
        costs.append(Cost(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024))
    return Cost(min(cost.seconds for cost in costs), min(cost.mebibytes for cost in costs))
