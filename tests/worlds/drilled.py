"""Runs of a campaign as crews would report them, made without the engine: what tools and crews do is planted.

Offsets follow their definition: how far a run's line sits clockwise of that of the run above. Every run's line has an
error of its own, and a tool may sit turned from a day on.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

__all__ = ["drilled"]


def drilled(
    seed: int, *, holes: int = 6, days: int = 120, runs_a_day: int = 6, turned: tuple[str, int, float] | None = None
) -> dict[str, Any]:
    """Return the tables of a campaign, as ``desurvey.Study.of_tables`` takes them.

    Parameters
    ----------
    seed : int
        Of all that is random.
    holes, days, runs_a_day : int
        Size.
    turned : (tool, day, degrees), optional
        A tool whose line sits turned clockwise from that day on.
    """
    rng = np.random.default_rng(seed)
    number = holes * (days // holes) * runs_a_day
    hole = np.arange(number) // ((days // holes) * runs_a_day)
    day = np.arange(number) // runs_a_day
    within = np.arange(number) % ((days // holes) * runs_a_day)
    # tools change within a day, crews by the shift, whoever drills
    tool = np.where(rng.random(number) < 0.5, "T1", "T2")
    shift = np.where(np.arange(number) % runs_a_day < runs_a_day / 2, "day", "night")
    crew = np.where((day // 7 + (shift == "night")) % 2 == 0, "a", "b")
    line = rng.normal(0.0, 4.0, number)
    if turned is not None:
        line += np.where((tool == turned[0]) & (day >= turned[1]), turned[2], 0.0)
    offset = np.append(np.nan, np.diff(line))
    offset[within == 0] = np.nan
    has_line = rng.random(number) < 0.9
    rock = rng.normal(0.93, 0.03, holes)
    recovered = 3.0 * np.clip(rock[hole] + rng.normal(0.0, 0.02, number), 0.0, 1.0)
    names = np.array([f"D{n}" for n in range(holes)])
    top = 3.0 * within
    runs = pd.DataFrame(
        {
            "hole_id": names[hole],
            "depth_from": top,
            "depth_to": top + 3.0,
            "recovered": recovered.round(2),
            "line": np.where(has_line, "low", ""),
            "line_offset": np.where(has_line, offset.round(0), np.nan),
            "tool": tool,
            "crew": crew,
            "shift": shift,
            "date": (np.datetime64("2026-01-01") + day).astype(str),
        }
    )
    end = 3.0 * (days // holes) * runs_a_day
    collars = pd.DataFrame(
        {
            "hole_id": names,
            "easting": 1000.0 + 200.0 * np.arange(holes),
            "northing": 2000.0,
            "elevation": 100.0,
            "depth": end,
            "azimuth": 90.0,
            "dip": -60.0,
        }
    )
    surveys = pd.DataFrame(
        {"hole_id": np.repeat(names, 2), "depth": np.tile([0.0, end], holes), "azimuth": 90.0, "dip": -60.0}
    )
    structures = pd.DataFrame({"hole_id": names, "depth": 10.0, "kind": "joint", "alpha": 40.0, "beta": 10.0})
    return {
        "collars": collars, "surveys": surveys, "runs": runs, "structures": structures,
        "north": "grid", "dip_sign": "negative_down", "line": "low",
    }  # fmt: skip
