"""Programmes whose rods wander, with a plane to be met: nothing here uses the engine.

A hole sets out off its plan, then lifts and swings metre by metre: a mean of the project, a rate of its own and a
random walk. Drilled holes are surveyed every 30 m with errors; planned ones are drilled too, but only their plan is
told. What they meet is a plane, whose depth along each of them is found by stepping down the hole.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

__all__ = ["WanderWorld", "Wandering", "wandering"]

DIP, DIRECTION = 55.0, 110.0
"""Of the plane that is met, degrees: square to a hole drilled at −35° towards 290°."""


@dataclass(frozen=True)
class Wandering:
    """What a world is made of, degrees: the mean lift and swing and the rest over 30 m."""

    walk: float = 0.6
    mean: tuple[float, float] = (0.4, 0.3)
    rate: float = 0.15
    set_out: float = 0.6
    drilled: int = 14
    planned: int = 10
    told: bool = True
    """Whether the collars of the drilled holes say what was planned."""


class WanderWorld(NamedTuple):
    """Tables as a geologist has them, the true depth at which each planned hole meets the plane, and the plane."""

    collars: pd.DataFrame
    surveys: pd.DataFrame
    depth: dict[str, float]
    normal: np.ndarray
    centre: np.ndarray


def _along(azimuth: np.ndarray, dip: np.ndarray) -> np.ndarray:
    a, d = np.deg2rad(azimuth), np.deg2rad(dip)
    return np.stack([np.cos(d) * np.sin(a), np.cos(d) * np.cos(a), np.sin(d)], axis=-1)


def wandering(seed: int, recipe: Wandering) -> WanderWorld:
    """Return the world of a seed."""
    rng = np.random.default_rng([seed, 77])
    count, length = recipe.drilled + recipe.planned, 330
    names = [f"W-{n:02d}" for n in range(count)]
    normal = _along(np.array(DIRECTION), np.array(90.0 - DIP))
    plan = np.stack([rng.uniform(265, 315, count), rng.uniform(-68, -48, count)], axis=1)
    collar = np.stack([rng.uniform(-60, 60, count), rng.uniform(-200, 200, count), np.zeros(count)], axis=1)
    centre = np.array([-70.0, 0.0, -180.0])
    step = np.sqrt(1 / 30)
    lift, swing = (
        recipe.mean[k] / 30 + recipe.rate * rng.normal(size=(count, 1)) / 30
        + recipe.walk * step * rng.normal(size=(count, length))
        for k in range(2)
    )  # fmt: skip
    start = recipe.set_out * rng.normal(size=(2, count))
    dip = plan[:, 1:] + start[0][:, None] + np.hstack([np.zeros((count, 1)), np.cumsum(lift, axis=1)])
    turn = np.hstack([np.zeros((count, 1)), np.cumsum(swing / np.cos(np.deg2rad(dip[:, 1:])), axis=1)])
    azimuth = plan[:, :1] + (start[1] / np.cos(np.deg2rad(plan[:, 1])))[:, None] + turn
    middle = _along(0.5 * (azimuth[:, 1:] + azimuth[:, :-1]), 0.5 * (dip[:, 1:] + dip[:, :-1]))
    place = collar[:, None] + np.concatenate([np.zeros((count, 1, 3)), np.cumsum(middle, axis=1)], axis=1)
    off = (place - centre) @ normal
    depth = {}
    for hole in range(recipe.drilled, count):
        row = np.flatnonzero((off[hole, 1:] > 0) != (off[hole, :-1] > 0))[:1]
        if len(row):
            a, b = off[hole, row[0]], off[hole, row[0] + 1]
            depth[names[hole]] = float(row[0] + a / (a - b))
    station = np.arange(0, length + 1, 30)
    rows = [
        pd.DataFrame(
            {
                "hole_id": names[hole],
                "depth": station.astype(float),
                "azimuth": azimuth[hole, station] + rng.normal(0, 0.5) + rng.normal(0, 0.5, len(station)),
                "dip": dip[hole, station] + rng.normal(0, 0.1) + rng.normal(0, 0.2, len(station)),
                "instrument": "magnetic",
            }
        )
        for hole in range(recipe.drilled)
    ]
    told = np.arange(count) >= (0 if recipe.told else recipe.drilled)
    collars = pd.DataFrame(
        {
            "hole_id": names,
            "easting": collar[:, 0],
            "northing": collar[:, 1],
            "elevation": collar[:, 2],
            "depth": float(length),
            "azimuth": np.where(told, plan[:, 0], np.nan),
            "dip": np.where(told, plan[:, 1], np.nan),
            "status": np.where(np.arange(count) < recipe.drilled, "drilled", "planned"),
        }
    )
    surveys = pd.concat(rows, ignore_index=True) if rows else None
    return WanderWorld(collars, surveys, depth, normal, centre)
