"""Files → cells: a table as it stands in its file, with the row numbers that a person sees.

Nothing is interpreted here. Cells of text files stay text, so that hole ``007`` keeps its zeros and a wrong number can
be quoted as it was typed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from desurvey.problems import DataProblem, nearest

__all__ = ["Cells", "read_cells"]

ROW_IN_FILE = "row_in_file"
"""What a person's own column headed "row" is called, for ``row`` is ours."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A table as read.

    Attributes
    ----------
    file : str
        Name for messages.
    frame : pandas.DataFrame
        One column a heading, in the file's order, and an int column ``row``: the row number in a spreadsheet.
    """

    file: str
    frame: pd.DataFrame


def read_cells(path: Path, name: str) -> Cells:
    """Read one table.

    Parameters
    ----------
    path : Path
        A ``.csv``, ``.tsv``, ``.txt``, ``.xlsx``, ``.xls``, ``.ods`` or ``.parquet`` file. A sheet of a workbook is
        named behind a ``#``: ``log.xlsx#surveys``; without it the first sheet is read.
    name : str
        The file as the project names it, for messages.

    Raises
    ------
    DataProblem
        When the file is missing, is no table, or has no heading row.
    """
    text, _, sheet = str(path).partition("#")
    path = Path(text)
    if path.is_dir():
        raise DataProblem("this is a folder, not a table", file=name, hint="name a file in project.toml under [tables]")
    if not path.is_file():
        raise DataProblem("there is no such file", file=name, hint=_missing_hint(path))
    try:
        frame = _read(path, sheet)
    except DataProblem:
        raise
    except pd.errors.EmptyDataError as error:
        raise DataProblem("the file is empty", file=name, hint="it needs a heading row") from error
    except pd.errors.ParserError as error:
        raise _ragged(error, name) from error
    except UnicodeDecodeError as error:
        raise DataProblem("the text can't be read as UTF-8", file=name, hint="save it as CSV UTF-8") from error
    except (ValueError, OSError, RuntimeError) as error:
        raise DataProblem("the file can't be read as a table", file=name, value=error) from error
    return Cells(name, _with_headings(frame, name))


def _read(path: Path, sheet: str) -> pd.DataFrame:
    """Return all rows, the heading row first, columns numbered."""
    ending = path.suffix.lower()
    if ending in {".csv", ".txt"}:
        return _read_text(path, ",")
    if ending == ".tsv":
        return _read_text(path, "\t")
    if ending in {".xlsx", ".xls", ".ods"}:
        return pd.read_excel(path, sheet_name=sheet or 0, header=None, dtype=object, engine="calamine")
    if ending == ".parquet":
        frame = pd.read_parquet(path).reset_index(drop=True)
        heading = pd.DataFrame([list(frame.columns)])
        frame.columns = pd.RangeIndex(frame.shape[1])
        return pd.concat([heading, frame.astype(object)], ignore_index=True)
    raise DataProblem(
        f"tables are read from .csv, .tsv, .txt, .xlsx, .xls, .ods and .parquet files, not from '{ending}'",
        file=path.name,
    )


def _read_text(path: Path, separator: str) -> pd.DataFrame:
    return pd.read_csv(
        path,
        sep=separator,
        header=None,
        dtype=str,
        keep_default_na=False,
        skip_blank_lines=False,
        encoding="utf-8-sig",
    )


def _with_headings(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return the rows below the heading row, columns named by it, blank rows left out, with row numbers."""
    if frame.empty:
        raise DataProblem("the file is empty", file=name, hint="it needs a heading row")
    headings = ["" if pd.isna(cell) else str(cell).strip() for cell in frame.iloc[0]]
    headings = [ROW_IN_FILE if heading == "row" else heading for heading in headings]
    twice = {heading for heading in headings if heading and headings.count(heading) > 1}
    if twice:
        raise DataProblem("two columns have the same heading", file=name, row=1, value=sorted(twice)[0])
    body = frame.iloc[1:].copy()
    body.columns = pd.Index([heading or f"column {place + 1}" for place, heading in enumerate(headings)])
    body.insert(0, "row", range(2, len(body) + 2))
    text = body.drop(columns="row")
    blank = (text.isna() | (text == "")).all(axis=1)
    return body[~blank].reset_index(drop=True)


def _ragged(error: Exception, name: str) -> DataProblem:
    """Return the parser's complaint about an uneven row in our words."""
    counts = re.search(r"Expected (\d+) fields in line (\d+), saw (\d+)", str(error))
    if counts is None:
        return DataProblem("the file can't be read as a table", file=name, value=str(error))
    expected, row, found = (int(group) for group in counts.groups())
    return DataProblem(
        f"the row has {found} cells, the rows above it {expected}",
        file=name,
        row=row,
        hint="look for a separator inside a cell; put such a cell in double quotes",
    )


def _missing_hint(path: Path) -> str:
    if not path.parent.is_dir():
        return f"the folder {path.parent.name}/ isn't there either"
    return nearest(path.name, [file.name for file in path.parent.iterdir()]) or "check its name in project.toml"
