"""What tables say against the units, signs and names that they are read with.

Each of these mistakes leaves every cell plausible and every result wrong. Where the tables show it beyond chance, what
it would spoil can't be used until a person has said what is meant; nothing is decided here. A unit that was declared
under ``[units]`` is not doubted.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterator, Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.problems import Finding, Rule, shortened
from desurvey.tables.cleaning import Table
from desurvey.tables.columns import SENTINELS
from desurvey.tables.names import bare_name
from desurvey.tables.schema import METRES_PER_FOOT, TABLES

__all__ = ["RULES", "against_conventions"]

NO_PLACE = Rule(
    "number_for_no_place",
    "error",
    "0 and rows of nines stand for 'no value' in many files, and all other collars are far from it",
    "Give the collar's coordinate; if it is right, the other collars are wrong",
    "hole",
)
SURVEY_ELSEWHERE = Rule(
    "survey_under_other_name",
    "error",
    "without these rows the hole would be drawn as if they didn't exist",
    'Say match_names = "ignore_punctuation" under [repairs], or which hole is meant under [repairs.names]',
    "hole",
)
OTHER_LENGTHS = Rule(
    "other_length_unit",
    "error",
    "lengths that are 3.28 times too large or too small are in other units, and nothing fits together",
    'Say under [units] which table is in "feet" (and "metres" where that is right)',
    "table",
)
LONG_RUNS = Rule(
    "long_runs",
    "warning",
    "core barrels hold 1.5, 3 or 6 m, rarely 9 m (common practice); 5, 10 and 20 are their lengths in feet",
    'If depths are feet, say depth_unit = "feet" under [frame]; if they are metres, runs = "metres" under [units]',
)
FROM_VERTICAL = Rule(
    "dip_from_vertical",
    "error",
    "a dip of 60° is 30° from the vertical: with one taken for the other, holes leave the collars in wrong directions",
    'Say dip = "from_vertical" under [units.surveys], or "from_horizontal" if the collars are wrong',
    "table",
)
FLAT = Rule(
    "flat_holes",
    "warning",
    "few surface holes are so flat; instruments often give the angle from the vertical",
    'If it is from the vertical, say dip = "from_vertical" under [units.surveys]; else "from_horizontal"',
)
EXCHANGED = Rule(
    "exchanged_coordinates",
    "error",
    "on metric map grids northings have seven digits and eastings six",
    "Exchange the headings under [columns.collars], or say crs under [frame] if they are right",
    "table",
)

RULES = (NO_PLACE, SURVEY_ELSEWHERE, OTHER_LENGTHS, LONG_RUNS, FROM_VERTICAL, FLAT, EXCHANGED)

AWAY_M = {"elevation": 100.0, "easting": 10_000.0, "northing": 10_000.0}
"""Metres from all other collars beyond which a 0 or a row of nines is no coordinate (common practice, no source)."""

FEET = 1.0 / METRES_PER_FOOT
TOO_LONG_M = 9.6
"""Length of the usual run beyond which metres are doubted: over the 9.14 m (30 ft) of the longest barrels."""

FLAT_DEG = 40.0
NEAR_COLLAR_M = 60.0
"""Depth of a first station that still shows how the rig was set up."""

Floats = npt.NDArray[np.float64]


def against_conventions(
    tables: Mapping[str, Table], units: Mapping[str, Mapping[str, str]], *, crs: bool
) -> list[Finding]:
    """Return what the tables say against their units, signs and names.

    Parameters
    ----------
    tables : mapping
        Canonical tables, hole names in one spelling, dips with the sign of the file.
    units : mapping
        Table → column → the unit that a person has declared.
    crs : bool
        Whether a coordinate system is stated, against which coordinates are checked elsewhere.
    """
    broken = {name for name, table in tables.items() if any(found.stops == "table" for found in table.findings)}
    if "collars" in broken:
        return []
    usable = {name: table for name, table in tables.items() if name not in broken}
    return [
        *_no_place(usable["collars"]),
        *(() if crs else _exchanged(usable["collars"])),
        *_survey_elsewhere(usable),
        *_lengths(usable, units),
        *_dips(usable, units),
    ]


# ------------------------------------------------------------------------------------------------------- coordinates


def _no_place(collars: Table) -> Iterator[Finding]:
    """Give collars with 0 or a row of nines for a coordinate that is nowhere near those of the others."""
    for name, away in AWAY_M.items():
        values = collars.frame[name].to_numpy(dtype=float)
        odd = np.isin(values, [*SENTINELS, *(-value for value in SENTINELS), 0.0])
        others = values[~odd & np.isfinite(values)]
        if not odd.any() or not (len(others) or (values[odd] < -90.0).all()):
            continue
        for place in np.flatnonzero(odd):
            if not len(others) or np.abs(others - values[place]).min() > away:
                usual = f", usual are {np.median(others):,.0f}" if len(others) else ""
                hole = collars.frame["hole_id"].iloc[place]
                message = f"{name} is {values[place]:g}{usual}"
                value = f"{values[place]:g}"
                yield NO_PLACE.found(message, **collars.at(int(place)), hole_id=hole, column=name, value=value)


def _exchanged(collars: Table) -> Iterator[Finding]:
    """Say that eastings and northings look exchanged: all eastings have seven digits, all northings six."""
    place = collars.frame[["easting", "northing"]].to_numpy(dtype=float)
    place = place[np.isfinite(place).all(axis=1) & (place != 0.0).all(axis=1)]
    if not len(place):
        return
    east, north = place.T
    if np.all((east > 1.1e6) & (east < 1e7)) and np.all((north > 1e5) & (north < 9e5)):
        message = (
            f"easting and northing look exchanged: eastings are about {np.median(east):,.0f}, "
            f"northings about {np.median(north):,.0f}"
        )
        yield EXCHANGED.found(message, table="collars", file=collars.file, column="easting")


# ------------------------------------------------------------------------------------------------------------- names


def _survey_elsewhere(tables: Mapping[str, Table]) -> Iterator[Finding]:
    """Give holes of which survey rows seem to stand under a name that no collar has."""
    if "surveys" not in tables:
        return
    collars, surveys = tables["collars"].frame, tables["surveys"].frame
    known = list(pd.unique(collars["hole_id"]))
    surveyed = set(pd.unique(surveys["hole_id"]))
    unknown = sorted(surveyed - set(known) - {""})
    if not unknown:
        return
    bare = [hole for hole in known if hole not in surveyed]
    for name in unknown:
        holes = same_bare(name, known) or alike(name, bare)
        for hole in holes[:1] if len(holes) == 1 else ():
            place = int(np.flatnonzero(collars["hole_id"] == hole)[0])
            count = int((surveys["hole_id"] == name).sum())
            message = f"{count} survey rows stand under '{shortened(name)}', which has no collar and may be this hole"
            yield SURVEY_ELSEWHERE.found(
                message, **tables["collars"].at(place), hole_id=hole, column="hole_id", value=name
            )


def same_bare(name: str, known: Collection[str]) -> list[str]:
    """Return the known names that differ from a name in punctuation, zeros before numbers, or O for 0 and l for 1."""
    key = _without_slips(name)
    return [hole for hole in known if _without_slips(hole) == key]


def _without_slips(name: str) -> str:
    return bare_name(name.casefold().translate(str.maketrans("oil", "011")))


def alike(name: str, known: Collection[str]) -> list[str]:
    """Return the known names that differ from a name by a slip in their letters.

    Numbers tell holes apart, and letters behind them a hole drilled from another: such names are never alike.

    >>> alike("BX-012", ["BR-012", "BR-002"]), alike("12", ["BR-012"]), alike("BR-012A", ["BR-012"])
    (['BR-012'], ['BR-012'], [])
    """
    numbers, bare = re.findall(r"[1-9]\d*", name), bare_name(name)
    same = [hole for hole in known if numbers and re.findall(r"[1-9]\d*", hole) == numbers]
    return [hole for hole in same if not bare_name(hole).startswith(bare) and _close(bare, bare_name(hole))]


def _close(name: str, other: str) -> bool:
    if name.startswith(other):
        return False
    return other.endswith(name) or difflib.SequenceMatcher(None, name, other).ratio() > 0.6


# ----------------------------------------------------------------------------------------------------------- lengths


def _lengths(tables: Mapping[str, Table], units: Mapping[str, Mapping[str, str]]) -> Iterator[Finding]:
    """Say which table's lengths along the hole are in feet, as those of the collars aren't, or the other way round."""
    ends = tables["collars"].frame.drop_duplicates("hole_id").set_index("hole_id")["depth"]
    for name, table in tables.items():
        if name == "collars" or _declared(units, name):
            continue
        column = "depth" if name in TABLES and name != "runs" else "depth_to"
        deepest = table.frame[column].groupby(table.frame["hole_id"]).max().drop("", errors="ignore")
        ratio = (deepest / ends.reindex(deepest.index)).to_numpy(dtype=float)
        ratio = ratio[np.isfinite(ratio) & (ratio > 0.0)]
        if len(ratio) < 2:
            continue
        if _in_feet(ratio):
            message = (
                f"{name} look like feet, the collars' depths like metres: in the middle of {len(ratio)} holes the "
                f"deepest row is {np.median(ratio):.2f} times the hole's length"
            )
            yield OTHER_LENGTHS.found(message, table=name, file=table.file, column=name, value="feet")
        elif name == "runs" and not _declared(units, "collars") and _holes_in_feet(ratio):
            message = (
                f"the depths of the collars look like feet, the runs like metres: in the middle of {len(ratio)} holes "
                f"core comes from no deeper than {np.median(ratio):.2f} of the hole's length"
            )
            file = tables["collars"].file
            yield OTHER_LENGTHS.found(message, table="collars", file=file, column="collars", value="feet")
    if "runs" in tables and not _declared(units, "runs"):
        yield from _long_runs(tables["runs"])


def _declared(units: Mapping[str, Mapping[str, str]], table: str) -> bool:
    return bool(units.get(table, {}).keys() & {"", "depth", "depth_from", "depth_to"})


def _in_feet(ratio: Floats) -> bool:
    """Return whether deepest rows lie as far beyond the ends of most holes as feet do, and none farther."""
    return bool((ratio > 1.02).mean() >= 0.5 and ratio.max() <= 1.03 * FEET and np.quantile(ratio, 0.9) > 0.7 * FEET)


def _holes_in_feet(ratio: Floats) -> bool:
    """Return whether the runs of all holes end at about the same share of the hole, 0.3048."""
    low, high = np.quantile(ratio, [0.1, 0.9])
    return bool(ratio.max() <= 1.03 / FEET and high > 0.9 / FEET and high - low < 0.06)


def _long_runs(runs: Table) -> Iterator[Finding]:
    length = (runs.frame["depth_to"] - runs.frame["depth_from"]).to_numpy(dtype=float)
    length = length[np.isfinite(length) & (length > 0.0)]
    if len(length) >= 5 and np.median(length) > TOO_LONG_M:
        message = f"the usual run is {np.median(length):g} m long: are depths in feet?"
        yield LONG_RUNS.found(message, table="runs", file=runs.file)


# -------------------------------------------------------------------------------------------------------------- dips


def _dips(tables: Mapping[str, Table], units: Mapping[str, Mapping[str, str]]) -> Iterator[Finding]:
    """Say when dips of surveys fit those of the collars as angles from the vertical, or all holes come out flat."""
    surveys = tables.get("surveys")
    if surveys is None or "dip" in units.get("surveys", {}):
        return
    frame = surveys.frame[["hole_id", "depth", "dip"]]
    frame = frame[(frame["hole_id"] != "") & frame["dip"].notna()]
    first = frame.sort_values("depth", kind="stable").drop_duplicates("hole_id").set_index("hole_id")
    steep = first[first["depth"] <= NEAR_COLLAR_M]["dip"].abs()
    collar = tables["collars"].frame.drop_duplicates("hole_id").set_index("hole_id")["dip"].abs().reindex(steep.index)
    apart = (steep - collar).abs().dropna()
    if len(apart) >= 2 and apart.median() > 10.0:
        turned = (90.0 - steep - collar).abs().dropna()
        if turned.median() < 5.0:
            message = (
                f"the dips of the first stations are {apart.median():.0f}° from those of the collars, "
                f"and {turned.median():.0f}° from them if they count from the vertical"
            )
            yield FROM_VERTICAL.found(message, table="surveys", file=surveys.file, column="dip", value="from_vertical")
            return
    if len(steep) >= 3 and steep.median() <= FLAT_DEG:
        message = f"the usual hole starts at {steep.median():.0f}° from flat"
        yield FLAT.found(message, table="surveys", file=surveys.file, column="dip", value="from_vertical")
