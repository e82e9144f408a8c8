"""What rows and tables say against each other, as far as the tables alone can tell.

Each function takes canonical tables and returns findings. None of them changes a table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.problems import Finding, Rule
from desurvey.tables.cleaning import Table

__all__ = ["DEPTH_TOLERANCE", "RULES", "compare_tables"]

DOUBLE_HOLE = Rule(
    "double_hole", "error", "which of the collars is right can't be told", "Keep one row of the hole", "hole"
)
UNKNOWN_HOLE = Rule(
    "unknown_hole", "error", "a row without a collar has no place", "Correct the name, or add the collar", "row"
)
UNORDERED_STATIONS = Rule(
    "unordered_stations",
    "error",
    "a depth out of order is often a mistyped one; the stations were used in order of depth",
    "Check the depth, and put the rows of the hole in order",
)
DOUBLE_STATION = Rule(
    "double_station", "error", "a hole has one direction at a depth", "Keep the station that is right", "hole"
)
REPEATED_STATION = Rule("repeated_station", "warning", "the same reading twice adds nothing", "Delete one of the rows")
NO_DIRECTION = Rule(
    "no_direction",
    "error",
    "without a direction the hole can't be placed",
    "Add survey rows, or azimuth and dip in the collars table",
    "hole",
)
DEPTH_BEYOND_HOLE = Rule(
    "depth_beyond_hole", "error", "the hole ends above it", "Correct the depth, or the depth of the hole in the collars"
)
REVERSED_INTERVAL = Rule(
    "reversed_interval", "error", "an interval runs from its upper to its lower end", "Correct depth_from or depth_to"
)
OVERLAPPING_RUNS = Rule(
    "overlapping_runs", "error", "a metre of core comes out of the hole once", "Correct the depths of one of the runs"
)
OVERLAPPING_INTERVALS = Rule(
    "overlapping_intervals", "warning", "two values stand for the same metres", "Correct the depths of one of them"
)
DOUBLE_STRUCTURE = Rule(
    "double_structure_id", "error", "results are traced back by this name", "Give each structure its own name"
)

RULES = (
    DOUBLE_HOLE,
    UNKNOWN_HOLE,
    UNORDERED_STATIONS,
    DOUBLE_STATION,
    REPEATED_STATION,
    NO_DIRECTION,
    DEPTH_BEYOND_HOLE,
    REVERSED_INTERVAL,
    OVERLAPPING_RUNS,
    OVERLAPPING_INTERVALS,
    DOUBLE_STRUCTURE,
)

DEPTH_TOLERANCE = 0.01
"""Metres by which depths may differ and still be the same: they are logged to the centimetre (common practice)."""

Bools = npt.NDArray[np.bool_]


def compare_tables(tables: Mapping[str, Table]) -> list[Finding]:
    """Return what is wrong between the rows and between the tables.

    Parameters
    ----------
    tables : mapping
        ``collars``, ``surveys``, ``runs``, ``structures``, and any interval tables.
    """
    collars = tables["collars"]
    findings = _double_holes(collars) + _no_direction(collars, tables["surveys"]) + _stations(tables["surveys"])
    end = collars.frame.drop_duplicates("hole_id").set_index("hole_id")["depth"]
    for name, table in tables.items():
        if name != "collars":
            findings += _unknown_holes(table, end.index)
            findings += _beyond_hole(table, end)
        if name not in {"collars", "surveys", "structures"}:
            findings += _intervals(table, OVERLAPPING_RUNS if name == "runs" else OVERLAPPING_INTERVALS)
    return findings + _double_structures(tables["structures"])


def _found(rule: Rule, table: Table, wrong: Bools, messages: Iterable[str], depth: str = "") -> list[Finding]:
    """Return a finding for each wrong row; ``depth`` names the column to take the depth from."""
    rows = table.frame[wrong]
    depths = rows[depth].tolist() if depth else [None] * len(rows)
    return [
        rule.found(message, table=table.name, file=table.file, row=row, hole_id=hole, depth=at)
        for row, hole, at, message in zip(rows["row"].tolist(), rows["hole_id"], depths, messages, strict=True)
    ]


def _double_holes(collars: Table) -> list[Finding]:
    frame = collars.frame
    wrong = (frame.duplicated("hole_id", keep=False) & (frame["hole_id"] != "")).to_numpy()
    counts = frame.groupby("hole_id")["row"].transform("count")[wrong]
    return _found(DOUBLE_HOLE, collars, wrong, (f"the hole has {count} collars" for count in counts))


def _unknown_holes(table: Table, known: pd.Index) -> list[Finding]:
    holes = table.frame["hole_id"]
    wrong = (~holes.isin(known) & (holes != "")).to_numpy()
    return _found(UNKNOWN_HOLE, table, wrong, ("the hole has no collar" for _ in range(int(wrong.sum()))))


def _no_direction(collars: Table, surveys: Table) -> list[Finding]:
    frame = collars.frame
    surveyed = frame["hole_id"].isin(surveys.frame["hole_id"])
    wrong = (~surveyed & (frame["azimuth"].isna() | frame["dip"].isna())).to_numpy()
    message = "the hole has no survey and no azimuth and dip at its collar"
    return _found(NO_DIRECTION, collars, wrong, [message] * int(wrong.sum()))


def _stations(surveys: Table) -> list[Finding]:
    """Return stations out of order, and stations at a depth that the hole already has."""
    frame = surveys.frame
    above = frame.groupby("hole_id", sort=False)["depth"].shift()
    wrong = (frame["depth"] < above).to_numpy()
    texts = (
        f"the station at {depth:g} m stands below the one at {before:g} m"
        for depth, before in zip(frame["depth"][wrong], above[wrong], strict=True)
    )
    findings = _found(UNORDERED_STATIONS, surveys, wrong, texts, "depth")

    twice = frame.duplicated(["hole_id", "depth"], keep="first").to_numpy() & frame["depth"].notna().to_numpy()
    same = twice & frame.duplicated(["hole_id", "depth", "azimuth", "dip", "north"], keep="first").to_numpy()
    for rule, rows, text in (
        (DOUBLE_STATION, twice & ~same, "the hole has another station at {:g} m, with another direction"),
        (REPEATED_STATION, same, "the station at {:g} m stands in the table twice"),
    ):
        findings += _found(rule, surveys, rows, (text.format(depth) for depth in frame["depth"][rows]), "depth")
    return findings


def _beyond_hole(table: Table, end: pd.Series) -> list[Finding]:
    column = "depth" if "depth" in table.frame and table.name in {"surveys", "structures"} else "depth_to"
    limit = table.frame["hole_id"].map(end).to_numpy(dtype=float)
    depth = table.frame[column].to_numpy(dtype=float)
    wrong = depth > limit + DEPTH_TOLERANCE
    texts = (
        f"{column} {at:g} m is beyond the end of the hole at {last:g} m"
        for at, last in zip(depth[wrong], limit[wrong], strict=True)
    )
    return _found(DEPTH_BEYOND_HOLE, table, wrong, texts, column)


def _intervals(table: Table, overlap: Rule) -> list[Finding]:
    frame = table.frame
    wrong = (frame["depth_to"] <= frame["depth_from"]).to_numpy()
    texts = (
        f"the interval runs from {top:g} to {bottom:g} m"
        for top, bottom in zip(frame["depth_from"][wrong], frame["depth_to"][wrong], strict=True)
    )
    findings = _found(REVERSED_INTERVAL, table, wrong, texts, "depth_from")

    ordered = frame[~wrong].sort_values(["hole_id", "depth_from"], kind="stable")
    deepest = ordered.groupby("hole_id", sort=False)["depth_to"].cummax()
    above = deepest.groupby(ordered["hole_id"], sort=False).shift()
    laps = (ordered["depth_from"] < above - DEPTH_TOLERANCE).to_numpy()
    texts = (
        f"{top:g} to {bottom:g} m overlaps a row above that goes down to {last:g} m"
        for top, bottom, last in zip(ordered["depth_from"][laps], ordered["depth_to"][laps], above[laps], strict=True)
    )
    return findings + _found(overlap, Table(table.name, table.file, ordered), laps, texts, "depth_from")


def _double_structures(structures: Table) -> list[Finding]:
    ids = structures.frame["structure_id"]
    wrong = (ids.duplicated(keep="first") & (ids != "")).to_numpy()
    return _found(
        DOUBLE_STRUCTURE, structures, wrong, (f"structure_id '{name}' stands twice" for name in ids[wrong]), "depth"
    )
