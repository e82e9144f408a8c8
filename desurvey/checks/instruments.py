"""Survey instruments: the magnetic field that they felt, and whether two of them agree.

A reading can have the right field and a wrong azimuth, and the other way round, for fields add as vectors: the
comparison is necessary, not sufficient.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from desurvey import curvature, directions, north, traces
from desurvey.checks.context import Bools, Context, Floats
from desurvey.problems import DataProblem, Finding, Rule

__all__ = ["RULES", "check_instruments"]

FIELD = Rule(
    "magnetic_field",
    "warning",
    "rods, casing or magnetic rock turn the needle, and with it the azimuth",
    "Don't trust the azimuth; survey again with a gyro",
)
FIELD_DIP = Rule(
    "magnetic_dip",
    "warning",
    "rods, casing or magnetic rock tilt the field, and turn the azimuth",
    "Don't trust the azimuth; survey again with a gyro",
)
OFFSET = Rule(
    "instrument_offset",
    "warning",
    "two surveys of one hole should show one direction",
    "Find out which is off (declination, grid convergence, the gyro's reference), and keep the other",
)

RULES = (FIELD, FIELD_DIP, OFFSET)

FEWEST = 5
"""Readings of a project from which the usual field is taken where no model is at hand."""


def check_instruments(context: Context) -> list[Finding]:
    """Return magnetic readings in a field that isn't the earth's, and holes whose instruments disagree."""
    return _fields(context) + _offsets(context)


def _fields(context: Context) -> list[Finding]:
    surveys, limits = context.project.surveys, context.limits
    total, dip = surveys["field_nt"].to_numpy(dtype=float), np.abs(surveys["field_dip"].to_numpy(dtype=float))
    if not (np.isfinite(total).any() or np.isfinite(dip).any()):
        return []
    model_total, model_dip, known = _expected(context, np.isfinite(total) | np.isfinite(dip))
    findings: list[Finding] = []
    for rule, read, model, limit, unit, what in (
        (FIELD, total, model_total, limits.field_nt, " nT", "total field"),
        (FIELD_DIP, dip, np.abs(model_dip), limits.field_dip_deg, "°", "dip of the field"),
    ):
        expected = np.where(known, model, _usual(read))
        away = np.abs(read - expected)
        wrong = away > limit
        texts = [
            f"the {what} is {got:,.1f}{unit}, the {'model' if by_model else 'usual one here'} {want:,.1f}{unit}"
            f"{': the azimuth is worth nothing' if apart > 2.0 * limit else ''}"
            for got, want, apart, by_model in zip(read[wrong], expected[wrong], away[wrong], known[wrong], strict=True)
        ]
        findings += context.rows(rule, "surveys", wrong, texts, "depth")
    return findings


def _usual(read: Floats) -> float:
    """Return the middle of all readings, NaN when there are too few."""
    there = read[np.isfinite(read)]
    return float(np.median(there)) if len(there) >= FEWEST else float("nan")


def _expected(context: Context, wanted: Bools) -> tuple[Floats, Floats, Bools]:
    """Return total field (nT) and dip (degrees) of the model at place and date of each row's collar, where known."""
    frame, collars = context.project.settings.frame, context.project.collars
    collar = context.collar(context.project.surveys)
    year = north.decimal_year(collars["date"].to_numpy(dtype="datetime64[s]"))
    place = collars[["easting", "northing", "elevation"]].to_numpy(dtype=float)
    known = np.isfinite(place).all(axis=1) & (year >= north.MODEL_YEARS[0]) & (year <= north.MODEL_YEARS[1])
    known = np.append(known & (frame.crs != ""), False)[collar] & wanted
    total, dip = np.full(len(collar), np.nan), np.full(len(collar), np.nan)
    used = np.unique(collar[known])
    if len(used):
        try:
            field = north.magnetic_field(north.places(frame.crs, *place[used].T), year[used])
        except DataProblem:
            return total, dip, np.zeros(len(collar), dtype=bool)
        at = np.searchsorted(used, collar[known])
        total[known], dip[known] = field.total_nt[at], field.dip[at]
    return total, dip, known


def _offsets(context: Context) -> list[Finding]:
    """Return holes whose magnetic stations differ from the path of their gyro stations."""
    surveys = context.project.surveys
    columns = ["azimuth", "dip", "depth"]
    usable = surveys[columns].notna().all(axis=1) & surveys["hole_id"].isin(context.traces.hole_ids.tolist())
    usable &= ~surveys.duplicated(["hole_id", "depth", "instrument"])
    kinds = {kind: surveys[usable & (surveys["instrument"] == kind)] for kind in ("gyro", "magnetic")}
    both = np.intersect1d(kinds["gyro"]["hole_id"].unique(), kinds["magnetic"]["hole_id"].unique())
    if not len(both):
        return []
    gyro = _path(kinds["gyro"][kinds["gyro"]["hole_id"].isin(both)])
    other = kinds["magnetic"][kinds["magnetic"]["hole_id"].isin(both)]
    hole, depth = gyro.index(other["hole_id"].to_numpy(dtype=np.str_)), other["depth"].to_numpy(dtype=float)
    inside = depth <= gyro.surveyed[hole]
    azimuth, dip = other[["azimuth", "dip"]].to_numpy(dtype=float).T
    path = gyro.at(hole, depth).tangent
    turn = azimuth - directions.azimuth(path)
    away = directions.between(curvature.tangent(np.deg2rad(azimuth), np.deg2rad(dip)), path)
    table = pd.DataFrame({"hole": hole, "away": away, "turn": (turn + 180.0) % 360.0 - 180.0})[inside]
    middle = table.groupby("hole").median()
    wrong = middle[middle["away"] > context.limits.instrument_offset_deg]
    return [
        context.whole(
            OFFSET,
            "surveys",
            f"magnetic and gyro stations are {away:.1f}° apart in the middle, azimuths by {turn:+.1f}°",
            str(gyro.hole_ids[place]),
        )
        for place, away, turn in zip(wrong.index, wrong["away"], wrong["turn"], strict=True)
    ]


def _path(stations: pd.DataFrame) -> traces.Traces:
    """Return the paths of holes by some of their stations, from an origin of no meaning."""
    stations = stations.sort_values(["hole_id", "depth"], kind="stable")
    names, counts = np.unique(stations["hole_id"].to_numpy(dtype=np.str_), return_counts=True)
    depth = stations["depth"].to_numpy(dtype=float)
    offsets = np.concatenate([[0], np.cumsum(counts)])
    return traces.chained(
        names,
        np.zeros((len(names), 3)),
        depth[offsets[1:] - 1],
        offsets,
        depth,
        stations["azimuth"].to_numpy(dtype=float),
        stations["dip"].to_numpy(dtype=float),
    )
