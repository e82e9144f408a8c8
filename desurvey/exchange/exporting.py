"""A model as a file, in the format that the ending of its name says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from desurvey.exchange.dxf import write_dxf
from desurvey.exchange.glb import write_glb
from desurvey.exchange.maps import write_geojson, write_geopackage
from desurvey.exchange.model import Model
from desurvey.exchange.omf import INSTALL, write_omf
from desurvey.exchange.vtkxml import write_vtm, write_vtp
from desurvey.exchange.writing import write_table
from desurvey.outputs import replacing
from desurvey.problems import DataProblem, nearest

__all__ = ["ENDINGS", "check_ending", "export"]

LONGEST_NAME = 31
"""Letters of a sheet's name in a workbook."""


def export(model: Model, path: Path | str, *, table: str = "structures") -> None:
    """Write a model.

    Parameters
    ----------
    model : Model
        What to write.
    path : path
        Its ending says the format: one of :data:`ENDINGS`.
    table : str
        Which table, where the format holds only one (.csv, .parquet).

    Raises
    ------
    DataProblem
        For another ending, an unknown table, a missing library, or when the file can't be written.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending in {".csv", ".parquet"}:
        if table not in model.tables:
            hint = nearest(table, model.tables) or f"there are {', '.join(model.tables)}"
            raise DataProblem("there is no such table to export", value=table, hint=hint)
        write_table(model.tables[table], path)
        return
    check_ending(path)
    GEOMETRY[ending](model, path)


def check_ending(path: Path) -> None:
    """Refuse a file whose ending no export has, before the work is done.

    Raises
    ------
    DataProblem
        Which lists the endings that there are.
    """
    if path.suffix.lower() not in ENDINGS:
        value = path.suffix or "no ending"
        raise DataProblem(f"exports are written as {', '.join(ENDINGS)}", file=str(path), value=value)


def write_workbook(model: Model, path: Path) -> None:
    """Write all tables as sheets of one workbook, and a first sheet that says what they are."""
    try:
        import openpyxl  # noqa: F401 - pandas writes through it; an extra
    except ImportError as problem:
        raise DataProblem("writing .xlsx needs the library 'openpyxl'", hint=INSTALL) from problem
    facts = {
        "project": model.name,
        "crs": model.crs or "not stated",
        "basis": model.basis,
        "units": "metres and degrees; azimuths from grid north, dip of a hole negative down",
    }
    about = pd.DataFrame({"what": [*facts, *model.tables]})
    about["value"] = [*facts.values(), *(f"{len(frame)} rows" for frame in model.tables.values())]
    with replacing(path) as partial, pd.ExcelWriter(partial, engine="openpyxl") as workbook:
        about.to_excel(workbook, sheet_name="about", index=False)
        for name, frame in model.tables.items():
            frame.to_excel(workbook, sheet_name=name[:LONGEST_NAME], index=False, freeze_panes=(1, 0))
        for sheet in workbook.sheets.values():
            _keep_text(sheet)


def _keep_text(sheet: Any) -> None:
    """Mark every text as text: a note that begins with = would be worked out as a formula."""
    sheet.auto_filter.ref = sheet.dimensions
    for row in sheet.iter_rows():
        for cell in row:
            if cell.data_type == "f":
                cell.data_type = "s"


GEOMETRY: dict[str, Callable[[Model, Path], None]] = {
    ".omf": write_omf,
    ".dxf": write_dxf,
    ".glb": write_glb,
    ".vtp": write_vtp,
    ".vtm": write_vtm,
    ".gpkg": write_geopackage,
    ".geojson": write_geojson,
    ".xlsx": write_workbook,
}

ENDINGS = (*GEOMETRY, ".csv", ".parquet")
"""Formats of an export, by ending."""
