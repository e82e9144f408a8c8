"""Kinds of worlds in which suspects are judged, and the counts of one world: the rows of the table of calibration."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial

import numpy as np

from desurvey.suspects.finding import Found
from desurvey.suspects.weighing import BLUNDERS
from tests.worlds.folded import Settings, World, make_world
from tests.worlds.ground import STYLES, Ground, make_ground
from tests.worlds.scoring import run, score

__all__ = ["SHARES", "counts", "kinds"]

SHARES = {
    "clean runs accused": ("clean runs accused", "clean runs"),
    "clean holes accused": ("clean holes accused", "clean holes"),
    "recall": ("found", "findable"),
    "precision": ("accused, wrong", "accused"),
    "named": ("rightly named", "found"),
    "wrong holes found": ("holes found", "holes"),
}

BINS = {"stated below 0.9": (0.0, 0.9), "stated 0.9-0.99": (0.9, 0.99), "stated above 0.99": (0.99, 1.0 + 1e-9)}

HOLES = ("beta_reversed", "alpha_complement", "north_reference", "dip_sign")


def kinds() -> list[tuple[str, Callable[[int], Counter[str]]]]:
    """Return the kinds of worlds, each with what counts one world of a seed."""
    fitting = {
        "fits": Settings(),
        "fits, no line offsets": Settings(offsets=False),
        "fits, no line offsets, foliation only": Settings(offsets=False, joints=False),
        "fits, half of the runs wrong": Settings(offsets=False, joints=False, run_blunder_rate=0.5),
        "fits, four holes wrong": Settings(joints=False, hole_blunders=HOLES),
    }
    out = [(f"clean: {style}", partial(_of_ground, settings=Ground(style))) for style in STYLES]
    out += [
        (f"one in twenty wrong: {style}", partial(_of_ground, settings=Ground(style, run_blunder_rate=0.05)))
        for style in STYLES
    ]
    return out + [(name, partial(_of_folds, settings=settings)) for name, settings in fitting.items()]


def _of_ground(seed: int, settings: Ground) -> Counter[str]:
    return counts(make_ground(seed, settings))


def _of_folds(seed: int, settings: Settings) -> Counter[str]:
    return counts(make_world(seed, settings))


def counts(world: World) -> Counter[str]:
    """Return the counts of one world: how suspects scored, and how often what was stated came true."""
    found = run(world)
    count = score(world, found)
    for name in HOLES:
        count["holes"] += count[f"holes {name}"]
        count["holes found"] += count[f"holes {name}, found"]
    return count + _stated(world, found)


def _stated(world: World, found: Found) -> Counter[str]:
    truth = world.runs["blunder"].to_numpy(dtype=str)
    stated = found.verdict.probability[found.run, 1 + found.run_blunder]
    right = np.array(BLUNDERS)[found.run_blunder] == truth[found.run]
    count: Counter[str] = Counter()
    for name, (low, high) in BINS.items():
        here = (stated >= low) & (stated < high)
        count[f"all {name}"] = int(here.sum())
        count[f"right {name}"] = int(right[here].sum())
        count[f"stated {name}"] = float(stated[here].sum())  # type: ignore[assignment]
    # What would show: stated of the clean runs, true of those whose line is on the wrong side.
    wrong = truth == "line_side"
    count["all wrong sides that would show"] = int(wrong.sum())
    count["right wrong sides that would show"] = int(np.isin(np.flatnonzero(wrong), found.run).sum())
    mean = float(found.would_show[truth == ""].mean())
    count["stated wrong sides that would show"] = mean * int(wrong.sum())  # type: ignore[assignment]
    return count
