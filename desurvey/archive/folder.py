"""The folder of an archive: which partitions it has, one of them as a project, and how a project is divided."""

from __future__ import annotations

import json
import re
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow.parquet as pq

from desurvey.exchange import write_table
from desurvey.outputs import replacing
from desurvey.problems import DataProblem, Finding
from desurvey.project import Project, Settings, load_project, read_settings, read_table
from desurvey.shown import shown
from desurvey.tables import INTERVALS, TABLES, Column, Table
from desurvey.tables.cleaning import heading_candidates
from desurvey.tables.names import name_key

__all__ = ["HOLES", "Archive", "divide", "open_archive"]

FILE = "project.toml"

HOLES = 1000
"""Holes in a partition: some tens of megabytes of tables, and a few seconds of work."""


@shown
@dataclass(frozen=True, slots=True)
class Archive:
    """An archive on disk.

    Attributes
    ----------
    folder : Path
    partitions : tuple of str
        Names of the partitions: of the collars' files, without their ending.
    tables : mapping of str to str
        Table → its folder, interval tables included.
    """

    folder: Path
    partitions: tuple[str, ...]
    tables: Mapping[str, str]

    def files(self, partition: str) -> tuple[Path, ...]:
        """Return everything that the results of a partition depend on."""
        return (self.folder / FILE, *(self.folder / place / f"{partition}.parquet" for place in self.tables.values()))

    def project(self, partition: str) -> Project:
        """Return one partition as a project.

        Raises
        ------
        DataProblem
            When one of its files is missing.
        """
        for path in self.files(partition):
            if not path.is_file():
                hint = "write an empty table where the partition has no rows"
                raise DataProblem("a partition must have a file in every table", file=str(path), hint=hint)
        settings = _toml(self.folder)
        with tempfile.TemporaryDirectory(prefix="lowside-") as scratch:
            tables = {name: str(self.folder / place / f"{partition}.parquet") for name, place in self.tables.items()}
            _write_settings(Path(scratch), settings, tables)
            return load_project(scratch)


def open_archive(folder: Path | str) -> Archive:
    """Return the archive in a folder.

    Raises
    ------
    DataProblem
        When it isn't one, or has a hole in two partitions.
    """
    folder = Path(folder).resolve()
    settings = read_settings(folder)
    tables = {name: files[0] for name, files in {**settings.tables, **settings.intervals}.items()}
    for name, place in tables.items():
        if not (folder / place).is_dir():
            raise DataProblem(
                "a table of an archive must be a folder of .parquet files",
                file=FILE,
                column=name,
                value=place,
                hint="lowside archive divide makes an archive of a project",
            )
    partitions = tuple(sorted(path.stem for path in (folder / tables["collars"]).glob("[!.]*.parquet")))
    if not partitions:
        raise DataProblem("the archive has no partitions", file=str(folder / tables["collars"]))
    archive = Archive(folder, partitions, tables)
    _refuse_shared(archive, settings.columns.get("collars", {}))
    return archive


def _refuse_shared(archive: Archive, headings: Mapping[str, tuple[str, ...]]) -> None:
    """Refuse an archive that has a hole in two partitions: each would give a part of it for the whole."""
    found: dict[str, str] = {}
    for partition in archive.partitions:
        path = archive.folder / archive.tables["collars"] / f"{partition}.parquet"
        heading = heading_candidates("collars", TABLES["collars"][0], pq.read_schema(path).names, headings)
        names = pq.read_table(path, columns=heading[:1]).to_pandas() if heading else pd.DataFrame({"": []})
        for name in {name_key(str(name)) for name in names.iloc[:, 0]}:
            other = found.setdefault(name, partition)
            if other != partition:
                raise DataProblem(
                    "a hole must lie in one partition",
                    file=str(path),
                    value=name,
                    hint=f"it has a collar in partition {other} too",
                )


# ---------------------------------------------------------------------------------------------------------- dividing


def divide(project: Path | str, folder: Path | str, holes: int = HOLES) -> tuple[Archive, list[Finding]]:
    """Make an archive of a project.

    Cells are read and depths turned to metres on the way; azimuths, dips and lines stay as they are, and so do the
    order of rows and a person's own columns.

    Parameters
    ----------
    project : path
        Folder of the project.
    folder : path
        Where the archive goes; must not be there yet, or be empty.
    holes : int
        Holes in a partition.

    Returns
    -------
    archive : Archive
    findings : list of Finding
        What is wrong with cells and headings. A cell that can't be read is blank in the archive.

    Raises
    ------
    DataProblem
        When the folder is taken, or a table can't be used at all.
    """
    project, folder = Path(project), Path(folder)
    if holes < 1:
        raise DataProblem("a partition must have at least one hole", column="holes", value=holes)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise DataProblem("the folder of a new archive must be empty", file=str(folder))
    settings = read_settings(project)
    tables = _read_tables(project, settings)
    partition = _partitions(tables["collars"].frame["hole_id"], holes)
    if partition.empty:
        raise DataProblem("a project without holes can't be divided", file=tables["collars"].file)
    count = int(partition.max()) + 1
    for name, table in tables.items():
        (folder / name).mkdir(parents=True)
        _write_partitions(_kept(table, TABLES.get(name, INTERVALS)), partition, count, folder / name)
    _write_settings(folder, _plain_settings(_toml(project)), {name: name for name in tables})
    return open_archive(folder), [finding for table in tables.values() for finding in table.findings]


def _read_tables(folder: Path, settings: Settings) -> dict[str, Table]:
    tables = {name: read_table(folder, settings, name) for name in (*settings.tables, *settings.intervals)}
    for table in tables.values():
        for finding in table.findings:
            if finding.stops == "table":
                raise DataProblem(finding.message, file=finding.file, row=finding.row, hint=finding.suggestion)
    return tables


def _partitions(collars: pd.Series, holes: int) -> pd.Series:
    """Return the partition of each hole, by its name as names are compared."""
    names = pd.unique(collars.map(name_key))
    return pd.Series(np.arange(len(names)) // holes, index=names)


def _kept(table: Table, columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return a table without row numbers and without the optional columns that nobody filled."""
    frame = table.frame.drop(columns="row")
    blank = [
        column.name
        for column in columns
        if not column.required and (frame[column.name].isna() | (frame[column.name] == "")).all()
    ]
    return frame.drop(columns=blank)


def _write_partitions(frame: pd.DataFrame, partition: pd.Series, count: int, folder: Path) -> None:
    """Write a table in pieces; rows of a hole without a collar go into the first, where they will be a finding."""
    codes, names = pd.factorize(frame["hole_id"])
    place: npt.NDArray[np.int64] = partition.reindex(pd.Index(names).map(name_key)).fillna(0).to_numpy(dtype=np.int64)
    of_row = place[codes] if len(names) else np.empty(0, dtype=np.int64)
    for number in range(count):
        write_table(frame[of_row == number], folder / f"{number:04d}.parquet")


# ---------------------------------------------------------------------------------------------------------- settings


def _toml(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / FILE).read_text(encoding="utf-8-sig"))


def _plain_settings(settings: dict[str, Any]) -> dict[str, Any]:
    """Return settings without what canonical columns in metres no longer need."""
    frame = {key: value for key, value in settings.get("frame", {}).items() if key != "depth_unit"}
    names = {key: value for key, value in settings.get("repairs", {}).items() if key in {"match_names", "names"}}
    kept = {key: value for key, value in settings.items() if key not in {"columns", "units", "repairs"}}
    return kept | {"frame": frame} | ({"repairs": names} if names else {})


def _write_settings(folder: Path, settings: Mapping[str, Any], tables: Mapping[str, str]) -> None:
    """Write a project.toml with other tables."""
    own = {name: file for name, file in tables.items() if name in TABLES}
    intervals = {name: file for name, file in tables.items() if name not in TABLES}
    text = "\n".join(_lines({**settings, "tables": {**own, "intervals": intervals}}))
    with replacing(folder / FILE) as partial:
        partial.write_text(text + "\n", encoding="utf-8")


def _lines(section: Mapping[str, Any], path: str = "") -> list[str]:
    """Return a section as TOML; what JSON writes for text, numbers, true, false and lists of them is TOML too.

    >>> _lines({"name": "A", "frame": {"declination": 5.1}})
    ['name = "A"', '[frame]', 'declination = 5.1']
    """
    inner = {key: value for key, value in section.items() if isinstance(value, dict)}
    lines = [f"{_key(key)} = {_text(value)}" for key, value in section.items() if key not in inner]
    for key, value in inner.items():
        name = f"{path}.{_key(key)}" if path else _key(key)
        lines += [f"[{name}]", *_lines(value, name)]
    return lines


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _text(key)


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
