"""Aiming the next hole: where it meets each fault, how to meet one well, and what the programme can't see.

A hole that isn't drilled yet is taken to set out as it is planned and to bend as the rods of this project do on average
(:mod:`desurvey.spread.wander`); how far they may wander from that is in every window. A hole is aimed the other way
round: it sets out so that, bent like that, it arrives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import curvature
from desurvey.lineup.background import half_sphere
from desurvey.lineup.crossings import course_of
from desurvey.lineup.piercing import Z95, Pierced, pierced, slopes_to_normal
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown
from desurvey.sphere import TERZAGHI_CAP_DEG, squarest
from desurvey.spread import HoleSpread, hole_spread, set_out
from desurvey.spread.part import PLANNED
from desurvey.traces import Traces, chained

if TYPE_CHECKING:
    from desurvey.lineup import Fault, LineUp

__all__ = [
    "RigLimits",
    "Shot",
    "ahead",
    "aim_at_elevation",
    "aim_at_point",
    "blind_table",
    "directions_of",
    "in_words",
    "meetings",
    "planned_meetings",
    "points_all_over",
    "shots_table",
    "straight_hole",
    "warned",
]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MEETING_COLUMNS = [
    "fault_id", "hole_id", "depth", "sigma", "depth_from", "depth_to", "pierce_angle", "easting", "northing",
    "elevation", "within_extent", "warning",
]  # fmt: skip

SHOT_COLUMNS = [
    "fault_id", "azimuth", "dip", "arrival_azimuth", "arrival_dip", "depth", "sigma", "depth_from", "depth_to",
    "pierce_angle", "easting", "northing", "elevation", "within_extent", "warning",
]  # fmt: skip

GRAZING_DEG = TERZAGHI_CAP_DEG
"""Angle to a fault below which a hole meets it badly: the blind zone's, where planes are likely missed."""

TRIALS = 4001
"""Targets tried along a fault's strike before the best is refined."""

DIRECTIONS = 4000
"""Poles, spread evenly over the half sphere, by which the blind share is counted: to about 0.001."""


@dataclass(frozen=True, slots=True)
class RigLimits:
    """What the rig can do; ``[aim]`` in ``project.toml``.

    Attributes
    ----------
    dip_from, dip_to : float
        Steepest and flattest dip of a hole, degrees, negative down (common practice: −90 to −45).
    azimuth_from, azimuth_to : float
        Sector of azimuths, clockwise from the first to the second, degrees; equal or a full turn apart: any.
    longest : float
        Longest hole, metres.
    """

    dip_from: float = -90.0
    dip_to: float = -45.0
    azimuth_from: float = 0.0
    azimuth_to: float = 360.0
    longest: float = 800.0

    def __post_init__(self) -> None:
        """Refuse ranges that hold nothing."""
        if not -90.0 <= self.dip_from <= self.dip_to <= 90.0:
            raise DataProblem(
                "[aim] dip_from must not be above dip_to, both in −90 to 90",
                value=f"{self.dip_from:g} to {self.dip_to:g}",
            )
        if not self.longest > 0.0:
            raise DataProblem("[aim] longest must be above 0", value=self.longest)

    def allow(self, direction: Floats, length: Floats) -> Bools:
        """Return whether holes in the given unit directions, of the given lengths, can be drilled, shape (n,)."""
        azimuth, dip = (np.rad2deg(angle) for angle in curvature.angles(direction))
        sector = (self.azimuth_to - self.azimuth_from) % 360.0
        turned = np.ones(len(azimuth), dtype=bool) if sector == 0.0 else (azimuth - self.azimuth_from) % 360.0 <= sector
        vertical = dip < -90.0 + 1e-6
        slack = 1e-9
        return np.asarray(
            (dip >= self.dip_from - slack)
            & (dip <= self.dip_to + slack)
            & (turned | vertical)
            & (length <= self.longest)
        )


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """A hole that meets a fault.

    Attributes
    ----------
    fault_id : str
    azimuth, dip : float
        At the collar, degrees; dip negative down.
    arrival_azimuth, arrival_dip : float
        Where it meets the fault: the rods have bent it until there.
    depth, sigma, depth_from, depth_to : float
        Where along the hole it meets the fault, with the 95 % window, metres.
    pierce_angle : float
        Between hole and fault, degrees: 90 is square.
    point : (3,) array
        Easting, northing, elevation of the meeting.
    within_extent : bool
        Whether the fault is taken to go on as far as that.
    warning : str
        What is bad about it, and the better way; empty for nothing.
    """

    fault_id: str
    azimuth: float
    dip: float
    arrival_azimuth: float
    arrival_dip: float
    depth: float
    sigma: float
    depth_from: float
    depth_to: float
    pierce_angle: float
    point: Floats
    within_extent: bool
    warning: str = ""


# ------------------------------------------------------------------------------------------ where a hole meets faults


def straight_hole(hole_id: str, collar: Floats, azimuth_deg: float, dip_deg: float, length: float) -> Traces:
    """Return the trace of one straight hole, as a plan (:func:`ahead`: as it will run).

    Parameters
    ----------
    hole_id : str
        Name.
    collar : (3,) array
        Easting, northing, elevation, metres.
    azimuth_deg, dip_deg : float
        Degrees from grid north, and negative down.
    length : float
        Metres.
    """
    depth = np.arange(0.0, length, STATIONS)
    same = np.ones_like(depth)
    ends = np.array([0, len(depth)])
    return chained([hole_id], np.array([collar]), np.array([length]), ends, depth, azimuth_deg * same, dip_deg * same)


STATIONS = 30.0
"""Metres between the surveys that a planned hole is taken to get (common practice)."""


def ahead(hole: Traces, like: HoleSpread) -> HoleSpread:
    """Return planned holes as the rods will bend them (``traces`` of the answer) and how far they may stray from that.

    Parameters
    ----------
    hole : Traces
        As planned.
    like : HoleSpread
        Of the project: its errors, and the wander that its drilled holes have shown.
    """
    if like.wander is None:
        return hole_spread(hole, like.sigmas)
    plans = np.ones(len(hole.hole_ids), dtype=bool)
    return hole_spread(hole, like.sigmas, np.full(len(hole.depth), PLANNED), like.wander, plans).foreseen()


def planned_meetings(lineup: LineUp) -> pd.DataFrame:
    """Return where the project's planned holes meet each fault: :func:`meetings` of those not drilled."""
    return meetings(lineup, lineup.traces, lineup.spread, which=~lineup.drilled)


def meetings(
    lineup: LineUp, traces: Traces, spread: HoleSpread | None = None, *, which: Bools | None = None
) -> pd.DataFrame:
    """Return where holes meet each fault, one row a hole and fault that meet.

    Parameters
    ----------
    lineup : LineUp
        The faults.
    traces : Traces
        Holes, of the project or not (:func:`straight_hole`).
    spread : HoleSpread, optional
        Their uncertainty; if not given they are plans, and are taken as they will run (:func:`ahead`).
    which : (H,) bool array, optional
        Holes to look at; all if not given.

    Returns
    -------
    pandas.DataFrame
        fault_id, hole_id, depth, sigma, depth_from, depth_to (95 %), pierce_angle, easting, northing, elevation,
        within_extent, warning (where the angle is under 20°).
    """
    if spread is None:
        spread = ahead(traces, lineup.spread)
        traces = spread.traces
    course = course_of(traces, np.ones(len(traces.hole_ids), dtype=bool) if which is None else which)
    tables = [_meeting(fault, pierced(fault.sheet, course, traces, spread), traces) for fault in lineup.faults]
    tables = [table for table in tables if len(table)]
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=MEETING_COLUMNS)


def _meeting(fault: Fault, cut: Pierced, traces: Traces) -> pd.DataFrame:
    values = {
        "fault_id": fault.fault_id,
        "hole_id": traces.hole_ids[cut.hole],
        "depth": cut.depth,
        "sigma": cut.sigma,
        "depth_from": np.maximum(cut.depth - Z95 * cut.sigma, 0.0),
        "depth_to": cut.depth + Z95 * cut.sigma,
        "pierce_angle": cut.angle,
        "easting": cut.position[:, 0],
        "northing": cut.position[:, 1],
        "elevation": cut.position[:, 2],
        "within_extent": fault.contains(cut.place),
        "warning": [_grazing(angle, fault.fault_id) for angle in cut.angle.tolist()],
    }
    return pd.DataFrame(values, columns=MEETING_COLUMNS)


def _grazing(angle: float, fault_id: str) -> str:
    return f"{angle:.0f}° to {fault_id}: easily missed, and met late or early" if angle < GRAZING_DEG else ""


# --------------------------------------------------------------------------------------------- how to meet a fault


def aim_at_point(lineup: LineUp, fault_id: str, collar: Floats, point: Floats, limits: RigLimits) -> Shot:
    """Return the hole from a collar that meets a fault where it passes a point.

    Parameters
    ----------
    lineup, fault_id
        The fault.
    collar, point : (3,) arrays
        Easting, northing, elevation, metres. The point is moved on to the fault, square to it.
    limits : RigLimits
        What the rig can do.

    Raises
    ------
    DataProblem
        When there is no such fault, or the rig can't drill that hole.
    """
    fault = _fault(lineup, fault_id)
    target = _on_surface(fault, np.asarray(point, dtype=float)[None])
    gap = float(np.linalg.norm(target[0] - collar))
    if gap < 1.0:
        raise DataProblem("the target lies at the collar itself", value=f"{gap:.2f} m away")
    begin, _, length = set_out(target - collar, lineup.spread.wander)
    if not limits.allow(begin, length)[0]:
        azimuth, dip = _degrees(begin)
        raise DataProblem(
            f"the rig can't drill from the collar to that point of {fault_id}",
            value=f"azimuth {azimuth:.1f}, dip {dip:.1f}, {length[0]:.0f} m",
            hint="choose another collar or target, or widen the limits in [aim]",
        )
    return _advised(lineup, fault, collar, limits, _shot(lineup, fault, collar, begin[0], float(length[0])))


def aim_at_elevation(lineup: LineUp, fault_id: str, collar: Floats, elevation: float, limits: RigLimits) -> Shot:
    """Return the hole from a collar that meets a fault at an elevation at the best pierce angle.

    The targets are the points of the fault at that elevation, within its extent; of those the rig can reach, the one
    met most nearly square is taken. Parameters and errors as in :func:`aim_at_point`; ``elevation`` in metres.
    """
    fault = _fault(lineup, fault_id)
    if fault.dip < 0.5:
        raise DataProblem(
            f"{fault_id} is flat (dip {fault.dip:.1f}°), so it isn't met at a chosen elevation",
            hint="aim at a point instead",
        )
    targets = _level_line(fault, elevation)
    if not len(targets):
        raise DataProblem(
            f"{fault_id} isn't known to reach that elevation: its extent runs from "
            f"{fault.outline[:, 2].min():.0f} to {fault.outline[:, 2].max():.0f} m",
            value=elevation,
        )
    best = _squarest_shot(lineup, fault, collar, targets, limits)
    if best is None:
        raise DataProblem(
            f"the rig can't reach {fault_id} at that elevation from the collar",
            value=elevation,
            hint="choose another collar or elevation, or widen the limits in [aim]",
        )
    return _advised(lineup, fault, collar, limits, best)


def warned(lineup: LineUp, meetings: pd.DataFrame, limits: RigLimits) -> pd.DataFrame:
    """Return meetings of the project's own holes with the better way in the warnings of those under 20°."""
    collars = lineup.traces.position[lineup.traces.offsets[lineup.traces.index(meetings["hole_id"].to_numpy(np.str_))]]
    warnings = [
        warning and warning + _better(lineup, _fault(lineup, fault_id), collar, limits)
        for warning, fault_id, collar in zip(meetings["warning"], meetings["fault_id"], collars, strict=True)
    ]
    return meetings.assign(warning=warnings)


def _advised(lineup: LineUp, fault: Fault, collar: Floats, limits: RigLimits, shot: Shot) -> Shot:
    warning = _grazing(shot.pierce_angle, fault.fault_id)
    return replace(shot, warning=warning + _better(lineup, fault, collar, limits)) if warning else shot


def _better(lineup: LineUp, fault: Fault, collar: Floats, limits: RigLimits) -> str:
    """Return, for a warning, the hole from a collar that meets a fault most nearly square, wherever that is."""
    best = _squarest_shot(lineup, fault, collar, points_all_over(fault), limits)
    if best is None or best.pierce_angle < GRAZING_DEG:
        return "; no hole within the limits of [aim] meets it better from this collar, so move the collar"
    return (
        f"; better set out at {best.azimuth:.0f}°/{best.dip:.0f}° from the same collar, "
        f"which meets it at {best.depth:.0f} m, {best.pierce_angle:.0f}° to it"
    )


def _squarest_shot(lineup: LineUp, fault: Fault, collar: Floats, targets: Floats, limits: RigLimits) -> Shot | None:
    """Return the hole that meets one of some targets most nearly square; None when the rig reaches none."""
    targets = targets[np.linalg.norm(targets - collar, axis=1) >= 1.0]
    if not len(targets):
        return None
    begin, arrive, length = set_out(targets - collar, lineup.spread.wander)
    square = np.abs(np.einsum("ni,ni->n", arrive, _normals(fault, targets)))
    square = np.where(limits.allow(begin, length), square, -1.0)
    best = int(np.argmax(square))
    return _shot(lineup, fault, collar, begin[best], float(length[best])) if square[best] >= 0.0 else None


def points_all_over(fault: Fault) -> Floats:
    """Return points all over a fault's surface, within its extent."""
    place = ((fault.outline - fault.sheet.centre) @ fault.sheet.axes.T)[:, :2]
    ends = [np.linspace(low, high, ALL_OVER) for low, high in zip(place.min(axis=0), place.max(axis=0), strict=True)]
    place = np.stack(np.meshgrid(*ends), axis=-1).reshape(-1, 2)
    place = place[fault.contains(place)]
    return np.asarray(fault.sheet.centre + np.column_stack([place, fault.sheet.level(place)]) @ fault.sheet.axes)


ALL_OVER = 40
"""Points across a fault, either way, at which a better way to meet it is sought."""


def in_words(meetings: pd.DataFrame) -> str:
    """Return meetings of holes and faults in words, one line each.

    Parameters
    ----------
    meetings : pandas.DataFrame
        As :func:`meetings` gives them.
    """
    if not len(meetings):
        return "No hole meets a fault."
    return "\n".join(
        f"{row.hole_id} meets {row.fault_id} at {row.depth:.1f} m ± {row.sigma:.1f} m "
        f"(95 %: {row.depth_from:.1f}–{row.depth_to:.1f} m), at {row.pierce_angle:.0f}° to it"
        + ("." if row.within_extent else ", beyond the fault's stated extent.")
        + (f" Beware, {row.warning!s}." if row.warning else "")
        for row in meetings.sort_values(["hole_id", "depth"]).itertuples()
    )


def shots_table(shots: list[Shot]) -> pd.DataFrame:
    """Return shots as a table."""
    rows = [
        {
            "fault_id": shot.fault_id,
            "azimuth": shot.azimuth,
            "dip": shot.dip,
            "arrival_azimuth": shot.arrival_azimuth,
            "arrival_dip": shot.arrival_dip,
            "depth": shot.depth,
            "sigma": shot.sigma,
            "depth_from": shot.depth_from,
            "depth_to": shot.depth_to,
            "pierce_angle": shot.pierce_angle,
            "easting": shot.point[0],
            "northing": shot.point[1],
            "elevation": shot.point[2],
            "within_extent": shot.within_extent,
            "warning": shot.warning,
        }
        for shot in shots
    ]
    return pd.DataFrame(rows, columns=SHOT_COLUMNS)


def _fault(lineup: LineUp, fault_id: str) -> Fault:
    faults = {fault.fault_id: fault for fault in lineup.faults}
    if fault_id not in faults:
        hint = nearest(fault_id, faults) or f"the faults there are: {', '.join(faults) or 'none'}"
        raise DataProblem("there is no such fault in the line-up", value=fault_id, hint=hint)
    return faults[fault_id]


def _on_surface(fault: Fault, points: Floats) -> Floats:
    """Return points moved on to the fault's surface along its normal."""
    sheet = fault.sheet
    local = (points - sheet.centre) @ sheet.axes.T
    local[:, 2] = sheet.level(local[:, :2])
    return np.asarray(sheet.centre + local @ sheet.axes)


def _level_line(fault: Fault, elevation: float) -> Floats:
    """Return points of a fault's surface at an elevation, within its extent, close together along strike."""
    span = np.abs((fault.outline - fault.centre) @ fault.axes[0]).max()
    along = np.linspace(-span, span, TRIALS)
    points = fault.centre + along[:, None] * fault.axes[0]
    slope = fault.axes[1][2]  # elevation lost per metre down dip (negative)
    for _ in range(6):  # the waviness shifts the line a little: down dip until the surface is at that elevation
        points = points + ((elevation - points[:, 2]) / slope)[:, None] * fault.axes[1]
        points = _on_surface(fault, points)
    place = ((points - fault.sheet.centre) @ fault.sheet.axes.T)[:, :2]
    return np.asarray(points[fault.contains(place) & (np.abs(points[:, 2] - elevation) < 0.01)])


def _normals(fault: Fault, points: Floats) -> Floats:
    place = ((points - fault.sheet.centre) @ fault.sheet.axes.T)[:, :2]
    return slopes_to_normal(fault.sheet.surface(place)[0][:, 1:], fault.sheet.axes)


def _degrees(direction: Floats) -> tuple[float, float]:
    """Return azimuth and dip of one direction, degrees."""
    azimuth, dip = (float(np.rad2deg(angle).ravel()[0]) for angle in curvature.angles(direction))
    return azimuth, dip


def _shot(lineup: LineUp, fault: Fault, collar: Floats, begin: Floats, length: float) -> Shot:
    """Return the hole that sets out in a direction and meets a fault at about a depth, met where it really does."""
    azimuth, dip = _degrees(begin)
    known = ahead(straight_hole("aimed", collar, azimuth, dip, length + 50.0), lineup.spread)
    cut = pierced(fault.sheet, course_of(known.traces, np.array([True])), known.traces, known)
    depth, sigma = float(cut.depth[0]), float(cut.sigma[0])
    window = (max(depth - Z95 * sigma, 0.0), depth + Z95 * sigma)
    arrival = _degrees(known.traces.at(cut.hole[:1], cut.depth[:1]).tangent)
    inside = bool(fault.contains(cut.place)[0])
    angle, place = float(cut.angle[0]), cut.position[0]
    return Shot(fault.fault_id, azimuth, dip, *arrival, depth, sigma, *window, angle, place, inside)


# ------------------------------------------------------------------------------------------ what can't be seen so far


def blind_table(traces: Traces, drilled: Bools, limit_deg: float = TERZAGHI_CAP_DEG) -> pd.DataFrame:
    """Return the share of all plane orientations that the programme is blind to, and what each planned hole mends.

    Parameters
    ----------
    traces : Traces
        All holes.
    drilled : (H,) bool array
        Those drilled; the others are planned.
    limit_deg : float
        A plane at a smaller angle than this to a hole is likely missed by it (Terzaghi's blind zone).

    Returns
    -------
    pandas.DataFrame
        hole_id ("" for the drilled holes alone), blind (share 0 to 1 with that hole added), gained (the share it takes
        off). Planned holes follow in order of what they gain.
    """
    poles = half_sphere(DIRECTIONS)
    blind = _blind_to(traces, drilled, poles, limit_deg)
    before = float(blind.mean())
    rows = [("", before, 0.0)]
    for hole in np.flatnonzero(~drilled):  # a handful of planned holes
        one = np.zeros(len(drilled), dtype=bool)
        one[hole] = True
        after = float((blind & _blind_to(traces, one, poles, limit_deg)).mean())
        rows.append((str(traces.hole_ids[hole]), after, before - after))
    rows[1:] = sorted(rows[1:], key=lambda row: -row[2])
    return pd.DataFrame(rows, columns=["hole_id", "blind", "gained"])


def _blind_to(traces: Traces, which: Bools, poles: Floats, limit_deg: float) -> Bools:
    """Return the poles that no piece of the chosen holes sees; all of them without holes."""
    return np.asarray(squarest(directions_of(traces, which), poles) < np.sin(np.deg2rad(limit_deg)))


def directions_of(traces: Traces, which: Bools) -> Floats:
    """Return the directions that chosen holes take along their courses, shape (n, 3): each once, to 0.4°.

    Parameters
    ----------
    traces : Traces
        All holes.
    which : (H,) bool array
        Those that are meant; without any there are no directions.
    """
    if not which.any():
        return np.empty((0, 3))
    course = course_of(traces, which)
    tangents = np.unique(traces.at(course.hole, course.depth).tangent.round(2), axis=0)
    return np.asarray(tangents / np.linalg.norm(tangents, axis=1, keepdims=True))
