"""A project folder → tables in the engine's own conventions, and everything that loading has found.

Conversions happen here and nowhere else: azimuths to grid north, dips to negative down, the side of the orientation
line filled in for every structure. Rows keep their numbers; no row is dropped.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import north
from desurvey.problems import DataProblem, Finding, Rule, apart, shortened
from desurvey.project.settings import FILE, Frame, Settings, read_settings, settings_of
from desurvey.shown import shown
from desurvey.tables import INTERVALS, TABLES, Table, cells_of_frame, clean, empty_frame, joined, read_cells
from desurvey.tables.cleaning import SOURCE
from desurvey.tables.conventions import against_conventions
from desurvey.tables.databases import in_database, read_database
from desurvey.tables.files import NO_FILE
from desurvey.tables.names import one_spelling
from desurvey.tables.rules import compare_tables

__all__ = ["RULES", "TO_ORIENT", "Project", "load_project", "project_of", "project_of_tables", "read_table"]

MISSING_FILE = Rule("missing_file", "error", "the project names it", "Correct the name under [tables]", "table")
UNREADABLE_FILE = Rule(
    "unreadable_file", "error", "it is no table, or is damaged", "Open it, and save it as CSV UTF-8", "table"
)
NO_DECLINATION = Rule(
    "no_declination",
    "error",
    "a magnetic azimuth can't be turned to grid north without it",
    "Give declination = … under [frame], or crs there and the hole's date in the collars",
    "hole",
)
NO_CONVERGENCE = Rule(
    "no_convergence",
    "warning",
    "grid north was taken for true north; on a map grid the two can differ by 2° and more",
    "Give crs = … under [frame], or convergence = … (0 for a local grid laid out on true north)",
)
NO_LINE = Rule(
    "no_line",
    "error",
    "beta counts from the line: with the wrong side every plane is turned by 180°",
    'Say line = "low" (or "high", "north") under [core], or in a column of runs or structures',
)

TO_ORIENT = ("structures", "runs")
"""Tables that must be usable for structures to be oriented, if the project names them: runs say what the line marks."""

KINDS_NAMED = 12
"""Kinds that a message names, the commonest."""

RULES = (MISSING_FILE, UNREADABLE_FILE, NO_DECLINATION, NO_CONVERGENCE, NO_LINE)


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Project:
    """A loaded project: canonical tables in the engine's conventions.

    Attributes
    ----------
    folder : Path
    settings : Settings
    collars, surveys, runs, structures : pandas.DataFrame
        The columns of DESIGN.md section 4, ``row`` (the row number in a spreadsheet), and the file's own other columns.
        Azimuths are from grid north, dips negative down. ``line`` of structures says what their line marks, and a
        structure without a name is called after hole and depth.
    intervals : mapping of str to pandas.DataFrame
    norths : pandas.DataFrame
        What was done to each survey row: row, hole_id, depth, azimuth_read, north (what it was measured from),
        declination, convergence (degrees, blank where not needed), declination_from, azimuth_grid.
    structure_run : (n,) int array
        Position in ``runs`` of the run that each structure lies in, −1 where there is none.
    files : mapping of str to str
        Table name → file name, for messages; several with commas between them.
    findings : tuple of Finding
        Everything that loading has found, in the order of the tables.
    headings : mapping of str to mapping
        Table name → {canonical column → the heading that was taken for it}.
    """

    folder: Path
    settings: Settings
    collars: pd.DataFrame
    surveys: pd.DataFrame
    runs: pd.DataFrame
    structures: pd.DataFrame
    intervals: Mapping[str, pd.DataFrame]
    norths: pd.DataFrame
    structure_run: npt.NDArray[np.intp]
    files: Mapping[str, str]
    findings: tuple[Finding, ...]
    headings: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Name of the project."""
        return self.settings.name

    @property
    def frames(self) -> dict[str, pd.DataFrame]:
        """All tables by name, those of intervals after the others."""
        return {name: getattr(self, name) for name in TABLES} | dict(self.intervals)

    def section(self, name: str) -> Mapping[str, Any]:
        """Return a module's own section of project.toml as it stands, for :func:`desurvey.project.options`."""
        return self.settings.sections[name]

    def kind_named(self, word: str) -> str:
        """Return the kind that a logged word stands for, in lower case."""
        plain = word.strip().casefold()
        return next((kind for kind, words in self.settings.kinds.items() if plain in words), plain)

    def of_kind(self, kind: str) -> npt.NDArray[np.bool_]:
        """Return which structures are of a kind, (n,), whatever word of ``[kinds]`` they are logged with.

        Case doesn't matter, and any word for a kind asks for that kind.
        """
        return np.asarray(self._kind_of() == self.kind_named(kind))

    @property
    def kinds(self) -> dict[str, int]:
        """Kinds of the structures, as ``[kinds]`` joins them, the commonest first, each with its number of rows."""
        kind, count = np.unique(self._kind_of()[self._kind_of() != ""], return_counts=True)
        order = np.argsort(-count, kind="stable")
        return dict(zip(kind[order].tolist(), count[order].tolist(), strict=True))

    def without_kind(self, kind: str) -> DataProblem:
        """Return the problem that no structure of a kind is there, which names the kinds that there are."""
        there = ", ".join(f"{name} ({count})" for name, count in list(self.kinds.items())[:KINDS_NAMED])
        example = next(iter(self.kinds), "")
        hint = f'the kinds there are: {there}; [kinds] in {FILE} joins words, e.g. {kind} = ["{example}"]'
        return DataProblem(
            f"no structure of kind '{kind}' lies on a hole", column="kind", hint=hint if there else "none is logged"
        )

    def _kind_of(self) -> npt.NDArray[np.str_]:
        logged, code = np.unique(self.structures["kind"].fillna("").to_numpy(dtype=np.str_), return_inverse=True)
        return np.array([self.kind_named(word) for word in logged.tolist()], dtype=np.str_)[code]

    @property
    def broken_holes(self) -> dict[str, Finding]:
        """Holes that can't be placed, each with the first finding that says why."""
        broken: dict[str, Finding] = {}
        for finding in self.findings:
            if finding.stops == "hole" and finding.table in {"collars", "surveys"}:
                broken.setdefault(finding.hole_id, finding)
        return broken

    def wrong_rows(self, table: str) -> dict[int, Finding]:
        """Return the places of rows of a table that can't be used, each with the first finding that says why."""
        wrong: dict[tuple[str, int], Finding] = {}
        for finding in self.findings:
            if finding.table == table and finding.stops == "row" and finding.row is not None:
                wrong.setdefault((finding.file, finding.row), finding)
        if not wrong:
            return {}
        return {place: wrong[row] for place, row in enumerate(self.rows_of(table)) if row in wrong}

    def rows_of(self, table: str) -> list[tuple[str, int]]:
        """Return file and row number of each row of a table, as a person sees them."""
        frame = getattr(self, table) if table in TABLES else self.intervals[table]
        files = frame[SOURCE] if SOURCE in frame else [self.files[table]] * len(frame)
        return list(zip(files, frame["row"].tolist(), strict=True))

    def unusable(self, *tables: str) -> list[Finding]:
        """Return the findings for which some tables can't be used as a whole."""
        return [finding for finding in self.findings if finding.table in tables and finding.stops == "table"]

    def require(self, *tables: str) -> None:
        """Raise a DataProblem when one of the tables as a whole can't be used."""
        for finding in self.unusable(*tables):
            raise DataProblem(
                finding.message, file=finding.file or finding.table, row=finding.row, hint=finding.suggestion
            )

    def planned(self, hole_ids: npt.NDArray[np.str_]) -> npt.NDArray[np.bool_]:
        """Return which of some holes, (n,), are planned and not drilled."""
        names = self.collars.loc[self.collars["status"] == "planned", "hole_id"]
        return np.isin(hole_ids, names.to_numpy(dtype=np.str_))

    def showable(self) -> Project:
        """Return what there is to look at: without structures where they can't be oriented as a whole.

        Whatever computes with structures stops there instead (:func:`desurvey.orient.oriented`).
        """
        lost = self.unusable(*TO_ORIENT)
        if not lost:
            return self
        findings = tuple(replace(one, stops="nothing") if one in lost else one for one in self.findings)
        none = self.structures.iloc[:0]
        return replace(self, structures=none, structure_run=self.structure_run[:0], findings=findings)


def load_project(folder: Path | str, moved: Mapping[str, str] | None = None) -> Project:
    """Read a project folder.

    Parameters
    ----------
    folder : path
        A folder with a ``project.toml`` (DESIGN.md section 4).
    moved : mapping of str to str, optional
        As for :func:`read_settings`.

    Returns
    -------
    Project
        Wrong cells and rows are in its ``findings``; what they stop is left to what uses the tables.

    Raises
    ------
    DataProblem
        When ``project.toml`` is missing or wrong.
    """
    folder = Path(folder)
    return project_of(folder, read_settings(folder, moved))


def project_of(folder: Path, settings: Settings) -> Project:
    """Read the tables of a folder as some settings say, whatever its ``project.toml`` holds."""
    as_read = {name: read_table(folder, settings, name) for name in [*TABLES, *settings.intervals]}
    return _assembled(folder, settings, as_read)


def project_of_tables(
    tables: Mapping[str, pd.DataFrame | None], intervals: Mapping[str, pd.DataFrame], raw: Mapping[str, Any]
) -> Project:
    """Return a project of data frames, with the same checks as of files.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame or None
        collars, surveys, runs and structures; None for one that there isn't.
    intervals : mapping of str to pandas.DataFrame
        Interval tables by name.
    raw : mapping
        What a project.toml would say, without ``[tables]``.

    Raises
    ------
    DataProblem
        As for a project.toml that says this.
    """
    given = {name: frame for name, frame in tables.items() if frame is not None}
    settings = settings_of(
        {**raw, "tables": {**{name: name for name in given}, "intervals": {n: n for n in intervals}}}
    )
    as_read = {name: Table(name, name, empty_frame(TABLES.get(name, INTERVALS))) for name in [*TABLES, *intervals]}
    for name, frame in (*given.items(), *intervals.items()):
        as_read[name] = clean(cells_of_frame(frame, name), name, TABLES.get(name, INTERVALS), settings.reading(name))
    return _assembled(NOWHERE, settings, as_read)


NOWHERE = Path(os.devnull)
"""Folder of a project of data frames: nothing can be read from it, and nothing written into it."""


def _assembled(folder: Path, settings: Settings, as_read: Mapping[str, Table]) -> Project:
    """Return a project of tables that have been read, in the engine's conventions."""
    alike = settings.names.match_names == "ignore_punctuation"
    tables, from_names = one_spelling(as_read, settings.names.names, ignore_punctuation=alike)
    findings = [finding for table in tables.values() for finding in table.findings] + from_names
    findings += compare_tables(tables)
    findings += against_conventions(tables, settings.units, crs=bool(settings.frame.crs))
    tables["surveys"] = replace(tables["surveys"], frame=_gyro_first(tables["surveys"].frame))
    collars, _, from_collars = _converted(tables["collars"], tables["collars"].frame, settings.frame)
    surveys, norths, from_surveys = _converted(tables["surveys"], tables["collars"].frame, settings.frame)
    structure_run = run_of(tables["structures"].frame, tables["runs"].frame)
    structures, from_lines = _with_lines(tables["structures"], tables["runs"].frame, structure_run, settings)
    return Project(
        folder=folder,
        settings=settings,
        collars=collars,
        surveys=surveys,
        runs=tables["runs"].frame,
        structures=structures,
        intervals={name: tables[name].frame for name in settings.intervals},
        norths=norths,
        structure_run=structure_run,
        files={name: table.file for name, table in tables.items()},
        findings=apart(findings + from_collars + from_surveys + from_lines),
        headings={name: table.headings for name, table in tables.items()},
    )


def _gyro_first(surveys: pd.DataFrame) -> pd.DataFrame:
    """Return surveys with a gyro's reading above others of the same hole and depth: the first one is used."""
    twice = np.flatnonzero(surveys.duplicated(["hole_id", "depth"], keep=False))
    if not len(twice):
        return surveys
    rows = surveys.iloc[twice]
    group = rows.groupby(["hole_id", "depth"], sort=False, dropna=False).ngroup().to_numpy()
    order = np.arange(len(surveys))
    order[twice[np.argsort(group, kind="stable")]] = twice[
        np.lexsort([(rows["instrument"] != "gyro").to_numpy(), group])
    ]
    return surveys.iloc[order].reset_index(drop=True)


def read_table(folder: Path, settings: Settings, name: str) -> Table:
    """Read one table of a project, of one file or several, with canonical columns."""
    files = settings.files(name)
    if not files:
        return Table(name, name, empty_frame(TABLES.get(name, INTERVALS)))
    return joined([_read_file(folder, settings, name, file) for file in files], name)


def _read_file(folder: Path, settings: Settings, name: str, file: str) -> Table:
    columns, reading = TABLES.get(name, INTERVALS), settings.reading(name)
    try:
        if in_database(settings.source, file):
            cells = read_database(folder, settings.source, file)
        else:
            cells = read_cells(folder / file, file, name, reading.mapped)
    except DataProblem as problem:
        got = f" ({shortened(problem.value)})" if problem.value is not None else ""
        rule = MISSING_FILE if problem.rule == NO_FILE else UNREADABLE_FILE
        finding = rule.found(
            problem.rule + got, table=name, file=file, row=problem.row, suggestion=_capital(problem.hint)
        )
        return Table(name, file, empty_frame(columns), (finding,))
    return clean(cells, name, columns, reading)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# --------------------------------------------------------------------------------------------------------- directions


def _converted(table: Table, collars: pd.DataFrame, frame: Frame) -> tuple[pd.DataFrame, pd.DataFrame, list[Finding]]:
    """Return collars or surveys with azimuths from grid north and dips negative down.

    With them come what was applied to each row and what stood in the way. Collars have no column that says what their
    azimuth is measured from: [frame] north does.
    """
    out = table.frame.copy()
    reference = np.full(len(out), frame.north)
    if table.name == "surveys":
        out["north"] = out["north"].where(out["north"] != "", frame.north)
        reference = out["north"].to_numpy(dtype=np.str_)
    has_azimuth = out["azimuth"].notna().to_numpy()
    declination, source = _declination(out, collars, frame, (reference == "magnetic") & has_azimuth)
    convergence = _convergence(out, collars, frame, (reference != "grid") & has_azimuth)
    out["azimuth"] = north.to_grid(out["azimuth"].to_numpy(), reference, declination, convergence)
    out["dip"] = -frame.down * out["dip"]
    applied = table.frame[["row", "hole_id", "depth"]].assign(
        azimuth_read=table.frame["azimuth"],
        north=reference,
        declination=declination,
        convergence=convergence,
        declination_from=source,
        azimuth_grid=out["azimuth"],
    )
    return out, applied, _unconverted(table, applied, frame)


def _collar_of(rows: pd.DataFrame, collars: pd.DataFrame) -> pd.DataFrame:
    """Return the collar of each row's hole, blank where there is none."""
    unique = collars.drop_duplicates("hole_id").set_index("hole_id")
    return unique.reindex(rows["hole_id"])


def _declination(
    rows: pd.DataFrame, collars: pd.DataFrame, frame: Frame, wanted: npt.NDArray[Any]
) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Return the declination of the wanted rows (NaN: unknown or not wanted), and where it came from."""
    out, source = np.full(len(rows), np.nan), np.full(len(rows), "", dtype=object)
    if frame.declination is not None:
        out[wanted], source[wanted] = frame.declination, FILE
        return out, source
    collar = _collar_of(rows, collars)
    year = north.decimal_year(collar["date"].to_numpy(dtype="datetime64[s]"))
    place = collar[["easting", "northing", "elevation"]].to_numpy(dtype=float)
    known = wanted & np.isfinite(year) & np.isfinite(place).all(axis=1) & (frame.crs != "")
    known &= (year >= north.MODEL_YEARS[0]) & (year <= north.MODEL_YEARS[1])
    if known.any():
        globe = north.places(frame.crs, *place[known].T)
        out[known] = north.magnetic_field(globe, year[known]).declination
        source[known] = [f"World Magnetic Model, {when:.2f}" for when in year[known]]
    return out, source


def _convergence(rows: pd.DataFrame, collars: pd.DataFrame, frame: Frame, wanted: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return the convergence of the wanted rows: given, or the CRS's; 0, with a finding, where neither is stated."""
    out = np.full(len(rows), np.nan)
    if frame.convergence is not None or not frame.crs:
        out[wanted] = frame.convergence or 0.0
    elif wanted.any():
        place = _collar_of(rows, collars)[["easting", "northing"]].to_numpy(dtype=float)
        known = wanted & np.isfinite(place).all(axis=1)
        if known.any():
            out[known] = north.convergence(frame.crs, *place[known].T)
    return out


def _unconverted(table: Table, applied: pd.DataFrame, frame: Frame) -> list[Finding]:
    """Return what stood in the way of grid north: a finding for the first such row of each hole, or for the table."""
    read = applied["azimuth_read"].notna()
    lost = applied[read & (applied["north"] == "magnetic") & applied["declination"].isna()].drop_duplicates("hole_id")
    message = "the azimuth is from magnetic north and no declination is known"
    findings = [
        NO_DECLINATION.found(message, table=table.name, file=table.file, row=row, hole_id=hole)
        for row, hole in zip(lost["row"].tolist(), lost["hole_id"], strict=True)
    ]
    if frame.convergence is None and not frame.crs and (read & (applied["north"] != "grid")).any():
        message = "azimuths are from true or magnetic north, and neither crs nor convergence is stated"
        findings.append(NO_CONVERGENCE.found(message, table=table.name, file=table.file))
    return findings


# -------------------------------------------------------------------------------------------------- orientation lines


def _with_lines(
    table: Table, runs: pd.DataFrame, run: npt.NDArray[np.intp], settings: Settings
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return structures with the side of their line filled in: the row's own, else its run's, else the project's."""
    out = table.frame.copy()
    of_run = np.append(runs["line"].to_numpy(dtype=object), "")[run]  # run −1 takes the blank at the end
    own = out["line"].to_numpy(dtype=object)
    out["structure_id"] = _names(out)
    out["line"] = np.where(own != "", own, np.where(of_run != "", of_run, settings.core.line or ""))
    count = int((out["beta"].notna() & (out["line"] == "")).sum())
    if not count:
        return out, []
    message = f"{count:,} structure{'s have' if count > 1 else ' has'} a beta, and nothing says what its line marks"
    return out, [NO_LINE.found(message, table=table.name, file=table.file, column="line")]


def _names(structures: pd.DataFrame) -> pd.Series:
    """Return the names of structures; a nameless one is called after its hole and depth, and numbered if need be."""
    names = structures["structure_id"]
    blank = names == ""
    if not blank.any():
        return names
    nameless = structures[blank]
    made = nameless["hole_id"] + "@" + nameless["depth"].map("{:.2f}".format)
    again = made.groupby(made).cumcount()
    made = made.where(again == 0, made + "-" + (again + 1).astype(str))
    return names.where(~blank, made)


def run_of(rows: pd.DataFrame, runs: pd.DataFrame) -> npt.NDArray[np.intp]:
    """Return the position in ``runs`` of the run that each row's depth lies in, −1 where there is none.

    A depth on the border of two runs belongs to the lower one.
    """
    if runs.empty or rows.empty:
        return np.full(len(rows), -1)
    codes = pd.Index(runs["hole_id"].unique())
    run_hole = codes.get_indexer(pd.Index(runs["hole_id"]))
    order = np.lexsort([runs["depth_from"].to_numpy(), run_hole])
    hole, top = run_hole[order], runs["depth_from"].to_numpy()[order]
    step = float(np.nanmax([runs["depth_to"].max(), rows["depth"].max(), 0.0])) + 1.0
    own = codes.get_indexer(pd.Index(rows["hole_id"]))
    depth = rows["depth"].to_numpy(dtype=float)
    place = np.searchsorted(hole * step + np.nan_to_num(top), own * step + np.nan_to_num(depth), side="right") - 1
    found = order[place.clip(min=0)]
    bottom = runs["depth_to"].to_numpy()[found]
    inside = (place >= 0) & (own >= 0) & (hole[place.clip(min=0)] == own) & (depth <= bottom)
    return np.where(inside, found, -1)
