"""How time and memory are measured: the least of several runs, and baselines between the runs they are held against.

Times are those of the processor, user and system together: what else the machine does meanwhile counts little.
"""

from __future__ import annotations

import os
import re
import resource
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

__all__ = ["Cost", "child", "most_mebibytes", "peak_floats", "seconds", "slope"]


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


STATUS = Path("/proc/self/status")


def most_mebibytes(status: str = "") -> float:
    """Return the most memory that this process, or the one of that status, has held, in MiB (Linux).

    ``getrusage`` would count what a process's parent held when it was forked.
    """
    found = re.search(r"VmHWM:\s+(\d+)", status or STATUS.read_text())
    return int(found.group(1)) / 1024 if found else float("nan")


SAYING = """
import atexit, os
atexit.register(lambda: os.write({handle}, open("{status}", "rb").read()))
"""
"""What a process runs first, so that it hands over its status at its end."""


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
    command = [sys.executable, "-c", SAYING.format(handle=writing, status=STATUS) + program, *arguments]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, capture_output=True, text=True, check=False, pass_fds=[writing])
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    os.close(writing)
    with os.fdopen(reading) as said:
        status = said.read()
    if done.returncode not in allowed:
        raise RuntimeError(f"{arguments} ended with {done.returncode}: {done.stderr}")
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(seconds, most_mebibytes(status))
