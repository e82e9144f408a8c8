"""The table of formats: which there are, by the ending of a file's name, what each keeps, and which function writes it.

To add one: a function that writes it, and a row of :data:`FORMATS`. Endings that commands accept, their messages, their
help, what is said to be left out, and the tests follow from the row.

A writer is named, not imported, so that a command that only writes a table waits for no other library. It takes

- ``model``: a :class:`desurvey.exchange.model.Model` and a path;
- ``surface``: a :class:`desurvey.surface.mesh.Mesh`, a path, a name and a CRS;
- ``lines``: lines with their elevations, a path, a name and a CRS;
- ``table``: a data frame, a path and facts about it,

and returns None, or what it has to say about the file (:class:`Written`).
"""

from __future__ import annotations

import importlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy.typing as npt

from desurvey.exchange.writing import TableFacts
from desurvey.outputs import replacing
from desurvey.problems import DataProblem, nearest
from desurvey.shown import shown

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from desurvey.exchange.model import Model
    from desurvey.surface import Contour
    from desurvey.surface.mesh import Mesh

__all__ = [
    "FORMATS",
    "Format",
    "What",
    "Written",
    "check_ending",
    "endings",
    "export",
    "left_out",
    "library",
    "write_contours",
    "write_mesh",
    "write_table",
]

What = Literal["model", "surface", "lines", "table"]

NAMES: dict[What, str] = {
    "model": "exports are", "surface": "a surface is", "lines": "contours are", "table": "tables are",
}  # fmt: skip

INSTALL = 'install it with: pip install "lowside[formats]"'

ALL = "holes discs points surfaces sigma"
"""What a model holds besides its tables, in the words of ``Format.keeps``."""


@dataclass(frozen=True, slots=True)
class Format:
    """One row of the table of formats.

    Attributes
    ----------
    ending : str
        Of file names, in lower case.
    name : str
        Of the format.
    model, surface, lines, table : str
        ``module:function`` in ``desurvey.exchange`` that writes one; empty where the format can't hold it.
    keeps : str
        What it holds of a model: holes, discs (structures with their planes), points (structures without), surfaces,
        sigma (of surfaces), tables (all of them), table (one, which is asked for by name).
    frame : str
        Where the CRS and the unit stand.
    loses : str
        What else it can't hold, in words.
    """

    ending: str
    name: str
    model: str = ""
    surface: str = ""
    lines: str = ""
    table: str = ""
    keeps: str = ""
    frame: str = ""
    loses: str = ""

    def holds(self, part: str) -> bool:
        """Return whether it keeps a part of a model."""
        return part in self.keeps.split()


FORMATS: tuple[Format, ...] = (
    Format(
        ".omf", "Open Mining Format 1.0", model="omf:write_omf", keeps=ALL,
        frame="unit; CRS in a description", loses="intervals and runs",
    ),
    Format(
        ".dxf", "drawing exchange, release 2010",
        model="dxf:write_dxf", surface="dxf:write_mesh_dxf", lines="dxf:write_lines_dxf",
        keeps="holes discs points surfaces", frame="unit; CRS as a property", loses="values along holes, most columns",
    ),
    Format(
        ".glb", "glTF 2.0, binary", model="glb:write_glb", surface="glb:write_mesh_glb",
        keeps="holes discs points surfaces",
        frame="in asset.extras", loses="columns of holes; float32 about an origin",
    ),
    Format(
        ".obj", "Wavefront, with a colour at each vertex",
        model="meshes:write_model_obj", surface="meshes:write_obj", keeps="holes discs points surfaces",
        frame="in a comment", loses="all columns",
    ),
    Format(
        ".stl", "stereolithography, binary", surface="meshes:write_stl",
        frame="no", loses="σ; float32 about an origin",
    ),
    Format(".ply", "polygon file, binary", surface="meshes:write_ply", frame="in a comment"),
    Format(
        ".vtp", "VTK poly data", model="vtkxml:write_vtp", surface="vtkxml:write_mesh_vtp", keeps=ALL,
        frame="as field data", loses="intervals and runs",
    ),
    Format(
        ".vtm", "VTK blocks, one for each layer", model="vtkxml:write_vtm", keeps=ALL,
        frame="as field data", loses="intervals and runs",
    ),
    Format(
        ".gpkg", "GeoPackage", model="maps:write_geopackage", keeps="holes discs points",
        frame="CRS", loses="values along holes",
    ),
    Format(
        ".geojson", "GeoJSON (RFC 7946)", model="maps:write_geojson", lines="maps:write_lines_geojson",
        keeps="holes discs points", frame="always WGS 84", loses="eastings and northings, values along holes",
    ),
    Format(
        ".tif", "GeoTIFF: elevation, and σ as the second band", surface="grids:write_geotiff",
        frame="CRS; unit of the bands", loses="all but the highest sheet where a surface folds over itself",
    ),
    Format(
        ".las", "LAS 2.0, a file for each hole with structures", model="las:write_las", keeps="discs points",
        frame="in the header", loses="holes without structures, notes and other text",
    ),
    Format(
        ".xlsx", "Excel workbook, a sheet for each table", model="workbook:write_workbook", keeps="tables",
        frame="on the sheet about", loses="shapes of discs and surfaces",
    ),
    Format(".csv", "one table as text", table="writing:write_csv", keeps="table", frame="no"),
    Format(
        ".parquet", "one table; holes and structures as GeoParquet 1.1", table="writing:write_parquet", keeps="table",
        frame="CRS and units in the metadata",
    ),
    Format(
        ".arrow", "one table (Arrow IPC)", table="writing:write_arrow", keeps="table",
        frame="CRS and units in the metadata",
    ),
)  # fmt: skip
"""All formats of tables, models, surfaces and contours, in the order in which they are told."""


@shown
class Written(NamedTuple):
    """What a writer has to say.

    Attributes
    ----------
    origin : (3,) array or None
        Easting, northing, elevation from which the file's coordinates count; None: they are the project's own.
    said : tuple of str
        Anything else, in sentences without a stop.
    """

    origin: npt.NDArray[np.float64] | None = None
    said: tuple[str, ...] = ()


def endings(what: What) -> tuple[str, ...]:
    """Return the endings under which something can be written; a model also as one of its tables.

    Examples
    --------
    >>> endings("lines"), endings("table")
    (('.dxf', '.geojson'), ('.csv', '.parquet', '.arrow'))
    """
    return tuple(one.ending for one in FORMATS if getattr(one, what) or (what == "model" and one.table))


def check_ending(path: Path, what: What) -> Format:
    """Return the format that a name's ending asks for, before any work is done.

    Raises
    ------
    DataProblem
        For another ending; it lists those that there are.
    """
    ending = path.suffix.lower()
    known = endings(what)
    if ending not in known:
        listed = f"{', '.join(known[:-1])} or {known[-1]}"
        rule = f"{NAMES[what]} written as {listed}"
        raise DataProblem(rule, file=str(path), value=ending or "no ending", hint=nearest(ending, known))
    return next(one for one in FORMATS if one.ending == ending)


def library(name: str, ending: str) -> Any:
    """Return a library that is an extra.

    Raises
    ------
    DataProblem
        When it isn't installed; says the line that installs it.
    """
    try:
        return importlib.import_module(name)
    except ImportError as problem:
        raise DataProblem(f"writing {ending} needs the library '{name}'", hint=INSTALL) from problem


def write_table(frame: pd.DataFrame, path: Path | str, facts: TableFacts | None = None) -> None:
    """Write a table as CSV, Parquet or Arrow, by the ending of the name.

    Parameters
    ----------
    frame : pandas.DataFrame
        Its index is not written. NaN, NaT and None become blanks.
    path : path
        ``.csv``, ``.parquet`` or ``.arrow``. Numbers in CSV are rounded to ``writing.DECIMALS`` decimals, and a text
        that a spreadsheet would work out as a formula is led by an apostrophe, which ``read_table`` takes off again.
    facts : TableFacts, optional
        What Parquet and Arrow say of it in their metadata; without it, the units of the columns.

    Raises
    ------
    DataProblem
        For another ending, or when the file can't be written.

    Notes
    -----
    Through Arrow, which writes 300,000 rows of 20 columns about ten times as fast as pandas does.
    """
    path = Path(path)
    _writer(check_ending(path, "table").table)(frame, path, facts or TableFacts())


def export(model: Model, path: Path | str, *, table: str = "structures") -> tuple[str, ...]:
    """Write a model, and say what was left out.

    Parameters
    ----------
    model : Model
        What to write.
    path : path
        Its ending says the format.
    table : str
        Which table, where the format holds only one.

    Returns
    -------
    tuple of str
        What the file lacks, and what else its reader must know.

    Raises
    ------
    DataProblem
        For another ending, an unknown table, a missing library, or when the file can't be written.
    """
    path = Path(path)
    kind = check_ending(path, "model")
    if kind.table:
        if table not in model.tables:
            hint = nearest(table, model.tables) or f"there are {', '.join(model.tables)}"
            raise DataProblem("there is no such table to export", value=table, hint=hint)
        _writer(kind.table)(model.tables[table], path, model.facts(table))
        return left_out(model, kind, table)
    done = _writer(kind.model)(model, path) or Written()
    return (*left_out(model, kind), *_told(done, path, model.crs))


def write_mesh(mesh: Mesh, path: Path | str, *, name: str, crs: str = "") -> tuple[str, ...]:
    """Write a triangulated surface.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    path : path
        Its ending says the format.
    name : str
        Name of the surface inside the file.
    crs : str
        Coordinate reference system, where the format can say it.

    Returns
    -------
    tuple of str
        What the reader of the file must know: where coordinates count from, if not from the project's own origin.

    Raises
    ------
    DataProblem
        For another ending, a missing library, or when the file can't be written.
    """
    path = Path(path)
    done = _writer(check_ending(path, "surface").surface)(mesh, path, name, crs) or Written()
    return _told(done, path, crs)


def write_contours(lines: Sequence[Contour], path: Path | str, *, name: str, crs: str = "") -> None:
    """Write structure contours, each line with its elevation.

    Parameters
    ----------
    lines : sequence of Contour
        From :func:`desurvey.surface.contours`.
    path : path
        ``.dxf`` (eastings and northings; the elevation is the height of the polyline) or ``.geojson`` (longitude and
        latitude; the elevation is a property too).
    name : str
        Of the surface.
    crs : str
        Coordinate reference system; GeoJSON needs it.

    Raises
    ------
    DataProblem
        For another ending, a missing library or CRS, or when the file can't be written.
    """
    path = Path(path)
    _writer(check_ending(path, "lines").lines)(lines, path, f"contours {name}", crs)


def left_out(model: Model, kind: Format, table: str = "") -> tuple[str, ...]:
    """Return what a format leaves out of a model, in sentences; nothing is dropped unsaid."""
    parts = {
        "holes": (len(model.holes.table), "hole", "holes"),
        "discs": (len(model.discs.table), "plane of a structure", "planes of structures"),
        "points": (len(model.points.table), "structure without orientation", "structures without orientation"),
        "surfaces": (len(model.meshes), "surface", "surfaces"),
    }
    counts = [_count(*part) for name, part in parts.items() if part[0] and not kind.holds(name)]
    counts += ["σ of the surfaces"] if model.meshes and kind.holds("surfaces") and not kind.holds("sigma") else []
    if kind.holds("table"):
        counts = [f"the other tables ({', '.join(name for name in model.tables if name != table)})"]
    elif kind.holds("tables"):
        counts = [f"the shape of {_count(*parts['surfaces'])}"] if model.meshes else []
    said = [f"Left out, for {kind.ending} can't hold it: {'; '.join(counts)}"] if counts else []
    logged = len(model.tables["structures"]) if "structures" in model.tables else 0
    nowhere = logged - len(model.discs.table) - len(model.points.table)
    if nowhere > 0 and not (kind.holds("tables") or kind.holds("table")):
        said.append(f"Left out, for no hole that can be placed has them: {_count(nowhere, 'structure', 'structures')}")
    if len(model.points.table) and kind.holds("points"):
        said.append(f"Kept as points: {_count(*parts['points'])}")
    return tuple(said)


def _told(done: Written, path: Path, crs: str) -> tuple[str, ...]:
    """Return what a writer says; an origin that isn't the project's own stands in a file beside, too."""
    if done.origin is None:
        return done.said
    beside = path.with_name(f"{path.name}.origin.json")
    content = {
        "file": path.name,
        "origin": dict(zip(("easting", "northing", "elevation"), done.origin.tolist(), strict=True)),
        "units": "m",
        "crs": crs or None,
        "meaning": "add the origin to the coordinates of the file",
    }
    with replacing(beside) as partial:
        partial.write_text(json.dumps(content, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
    east, north, up = done.origin.tolist()
    moved = f"Coordinates count from E {east:.0f}, N {north:.0f}, U {up:.0f} m: written to {beside.name} beside it"
    return (moved, *done.said)


def _writer(name: str) -> Any:
    module, _, function = name.partition(":")
    return getattr(importlib.import_module(f"desurvey.exchange.{module}"), function)


def _count(number: int, one: str, many: str) -> str:
    return f"{number:,} {one if number == 1 else many}"
