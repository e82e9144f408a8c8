"""Damaged projects through check, trace and orient in one process: ``python -m tests.fuzz --n 2000 [--seed 0]``.

Counts what must never be: exceptions that aren't answers, runs that hang, inputs that change, and numbers that change
in holes whose rows are all as they were. The undamaged project is the truth for those.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd

from desurvey import checks, spread, traces
from desurvey.orient import oriented
from desurvey.problems import DataProblem
from desurvey.project import load_project
from desurvey.tables.names import name_key
from tests.test_fuzz_tables import FILES, LONGEST_S, checksums, damaged

__all__ = ["fuzz"]

HOLES = ("TH-01", "TH-13", "TH-25")
PATH_FILES = ("project.toml", "collars.csv", "surveys.csv")


def answers(folder: Path) -> dict[str, pd.DataFrame]:
    """Return the tables that trace writes for a project, hole by hole; nothing for a project that is refused."""
    try:
        project = load_project(folder)
        holes = traces.build(project)
        checks.check(project, holes)
        known = spread.project_spread(project, holes)
        table = spread.trace_table(holes, known)
        structures = oriented(project, holes)
        spread.orientation_table(structures, spread.structure_spread(structures, known))
    except DataProblem:
        return {}
    return {str(hole): rows.reset_index(drop=True) for hole, rows in table.groupby("hole_id")}


def untouched(folder: Path) -> list[str]:
    """Return the holes of a copy whose path stands as it did: no row of theirs is new, gone or another."""
    touched: set[str] = set()
    for name in PATH_FILES:
        path = folder / name
        data = path.read_bytes() if path.is_file() else b""
        before, after = FILES[name].decode().split("\n"), data.decode("utf-8", "replace").split("\n")
        if name == "project.toml":
            if data != FILES[name]:
                return []
            continue
        if before[0] != after[0] or any(mark in data for mark in (b'"', b"\r", b"\0")):
            return []  # what such a mark swallows may be another hole's row
        other = (Counter(before) - Counter(after)) + (Counter(after) - Counter(before))
        touched |= {name_key(line.split(",")[0]) for line in other}
    return [hole for hole in HOLES if name_key(hole) not in touched]


def same(one: pd.DataFrame, other: pd.DataFrame) -> bool:
    """Return whether two tables of a hole say the same numbers."""
    columns = [name for name in one.columns if name != "hole_id"]
    if len(one) != len(other):
        return False
    return np.allclose(one[columns].to_numpy(float), other[columns].to_numpy(float), rtol=0, atol=1e-6, equal_nan=True)


def fuzz(numbers: range, *, say: bool = False) -> Counter[str]:
    """Run copies through the engine and count what they led to."""
    counts: Counter[str] = Counter(tracebacks=0, hangs=0, inputs_changed=0, values_changed=0)
    with tempfile.TemporaryDirectory() as place:
        whole = Path(place) / "whole"
        whole.mkdir()
        for name, data in FILES.items():
            (whole / name).write_bytes(data)
        truth = answers(whole)
        for number in numbers:
            folder = Path(place) / str(number)
            folder.mkdir()
            before = checksums(damaged(number, folder))
            start, found = time.process_time(), {}
            try:
                found = answers(folder)
            except Exception:
                counts["tracebacks"] += 1
                if say:
                    print(f"copy {number}:\n{traceback.format_exc()}", file=sys.stderr)
            counts["hangs"] += time.process_time() - start > LONGEST_S
            counts["inputs_changed"] += checksums(folder) != before
            for hole in untouched(folder) if found else ():
                changed = hole in found and not same(truth[hole], found[hole])
                counts["holes_compared"] += hole in found
                counts["values_changed"] += changed
                if changed and say:
                    print(f"copy {number}: {hole} changed", file=sys.stderr)
            counts["answered" if found else "refused"] += 1
    return counts


def main() -> None:
    """Run it, say the counts, and exit with 1 when one is there that mustn't be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0, help="number of the first copy")
    asked = parser.parse_args()
    counts = fuzz(range(asked.seed, asked.seed + asked.n), say=True)
    print(", ".join(f"{name} {count}" for name, count in counts.items()))
    sys.exit(any(counts[name] for name in ("tracebacks", "hangs", "inputs_changed", "values_changed")))


if __name__ == "__main__":
    main()
