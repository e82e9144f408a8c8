"""Collars: where they can't be, and where they are said to be pointing."""

from __future__ import annotations

import numpy as np

from desurvey import curvature, directions, north
from desurvey.checks.context import Bools, Context, Floats
from desurvey.checks.ground import GROUND_RULES, check_ground
from desurvey.checks.neighbours import nearest, pairs_within
from desurvey.problems import DataProblem, Finding, Rule, shortened

__all__ = ["RULES", "check_collars"]

COLLAR_TURN = Rule(
    "collar_direction",
    "warning",
    "the survey near the collar should confirm how the rig was set up",
    "Find out which is right; the survey is used",
)
SWAPPED = Rule(
    "swapped_coordinates",
    "error",
    "exchanged, the coordinates fit among the other collars; as they stand they don't",
    "Exchange easting and northing",
)
OUTSIDE_CRS = Rule(
    "outside_crs",
    "warning",
    "the coordinate system isn't meant for this place, and convergence and declination are taken there",
    "Check crs under [frame], the zone above all, and the coordinates",
)
FAR = Rule("far_collar", "warning", "a digit may be wrong", "Compare the coordinates with the survey of the collars")
TOGETHER = Rule(
    "collars_together",
    "warning",
    "it may be one hole with two names",
    "Keep one of the holes, or correct coordinates or direction",
)
NO_DEPTH = Rule(
    "no_depth", "error", "a hole has a length, a planned one a target depth", "Give the depth of the end of the hole"
)
POINTS_UP = Rule(
    "points_up",
    "warning",
    "the sign of dip may be the other one",
    "Check dip_sign under [frame]; let it be if the hole was drilled upwards",
)

SWAP_M = 1000.0
"""Metres from the middle of all collars beyond which an exchange of coordinates is looked for."""

OUTSIDE_DEG = 1.0
"""Degrees by which coordinates may leave the area of their system: zones are used a little beyond (common practice)."""

RULES = (COLLAR_TURN, SWAPPED, OUTSIDE_CRS, FAR, TOGETHER, NO_DEPTH, POINTS_UP, *GROUND_RULES)


def check_collars(context: Context) -> list[Finding]:
    """Return what is wrong with the collars."""
    place = context.project.collars[["easting", "northing", "elevation"]].to_numpy(dtype=float)
    swapped = _swapped(place[:, :2])
    findings = context.rows(
        SWAPPED,
        "collars",
        swapped,
        [
            f"easting {east:.12g} and northing {up:.12g} seem to be exchanged"
            for east, up in place[swapped, :2].tolist()
        ],
    )
    findings += _far(context, place, swapped) + _outside(context, place, swapped) + _together(context, place)
    findings += check_ground(context, place, swapped)
    return findings + _directions(context) + _depths(context)


def _swapped(place: Floats) -> Bools:
    """Return the collars that are ten times nearer the middle of all when their coordinates are exchanged."""
    known = np.isfinite(place).all(axis=1)
    if known.sum() < 3:
        return np.zeros(len(place), dtype=bool)
    middle = np.median(place[known], axis=0)
    as_is = np.linalg.norm(place - middle, axis=1)
    exchanged = np.linalg.norm(place[:, ::-1] - middle, axis=1)
    with np.errstate(invalid="ignore"):
        better = (as_is > SWAP_M) & (exchanged * 10.0 < as_is)
    return np.asarray(known & better)


def _far(context: Context, place: Floats, swapped: Bools) -> list[Finding]:
    """Return collars much farther from their nearest neighbour than collars usually are."""
    used = np.flatnonzero(np.isfinite(place).all(axis=1) & ~swapped)
    if len(used) < 4:
        return []
    distance = nearest(place[used, :2], 1)[0].ravel()
    usual = float(np.median(distance))
    far = distance > max(context.limits.collar_spacing * usual, 500.0)
    texts = [f"the nearest collar is {away:,.0f} m away, usual are {usual:,.0f} m" for away in distance[far]]
    return context.rows(FAR, "collars", used[far], texts)


def _outside(context: Context, place: Floats, swapped: Bools) -> list[Finding]:
    """Return collars outside the area that the project's coordinate system is made for."""
    crs = context.project.settings.frame.crs
    used = np.flatnonzero(np.isfinite(place).all(axis=1) & ~swapped)
    if not crs or not len(used):
        return []
    try:
        globe = north.places(crs, place[used, 0], place[used, 1], place[used, 0] * 0.0)
    except DataProblem:
        return []  # a system that isn't known is refused where it is needed
    away = _degrees_outside(crs, globe)
    far = away > OUTSIDE_DEG
    texts = [f"the collar lies {min(degrees, 180.0):.0f}° outside the area of {crs}" for degrees in away[far]]
    return context.rows(OUTSIDE_CRS, "collars", used[far], texts)


def _degrees_outside(crs: str, globe: north.Place) -> Floats:
    """Return how far places lie outside the area of use of a coordinate system, degrees."""
    import pyproj  # north has loaded it already

    area = pyproj.CRS.from_user_input(crs).area_of_use
    if area is None:
        return np.zeros(len(globe.latitude))
    east = area.east + 360.0 * (area.east < area.west)
    longitude = np.where(globe.longitude < area.west - OUTSIDE_DEG, globe.longitude + 360.0, globe.longitude)
    beside = np.minimum(np.abs(longitude - area.west), np.abs(longitude - east))
    beside = np.where((longitude >= area.west) & (longitude <= east), 0.0, beside)
    above = np.maximum(globe.latitude - area.north, area.south - globe.latitude)
    return np.maximum(np.maximum(np.minimum(beside, 360.0 - beside), above), 0.0)


def _together(context: Context, place: Floats) -> list[Finding]:
    """Return collars at the place of another one whose holes start in one direction."""
    collar = context.collar(context.project.collars)
    traces = context.traces
    hole = traces.index(context.project.collars["hole_id"].to_numpy(dtype=np.str_))
    used = np.flatnonzero(np.isfinite(place).all(axis=1) & (hole >= 0) & (collar == np.arange(len(collar))))
    if len(used) < 2:
        return []
    first, second = used[pairs_within(place[used], context.limits.collar_apart_m)].reshape(-1, 2).T
    tangent = traces.tangent[traces.offsets[:-1]][hole]
    same = directions.between(tangent[first], tangent[second]) < context.limits.collar_turn_deg
    names = context.project.collars["hole_id"].to_numpy(dtype=object)
    texts = [f"the hole starts where '{shortened(names[other])}' does, in the same direction" for other in first[same]]
    return context.rows(TOGETHER, "collars", second[same], texts)


def _directions(context: Context) -> list[Finding]:
    """Return holes whose survey near the collar differs from the collar's direction, and holes that point up."""
    collars, surveys, limits = context.project.collars, context.project.surveys, context.limits
    collar = context.collar(surveys)
    given = np.deg2rad(collars[["azimuth", "dip"]].to_numpy(dtype=float))
    read = np.deg2rad(surveys[["azimuth", "dip"]].to_numpy(dtype=float))
    depth = surveys["depth"].to_numpy(dtype=float)
    near = np.flatnonzero((collar >= 0) & (depth <= limits.collar_station_m))
    wanted, got = given[collar[near]], read[near]
    angle = directions.between(curvature.tangent(*wanted.T), curvature.tangent(*got.T))
    wrong = angle > limits.collar_turn_deg
    texts = [
        f"the collar points to {a[0]:.1f}/{a[1]:.1f}, the hole at {at:g} m to {b[0]:.1f}/{b[1]:.1f}: {apart:.1f}° apart"
        for a, b, at, apart in zip(
            np.rad2deg(wanted[wrong]), np.rad2deg(got[wrong]), depth[near][wrong], angle[wrong], strict=True
        )
    ]
    findings = context.rows(COLLAR_TURN, "surveys", near[wrong], texts, "depth")

    hole = context.traces.index(collars["hole_id"].to_numpy(dtype=np.str_))
    lowest = np.full(len(hole), np.nan)
    lowest[hole >= 0] = context.traces.tangent[context.traces.offsets[:-1], 2][hole[hole >= 0]]
    up = lowest > 0.0
    angles = np.rad2deg(np.arcsin(lowest[up].clip(-1.0, 1.0)))
    return findings + context.rows(POINTS_UP, "collars", up, [f"the hole starts {dip:.0f}° upwards" for dip in angles])


def _depths(context: Context) -> list[Finding]:
    collars = context.project.collars
    planned = (collars["status"] == "planned").to_numpy()
    depth = collars["depth"].to_numpy(dtype=float)
    wrong = (depth == 0.0) | (np.isnan(depth) & planned)
    texts = [
        "the planned hole has no target depth" if plan else "the hole has a length of 0 m" for plan in planned[wrong]
    ]
    return context.rows(NO_DEPTH, "collars", wrong, texts)
