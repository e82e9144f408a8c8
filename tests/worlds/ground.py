"""Worlds of ground that is not simple: tight folds, chevrons, short limbs, two attitudes beside a fault.

Nothing here uses the engine, and nothing but the container is shared with :mod:`tests.worlds.folded`. Holes are
straight; a fold turns the pole about a fold axis by an angle that is a function of one coordinate, in closed form; core
angles are read off the down-hole apex of the ellipse (the plane's own direction nearest to the core axis), not off the
pole. Blunders may be planted as well: by default the worlds are clean, and whatever is accused is accused falsely.

The sizes of folds are those of shear-hosted gold and of slate belts as drilled at 60 m (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.worlds.folded import RUN_BLUNDERS, World

__all__ = ["STYLES", "Ground", "make_ground"]


@dataclass(frozen=True, slots=True)
class Ground:
    """What a world is made of. Angles in degrees, lengths in metres."""

    style: str
    """A name of ``STYLES``."""
    holes: int = 14
    spacing: float = 60.0
    length: tuple[float, float] = (150.0, 240.0)
    run_length: float = 3.0
    every: float = 1.0
    """Mean distance of readings along a hole."""
    scatter: tuple[float, float] = (5.0, 9.0)
    alpha_noise: float = 3.0
    beta_noise: float = 6.0
    line_error: float = 2.0
    outliers: float = 0.01
    run_blunder_rate: float = 0.0
    turned_back: float = 0.25
    """Share of the holes that are drilled from the other side."""
    north_offset: float = 14.0


def make_ground(seed: int, settings: Ground) -> World:
    """Return a world; the same seed gives the same world."""
    rng = np.random.default_rng([seed, sum(map(ord, settings.style))])
    scatter = float(rng.uniform(*settings.scatter))
    collar, tangent, length = _holes(rng, settings)
    low = np.array([0.0, 0.0, -1.0]) - tangent * -tangent[:, 2:]  # straight down, less its part along the hole
    low /= np.linalg.norm(low, axis=1, keepdims=True)
    runs = _runs(rng, settings, length)
    log = _depths(rng, settings, runs, length)
    hole = log["hole"].to_numpy()
    position = collar[hole] + log["depth"].to_numpy()[:, None] * tangent[hole]
    expected = STYLES[settings.style](rng, position)
    poles = _about(rng, expected, np.deg2rad(scatter))
    anywhere = rng.random(len(log)) < settings.outliers
    poles[anywhere] = _about(rng, poles[anywhere], 1.5)
    log["true_alpha"], log["true_beta"] = _read(expected, tangent[hole], low[hole])
    alpha, beta = _read(poles, tangent[hole], low[hole])
    _log(rng, settings, log, runs, alpha, beta)
    return _tables(settings, scatter, collar, tangent, low, length, runs, log, position)


# ------------------------------------------------------------------------------------------------- the rock

Rock = Callable[[np.random.Generator, np.ndarray], np.ndarray]


def _mean_and_axis(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a mean pole, a fold axis square to it, and the direction across the axial planes."""
    dip, way = np.deg2rad(rng.uniform(30, 85)), rng.uniform(0, 2 * np.pi)
    mean = np.array([np.sin(dip) * np.sin(way), np.sin(dip) * np.cos(way), np.cos(dip)])
    axis = np.cross(mean, rng.normal(size=3))
    axis /= np.linalg.norm(axis)
    return mean, axis, np.cross(axis, mean)


def _turned(mean: np.ndarray, axis: np.ndarray, across: np.ndarray, angle_deg: np.ndarray) -> np.ndarray:
    """Return the mean pole turned about the fold axis: it stays in the plane of the mean and ``across``."""
    angle = np.deg2rad(angle_deg)[:, None]
    return np.cos(angle) * mean + np.sin(angle) * across


def _folds(wavelength: tuple[float, float], limb_deg: float, second: float = 0.0) -> Rock:
    """Return cylindrical folds whose limbs are turned ± an angle, with smaller folds of 17 m on them."""

    def rock(rng: np.random.Generator, position: np.ndarray) -> np.ndarray:
        mean, axis, across = _mean_and_axis(rng)
        where = position @ across
        angle = limb_deg * np.sin(2 * np.pi * where / rng.uniform(*wavelength) + rng.uniform(0, 6.28))
        angle = angle + second * np.sin(2 * np.pi * where / 17.0 + rng.uniform(0, 6.28))
        return _turned(mean, axis, across, angle)

    return rock


def _chevrons(rng: np.random.Generator, position: np.ndarray) -> np.ndarray:
    """Straight limbs ± 40°, 25 m each, with hinges of a metre."""
    mean, axis, across = _mean_and_axis(rng)
    wave = np.sin(2 * np.pi * (position @ across) / 50.0 + rng.uniform(0, 6.28))
    return _turned(mean, axis, across, 40.0 * np.tanh(wave * 25.0 / np.pi))


def _short_limbs(rng: np.random.Generator, position: np.ndarray) -> np.ndarray:
    """Long limbs with short ones of 3–6 m, a fifth of the length, turned by 70°."""
    mean, axis, across = _mean_and_axis(rng)
    where = position @ across
    short = rng.uniform(3, 6, 400)
    edges = np.cumsum(np.column_stack([rng.uniform(2, 6, 400) * short, short]).ravel()) + where.min() - 20.0
    return _turned(mean, axis, across, np.where(np.searchsorted(edges, where) % 2 == 1, 70.0, 0.0))


def _two_sides(rng: np.random.Generator, position: np.ndarray) -> np.ndarray:
    """Two attitudes, 35 to 80° apart, on the two sides of a fault through the middle of the holes."""
    mean, axis, across = _mean_and_axis(rng)
    fault = rng.normal(size=3)
    fault /= np.linalg.norm(fault)
    beyond = (position - position.mean(axis=0)) @ fault > rng.normal(0, 20.0)
    return _turned(mean, axis, across, np.where(beyond, rng.uniform(35, 80), 0.0))


STYLES: dict[str, Rock] = {
    "tight folds": _folds((35.0, 60.0), 63.0),
    "tight folds, second order": _folds((35.0, 60.0), 63.0, 20.0),
    "folds of 80 m": _folds((80.0, 80.0), 45.0),
    "chevrons": _chevrons,
    "short limbs": _short_limbs,
    "two sides of a fault": _two_sides,
    "gentle": _folds((250.0, 500.0), 25.0),
}


def _about(rng: np.random.Generator, pole: np.ndarray, sigma: float) -> np.ndarray:
    """Return poles scattered about theirs, by ``sigma`` radians along each direction of the tangent plane."""
    push = rng.normal(0, sigma, pole.shape)
    push -= (push * pole).sum(axis=1, keepdims=True) * pole
    size = np.linalg.norm(push, axis=1, keepdims=True)
    return np.cos(size) * pole + np.sin(size) * push / np.maximum(size, 1e-12)


# ------------------------------------------------------------------------------------------------- the drilling


def _holes(rng: np.random.Generator, settings: Ground) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return collars, directions (E, N, U) and lengths of straight holes on a grid."""
    row, column = np.divmod(np.arange(settings.holes), 4)
    place = np.column_stack([column, row]) * settings.spacing + rng.normal(0, 4, (settings.holes, 2))
    collar = np.column_stack([place + np.array([411_000.0, 7_204_000.0]), rng.normal(120.0, 3.0, settings.holes)])
    azimuth = rng.uniform(0, 360) + rng.normal(0, 8, settings.holes)
    azimuth = np.deg2rad(azimuth + 180.0 * (rng.random(settings.holes) < settings.turned_back))
    plunge = np.deg2rad(rng.uniform(48, 75, settings.holes))
    across = np.cos(plunge)
    tangent = np.column_stack([across * np.sin(azimuth), across * np.cos(azimuth), -np.sin(plunge)])
    length = np.round(rng.uniform(*settings.length, settings.holes) / settings.run_length) * settings.run_length
    return collar, tangent, length


def _runs(rng: np.random.Generator, settings: Ground, length: np.ndarray) -> pd.DataFrame:
    count = np.round(length / settings.run_length).astype(int)
    hole = np.repeat(np.arange(len(length)), count)
    number = np.concatenate([np.arange(c) for c in count])
    wrong = rng.random(hole.size) < settings.run_blunder_rate
    blunder = np.where(wrong, rng.choice(RUN_BLUNDERS, hole.size), "").astype(object)
    free = rng.uniform(15, 160, hole.size) * rng.choice([-1, 1], hole.size)
    roll = np.select([blunder == "run_rolled", blunder == "line_side"], [free, 180.0], 0.0)
    columns = {"hole": hole, "depth_from": number * settings.run_length, "depth_to": (number + 1) * settings.run_length}
    sits = roll + rng.normal(0, settings.line_error, hole.size)
    return pd.DataFrame({**columns, "line_offset": np.nan, "blunder": blunder, "roll": roll, "sits": sits})


def _depths(rng: np.random.Generator, settings: Ground, runs: pd.DataFrame, length: np.ndarray) -> pd.DataFrame:
    hole = np.repeat(np.arange(len(length)), np.round(length / settings.every).astype(int))
    depth = np.round(rng.random(hole.size) * length[hole], 2)
    first = np.searchsorted(runs["hole"].to_numpy(), np.arange(len(length)))
    run = first[hole] + np.minimum(depth // settings.run_length, length[hole] // settings.run_length - 1).astype(int)
    log = pd.DataFrame({"hole": hole, "run": run, "depth": depth, "kind": "foliation"})
    return log.sort_values(["hole", "depth"], ignore_index=True)


def _read(pole: np.ndarray, tangent: np.ndarray, low: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return alpha and beta, degrees: where in the plane the down-hole apex of the ellipse lies."""
    apex = (
        tangent - (tangent * pole).sum(axis=1, keepdims=True) * pole
    )  # the plane's own direction nearest to the core's
    apex /= np.linalg.norm(apex, axis=1, keepdims=True)
    alpha = np.rad2deg(np.arccos(np.clip((apex * tangent).sum(axis=1), -1, 1)))
    beta = np.arctan2((apex * np.cross(tangent, low)).sum(axis=1), (apex * low).sum(axis=1))
    return alpha, np.rad2deg(beta) % 360


def _log(
    rng: np.random.Generator,
    settings: Ground,
    log: pd.DataFrame,
    runs: pd.DataFrame,
    alpha: np.ndarray,
    beta: np.ndarray,
) -> None:
    """Write the angles as read, with errors and blunders."""
    alpha = alpha + rng.normal(0, settings.alpha_noise, len(log))
    over = (alpha < 0) | (alpha > 90)
    alpha = np.where(alpha > 90, 180 - alpha, np.abs(alpha))
    beta = beta + 180.0 * over + rng.normal(0, settings.beta_noise, len(log))
    beta = beta - runs["sits"].to_numpy()[log["run"]]
    blunder = runs["blunder"].to_numpy()[log["run"]]
    log["beta"] = np.where(blunder == "beta_reversed", -beta, beta) % 360
    log["alpha"] = np.where(blunder == "alpha_complement", 90 - alpha, alpha)


def _tables(
    settings: Ground,
    scatter: float,
    collar: np.ndarray,
    tangent: np.ndarray,
    low: np.ndarray,
    length: np.ndarray,
    runs: pd.DataFrame,
    log: pd.DataFrame,
    position: np.ndarray,
) -> World:
    names = np.array([f"GR-{k + 1:02d}" for k in range(len(length))])
    hole = log["hole"].to_numpy()
    arrays = {
        name: log[name].to_numpy() for name in ("alpha", "beta", "hole", "run", "depth", "true_alpha", "true_beta")
    }
    arrays |= {"kind": log["kind"].to_numpy(dtype=str), "position": position, "collar": collar}
    arrays |= {"tangent": tangent[hole], "reference": low[hole]}
    columns = {"hole_id": names, "depth": length, "status": "drilled", "blunder": ""}
    place = dict(zip(("easting", "northing", "elevation"), collar.T, strict=True))
    azimuth = np.rad2deg(np.arctan2(tangent[:, 0], tangent[:, 1])) % 360
    dip = np.rad2deg(np.arcsin(tangent[:, 2]))
    ends = [
        pd.DataFrame({"hole_id": names, "depth": at, "azimuth": azimuth, "dip": dip, "north": "grid"})
        for at in (np.zeros(len(length)), length)
    ]
    surveys = pd.concat(ends, ignore_index=True).sort_values(["hole_id", "depth"], ignore_index=True)
    runs = runs.assign(hole_id=names[runs["hole"]], recovered=settings.run_length, line="low")
    structures = log.assign(hole_id=names[hole], structure_id=[f"G{k + 1:05d}" for k in range(len(log))])
    return World(settings, scatter, pd.DataFrame({**columns, **place}), surveys, runs, structures, arrays)  # type: ignore[arg-type]
