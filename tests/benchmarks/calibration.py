"""Print what is found, missed and falsely said on worlds of many kinds: ``python -m tests.benchmarks.calibration``.

One table for all kinds of worlds: recall, precision, false accusations, and how often stated probabilities come true.
``--seeds N`` shortens it (20), ``--first`` begins at another seed (a kind is run on seeds that no choice was made on:
choices were made below 100), ``--only TEXT`` runs the kinds with that text in their names.

A module of ``tests.worlds`` takes part by ``kinds()``, which returns pairs of a name and ``run(seed) → counts``, and
``SHARES``, which says by name which counts are printed as shares of which others. Counts of all seeds are added up.
Beside them ``stated NAME`` (the sum of probabilities), ``right NAME`` and ``all NAME`` are printed as reliability.
Intervals are Wilson's, 95 %.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping

from scipy import stats

from tests.worlds import judging

__all__ = ["lines", "main", "total"]

MODULES = (judging,)
"""Modules with ``kinds()`` and ``SHARES``: each judges one part of the engine."""

Run = Callable[[int], Counter[str]]


def total(run: Run, seeds: Iterable[int]) -> Counter[str]:
    """Return the counts of a kind of world added up over seeds."""
    count: Counter[str] = Counter()
    for seed in seeds:
        count += run(seed)
    return count


def share(part: int, whole: int) -> str:
    """Return a share with its 95 % interval (Wilson's, as scipy has it)."""
    if not whole:
        return "–"
    low, high = stats.binomtest(part, whole).proportion_ci(method="wilson")
    return f"{part} of {whole}: {part / whole:.3f} ({low:.3f}–{high:.3f})"


def lines(count: Counter[str], shares: Mapping[str, tuple[str, str]]) -> list[str]:
    """Return the rates of some counts, one a line."""
    out = [f"  {name}: {share(count[part], count[whole])}" for name, (part, whole) in shares.items() if count[whole]]
    for name in [key.removeprefix("all ") for key in count if key.startswith("all ") and count[key]]:
        stated = count[f"stated {name}"] / count[f"all {name}"]
        out.append(f"  {name}: stated {stated:.3f}, right {share(count[f'right {name}'], count[f'all {name}'])}")
    return out


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--only", default="")
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.seeds)
    for module in MODULES:
        every: Counter[str] = Counter()
        for name, run in module.kinds():
            if chosen.only not in name:
                continue
            begun = time.process_time()
            count = total(run, seeds)
            every += count
            print(
                f"{name} ({chosen.seeds} seeds, {(time.process_time() - begun) / chosen.seeds:.1f} s of processor each)"
            )
            print("\n".join(lines(count, module.SHARES)), flush=True)
        print("all of these together")
        print("\n".join(lines(every, module.SHARES)))


if __name__ == "__main__":
    main()
