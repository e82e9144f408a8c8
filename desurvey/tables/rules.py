"""What rows and tables say against each other, as far as the tables alone can tell.

Each function takes canonical tables and returns findings. None of them changes a table.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.problems import Finding, Rule, shortened
from desurvey.tables.cleaning import SOURCE, Table
from desurvey.tables.names import bare_name

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
TWO_INSTRUMENTS = Rule(
    "two_instruments",
    "warning",
    "two surveys of a hole rarely agree to the tenth of a degree; the gyro, which no rods turn, is used",
    "Keep the survey you trust, and take the other out of the table",
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
    TWO_INSTRUMENTS,
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
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """A table with a number for each hole, by which rows are compared faster than by name.

    Attributes
    ----------
    table : Table
    hole : (n,) int array
        The same for rows of one hole.
    collar : (n,) int array
        Place of the hole's first collar, −1 where it has none.
    """

    table: Table
    hole: Ints
    collar: Ints

    def numbers(self, column: str) -> Floats:
        return self.table.frame[column].to_numpy(dtype=float)


def compare_tables(tables: Mapping[str, Table]) -> list[Finding]:
    """Return what is wrong between the rows and between the tables.

    Parameters
    ----------
    tables : mapping
        ``collars``, ``surveys``, ``runs``, ``structures``, and any interval tables. What an unusable one leaves unsaid
        isn't held against the others.
    """
    broken = {name for name, table in tables.items() if any(found.stops == "table" for found in table.findings)}
    if "collars" in broken:
        return []
    collars = tables["collars"].frame
    known = pd.Index(collars["hole_id"].drop_duplicates())
    first = np.flatnonzero(~collars["hole_id"].duplicated().to_numpy())
    rows = {name: _rows_of(table, known, first) for name, table in tables.items()}
    findings = _double_holes(tables["collars"])
    if "surveys" not in broken:
        findings += _no_direction(tables["collars"], tables["surveys"])
    findings += _stations(rows["surveys"])
    end = collars["depth"].to_numpy(dtype=float)
    for name, table in rows.items():
        if name != "collars":
            findings += _unknown_holes(table, known) + _beyond_hole(table, end)
        if name not in {"collars", "surveys", "structures"}:
            findings += _intervals(table, OVERLAPPING_RUNS if name == "runs" else OVERLAPPING_INTERVALS)
    return findings + _double_structures(tables["structures"])


def _rows_of(table: Table, known: pd.Index, first: Ints) -> _Rows:
    hole, names = pd.factorize(table.frame["hole_id"])
    place = known.get_indexer(pd.Index(names)) if len(known) and len(names) else np.full(len(names), -1)
    collar = np.append(first, -1)[place]
    return _Rows(table, hole, collar[hole] if len(names) else np.empty(0, dtype=np.intp))


def _found(rule: Rule, table: Table, wrong: Bools | Ints, messages: Iterable[str], depth: str = "") -> list[Finding]:
    """Return a finding for each wrong row; ``depth`` names the column to take the depth from."""
    rows = table.frame[wrong] if wrong.dtype == bool else table.frame.iloc[wrong]
    depths = rows[depth].tolist() if depth else [None] * len(rows)
    files = rows[SOURCE].tolist() if SOURCE in rows else [table.file] * len(rows)
    cells = zip(files, rows["row"].tolist(), rows["hole_id"], depths, messages, strict=True)
    return [
        rule.found(message, table=table.name, file=file, row=row, hole_id=hole, depth=at)
        for file, row, hole, at, message in cells
    ]


def _double_holes(collars: Table) -> list[Finding]:
    frame = collars.frame
    wrong = (frame.duplicated("hole_id", keep=False) & (frame["hole_id"] != "")).to_numpy()
    counts = frame.groupby("hole_id")["row"].transform("count")[wrong]
    return _found(DOUBLE_HOLE, collars, wrong, (f"the hole has {count} collars" for count in counts))


def _unknown_holes(rows: _Rows, known: pd.Index) -> list[Finding]:
    wrong = rows.collar < 0
    wrong[wrong] = (rows.table.frame["hole_id"][wrong] != "").to_numpy()
    if not wrong.any():
        return []
    bare: dict[str, list[str]] = {}
    for name in known:
        bare.setdefault(bare_name(name), []).append(name)
    holes = rows.table.frame["hole_id"][wrong]
    meant = {name: bare.get(bare_name(name), []) for name in holes.unique()}
    messages = [
        f"the hole has no collar; one of '{meant[name][0]}' is there"
        if len(meant[name]) == 1
        else "the hole has no collar"
        for name in holes
    ]
    return _found(UNKNOWN_HOLE, rows.table, wrong, messages)


def _no_direction(collars: Table, surveys: Table) -> list[Finding]:
    frame = collars.frame
    surveyed = frame["hole_id"].isin(surveys.frame["hole_id"].unique())
    wrong = (~surveyed & (frame["azimuth"].isna() | frame["dip"].isna())).to_numpy()
    message = "the hole has no survey and no azimuth and dip at its collar"
    return _found(NO_DIRECTION, collars, wrong, [message] * int(wrong.sum()))


def _stations(rows: _Rows) -> list[Finding]:
    """Return stations out of order, and stations at a depth that the hole already has."""
    surveys, frame, depth = rows.table, rows.table.frame, rows.numbers("depth")
    above = _above(rows.hole, depth)
    wrong = (depth < above) & (frame["hole_id"] != "").to_numpy()
    texts = (
        f"the station at {at:g} m stands below the one at {before:g} m"
        for at, before in zip(depth[wrong], above[wrong], strict=True)
    )
    findings = _found(UNORDERED_STATIONS, surveys, wrong, texts, "depth")

    keys = pd.DataFrame(
        {"hole": np.where(frame["hole_id"] != "", rows.hole, -1 - np.arange(len(frame))), "depth": depth}
    )
    twice = keys.duplicated(keep="first").to_numpy() & np.isfinite(depth)
    if not twice.any():
        return findings
    same = twice & frame.duplicated(["hole_id", "depth", "azimuth", "dip", "north"], keep="first").to_numpy()
    settled, other = _settled_by_gyro(keys.assign(gyro=(frame["instrument"] == "gyro").to_numpy() & ~same))
    for rule, places, text in (
        (DOUBLE_STATION, twice & ~same & ~settled, "the hole has another station at {:g} m, with another direction"),
        (TWO_INSTRUMENTS, other & ~same, "a gyro has read the hole at {:g} m too, and its reading is used"),
        (REPEATED_STATION, same, "the station at {:g} m stands in the table twice"),
    ):
        findings += _found(rule, surveys, places, (text.format(at) for at in depth[places]), "depth")
    return findings


def _settled_by_gyro(keys: pd.DataFrame) -> tuple[Bools, Bools]:
    """Return the rows at depths that one gyro reading settles, and those among them that are not it."""
    depths = keys.groupby(["hole", "depth"], sort=False)["gyro"]
    settled = (depths.transform("sum") == 1).to_numpy() & (depths.transform("size") > 1).to_numpy()
    return settled, settled & ~keys["gyro"].to_numpy()


def _above(hole: Ints, values: Floats) -> Floats:
    """Return each row's value in the row of the same hole before it, NaN in the first of a hole."""
    order = np.argsort(hole, kind="stable")
    shifted = np.full(len(values), np.nan)
    same = hole[order][1:] == hole[order][:-1]
    shifted[order[1:][same]] = values[order[:-1][same]]
    return shifted


def _beyond_hole(rows: _Rows, end: Floats) -> list[Finding]:
    column = "depth" if rows.table.name in {"surveys", "structures"} else "depth_to"
    limit = np.append(end, np.nan)[rows.collar]
    depth = rows.numbers(column)
    wrong = depth > limit + DEPTH_TOLERANCE
    texts = (
        f"{column} {at:g} m is beyond the end of the hole at {last:g} m"
        for at, last in zip(depth[wrong], limit[wrong], strict=True)
    )
    rule = replace(DEPTH_BEYOND_HOLE, stops="row") if rows.table.name == "structures" else DEPTH_BEYOND_HOLE
    return _found(rule, rows.table, wrong, texts, column)


def _intervals(rows: _Rows, overlap: Rule) -> list[Finding]:
    top, bottom = rows.numbers("depth_from"), rows.numbers("depth_to")
    wrong = bottom <= top
    texts = (f"the interval runs from {a:g} to {b:g} m" for a, b in zip(top[wrong], bottom[wrong], strict=True))
    findings = _found(REVERSED_INTERVAL, rows.table, wrong, texts, "depth_from")

    named = (rows.table.frame["hole_id"] != "").to_numpy()
    kept = np.flatnonzero(named & ~wrong & np.isfinite(top) & np.isfinite(bottom))
    order = kept[np.lexsort([top[kept], rows.hole[kept]])]
    deepest = _deepest_above(rows.hole[order], bottom[order])
    laps = top[order] < deepest - DEPTH_TOLERANCE
    texts = (
        f"{a:g} to {b:g} m overlaps a row above that goes down to {last:g} m"
        for a, b, last in zip(top[order][laps], bottom[order][laps], deepest[laps], strict=True)
    )
    return findings + _found(overlap, rows.table, order[laps], texts, "depth_from")


def _deepest_above(hole: Ints, bottom: Floats) -> Floats:
    """Return the deepest end among the rows of the same hole above each, NaN for the first; rows stand by hole."""
    if not len(hole):
        return bottom
    first = np.concatenate([[True], hole[1:] != hole[:-1]])
    step = float(bottom.max()) + 1.0
    rank = np.cumsum(first)
    running = np.maximum.accumulate(bottom + rank * step) - rank * step
    return np.where(first, np.nan, np.roll(running, 1))


def _double_structures(structures: Table) -> list[Finding]:
    ids = structures.frame["structure_id"]
    twice = ids[ids.duplicated(keep="first")]
    wrong = ids.index.isin(twice.index[twice != ""])
    return _found(
        DOUBLE_STRUCTURE,
        structures,
        wrong,
        (f"structure_id '{shortened(name)}' stands twice" for name in ids[wrong]),
        "depth",
    )
