"""While a hole is being drilled: what lies ahead of the bit, where the hole is going, and where it may stop.

The hole stands in the collars as drilled, with the depth that is planned for it; surveys, runs and structures reach as
far as they have got. Below the last station it is held on straight, with what the rods may do there in every σ.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.aim import GRAZING_DEG, ahead, directions_of, meetings, straight_hole
from desurvey.campaign.results import logged_to, results_of
from desurvey.gains import narrowed
from desurvey.lineup.background import half_sphere
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown
from desurvey.sphere import squarest

if TYPE_CHECKING:
    from desurvey.lineup import LineUp
    from desurvey.progress import Progress
    from desurvey.study import Study
    from desurvey.traces import Traces

__all__ = ["Followed", "follow"]

Floats = npt.NDArray[np.float64]

POLES = 4000
"""Directions by which the blind share is counted."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A hole that is being drilled.

    Attributes
    ----------
    hole_id : str
    logged_to, surveyed_to, drilled_to, end : float
        Metres: of the deepest structure, station and row of any table, and as it is planned.
    windows : pandas.DataFrame
        Those ahead, the nearest first: fault_id, away (metres from ``drilled_to``), expected_depth, sigma, depth_from,
        depth_to, pierce_angle, chance, within (whether it lies above the planned end for sure, not, or it isn't known).
    off_plan : (3,) array
        Metres east, north and up by which the hole misses the place where its plan would end; NaN without a plan.
    planned : tuple of str
        Faults that the plan would meet.
    lacking : tuple of str
        Those of them that the hole as it goes never meets.
    stop_at : float
        Depth at which each of them is met with 95 %; NaN when all are logged, or none lies ahead.
    met : {"yes", "no", "not known"}
        Whether each of them will have been met at the planned end.
    further : float
        Metres that are asked about.
    gains : pandas.DataFrame
        Faults met within them: fault_id, depth, chance, sigma_before, sigma_after.
    blind_before, blind_after : float
        Share of all plane orientations that the programme is blind to, now and then.
    words : str
        How the rods are taken to wander.
    """

    hole_id: str
    logged_to: float
    surveyed_to: float
    drilled_to: float
    end: float
    windows: pd.DataFrame
    off_plan: Floats
    planned: tuple[str, ...]
    lacking: tuple[str, ...]
    stop_at: float
    met: Literal["yes", "no", "not known"]
    further: float
    gains: pd.DataFrame
    blind_before: float
    blind_after: float
    words: str

    def in_words(self) -> str:
        """Return it in sentences for the rig."""
        lines = [
            f"{self.hole_id} at {self.drilled_to:.1f} m of {self.end:.0f} m; surveyed to {self.surveyed_to:.1f} m, "
            f"logged to {self.logged_to:.1f} m."
        ]
        for row in self.windows.to_dict("records"):
            where = f"in {row['away']:.0f} ± {row['sigma']:.0f} m" if row["away"] > 0.0 else "about now"
            low = f", only {row['pierce_angle']:.0f}° to it: easily missed" if row["pierce_angle"] < GRAZING_DEG else ""
            lines.append(
                f"{row['fault_id']} {where} ({row['depth_from']:.1f} to {row['depth_to']:.1f} m with 95 %, chance "
                f"{row['chance']:.2f}){low}."
            )
        if self.windows.empty:
            lines.append("No fault is expected ahead.")
        if np.isfinite(self.off_plan).all():
            lines.append(f"Held on as it goes, the hole ends {_direction(self.off_plan)} where its plan would.")
        lines.append(self._stop())
        for row in self.gains.to_dict("records"):
            won = f"from {row['sigma_before']:.2f} to {row['sigma_after']:.2f} m"
            lines.append(
                f"A further {self.further:.0f} m meet {row['fault_id']} at {row['depth']:.0f} m: if it is there "
                f"(chance {row['chance']:.2f}), its σ goes {won} on average."
            )
        opened = self.blind_before - self.blind_after
        lines.append(
            f"A further {self.further:.0f} m {'see' if opened >= 0.0005 else 'see no'} plane orientations that nothing "
            f"has seen: blind to {self.blind_before:.1%}, then {self.blind_after:.1%}."
        )
        return "\n".join([*lines, self.words])

    def _stop(self) -> str:
        if not self.planned:
            return "The plan meets no known fault."
        wanted = ", ".join(self.planned)
        if self.lacking:
            return f"Of the planned faults ({wanted}) the hole as it goes meets {', '.join(self.lacking)} nowhere."
        if not np.isfinite(self.stop_at):
            return f"Every planned fault ({wanted}) is logged: the hole may stop."
        said = {
            "yes": "the planned end is deep enough",
            "no": "the planned end is not deep enough",
            "not known": "whether the planned end is deep enough isn't known",
        }[self.met]
        return f"Stop at {self.stop_at:.0f} m and every planned fault ({wanted}) is met with 95 %: {said}."


def follow(study: Study, hole_id: str, *, further: float = 50.0, progress: Progress | None = None) -> Followed:
    """Return what lies ahead of a hole that is being drilled.

    Parameters
    ----------
    study : Study
        As it now stands.
    hole_id : str
        The hole.
    further : float
        Metres that are asked about.

    Raises
    ------
    DataProblem
        When there is no such hole, or no fault pick at all.
    """
    holes = study.holes.hole_ids.tolist()
    if hole_id not in holes:
        raise DataProblem("there is no such hole", column="HOLE", value=hole_id, hint=nearest(hole_id, holes))
    answers = study.lineup(progress=progress)
    found = answers.found
    hole = holes.index(hole_id)
    reached = _reached(study, hole_id)
    traces, end = found.traces, float(found.traces.end[hole])
    windows = _windows(study, hole_id, reached, end)
    plan = _plan(study, found, hole_id)
    planned = () if plan is None else tuple(dict.fromkeys(plan[1]["fault_id"]))
    logged = set(answers.picks.loc[answers.picks["hole_id"] == hole_id, "fault_id"])
    wanted = [name for name in planned if name not in logged]
    coming = windows[windows["fault_id"].isin(wanted)]
    lacking = tuple(name for name in wanted if name not in set(coming["fault_id"]))
    within = set(coming["within"])
    met: Literal["yes", "no", "not known"] = "yes"
    if lacking or "no" in within:
        met = "no"
    elif "not known" in within:
        met = "not known"
    off = np.full(3, np.nan)
    if plan is not None:
        off = traces.at(np.array([hole]), np.array([end])).position[0] - plan[0]
    before, after = _blind(study, hole, reached, further)
    return Followed(
        hole_id=hole_id,
        logged_to=logged_to(study.logged.structures).get(hole_id, 0.0),
        surveyed_to=float(study.holes.surveyed[hole]),
        drilled_to=reached,
        end=end,
        windows=windows,
        off_plan=off,
        planned=planned,
        lacking=lacking,
        stop_at=float(coming["depth_to"].max()) if len(coming) else float("nan"),
        met=met,
        further=further,
        gains=_gains(found, hole, windows, reached, further),
        blind_before=before,
        blind_after=after,
        words=study.foreseen.wander_words,
    )


def _reached(study: Study, hole_id: str) -> float:
    """Return how deep the hole is by any table that is filled from above."""
    depths = [0.0]
    for name, column in (("surveys", "depth"), ("runs", "depth_to"), ("structures", "depth")):
        table = study.logged.frames[name]
        depths += table.loc[table["hole_id"] == hole_id, column].dropna().tolist()
    return max(depths)


def _windows(study: Study, hole_id: str, reached: float, end: float) -> pd.DataFrame:
    every = results_of(study).windows
    mine = every[(every["hole_id"] == hole_id) & (every["status"] != "logged") & (every["depth_to"] > reached)]
    angles = study.lineup().windows
    angle = angles[angles["hole_id"] == hole_id].set_index("fault_id")["pierce_angle"]
    mine = mine.assign(
        away=mine["expected_depth"] - reached,
        pierce_angle=mine["fault_id"].map(angle).astype(float),
        within=np.select([mine["depth_to"] <= end, mine["depth_from"] > end], ["yes", "no"], "not known"),
    )
    return mine.sort_values("expected_depth").reset_index(drop=True)[WINDOWS]


WINDOWS = [
    "fault_id", "away", "expected_depth", "sigma", "depth_from", "depth_to", "pierce_angle", "chance", "within",
]  # fmt: skip


def _plan(study: Study, found: LineUp, hole_id: str) -> tuple[Floats, pd.DataFrame] | None:
    """Return where the hole's plan ends, bent as the rods of this project bend, and the faults that it meets."""
    row = study.project.collars[study.project.collars["hole_id"] == hole_id].iloc[0]
    if pd.isna(row["azimuth"]) or pd.isna(row["dip"]):
        return None
    place = row[["easting", "northing", "elevation"]].to_numpy(dtype=float)
    known = ahead(
        straight_hole(hole_id, place, float(row["azimuth"]), float(row["dip"]), float(row["depth"])), found.spread
    )
    met = meetings(found, known.traces, known)
    end = known.traces.at(np.array([0]), np.array([float(row["depth"])])).position[0]
    return end, met[met["within_extent"] & (met["depth"] <= row["depth"])]


def _gains(found: LineUp, hole: int, windows: pd.DataFrame, reached: float, further: float) -> pd.DataFrame:
    which = np.arange(len(found.traces.hole_ids)) == hole
    met = meetings(found, found.traces, found.spread, which=which)
    met = met[
        met["fault_id"].isin(windows["fault_id"]) & (met["depth"] > reached) & (met["depth"] <= reached + further)
    ]
    chance = windows.set_index("fault_id")["chance"]
    out = narrowed(found, met)
    return out.assign(chance=out["fault_id"].map(chance).astype(float))[GAINS].reset_index(drop=True)


GAINS = ["fault_id", "depth", "chance", "sigma_before", "sigma_after"]


def _blind(study: Study, hole: int, reached: float, further: float) -> tuple[float, float]:
    """Return the share of plane orientations that nothing has seen, by what is drilled and by what is asked."""
    traces: Traces = study.holes
    drilled = ~study.logged.planned(traces.hole_ids)
    drilled[hole] = False
    others, poles, limit = directions_of(traces, drilled), half_sphere(POLES), np.sin(np.deg2rad(GRAZING_DEG))
    shares = []
    for bottom in (reached, reached + further):
        depth = np.arange(0.0, bottom + 5.0, 5.0)
        own = traces.at(np.full(len(depth), hole), np.minimum(depth, bottom)).tangent
        seen = np.concatenate([others, own])
        shares.append(float((squarest(seen, poles) < limit).mean()))
    return shares[0], shares[1]


def _direction(off: Floats) -> str:
    """Return an offset in words: ``9 m east and 3 m above of``."""
    east, north, up = off
    flat = float(np.hypot(east, north))
    if max(flat, abs(up)) < 0.5:
        return "within half a metre of"
    names = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
    name = names[round(float(np.rad2deg(np.arctan2(east, north))) / 45.0) % 8]
    return f"{flat:.0f} m {name} and {abs(up):.0f} m {'above' if up > 0.0 else 'below'} of"
