"""Findings → the mistakes that they come from, each with the lines of project.toml that put it right.

One habit of a spreadsheet makes a finding in every row. A :class:`Cause` says it once, counts what follows from it, and
knows its cures: parts of a ``project.toml``, to be merged into the file (:mod:`desurvey.project.adopting`). Where there
is one cure it can be offered; where there are several, a person has to choose.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import tomlkit

from desurvey.problems import Finding, shortened
from desurvey.project.loading import Project
from desurvey.shown import shown
from desurvey.tables.columns import SENTINELS
from desurvey.tables.conventions import alike, same_bare
from desurvey.tables.names import bare_name
from desurvey.tables.schema import TABLES

__all__ = ["Cause", "causes_of"]

Cure = Mapping[str, Any]
Rows = set[tuple[str, int | None]]

FEWEST_BLANKS = 3
"""Blank names below a filled one that make a habit of merged cells; fewer may be forgotten."""

NO_VALUE = re.compile(
    r"(no|not|non)\b.*|n\.?\s?[admr]\.?|n/?[rmd]|unknown|unoriented|un-?oriented|broken|lost|nil|blank|\?+|x+|\*+|tb[ac]",
    re.IGNORECASE,
)
"""Words that say "no value" in tables of the trade (common practice, no source)."""


@shown
@dataclass(frozen=True, slots=True)
class Cause:
    """One mistake, and the findings that follow from it.

    Attributes
    ----------
    what : str
        Which mistake: ``merged_cells``, ``punctuation``, ``other_name``, ``other_length_unit`` … or the rule of its
        findings.
    sentence : str
        What it is, with its count.
    cures : tuple of mapping
        Parts of a project.toml, each of which puts all of it right. One: it can be offered. Several: a person has to
        choose. None: the tables have to be corrected.
    findings : tuple of Finding
        What follows from it.
    advice : str
        What to do where there is no cure.
    """

    what: str
    sentence: str
    cures: tuple[Cure, ...] = ()
    findings: tuple[Finding, ...] = field(default=(), repr=False)
    advice: str = ""

    @property
    def tomls(self) -> list[str]:
        """The lines of each cure, as they would stand in project.toml."""
        return [tomlkit.dumps(cure).strip() for cure in self.cures]


class _Pool:
    """Findings that nobody has claimed yet."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.left = list(findings)

    def claim(self, follows: Callable[[Finding], bool]) -> tuple[Finding, ...]:
        claimed = tuple(finding for finding in self.left if follows(finding))
        self.left = [finding for finding in self.left if not follows(finding)]
        return claimed


def causes_of(project: Project, findings: Sequence[Finding]) -> tuple[list[Cause], list[Finding]]:
    """Return the causes of findings, the one with most of them first, and the findings that have none.

    Parameters
    ----------
    project : Project
    findings : sequence of Finding
        Of its loading, or of all checks.
    """
    pool = _Pool(findings)
    found = [cause for detect in DETECTORS for cause in detect(project, pool)]
    return sorted(found, key=lambda cause: -len(cause.findings)), pool.left


def _frame(project: Project, table: str) -> pd.DataFrame:
    frame: pd.DataFrame = getattr(project, table) if table in TABLES else project.intervals[table]
    return frame


def _tables(project: Project) -> list[str]:
    return [name for name in (*TABLES, *project.intervals) if project.settings.files(name)]


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}{'s' if count != 1 else ''}"


# ------------------------------------------------------------------------------------------------------------- rows


def _merged_cells(project: Project, pool: _Pool) -> Iterator[Cause]:
    for table in _tables(project):
        frame = _frame(project, table)
        blank = (frame["hole_id"] == "").to_numpy()
        count = int(blank.sum())
        if count < FEWEST_BLANKS or blank[0] or table == "collars":
            continue
        rows: Rows = {row for row, is_blank in zip(project.rows_of(table), blank, strict=True) if is_blank}
        follows = pool.claim(_in_rows(table, rows))
        sentence = f"{_counted(count, 'blank hole name')} of {table} follow a filled one, as merged cells leave them"
        yield Cause("merged_cells", sentence, ({"repairs": {table: {"fill_down": ["hole_id"]}}},), follows)


def _in_rows(table: str, rows: Rows) -> Callable[[Finding], bool]:
    return lambda one: one.table == table and (one.file, one.row) in rows


def _no_rows(project: Project, pool: _Pool) -> Iterator[Cause]:
    """Rows whose name is like no hole's and whose needed cells hold nothing: remarks and sums."""
    lacking = {
        (one.table, one.file, one.row)
        for one in pool.left
        if one.rule in {"missing_value", "not_a_number"} and one.column != "hole_id"
    }
    words: dict[str, dict[str, Rows]] = defaultdict(lambda: defaultdict(set))
    for one in pool.left:
        if one.rule == "unknown_hole" and (one.table, one.file, one.row) in lacking:
            words[one.table][one.hole_id].add((one.file, one.row))
    for table, names in words.items():
        holes = _frame(project, table)["hole_id"].value_counts()
        names = {name: rows for name, rows in names.items() if len(rows) == holes.get(name, 0)}
        rows = {row for its in names.values() for row in its}
        if not rows:
            continue
        follows = pool.claim(_in_rows(table, rows))
        said = ", ".join(f"'{shortened(name)}'" for name in names)
        sentence = f"{_counted(len(rows), 'row')} of {table} name no hole and hold no numbers: {said}"
        yield Cause("no_rows", sentence, ({"repairs": {table: {"skip_rows": list(names)}}},), follows)


# ------------------------------------------------------------------------------------------------------------- names


def _names(project: Project, pool: _Pool) -> Iterator[Cause]:
    known = [name for name in pd.unique(project.collars["hole_id"]) if name]
    unknown = list(dict.fromkeys(one.hole_id for one in pool.left if one.rule == "unknown_hole" and one.hole_id))
    bare: dict[str, list[str]] = defaultdict(list)
    for hole in known:
        bare[bare_name(hole)].append(hole)
    plain = {name: bare[bare_name(name)][0] for name in unknown if len(bare.get(bare_name(name), [])) == 1}
    slips = {name: holes[0] for name in unknown if name not in plain and len(holes := _nearly(name, known)) == 1}
    if len(plain) > 1:
        which = f"all {len(plain)}" if len(plain) == len(unknown) else f"{len(plain)} of {len(unknown)}"
        first, hole = next(iter(plain.items()))
        sentence = f"{which} names without a collar match without punctuation and leading zeros: '{first}' is {hole}"
        follows = _of_names(pool, plain)
        yield Cause("punctuation", sentence, ({"repairs": {"match_names": "ignore_punctuation"}},), follows)
    else:
        slips = plain | slips
    for name, hole in slips.items():
        follows = _of_names(pool, {name: hole})
        sentence = f"'{shortened(name)}' has no collar and is nearly {hole} ({_counted(len(follows), 'finding')})"
        yield Cause("other_name", sentence, ({"repairs": {"names": {name: hole}}},), follows)
    lost = pool.claim(lambda one: one.rule == "unknown_hole")
    names = list(dict.fromkeys(one.hole_id for one in lost))
    if len(lost) > 1:
        said = ", ".join(f"'{shortened(name)}'" for name in names[:8]) + (" …" if len(names) > 8 else "")
        sentence = f"{_counted(len(lost), 'row')} stand under {_counted(len(names), 'name')} that no collar has: {said}"
        yield Cause("unknown_hole", sentence, (), lost, "Add the collars, or correct the names")
    else:
        pool.left += lost


def _nearly(name: str, known: Sequence[str]) -> list[str]:
    return same_bare(name, known) or alike(name, known)


def _of_names(pool: _Pool, meant: Mapping[str, str]) -> tuple[Finding, ...]:
    """Return all that follows from names without a collar, at the collars that they mean too."""
    lacking = {"survey_under_other_name", "no_direction", "no_survey"}
    holes = set(meant.values())
    return pool.claim(
        lambda one: one.hole_id in meant or (one.rule in lacking and one.table == "collars" and one.hole_id in holes)
    )


# ------------------------------------------------------------------------------------------------- units and signs


def _units(project: Project, pool: _Pool) -> Iterator[Cause]:
    """Give what a rule has told of a whole table already: the cure is a unit."""
    for one in [one for one in pool.left if one.rule in UNIT_RULES]:
        table, column = (one.column, "") if one.rule == "other_length_unit" else (one.table, one.column)
        follows = pool.claim(_same_or(one, UNIT_RULES[one.rule], {table, "collars"}))
        cure = {"units": {table: one.value if not column and table != "collars" else {column or "depth": one.value}}}
        others: tuple[Cure, ...] = ()
        if one.rule == "flat_holes":
            others = ({"units": {table: {column: "from_horizontal"}}},)
        yield Cause(one.rule, one.message, (cure, *others), follows)
    for one in pool.claim(lambda one: one.rule == "day_number"):
        yield Cause(one.rule, one.message, ({"units": {one.table: {one.column: "spreadsheet_days"}}},), (one,))
    for one in pool.claim(lambda one: one.rule == "long_runs"):
        cures = ({"frame": {"depth_unit": "feet"}}, {"units": {"runs": "metres"}})
        yield Cause(one.rule, one.message, cures, (one,))


def _same_or(one: Finding, rules: Collection[str], tables: Collection[str]) -> Callable[[Finding], bool]:
    return lambda other: other is one or (other.rule in rules and other.table in tables)


UNIT_RULES: dict[str, frozenset[str]] = {
    "other_length_unit": frozenset({"depth_beyond_hole", "feet_for_metres", "unsurveyed_end"}),
    "recovery_unit": frozenset(),
    "dip_from_vertical": frozenset({"collar_direction"}),
    "flat_holes": frozenset(),
}
"""Rules about a unit, and those that only say what follows from it."""


def _exchanged_place(project: Project, pool: _Pool) -> Iterator[Cause]:
    heading = project.headings.get("collars", {})
    for one in pool.claim(lambda one: one.rule == "exchanged_coordinates"):
        east, north = heading.get("easting", "easting"), heading.get("northing", "northing")
        cure = {"columns": {"collars": {"easting": north, "northing": east}}}
        also = pool.claim(lambda other: other.rule == "swapped_coordinates")
        yield Cause(one.rule, one.message, (cure,), (one, *also))


def _exchanged_angles(project: Project, pool: _Pool) -> Iterator[Cause]:
    """Holes whose azimuths lie where dips do, and dips where only azimuths can."""
    azimuth = project.norths["azimuth_read"].to_numpy(dtype=float)
    dip = project.surveys["dip"].to_numpy(dtype=float) * -project.settings.frame.down
    looks = (np.abs(azimuth) <= 90.0) & ((np.abs(dip) > 90.0) | ((azimuth < 0.0) & (dip >= 0.0)))
    share = pd.Series(looks).groupby(project.surveys["hole_id"].to_numpy()).mean()
    holes = [str(hole) for hole in share.index[share > 0.5] if hole]
    if not holes:
        return
    spoilt = {"out_of_range", "dogleg", "impossible_dogleg", "survey_spike", "collar_direction", "points_up"}
    follows = pool.claim(lambda one: one.hole_id in holes and one.rule in spoilt)
    if not follows:
        return
    sentence = f"azimuth and dip look exchanged in {_listed(holes)}"
    heading = project.headings.get("surveys", {})
    cures: tuple[Cure, ...] = ()
    if len(holes) == len(share):
        given = {"azimuth": heading.get("dip", "dip"), "dip": heading.get("azimuth", "azimuth")}
        cures = ({"columns": {"surveys": given}},)
    yield Cause("exchanged_angles", sentence, cures, follows, "Exchange the two columns in these rows of the table")


def _listed(words: Sequence[str], most: int = 5) -> str:
    text = ", ".join(words[:most])
    return text if len(words) <= most else f"{text} and {len(words) - most} more"


# ------------------------------------------------------------------------------------------------------------- cells


CELL_RULES = {"not_a_number", "not_a_choice", "out_of_range", "number_for_nothing", "not_a_date"}


def _cells(project: Project, pool: _Pool) -> Iterator[Cause]:
    """Words and numbers that stand for nothing, and words that stand for something, once for all their cells."""
    groups: dict[tuple[str, str], list[Finding]] = defaultdict(list)
    for one in pool.left:
        if one.rule in CELL_RULES and one.value:
            groups[one.table, one.value.casefold()].append(one)
    for (table, _), alike_ones in groups.items():
        first = alike_ones[0]
        columns = list(dict.fromkeys(one.column for one in alike_ones))
        needed = {column.name for column in TABLES.get(table, ()) if column.required}
        blank = {"repairs": {table: {"blanks": [first.value]}}}
        where = f"'{shortened(first.value)}' stands in {_counted(len(alike_ones), 'cell')} of {' and '.join(columns)}"
        if _is_nothing(first.value) and not needed & set(columns):
            cures: tuple[Cure, ...] = (blank,)
            sentence = f"{where} of {table} for 'no value'"
        elif first.rule == "not_a_choice" and len(columns) == 1:
            choices = next(column.choices for column in TABLES[table] if column.name == columns[0])
            values = ({"repairs": {table: {"values": {columns[0]: {first.value: choice}}}}} for choice in choices)
            cures = (*values, blank)
            sentence = f"{where} of {table}, and what it means isn't known"
        else:
            continue
        yield Cause("word", sentence, cures, pool.claim(_one_of({id(one) for one in alike_ones})))


def _one_of(members: Collection[int]) -> Callable[[Finding], bool]:
    return lambda one: id(one) in members


def _is_nothing(value: str) -> bool:
    try:
        return float(value.replace(",", ".").replace("−", "-")) in SENTINELS
    except ValueError:
        return bool(NO_VALUE.fullmatch(value.strip()))


# ------------------------------------------------------------------------------------------------------- conventions


def _conventions(project: Project, pool: _Pool) -> Iterator[Cause]:
    for one in pool.claim(lambda one: one.rule == "no_line"):
        cures = tuple({"core": {"line": line}} for line in ("low", "high", "north"))
        yield Cause(one.rule, one.message, cures, (one,))
    lost = pool.claim(lambda one: one.rule == "no_declination")
    if lost:
        sentence = f"the azimuths of {_counted(len(lost), 'hole')} are from magnetic north, and no declination is known"
        advice = "Say crs under [frame], with dates in the collars; or declination there"
        yield Cause("no_declination", sentence, (), lost, advice)


DETECTORS: tuple[Callable[[Project, _Pool], Iterator[Cause]], ...] = (
    _merged_cells,
    _no_rows,
    _units,
    _exchanged_place,
    _exchanged_angles,
    _cells,
    _names,
    _conventions,
)
"""In this order: what names and cells look like can follow from what stands before."""
