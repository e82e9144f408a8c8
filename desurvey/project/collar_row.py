"""A hole as a row of the project's own collars table: its columns and their order, its north, sign of dip and units.

The way back out of the door. Rather than undo each conversion by a rule of its own, rows are sent through the door
itself, and what it does to them is turned round; so whatever is converted on reading is converted back on writing.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from desurvey.problems import DataProblem
from desurvey.project.loading import Project, _converted
from desurvey.shown import shown
from desurvey.tables import TABLES, clean, read_cells
from desurvey.tables.delimited import decoded
from desurvey.tables.reading import Cells

__all__ = ["CollarRow", "collar_row"]

Floats = npt.NDArray[np.float64]

NEAR_M, NEAR_DEG = 0.02, 0.11
"""How far a row may come back through the door from what was meant: its numbers are written to 0.01 and 0.1."""


@shown
@dataclass(frozen=True, slots=True)
class CollarRow:
    """A row for the collars table.

    Attributes
    ----------
    file : str
        The table's file.
    headings, cells : tuples of str
        In the file's own order.
    separator : str
        That of the file; a tab for a workbook, into which rows are pasted.
    """

    file: str
    headings: tuple[str, ...]
    cells: tuple[str, ...]
    separator: str

    def _line(self, texts: tuple[str, ...]) -> str:
        out = io.StringIO()
        csv.writer(out, delimiter=self.separator, lineterminator="").writerow(texts)
        return out.getvalue()

    @property
    def heading(self) -> str:
        """The headings as a line."""
        return self._line(self.headings)

    @property
    def line(self) -> str:
        """The row as a line, to be pasted into the file."""
        return self._line(self.cells)


def collar_row(
    project: Project, hole_id: str, collar: npt.ArrayLike, azimuth: float, dip: float, length: float
) -> CollarRow:
    """Return a planned hole as a row of the project's collars table.

    Parameters
    ----------
    project : Project
        As logged.
    hole_id : str
        Its name.
    collar : (3,) array
        Easting, northing and elevation, metres.
    azimuth, dip : float
        Degrees: from grid north, 0 to 360, and negative down, −90 to 90.
    length : float
        Metres.

    Raises
    ------
    DataProblem
        When a number is out of range, the collars table can't be read, or the row can't be said in its terms.
    """
    wanted = dict(zip(("easting", "northing", "elevation"), np.asarray(collar, dtype=float).tolist(), strict=True))
    wanted |= {"azimuth": float(azimuth), "dip": float(dip), "depth": float(length)}
    _check(wanted)
    cells, separator, comma = _headings(project)
    found = clean(cells, "collars", TABLES["collars"], project.settings.reading("collars"))
    own = {name: heading for name, heading in found.headings.items() if heading in cells.columns}
    texts = dict.fromkeys(cells.columns, "") | {own["hole_id"]: hole_id}
    today = datetime.now(UTC).date().isoformat()
    texts |= {own[name]: text for name, text in (("status", "planned"), ("date", today)) if name in own}
    numbers = _inverted(project, cells, own, texts, wanted)
    back = _through(project, cells, [texts | _written(numbers, own, comma)])
    for name, value in wanted.items():
        off = back[name][0] - value
        off = (off + 180.0) % 360.0 - 180.0 if name == "azimuth" else off
        if name in own and not abs(off) < (NEAR_DEG if name in ("azimuth", "dip") else NEAR_M):
            raise DataProblem(
                f"{name} of a new hole can't be said in the terms of the collars table", file=cells.file,
                column=own[name], value=value,
                hint="azimuths from magnetic north need declination under [frame], or a column of dates and crs",
            )  # fmt: skip
    final = texts | _written(numbers, own, comma)
    return CollarRow(cells.file, tuple(cells.columns), tuple(final[heading] for heading in cells.columns), separator)


def _check(wanted: Mapping[str, float]) -> None:
    rules = {
        "azimuth": (0.0, 360.0, "0 to 360°"),
        "dip": (-90.0, 90.0, "−90 to 90°"),
        "depth": (0.1, 1e4, "0.1 to 10,000 m"),
    }
    for name, value in wanted.items():
        low, high, said = rules.get(name, (-np.inf, np.inf, "a number"))
        if not (np.isfinite(value) and low <= value <= high):
            what = "length" if name == "depth" else name
            raise DataProblem(f"the {what} of a hole must be {said}", value=value)


def _headings(project: Project) -> tuple[Cells, str, bool]:
    """Return the collars table as read, its separator, and whether its numbers have a decimal comma."""
    files = project.settings.files("collars")
    if not files:
        raise DataProblem("the project has no collars table to write a row for", hint="name it under [tables]")
    path, reading = project.folder / files[-1], project.settings.reading("collars")
    cells = read_cells(path, files[-1], "collars", reading.mapped)
    if path.suffix.lower() not in (".csv", ".txt", ".tsv", ".dat", ""):
        return cells, "\t", False
    lines = decoded(path.read_bytes())[0].splitlines()
    head = lines[cells.heading_row - 1] if 0 < cells.heading_row <= len(lines) else ""
    separator = max(",;\t|", key=head.count)
    words = [text for column in cells.columns.values() for text in column.cast(pa.string()).to_pylist() if text]
    comma = separator != "," and any(_like_number(text) for text in words)
    return cells, separator, comma


def _like_number(text: str) -> bool:
    whole, comma, rest = text.strip().partition(",")
    return bool(comma) and whole.lstrip("+-").isdigit() and rest.isdigit()


def _through(project: Project, cells: Cells, rows: list[dict[str, str]]) -> dict[str, Floats]:
    """Return what the door makes of some rows of text: canonical numbers."""
    columns = {heading: pa.array([row[heading] for row in rows], type=pa.string()) for heading in cells.columns}
    probe = replace(cells, rows=np.arange(2, 2 + len(rows)), columns=columns, findings=())
    table = clean(probe, "collars", TABLES["collars"], project.settings.reading("collars"))
    frame, _, _ = _converted(table, table.frame, project.settings.frame)
    names = ("easting", "northing", "elevation", "depth", "azimuth", "dip")
    return {name: pd.to_numeric(frame[name]).to_numpy(dtype=float) for name in names}


def _inverted(
    project: Project, cells: Cells, own: Mapping[str, str], texts: Mapping[str, str], wanted: Mapping[str, float]
) -> dict[str, float]:
    """Return the numbers that the door turns into those wanted: it does to each column a factor and a shift."""
    numbers: dict[str, float] = {}
    down = project.settings.frame.down
    ends = {"depth": (10.0, 20.0), "dip": (10.0 * down, 20.0 * down), "azimuth": (10.0, 20.0)}
    for names in (("easting", "northing", "elevation", "depth", "dip"), ("azimuth",)):  # its shift needs the place
        pairs = {name: ends.get(name, (wanted[name], wanted[name] + 1.0)) for name in names if name in own}
        known = dict(texts) | _written(numbers, own, comma=False)
        rows = [
            known | {own["hole_id"]: f"probe {k}"} | {own[name]: f"{pair[k]:.6f}" for name, pair in pairs.items()}
            for k in (0, 1)
        ]
        found = _through(project, cells, rows)
        for name, pair in pairs.items():
            low, high = found[name].tolist()
            step = (high - low + 180.0) % 360.0 - 180.0 if name == "azimuth" else high - low
            factor = step / (pair[1] - pair[0])
            numbers[name] = pair[0] + (wanted[name] - low) / factor if factor else np.nan
            if name == "azimuth":
                numbers[name] %= 360.0 / abs(factor)
    return numbers


def _written(numbers: Mapping[str, float], own: Mapping[str, str], comma: bool) -> dict[str, str]:
    texts = {
        own[name]: f"{value:.1f}" if name in ("azimuth", "dip") else f"{value:.2f}" for name, value in numbers.items()
    }
    return {heading: text.replace(".", ",") if comma else text for heading, text in texts.items()}
