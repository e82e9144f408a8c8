"""What the files of a folder look like: which of them could be which table, and what their headings mean."""

from __future__ import annotations

import difflib
import re
import zipfile
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd
import pyarrow as pa

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.tables import INTERVALS, TABLES, Cells, Column, read_cells
from desurvey.tables.cleaning import heading_candidates
from desurvey.tables.columns import plain_text, read_numbers
from desurvey.tables.delimited import decoded
from desurvey.tables.files import find_source
from desurvey.tables.names import bare_name
from desurvey.tables.reading import TEXTS, TYPED, WORKBOOKS
from desurvey.tables.schema import plain_heading, synonyms
from desurvey.tables.sheets import fitting
from desurvey.tables.workbooks import open_workbook

__all__ = ["Candidate", "Fit", "candidates", "crs_named", "fit", "head_texts", "home", "numbers_of"]

DEEPEST = 3
"""Folders below the one to adopt in which tables are looked for."""

MOST = 200
"""Files that are looked at."""

HINTS = {
    "collars": ("collar", "holes", "drillholes", "boreholes"),
    "surveys": ("survey", "deviation", "gyro", "downhole"),
    "runs": ("run", "recovery", "geotech"),
    "structures": ("struct", "orientation", "alpha", "fault", "joint"),
}
"""Words in the names of files and sheets that say what they hold (common practice, no source)."""

TELLING = {
    TABLES["runs"]: {"recovered", "line", "line_offset", "grade", "settle_s"},
    TABLES["structures"]: {"alpha", "beta", "gamma", "dip", "dip_direction"},
}
"""Columns of which a table has one at least, whose needed columns others have too."""

SURE = 0.8
"""How alike an unknown heading and a known one must be to be taken for the same word with a slip."""


NORTH_WORDS = ("grid", "true", "magnetic", "mag")
"""Words before an azimuth that say what it is measured from, the one to prefer first."""


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A file, sheet or member of an archive that may be a table.

    Attributes
    ----------
    name : str
        As project.toml would write it.
    cells : Cells or None
        What it holds; None when it can't be read.
    problem : str
        Why it can't.
    """

    name: str
    cells: Cells | None
    problem: str = ""

    @property
    def stem(self) -> str:
        """Name of the sheet, or of the file without folders and ending."""
        file, _, sheet = self.name.partition("#")
        return sheet or PurePosixPath(file).stem

    @property
    def depth(self) -> int:
        """Number of folders that it lies in."""
        return self.name.count("/")


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """How a candidate fits a table.

    Attributes
    ----------
    score : float
        The more the better; 0 when it can't be that table.
    columns : mapping of str to str
        Canonical column → heading.
    guessed : mapping of str to str
        The ones among them that the program would not recognise by itself, or not alone.
    missing : tuple of str
        Required columns that no heading means.
    """

    score: float
    columns: dict[str, str]
    guessed: dict[str, str]
    missing: tuple[str, ...]


def candidates(folder: Path, beside: Collection[str] = ()) -> list[Candidate]:
    """Return everything in a folder that may be a table, in order of names.

    Parameters
    ----------
    folder : Path
    beside : collection of str
        Names of tables: only what lies beside them, and isn't one of them, is read. None: everything.
    """
    names = list(_names(folder))
    if beside:
        homes, known = {home(name) for name in beside}, {name.casefold() for name in beside}
        names = [name for name in names if home(name) in homes and name.casefold() not in known]
    return [_read(folder, name) for name in names[:MOST]]


def home(name: str) -> str:
    """Return the folder, workbook or archive that a table lies in.

    >>> home("log.xlsx#surveys"), home("2026/collars.csv")
    ('log.xlsx', '2026')
    """
    file, _, sheet = name.partition("#")
    return file if sheet else str(PurePosixPath(file).parent)


def _names(folder: Path) -> Iterator[str]:
    """Give the names of all files, sheets and members of archives that have the ending of a table."""
    for path in sorted(folder.rglob("*")):
        place = path.relative_to(folder)
        if len(place.parts) > DEEPEST + 1 or any(part.startswith((".", "~$")) for part in place.parts):
            continue
        ending = path.suffix.lower()
        if not path.is_file():
            continue
        if ending == ".zip":
            yield from _members(path, place.as_posix())
        elif ending in WORKBOOKS:
            yield from _sheets(path, place.as_posix())
        elif ending in TEXTS | TYPED:
            yield place.as_posix()


def _members(path: Path, name: str) -> Iterator[str]:
    try:
        with zipfile.ZipFile(path) as archive:
            inside = [info.filename for info in archive.infolist() if not info.is_dir()]
    except (zipfile.BadZipFile, OSError):
        yield name
        return
    wanted = [member for member in inside if PurePosixPath(member).suffix.lower() in TEXTS | TYPED]
    yield from [name] if len(inside) == 1 else [f"{name}/{member}" for member in wanted]


def _sheets(path: Path, name: str) -> Iterator[str]:
    try:
        sheets = open_workbook(path.read_bytes(), name).sheet_names
    except Exception:  # calamine has errors without a common base; reading will say what is wrong
        yield name
        return
    yield from [name] if len(sheets) < 2 else [f"{name}#{sheet}" for sheet in sheets]


def _read(folder: Path, name: str) -> Candidate:
    try:
        return Candidate(name, read_cells(folder / name, name))
    except DataProblem as problem:
        return Candidate(name, None, problem.rule)


def fit(
    candidate: Candidate,
    table: str,
    mapped: Mapping[str, tuple[str, ...]] | None = None,
    holes: Collection[str] = (),
) -> Fit:
    """Return how a candidate fits a table of a project, ``intervals`` for any other with depths from and to.

    Parameters
    ----------
    candidate : Candidate
    table : str
    mapped : mapping of str to tuple of str, optional
        Canonical column → headings, as a person has said.
    holes : collection of str
        Names of holes as the collars have them, by whose values a column without a known heading is known.
    """
    columns = TABLES.get(table, INTERVALS)
    hint = any(word in plain_heading(candidate.stem) for word in HINTS.get(table, ()))
    if candidate.cells is None:
        return Fit(1.0 if hint else 0.0, {}, {}, ())
    found: dict[str, str] = {}
    guessed: dict[str, str] = {}
    headings = list(candidate.cells.columns)
    for column in columns:
        meant = heading_candidates(table, column, headings, mapped)
        if len(meant) > 1:
            guessed[column.name] = _fullest(candidate.cells, meant)
        found.update({column.name: guessed.get(column.name, meant[0])} if meant else {})
    if "hole_id" not in found and holes:
        free = [heading for heading in headings if heading not in found.values()]
        named = next((heading for heading in free if holds_names(candidate.cells, heading, holes)), "")
        if named:
            found["hole_id"] = guessed["hole_id"] = named
    for column in columns:
        if column.required and column.name not in found:
            alike = _alike(candidate.cells, table, column, [name for name in headings if name not in found.values()])
            if alike:
                found[column.name] = guessed[column.name] = alike
    missing = tuple(column.name for column in columns if column.required and column.name not in found)
    return Fit(_score(columns, found, missing, hint, candidate), found, guessed, missing)


def holds_names(cells: Cells, heading: str, holes: Collection[str]) -> bool:
    """Return whether nearly all cells of a column are names of holes."""
    names = {name for name in plain_text(cells.columns[heading]) if name}
    known = {bare_name(hole) for hole in holes}
    return bool(names) and sum(bare_name(name) in known for name in names) >= SURE * len(names)


def _score(
    columns: tuple[Column, ...], found: dict[str, str], missing: tuple[str, ...], hint: bool, candidate: Candidate
) -> float:
    if "hole_id" in missing or (missing and not (hint and len(found) > 1)):
        return 1.0 if hint else 0.0
    if not hint and columns in TELLING and not TELLING[columns] & found.keys():
        return 0.0
    share = sum(column.name in found for column in columns) / len(columns)
    return 2.0 * (not missing) + share + 1.5 * hint - 0.1 * candidate.depth


def _fullest(cells: Cells, headings: list[str]) -> str:
    """Return the heading with most filled cells, the first of equals."""
    filled = [len(cells.columns[name]) - _blanks(cells.columns[name]) for name in headings]
    return headings[int(np.argmax(filled))]


def _blanks(column: pa.Array) -> int:
    return sum(cell is None or cell == "" for cell in column.slice(0, 1000).to_pylist())


def _alike(cells: Cells, table: str, column: Column, headings: list[str]) -> str:
    """Return the heading that is a known one with a slip, if its cells are of the right kind, else nothing."""
    words = [column.name, *synonyms().get(column.name, ()), *synonyms().get(f"{table}.{column.name}", ())]
    plain = {plain_heading(heading): heading for heading in headings}
    for north in NORTH_WORDS if column.name == "azimuth" else ():
        for word in words:
            if f"{north}_{word}" in plain:
                return plain[f"{north}_{word}"]
    for word in (word for word in words if len(word) > 3):
        for match in difflib.get_close_matches(word, list(plain), n=1, cutoff=SURE):
            if column.kind != "number" or np.isfinite(numbers_of(cells, plain[match], column)).mean() > SURE:
                return plain[match]
    return ""


def numbers_of(cells: Cells, heading: str, column: Column) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return a column of a candidate as numbers, NaN where there are none."""
    read = read_numbers({column.name: cells.columns[heading]}, {column.name: column}, {})
    values = read[column.name].values.to_numpy(dtype=float)
    return np.asarray(values if len(values) else [np.nan])


# ------------------------------------------------------------------------------------------------ coordinate systems

HEAD_ROWS = 10
ENDING_OF_CODE = {
    "gda94": "283{zone:02d}",
    "gda2020": "78{zone:02d}",
    "etrs89": "258{zone:02d}",
    "nad83": "269{zone:02d}",
}
"""EPSG codes of zones by datum: MGA 94 and 2020, and UTM on ETRS89 and NAD83 (EPSG registry, checked by a test)."""

CODE = re.compile(r"epsg\W{0,3}(\d{4,5})\b", re.IGNORECASE)
ZONE = re.compile(r"\b(?:mga|utm)\W*(?:94|2020)?\W*(?:zone)?\W*(\d{1,2})\s?([ns])?\b", re.IGNORECASE)


def head_texts(folder: Path, candidate: Candidate) -> list[str]:
    """Return the cells of the first rows of a candidate, those above its headings too."""
    try:
        source = find_source(folder / candidate.name, candidate.name)
        if source.ending in TEXTS:
            lines = decoded(source.data[:8192])[0].splitlines()[:HEAD_ROWS]
            return [cell.strip(' "') for line in lines for cell in re.split(r"[,;\t|]", line)]
        if source.ending in WORKBOOKS:
            book = open_workbook(source.data, source.name)
            sheet = source.sheet or str(book.sheet_names[0])
            book = open_workbook(fitting(source.data, sheet, source.name), source.name)
            rows = pd.read_excel(book, sheet_name=sheet, header=None, nrows=HEAD_ROWS, dtype=str)
            return [cell for row in rows.to_numpy(dtype=object) for cell in row if isinstance(cell, str)]
    except Exception:  # calamine has errors without a common base; what can't be read says nothing
        return []
    return []


def crs_named(texts: Iterable[str]) -> tuple[str, str]:
    """Return the coordinate system that some texts name, as a code, and the text that does; blanks for none.

    >>> crs_named(["Hole", "GDA94 / MGA zone 55"]), crs_named(["WGS84 UTM 33N"]), crs_named(["depth (m)"])
    (('EPSG:28355', 'GDA94 / MGA zone 55'), ('EPSG:32633', 'WGS84 UTM 33N'), ('', ''))
    """
    for text in texts:
        if found := CODE.search(text):
            return f"EPSG:{found[1]}", text
        found = ZONE.search(text)
        if not found or not 1 <= int(found[1]) <= 60:
            continue
        zone, plain = int(found[1]), "".join(text.lower().split())
        if "mga" in plain and 46 <= zone <= 59:
            datum = "gda2020" if "2020" in plain else "gda94"
            return "EPSG:" + ENDING_OF_CODE[datum].format(zone=zone), text
        datum = next((name for name in ("etrs89", "nad83") if name in plain), "")
        if datum and found[2] in {"n", "N", None}:
            return "EPSG:" + ENDING_OF_CODE[datum].format(zone=zone), text
        if "utm" in plain and found[2]:
            return f"EPSG:32{'6' if found[2] in 'nN' else '7'}{zone:02d}", text
    return "", ""
