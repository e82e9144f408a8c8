"""How well does the line-up group, predict and know its own errors? Worlds of many seeds, scored from outside.

Run ``python -m tests.benchmarks.lineup_report`` (about a second a world and core). The adjusted Rand index is
scikit-learn's; unrelated picks count as a class of their own. Printed per recipe: the index (median and tenth
percentile over worlds), the share of withheld picks inside their 95 % windows, the share of left-out depths within 2σ
and the median σ; then the share of worlds of nothing but unrelated picks in which a fault was seen.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from sklearn.metrics import adjusted_rand_score

from desurvey import lineup, orient, spread, traces
from desurvey.surface import fault_mesh
from tests.worlds import faulted

RECIPES = {
    "usual": faulted.USUAL,
    "hard": faulted.HARD,
    "exact surveys": replace(faulted.USUAL, survey=0.0),
    "null": faulted.NULL,
}

Floats = npt.NDArray[np.float64]


class Score(NamedTuple):
    """What one world says."""

    rand: float
    inside: Floats
    deviation: Floats
    sigma: Floats
    p_values: Floats
    banded: Floats
    """Area of the faults' surfaces, m², and of it what the truth lies within 1.96 σ of, (k, 2)."""


def read(world: faulted.World) -> tuple[traces.Traces, spread.HoleSpread, lineup.Picks]:
    """Return a world's tables as the engine reads them: traces, their uncertainty, picks."""
    ids = world.collars["hole_id"].to_numpy(dtype=np.str_)
    count = world.surveys.groupby("hole_id").size().reindex(ids).to_numpy()
    holes = traces.chained(
        ids,
        world.collars[["easting", "northing", "elevation"]].to_numpy(),
        world.collars["depth"].to_numpy(),
        np.concatenate([[0], np.cumsum(count)]),
        *(world.surveys[name].to_numpy() for name in ("depth", "azimuth", "dip")),
    )
    known = spread.hole_spread(holes)
    table = world.structures
    hole, depth = holes.index(table["hole_id"].to_numpy(dtype=np.str_)), table["depth"].to_numpy()
    points, error = holes.at(hole, depth), known.at(hole, depth)
    reference = orient.reference_line(points.tangent, "low")
    alpha = table["alpha"].to_numpy()
    normal = orient.upward(orient.plane_normal(points.tangent, reference, alpha, table["beta"].to_numpy()))
    pole = spread.pole_covariance(points.tangent, normal, error.direction, known.sigmas)
    alpha_sigma = np.full(len(table), np.deg2rad(known.sigmas.alpha_deg))
    picks = lineup.Picks(
        hole, depth, points.position, error.position, points.tangent, normal, pole, np.deg2rad(alpha), alpha_sigma
    )
    return holes, known, picks


def lined_up(world: faulted.World, settings: lineup.LineupSettings | None = None) -> lineup.LineUp:
    """Return the line-up of a world."""
    holes, known, picks = read(world)
    names = world.structures["structure_id"].to_numpy(dtype=np.str_)
    return lineup.lined_up(picks, names, holes, known, np.ones(len(holes.hole_ids), dtype=bool), settings)


def score(seed: int, name: str) -> Score:
    """Return the score of the world of a seed."""
    world = faulted.drilled(seed, RECIPES[name])
    found = lined_up(world)
    out = lineup.left_out(found)
    with np.errstate(invalid="ignore"):
        deviation = out.misfit_m / out.sigma
    fine = (found.group >= 0) & (matched(world, found)[found.group] == world.truth)
    p_values = np.array([fault.surface.p_value for fault in found.faults])
    rand = float(adjusted_rand_score(world.truth, found.group))
    return Score(rand, windows_hold(world, found), deviation[fine], out.sigma[fine], p_values, banded(world, found))


def matched(world: faulted.World, found: lineup.LineUp) -> npt.NDArray[np.int64]:
    """Return the true fault that most picks of each found fault belong to (−1: none), and −2 at the end."""
    truth = [np.bincount(world.truth[fault.rows] + 1).argmax() - 1 for fault in found.faults]
    return np.array([*truth, -2], dtype=np.int64)


def banded(world: faulted.World, found: lineup.LineUp) -> Floats:
    """Return the area of each found fault and how much of it has the true surface inside its 95 % band, m², (k, 2)."""
    out = []
    for fault, truth in zip(found.faults, matched(world, found)[:-1], strict=True):
        if truth >= 0 and np.all(world.truth[fault.rows] == truth):
            mesh = fault_mesh(fault)
            off = world.offsets[truth](mesh.vertices[mesh.triangles].mean(axis=1))
            across = abs(float(fault.normal @ world.normals[truth]))
            inside = np.abs(off) * across < 1.96 * mesh.sigma[mesh.triangles].mean(axis=1)
            out.append((mesh.areas.sum(), mesh.areas[inside].sum()))
    return np.array(out).reshape(-1, 2)


def windows_hold(world: faulted.World, found: lineup.LineUp) -> Floats:
    """Return for each withheld pick of a fault that was found whether the fault's 95 % window holds it."""
    windows = lineup.windows_table(found).set_index(["fault_id", "hole_id"])
    owner = {int(t): found.faults[k].fault_id for k, t in reversed(list(enumerate(matched(world, found)[:-1])))}
    held = []
    for row in world.withheld.itertuples():
        if row.fault in owner:
            window = windows.loc[(owner[row.fault], row.hole_id)]
            held.append(bool(window["depth_from"] <= row.depth <= window["depth_to"]))
    return np.array(held, dtype=float)


# --- kinds of worlds for ``python -m tests.benchmarks.calibration`` ---

SHARES = {
    "picks placed rightly": ("picks right", "picks"),
    "faults that are true": ("faults true", "faults"),
    "true faults found whole or in part": ("true faults found", "true faults"),
    "true faults in more than one piece": ("true faults in pieces", "true faults"),
}
"""Counts printed as shares of others."""

MIXED = 2 / 3
"""Share of a found fault's picks that have to be of one true fault."""


def kinds() -> list[tuple[str, Callable[[int], Counter[str]]]]:
    """Return kinds of worlds of faults, each with what the line-up makes of the world of a seed."""
    recipes = {
        "usual": faulted.USUAL,
        "two near parallel": faulted.HARD,
        "weak": faulted.WEAK,
        "no fault": faulted.NULL,
        "ending": faulted.ENDING,
        "without beta": replace(faulted.USUAL, without_beta=1.0),
        "short waves": replace(faulted.USUAL, relief=(10.0, 14.0), wavelength=(150.0, 170.0)),
    }
    plain = [(f"faults: {name}", partial(_counted, recipe=recipe)) for name, recipe in recipes.items()]
    spoilt = {"a seventh displaced 5 to 9 m": displaced, "a fifth of the betas wrong": turned}
    return [*plain, *((f"faults: {name}", partial(_counted, spoil=spoil)) for name, spoil in spoilt.items())]


def displaced(rng: np.random.Generator, structures: pd.DataFrame) -> pd.DataFrame:
    moved = (rng.random(len(structures)) < 1 / 7) * rng.choice([-1, 1], len(structures))
    return structures.assign(depth=(structures["depth"] + moved * rng.uniform(5, 9, len(structures))).clip(lower=1.0))


def turned(rng: np.random.Generator, structures: pd.DataFrame) -> pd.DataFrame:
    wrong = rng.random(len(structures)) < 0.2
    return structures.assign(beta=structures["beta"].where(~wrong, rng.uniform(0, 360, len(structures))))


def _counted(
    seed: int,
    recipe: faulted.Recipe = faulted.USUAL,
    spoil: Callable[[np.random.Generator, pd.DataFrame], pd.DataFrame] | None = None,
) -> Counter[str]:
    """Return what the line-up makes of the world of a seed, as counts that add up."""
    world = faulted.drilled(seed, recipe)
    if spoil is not None:
        world = replace(world, structures=spoil(np.random.default_rng(seed), world.structures))
    found, truth = lined_up(world), world.truth
    owner = matched(world, found)
    count: Counter[str] = Counter()
    count["picks"] += len(truth)
    placed = np.where(found.group >= 0, owner[found.group], -1)
    count["picks right"] += int((placed == truth).sum())
    for fault, chance in zip(found.faults, found.chance.tolist(), strict=True):
        inside = np.bincount(truth[fault.rows] + 1, minlength=2)[1:].max() / len(fault.rows)
        count["faults"] += 1
        count["faults true"] += int(inside >= MIXED)
        _state(count, "fault", chance, right=inside >= MIXED)
    pieces = np.bincount(owner[:-1][owner[:-1] >= 0], minlength=len(world.normals))
    count["true faults"] += len(world.normals)
    count["true faults found"] += int((pieces > 0).sum())
    count["true faults in pieces"] += int((pieces > 1).sum())
    stated = lineup.picks_table(found)["probability"].to_numpy()
    for probability, right in zip(stated.tolist(), (placed == truth).tolist(), strict=True):
        _state(count, "pick", probability, right=right)
    _count_windows(count, world, found, owner)
    return count


def _count_windows(
    count: Counter[str], world: faulted.World, found: lineup.LineUp, owner: npt.NDArray[np.int64]
) -> None:
    """Count windows with nothing logged, and those in which the fault is there."""
    cuts = {(row.hole_id, row.fault): row.depth for row in world.cuts.itertuples()}
    owners = {fault.fault_id: int(owner[number]) for number, fault in enumerate(found.faults)}
    windows = lineup.windows_table(found)
    for row in windows[windows["status"] == "not_logged"].itertuples():
        depth = cuts.get((row.hole_id, owners[row.fault_id]), np.inf)
        _state(count, "window", row.chance, right=row.depth_from - NEAR_M <= depth <= row.depth_to + NEAR_M)


NEAR_M = 10.0
"""Metres beside a window within which the fault still counts as being there."""


def _state(count: Counter[str], what: str, probability: float, *, right: bool) -> None:
    edges = (0.3, 0.5, 0.7, 0.9, 0.99)
    low, high = ((0.0, *edges)[np.searchsorted(edges, probability)], (*edges, 1.0)[np.searchsorted(edges, probability)])
    name = f"{what}, {low:g} to {high:g}"
    count[f"stated {name}"] += probability
    count[f"right {name}"] += int(right)
    count[f"all {name}"] += 1


def report(name: str, scores: list[Score]) -> str:
    """Return one line on one recipe."""
    if RECIPES[name].faults[1] == 0:
        seen = np.mean([bool((s.p_values > 0.05).any()) for s in scores])
        return f"{name}: {len(scores)} worlds, a fault with p > 0.05 in {seen:.1%}"
    rand = np.array([s.rand for s in scores])
    inside, deviation, sigma = (
        np.concatenate([getattr(s, f) for s in scores]) for f in ("inside", "deviation", "sigma")
    )
    p_values = np.concatenate([s.p_values for s in scores])
    return (
        f"{name}: {len(scores)} worlds, adjusted Rand median {np.median(rand):.3f}, 10th percentile "
        f"{np.quantile(rand, 0.1):.3f}, mean {rand.mean():.3f}; windows hold {inside.mean():.1%} of {len(inside)} "
        f"withheld; left-out within 2σ {np.mean(np.abs(deviation) <= 2):.1%} of {len(deviation)}, median σ "
        f"{np.median(sigma):.2f} m; p < 0.05 in {np.mean(p_values < 0.05):.1%} of {len(p_values)} faults"
    )


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=100, help="seeds per recipe")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--only", choices=sorted(RECIPES), help="one recipe")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.worlds)
    with ProcessPoolExecutor(2) as pool:
        for name in [given.only] if given.only else RECIPES:
            print(report(name, list(pool.map(score, seeds, [name] * len(seeds)))), flush=True)


if __name__ == "__main__":
    main()
