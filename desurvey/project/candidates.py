"""What the files of a folder look like: which of them could be which table, and what their headings mean."""

from __future__ import annotations

import difflib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import numpy as np
import pyarrow as pa

from desurvey.problems import DataProblem
from desurvey.shown import shown
from desurvey.tables import INTERVALS, TABLES, Cells, Column, read_cells
from desurvey.tables.cleaning import heading_candidates
from desurvey.tables.columns import read_numbers
from desurvey.tables.reading import TEXTS, TYPED, WORKBOOKS
from desurvey.tables.schema import plain_heading, synonyms
from desurvey.tables.workbooks import open_workbook

__all__ = ["Candidate", "Fit", "candidates", "fit", "numbers_of"]

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


def candidates(folder: Path) -> list[Candidate]:
    """Return everything in a folder that may be a table, in order of names."""
    return [_read(folder, name) for name in list(_names(folder))[:MOST]]


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


def fit(candidate: Candidate, table: str) -> Fit:
    """Return how a candidate fits a table of a project, ``intervals`` for any other with depths from and to."""
    columns = TABLES.get(table, INTERVALS)
    hint = any(word in plain_heading(candidate.stem) for word in HINTS.get(table, ()))
    if candidate.cells is None:
        return Fit(1.0 if hint else 0.0, {}, {}, ())
    found: dict[str, str] = {}
    guessed: dict[str, str] = {}
    headings = list(candidate.cells.columns)
    for column in columns:
        meant = heading_candidates(table, column, headings)
        if len(meant) > 1:
            guessed[column.name] = _fullest(candidate.cells, meant)
        found.update({column.name: guessed.get(column.name, meant[0])} if meant else {})
    for column in columns:
        if column.required and column.name not in found:
            alike = _alike(candidate.cells, table, column, [name for name in headings if name not in found.values()])
            if alike:
                found[column.name] = guessed[column.name] = alike
    missing = tuple(column.name for column in columns if column.required and column.name not in found)
    return Fit(_score(columns, found, missing, hint, candidate), found, guessed, missing)


def _score(
    columns: tuple[Column, ...], found: dict[str, str], missing: tuple[str, ...], hint: bool, candidate: Candidate
) -> float:
    if "hole_id" in missing or (missing and not (hint and len(found) > 1)):
        return 1.0 if hint else 0.0
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
