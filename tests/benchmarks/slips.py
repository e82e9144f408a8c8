"""How far slips can be trusted: ``python -m tests.benchmarks.slips`` on worlds made without the engine.

Each world draws a fault, a slip of 0, 10, 30 or 60 m in any direction, one or two markers (folded by 30 m in a third)
and none, 8 or 12 slip lines, one in twenty of which means nothing. Worlds whose markers lie on one side only are left
out.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import numpy.typing as npt

from desurvey import slip
from desurvey.lineup import Picks
from tests.worlds.displaced import Drilled, cut_by, plane, slip_of_rake

Floats = npt.NDArray[np.float64]

SURE_ODDS = 20.0


def as_marker(name: str, drilled: Drilled) -> slip.Marker:
    """Return what was drilled as a marker, with the errors that it was drilled with: 1 m and 5°."""
    count = len(drilled.hole)
    pole = np.nan_to_num(drilled.normal)
    flat = np.eye(3) - pole[:, :, None] * pole[:, None, :]
    nothing = np.full(count, np.nan)
    picks = Picks(
        drilled.hole, drilled.depth, drilled.position, np.tile(np.eye(3), (count, 1, 1)), drilled.tangent,
        drilled.normal, np.deg2rad(5.0) ** 2 * flat, nothing, nothing,
    )  # fmt: skip
    return slip.Marker(name, picks, drilled.hanging.astype(bool))


def lines_along(rng: np.random.Generator, fault: tuple[float, float], rake_deg: float, count: int) -> slip.SlipLines:
    """Return slip lines about a rake, scattered by 10° and 3° off it together."""
    strike = np.deg2rad(fault[1] - 90.0)
    along = np.array([np.sin(strike), np.cos(strike), 0.0])
    up = np.cross(plane(*fault), along)
    rake = np.deg2rad(rake_deg + rng.normal(0.0, 3.0) + rng.normal(0.0, 10.0, count))
    rake = np.where(rng.random(count) < 0.05, rng.uniform(0.0, 2.0 * np.pi, count), rake)
    vector = np.cos(rake)[:, None] * along + np.sin(rake)[:, None] * up
    return slip.SlipLines(rng.choice([-1.0, 1.0], count)[:, None] * vector, np.full(count, 6.0), np.full(count, ""))


def judged(seed: int) -> tuple[bool, float, bool, bool] | None:
    """Return whether the 95 % region held the slip, the error in metres, whether one was claimed, and whether one was.

    Where a direction is unknown, region and error are those square to it.
    """
    rng = np.random.default_rng(seed)
    fault, rake = (rng.uniform(45, 80), rng.uniform(0, 360)), rng.uniform(-180, 180)
    size, fold = (0.0, 10.0, 30.0, 60.0)[seed % 4], (0.0, 0.0, 30.0)[seed % 3]
    true = slip_of_rake(*fault, size, rake)
    markers = [
        as_marker(
            f"m{k}",
            cut_by(
                rng,
                plane(*fault),
                true,
                plane(rng.uniform(20, 70), rng.uniform(0, 360)),
                fold_m=fold,
                offset=rng.uniform(-20, 20),
            ),
        )
        for k in range(1 + seed % 2)
    ]
    found = slip.slip_of("F", plane(*fault), markers, lines_along(rng, fault, rake, (0, 8, 12)[seed % 3]))
    if not found.optima:
        return None
    best, axes = found.optima[0], slip.fault_axes(plane(*fault))
    away, covariance, limit = axes @ (true - best.slip), axes @ best.covariance @ axes.T, 5.991
    if not best.complete:
        square = np.array([-(axes @ best.unknown)[1], (axes @ best.unknown)[0]])
        away, covariance, limit = square @ away[:, None], np.atleast_2d(square @ covariance @ square), 3.841
    held = bool(away @ np.linalg.solve(covariance, away) < limit)
    return held, float(np.linalg.norm(away)), found.odds > SURE_ODDS, size > 0.0


def main() -> None:
    """Print coverage, error and false claims over some seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seeds", type=int, default=40)
    given = parser.parse_args()
    start = time.process_time()
    all_of_them = [judged(seed) for seed in range(given.first, given.first + given.seeds)]
    answers = [one for one in all_of_them if one is not None]
    held, error, claimed, moved = (np.array(column) for column in zip(*answers, strict=True))
    print(f"95 % region holds the slip: {held.mean():.3f} of {len(held)}; median error {np.median(error):.2f} m")
    print(f"claimed where none is: {claimed[~moved].sum()} of {(~moved).sum()}")
    print(f"missed: {(~claimed[moved]).sum()} of {moved.sum()}")
    print(f"{(time.process_time() - start) / len(held):.2f} s of one processor each")


if __name__ == "__main__":
    main()
