"""What a folder of the corpus is, and the little clean project that all of them start from."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

COLLARS = """hole_id,easting,northing,elevation,depth,core_size,date
TH-01,511861.74,5311922.70,1605.31,120.5,N,2026-03-31
TH-02,511906.41,5311898.84,1603.85,90,H,2026-04-13
"""
SURVEYS = """hole_id,depth,azimuth,dip
TH-01,0,292.4,-60.25
TH-01,60,293.1,-59.8
TH-01,120,294,-58.9
TH-02,0,1.5,-64
TH-02,60,359.2,-63.5
"""
RUNS = """hole_id,depth_from,depth_to,recovered
TH-01,3,6,2.95
TH-01,6,9,3
TH-02,3,6,2.9
"""
STRUCTURES = """hole_id,depth,kind,alpha,beta,note
TH-01,4.92,joint,16,247,planar
TH-01,8.25,fault,42.5,18,gouge
TH-02,4.1,vein,71,300,quartz
"""
TABLES = {"collars": COLLARS, "surveys": SURVEYS, "runs": RUNS, "structures": STRUCTURES}
"""A clean project: no finding at all."""

FRAME = """name = "Corpus"

[frame]
north = "grid"
dip_sign = "negative_down"

[core]
line = "low"
"""


@dataclass(frozen=True)
class Folder:
    """A folder of the corpus.

    Attributes
    ----------
    name : str
        What is messy about it.
    files : mapping of str to bytes
        Path in the folder → contents.
    toml : str
        Its project.toml.
    rules : tuple of (rule, table, row)
        Findings that loading must make, all of them.
    refused : str
        Pattern of the message of the DataProblem with which it is refused, blank when it isn't.
    """

    name: str
    files: Mapping[str, bytes]
    toml: str
    rules: tuple[tuple[str, str, int | None], ...] = ()
    refused: str = ""
    folders: tuple[str, ...] = field(default=())

    def __str__(self) -> str:
        """Return its name as the tests show it."""
        return self.name.replace(" ", "_")


def project(
    name: str,
    changed: Mapping[str, str | bytes],
    *rules: tuple[str, str, int | None],
    names: Mapping[str, str] | None = None,
    frame: str = FRAME,
    more: str = "",
    refused: str = "",
    encoding: str = "utf-8",
    drop: tuple[str, ...] = (),
) -> Folder:
    """Return the clean project with some tables written in another way.

    ``changed`` maps a table to its contents, ``names`` a table to its file name.
    """
    names = {table: f"{table}.csv" for table in TABLES if table not in drop} | dict(names or {})
    contents = {**TABLES, **changed}
    files = {
        _on_disk(names[table]): text if isinstance(text, bytes) else text.encode(encoding)
        for table, text in contents.items()
        if table in names and (table in TABLES or table in changed)
    }
    tables = "\n".join(f'{table} = "{file}"' for table, file in names.items() if table in TABLES)
    intervals = "\n".join(f'{table} = "{file}"' for table, file in names.items() if table not in TABLES)
    toml = f"{frame}\n[tables]\n{tables}\n" + (f"\n[tables.intervals]\n{intervals}\n" if intervals else "") + more
    return Folder(name, files, toml, rules, refused)


def _on_disk(name: str) -> str:
    """Return the file of a table's name: without a sheet, and no deeper than an archive."""
    file = name.partition("#")[0]
    return file[: file.index(".zip") + 4] if ".zip" in file else file


def write_folder(folder: Folder, place: Path) -> Path:
    """Write a folder of the corpus into an empty folder and return it."""
    for name, contents in folder.files.items():
        file = place / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(contents)
    for name in folder.folders:
        (place / name).mkdir()
    (place / "project.toml").write_text(folder.toml, encoding="utf-8")
    return place


def zipped(members: Mapping[str, str]) -> bytes:
    """Return an archive of text files."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, text in members.items():
            archive.writestr(zipfile.ZipInfo(name), text)
    return buffer.getvalue()


def workbook(sheets: Mapping[str, list[list[object]]]) -> bytes:
    """Return an .xlsx file of sheets given as rows of cells."""
    buffer = io.BytesIO()
    with pd.ExcelWriter(buffer, engine="openpyxl") as writer:
        for name, rows in sheets.items():
            pd.DataFrame(rows).to_excel(writer, sheet_name=name, header=False, index=False)
    return buffer.getvalue()


def cells(text: str) -> list[list[object]]:
    """Return the cells of a plain CSV text, numbers as numbers."""
    return [[_number(cell) for cell in line.split(",")] for line in text.splitlines()]


def _number(cell: str) -> object:
    try:
        return float(cell)
    except ValueError:
        return cell
