"""How well the suspects of a world were found: counts that add up over worlds, and the rates made of them.

What counts as findable is worked out from the truth alone (poles in a north, east, down frame), not by the engine.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from desurvey.spread import Sigmas
from desurvey.suspects.finding import Found, find
from desurvey.suspects.readings import Errors, Readings, Runs
from desurvey.suspects.weighing import BLUNDERS
from tests.worlds.folded import World

__all__ = ["SIGMAS", "findable", "readings_of", "run", "rates", "score"]

SIGMAS = Errors.of(Sigmas())
"""What the program assumes of alpha and beta by default; the worlds have 3° and 6°."""


def readings_of(world: World) -> tuple[Readings, Runs, np.ndarray]:
    """Return a world's readings that have beta, its runs, and the collars, about a common origin."""
    a = world.arrays
    kept = np.isfinite(a["beta"])
    origin = a["collar"].mean(axis=0)
    _, kind = np.unique(a["kind"], return_inverse=True)
    readings = Readings.of(
        position=a["position"][kept] - origin,
        tangent=a["tangent"][kept],
        reference=a["reference"][kept],
        alpha_deg=a["alpha"][kept],
        beta_deg=a["beta"][kept],
        kind=kind[kept],
        hole=a["hole"][kept],
        run=a["run"][kept],
        depth=a["depth"][kept],
    )
    columns = ("hole", "depth_from", "depth_to", "line_offset")
    return readings, Runs(*(world.runs[c].to_numpy() for c in columns)), a["collar"] - origin


def run(world: World, *, north_known: bool = True) -> Found:
    """Find the suspects of a world."""
    readings, runs, collar = readings_of(world)
    return find(readings, runs, collar, world.settings.north_offset if north_known else 0.0, SIGMAS)


def findable(world: World) -> np.ndarray:
    """Return which runs have a blunder that moves the mean pole of ≥ 3 foliation readings by ≥ 5 standard errors."""
    a = world.arrays
    kept = (a["kind"] == "foliation") & np.isfinite(a["beta"])
    run_of, alpha, beta = a["run"][kept], a["true_alpha"][kept], a["true_beta"][kept]
    blunder, roll = world.runs["blunder"].to_numpy(dtype=str)[run_of], world.runs["roll"].to_numpy()[run_of]
    logged_alpha = np.where(blunder == "alpha_complement", 90 - alpha, alpha)
    logged_beta = np.where(blunder == "beta_reversed", -beta, beta - roll)
    moved = _angle(_pole(alpha, beta), _pole(logged_alpha, logged_beta))
    s = world.settings
    reading = (s.alpha_noise**2 + (s.beta_noise * np.cos(np.deg2rad(alpha))) ** 2) / 2
    count = np.bincount(run_of, minlength=len(world.runs))
    mean = np.bincount(run_of, moved, len(world.runs)) / np.maximum(count, 1)
    error = np.sqrt(np.bincount(run_of, world.scatter**2 + reading, len(world.runs))) / np.maximum(count, 1)
    return (count >= 3) & (mean >= 5 * error) & (world.runs["blunder"] != "").to_numpy()


def _pole(alpha: np.ndarray, beta: np.ndarray) -> np.ndarray:
    """Return poles in the core's own frame: along the core, towards the line, a quarter turn on."""
    a, b = np.deg2rad(alpha), np.deg2rad(beta)
    return np.stack([np.sin(a), -np.cos(a) * np.cos(b), -np.cos(a) * np.sin(b)], axis=1)


def _angle(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return np.rad2deg(np.arccos(np.minimum(np.abs((one * other).sum(axis=1)), 1.0)))


def score(world: World, found: Found) -> Counter[str]:
    """Return counts that add up over worlds."""
    truth = world.runs["blunder"].to_numpy(dtype=str)
    named = np.full(len(truth), "", dtype="U20")
    named[found.run] = np.array(BLUNDERS)[found.run_blunder]
    accused, target = named != "", findable(world)
    rolled = accused & target & (named == "run_rolled") & (truth == "run_rolled")
    off = (found.verdict.roll_deg - world.runs["roll"].to_numpy() + 180) % 360 - 180
    count: Counter[str] = Counter()
    count["findable"] = int(target.sum())
    count["found"] = int((target & accused).sum())
    count["rightly named"] = int((target & accused & (named == truth)).sum())
    count["accused"] = int(accused.sum())
    count["accused, wrong"] = int((accused & (truth != "")).sum())
    count["clean runs"] = int((truth == "").sum())
    count["clean runs accused"] = int((accused & (truth == "")).sum())
    count["rolls"] = int(rolled.sum())
    count["rolls within 2 sigma"] = int((rolled & (np.abs(off) < 2 * found.verdict.roll_sigma)).sum())
    for name in BLUNDERS:
        count[f"findable {name}"] = int((target & (truth == name)).sum())
        count[f"found {name}"] = int((target & (truth == name) & accused).sum())
        count[f"named {name}"] = int((target & (truth == name) & (named == name)).sum())
    count += _score_holes(world, found)
    count["readings accused"] = len(found.reading)
    return count


def _score_holes(world: World, found: Found) -> Counter[str]:
    truth = ["north_reference" if b == "north_twice" else b for b in world.collars["blunder"]]
    got = {int(h): q.blunder for h, q in zip(found.holes.hole, found.holes.hypothesis, strict=True)}
    count: Counter[str] = Counter()
    for hole, name in enumerate(truth):
        if name:
            count[f"holes {name}"] += 1
            count[f"holes {name}, found"] += got.get(hole) == name
        else:
            count["clean holes"] += 1
            count["clean holes accused"] += hole in got
    return count


def rates(count: Counter[str]) -> dict[str, float]:
    """Return the rates that matter, made of counts."""

    def share(part: str, whole: str) -> float:
        return count[part] / count[whole] if count[whole] else float("nan")

    return {
        "recall": share("found", "findable"),
        "named": share("rightly named", "found"),
        "precision": share("accused, wrong", "accused"),
        "rolls within 2 sigma": share("rolls within 2 sigma", "rolls"),
        "clean runs accused per 1000": 1000 * share("clean runs accused", "clean runs"),
    }
