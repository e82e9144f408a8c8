"""How time and memory are measured: the least of several runs, and baselines between the runs they are held against.

Times are those of the processor, user and system together: what else the machine does meanwhile counts little.
"""

from __future__ import annotations

import os
import resource
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


@dataclass(frozen=True, order=True)
class Cost:
    """What a process took: processor seconds and the most memory, in MiB."""

    seconds: float
    mebibytes: float


MEMORY = """
import atexit, os, re
def said():
    most = re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())
    os.write({handle}, most.group(1).encode())
atexit.register(said)
"""
"""What a process runs first, so that it says at its end how much memory it held at most (Linux)."""


def child(program: str, *arguments: object, repeats: int = 3, allowed: Sequence[int] = (0,)) -> Cost:
    """Return the least that ``python -c PROGRAM ARGUMENTS`` takes.

    Parameters
    ----------
    program : str
    arguments
        What it finds in ``sys.argv[1:]``.
    repeats : int
    allowed : sequence of int
        Exit statuses that are no failure.
    """
    return min(_once(program, [str(argument) for argument in arguments], allowed) for _ in range(repeats))


def _once(program: str, arguments: list[str], allowed: Sequence[int]) -> Cost:
    reading, writing = os.pipe()
    command = [sys.executable, "-c", MEMORY.format(handle=writing) + program, *arguments]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, capture_output=True, text=True, check=False, pass_fds=[writing])
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    os.close(writing)
    with os.fdopen(reading) as said:
        most = said.read()
    if done.returncode not in allowed:
        raise RuntimeError(f"{arguments} ended with {done.returncode}: {done.stderr}")
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(seconds, int(most) / 1024)
