"""Next hole? A planned hole moved with sliders; at once where it meets each fault, how well known and how square."""

from __future__ import annotations

import asyncio
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import sphere
from desurvey.aim import RigLimits, ahead, aim_at_elevation, in_words, meetings, straight_hole
from desurvey.curvature import tangent
from desurvey.orient import Oriented
from desurvey.problems import DataProblem
from desurvey.project import collar_row, options
from desurvey.sphere import TERZAGHI_CAP_DEG
from desurvey.traces import Traces
from viewer.app.blind import Blind, blind_of, with_hole
from viewer.app.stage import Part, Stage, careful
from viewer.theme import fault_colours

__all__ = ["Aiming"]

Floats = npt.NDArray[np.float64]

FIELDS = ("aim_easting", "aim_northing", "aim_elevation", "aim_azimuth", "aim_dip", "aim_length")


class Aiming(Part):
    """The hole that is being planned."""

    triggers = ("start_from", "aim_at")

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self._blind: tuple[Oriented, Blind] | None = None
        self.state.update({"aim": None, "aim_meetings": [], "aim_on": False, "aim_level": 0.0})
        self.state.update({"aim_said": "", "aim_row": "", "aim_head": "", "aim_file": "", "aim_wrong": ""})
        self._last = np.zeros(len(FIELDS))
        self._followed: tuple[Any, Any] = (None, None)
        self._writing: asyncio.TimerHandle | None = None
        self._show_start(self._first())
        self.state.change(*FIELDS, "aim_on")(self.changed)
        stage.heard.append(self.follow)

    def _first(self) -> str:
        """Return the hole to start from: the first planned one, or the first of all."""
        traces, collars = self.stage.base.traces, self.stage.base.project.collars
        planned = collars.loc[collars["status"] == "planned", "hole_id"].tolist()
        known = [hole for hole in planned if hole in traces.hole_ids.tolist()] or traces.hole_ids.tolist()
        return known[0] if known else ""

    def _show_start(self, hole: str) -> None:
        """Put the collar, direction and length of a hole into the sliders."""
        traces = self.stage.base.traces
        place = int(traces.index([hole])[0]) if hole else -1
        start, end = (traces.offsets[place], float(traces.end[place])) if place >= 0 else (0, 200.0)
        spot = traces.position[start] if place >= 0 else np.zeros(3)
        along = traces.tangent[start] if place >= 0 else np.array([0.0, 0.5, -np.sqrt(0.75)])
        azimuth = float(np.rad2deg(np.arctan2(along[0], along[1]))) % 360.0
        dip = float(np.rad2deg(np.arcsin(along[2])))
        values = (round(spot[0], 1), round(spot[1], 1), round(spot[2], 1), round(azimuth, 1), round(dip, 1), round(end))
        self.state.update(dict(zip(FIELDS, (float(value) for value in values), strict=True)))
        self.state.aim_start = hole
        self.state.aim_level = float(round(spot[2] - end / 2))

    def _numbers(self) -> Floats:
        """Return collar, azimuth, dip and length as they stand; what is half typed counts as before."""
        given = np.array([_number(self.state[name]) for name in FIELDS])
        self._last = np.where(np.isfinite(given), given, self._last)
        return self._last

    def _axis(self) -> Floats:
        """Return the unit tangent of the planned hole."""
        return tangent(*np.deg2rad(self._numbers()[3:5]))

    def blind(self) -> dict[str, Any] | None:
        """Return what drilled holes and the planned one are blind to, for the net; None while no hole is planned."""
        if not self.state.aim_on:
            return None
        if self._blind is None or self._blind[0] is not self.stage.shown.oriented:
            self._blind = (self.stage.shown.oriented, blind_of(self.stage.shown))
        return with_hole(self._blind[1], self._axis(), self.stage.scene.discs.index)

    def curves(self) -> list[dict[str, Any]]:
        """Return the edge of the blind zone of the planned hole alone on the net, both ways round."""
        if not self.state.aim_on:
            return []
        circle = sphere.small_circle(self._axis(), 90.0 - TERZAGHI_CAP_DEG)
        return [{"of": "aim", "colour": AIM_COLOUR, "points": sphere.project_equal_area(circle).tolist()}]

    # --- triggers

    @careful
    def start_from(self, hole: str) -> None:
        """Take collar, direction and length of a hole as a start."""
        self._show_start(hole)
        self.state.aim_on = True
        self.changed()

    @careful
    def aim_at(self, fault_id: str) -> None:
        """Turn the hole so that it meets a fault at the stated elevation as nearly square as the rig can."""
        answer = self.stage.answer
        if answer is None:
            self.tell("Line the picks up first (Lines up?): without faults there is nothing to aim at.")
            return
        limits = options("aim", self.stage.base.project.section("aim"), RigLimits)
        level = _number(self.state.aim_level)
        if not np.isfinite(level):
            raise DataProblem("the elevation to aim at must be a number", value=self.state.aim_level)
        shot = aim_at_elevation(answer.found, fault_id, self._numbers()[:3], level, limits)
        self.state.update(
            {
                "aim_azimuth": round(shot.azimuth, 1),
                "aim_dip": round(shot.dip, 1),
                "aim_length": float(np.ceil(shot.depth_to + BEYOND)),
                "aim_on": True,
            }
        )
        self.changed()

    def follow(self) -> None:
        """Say it anew when a new line-up or scene stands."""
        now = (self.stage.answer, self.stage.scene)
        if self.state.aim_on and (self._followed[0] is not now[0] or self._followed[1] is not now[1]):
            self._followed = now
            self.changed()

    @careful
    def changed(self, **_state: Any) -> None:
        """Say and show where the hole as it stands meets the faults."""
        state = self.state
        if not state.aim_on:
            if state.aim is None:
                return
            state.aim, state.aim_meetings = None, []
        else:
            *collar, azimuth, dip, length = self._numbers().tolist()
            hole = straight_hole(
                "new", np.array(collar), azimuth % 360.0, float(np.clip(dip, -90.0, 90.0)), max(length, 1.0)
            )
            answer, known = self.stage.answer, ahead(hole, self.stage.base.study.foreseen)
            found = meetings(answer.found, known.traces, known) if answer is not None else pd.DataFrame()
            self._show(known.traces, found)
        state.net_version += 1

    def _show(self, hole: Traces, found: pd.DataFrame) -> None:
        state, frame = self.state, self.stage.scene.frame
        answer = self.stage.answer
        colours = fault_colours(answer.found.faults) if answer is not None else {}
        steps = np.linspace(0.0, float(hole.end[0]), 20)
        state.aim = {
            "points": frame.local(hole.at(np.zeros(20, dtype=int), steps).position).round(2).tolist(),
            "meetings": [_mark(row, hole, frame.local, colours) for row in found.itertuples()],
        }
        state.aim_meetings = (
            [
                {
                    "id": row.fault_id,
                    "colour": colours[str(row.fault_id)],
                    "depth": f"{row.depth:.1f} ± {row.sigma:.1f} m",
                    "window": f"{row.depth_from:.1f} – {row.depth_to:.1f}",
                    "angle": f"{row.pierce_angle:.0f}°" + (", grazing" if row.warning else ""),
                    "beyond": "" if row.within_extent else "beyond its stated extent",
                }
                for row in found.sort_values("depth").itertuples()
            ]
            if len(found)
            else []
        )
        state.aim_said = _said(answer is not None, found)
        self._write_soon()

    def _write_soon(self) -> None:
        """Write the row when the hand rests: it goes through the project's own door, which takes a moment."""
        if self._writing is not None:
            self._writing.cancel()
        try:
            self._writing = asyncio.get_running_loop().call_later(REST_S, self._write_row)
        except RuntimeError:  # no server runs: at once
            self._write_row()

    def _write_row(self) -> None:
        """Put the hole into the state as a row of the collars table, or why it can't be one."""
        *collar, azimuth, dip, length = self._numbers().tolist()
        row = {"aim_row": "", "aim_head": "", "aim_file": "", "aim_wrong": ""}
        try:
            made = collar_row(self.stage.base.study.logged, "NEW", collar, azimuth, dip, length)
            row |= {"aim_row": made.line, "aim_head": made.heading, "aim_file": made.file}
        except DataProblem as problem:
            row["aim_wrong"] = str(problem)
        with self.state:
            self.state.update(row)


def _number(value: Any) -> float:
    """Return a number that a person has typed, NaN while it is none."""
    try:
        return float(value)
    except (TypeError, ValueError):
        return float("nan")


AIM_COLOUR = "#D55E00"
REST_S = 0.25
"""Seconds after which a hand rests."""

BEYOND = 20.0
"""Metres that a hole goes on behind the window of what it is aimed at (common practice, no source)."""


def _mark(row: Any, hole: Traces, local: Any, colours: dict[str, str]) -> dict[str, Any]:
    """Return a meeting as the page draws it: the window along the hole and the middle of it."""
    depths = np.clip([row.depth_from, row.depth, row.depth_to], 0.0, hole.end[0])
    window = local(hole.at(np.zeros(3, dtype=int), depths).position).round(2).tolist()
    return {"window": window, "colour": colours[str(row.fault_id)], "text": f"{row.fault_id} {row.depth:.0f} m"}


def _said(known: bool, found: pd.DataFrame) -> str:
    if not known:
        return "Line the picks up first (Lines up?), then this says where the hole meets each fault."
    return in_words(found) if len(found) else "The hole meets no fault."
