"""Print how well suspects are found, over many worlds: ``python -m tests.benchmarks.suspects_report [WORLDS] [FIRST]``.

Recall, precision and the calibration of σ of the roll, for several kinds of world; whole holes; clean worlds. Worlds of
another seed than those of the tests, so that nothing printed here was tuned on.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

from tests.worlds.folded import Settings, make_world
from tests.worlds.scoring import rates, run, score

WORLDS = {
    "usual": Settings(),
    "no line offsets": Settings(offsets=False),
    "foliation only, no offsets": Settings(offsets=False, joints=False),
    "tight folds, poor lines": Settings(wavelength=(120.0, 300.0), limb=(25.0, 50.0), line_error=4.0),
    "few readings": Settings(readings=(2, 4), holes=20),
    "wrong holes": Settings(hole_blunders=("beta_reversed", "alpha_complement", "north_reference", "dip_sign")),
    "clean": Settings(run_blunder_rate=0.0),
    "clean, few readings, no offsets": Settings(run_blunder_rate=0.0, readings=(2, 3), offsets=False, joints=False),
}


def main(worlds: int = 5, first: int = 1000) -> None:
    """Print the report."""
    for name, settings in WORLDS.items():
        count: Counter[str] = Counter()
        begun = time.process_time()
        for seed in range(first, first + worlds):
            world = make_world(seed, settings)
            count += score(world, run(world))
        spent = (time.process_time() - begun) / worlds
        print(f"\n{name}: {worlds} worlds, {spent:.1f} s of processor time each")
        print("  " + ", ".join(f"{key} {value:.3f}" for key, value in rates(count).items()))
        print("  " + ", ".join(f"{key} {value}" for key, value in count.items()), flush=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
