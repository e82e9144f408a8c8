"""VTK's XML files, written as plain XML with base64 arrays: ``.vtp`` in one piece, ``.vtm`` in blocks.

Reference
---------
VTK File Formats, "XML file formats" (docs.vtk.org): inline binary data are the number of bytes (here UInt64) and the
bytes themselves, both in base64; strings are the codes of their bytes, each ended by 0.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.exchange.formats import Written
from desurvey.exchange.model import Discs, Holes, Model, Unoriented, disc_corners
from desurvey.outputs import replacing
from desurvey.shown import shown
from desurvey.surface.mesh import Mesh

__all__ = ["discs_piece", "holes_piece", "mesh_piece", "write_mesh_vtp", "write_piece", "write_vtm", "write_vtp"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Columns = Mapping[str, npt.NDArray[Any]]

SHAPES = ("verts", "lines", "polygons")
"""Cells of a piece, in the order in which VTK counts them."""

TYPES = {"f": ("Float64", "<f8"), "i": ("Int64", "<i8"), "b": ("UInt8", "u1")}


@shown
@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Points with lines and polygons on them.

    Attributes
    ----------
    points : (n, 3) array
        Easting, northing, elevation, metres.
    lines, polygons : list of int arrays
        Rows of the points of each.
    point_data, cell_data : mappings
        Columns of one value a point, and of one value a cell (vertices first, then lines).
    verts : list of int arrays
        Rows of the points that are drawn as such.
    """

    points: Floats
    lines: list[Ints] = field(default_factory=list)
    polygons: list[Ints] = field(default_factory=list)
    point_data: Columns = field(default_factory=dict)
    cell_data: Columns = field(default_factory=dict)
    verts: list[Ints] = field(default_factory=list)


def write_vtp(model: Model, path: Path) -> None:
    """Write holes, discs and meshes as one PolyData; the column ``layer`` tells them apart."""
    write_piece(_joined(list(_blocks(model).items())), path, model.crs)


def write_vtm(model: Model, path: Path) -> Written:
    """Write a multi-block file, with one PolyData for each layer in a folder of its name beside it."""
    folder = path.with_suffix("")
    folder.mkdir(exist_ok=True)
    lines = []
    for index, (name, piece) in enumerate(_blocks(model).items()):
        file = f"{index:03d}.vtp"
        write_piece(piece, folder / file, model.crs)
        where = quoteattr(f"{folder.name}/{file}")
        lines.append(f'    <DataSet index="{index}" name={quoteattr(name)} file={where}/>')
    body = ["  <vtkMultiBlockDataSet>", *lines, "  </vtkMultiBlockDataSet>"]
    with replacing(path) as partial:
        partial.write_text(_file("vtkMultiBlockDataSet", body), encoding="utf-8")
    return Written(said=(f"The blocks lie in the folder {folder.name} beside it",))


def write_piece(piece: Piece, path: Path, crs: str = "") -> None:
    """Write one PolyData with its coordinate system and unit as field data."""
    counts = {
        "NumberOfPoints": len(piece.points),
        "NumberOfVerts": len(piece.verts),
        "NumberOfLines": len(piece.lines),
        "NumberOfStrips": 0,
        "NumberOfPolys": len(piece.polygons),
    }
    attributes = " ".join(f'{name}="{value}"' for name, value in counts.items())
    body = [
        "  <PolyData>",
        "    <FieldData>",
        *_array("crs", np.array([crs or "not stated"]), tuples=1),
        *_array("units", np.array(["m"]), tuples=1),
        "    </FieldData>",
        f"    <Piece {attributes}>",
        *_section("PointData", piece.point_data),
        *_section("CellData", piece.cell_data),
        *_section("Points", {"position": piece.points}),
        *_section("Verts", _cells(piece.verts)),
        *_section("Lines", _cells(piece.lines)),
        *_section("Polys", _cells(piece.polygons)),
        "    </Piece>",
        "  </PolyData>",
    ]
    with replacing(path) as partial:
        partial.write_text(_file("PolyData", body), encoding="utf-8")


def holes_piece(holes: Holes) -> Piece:
    """Return holes as poly-lines."""
    lines = [np.arange(a, b) for a, b in zip(holes.offsets[:-1].tolist(), holes.offsets[1:].tolist(), strict=True)]
    points = holes.points.drop(columns=["easting", "northing", "elevation"])
    return Piece(holes.position, lines=lines, point_data=_columns(points), cell_data=_columns(holes.table))


def discs_piece(discs: Discs, sides: int = 16) -> Piece:
    """Return structures as polygons; cell *i* is structure *i*."""
    corners = disc_corners(discs, sides).reshape(-1, 3)
    polygons = list(np.arange(len(corners)).reshape(-1, sides))
    return Piece(corners, polygons=polygons, cell_data=_columns(discs.table))


def mesh_piece(mesh: Mesh) -> Piece:
    """Return a surface as triangles with its 1-σ at the points."""
    return Piece(mesh.vertices, polygons=list(mesh.triangles), point_data={"sigma": mesh.sigma})


def points_piece(points: Unoriented) -> Piece:
    """Return structures without orientation as points."""
    verts = list(np.arange(len(points.position))[:, None])
    return Piece(points.position, verts=verts, cell_data=_columns(points.table))


def write_mesh_vtp(mesh: Mesh, path: Path, name: str, crs: str) -> None:
    """Write one surface with its σ."""
    write_piece(mesh_piece(mesh), path, crs)


def _blocks(model: Model) -> dict[str, Piece]:
    named = {f"fault {name}": mesh_piece(mesh) for name, mesh in model.meshes.items()}
    bare = {"not oriented": points_piece(model.points)} if len(model.points.table) else {}
    return {"holes": holes_piece(model.holes), "structures": discs_piece(model.discs), **bare, **named}


def _joined(blocks: list[tuple[str, Piece]]) -> Piece:
    """Return pieces as one, with a column of their layers; what a piece doesn't have is NaN or blank there."""
    start = np.cumsum([0, *[len(piece.points) for _, piece in blocks]])
    shapes: dict[str, list[Ints]] = {
        shape: [
            cell + first for (_, piece), first in zip(blocks, start, strict=False) for cell in getattr(piece, shape)
        ]
        for shape in SHAPES
    }
    frames = [
        pd.DataFrame({"layer": name, **piece.cell_data}, index=range(len(getattr(piece, shape))))
        for shape in SHAPES
        for name, piece in blocks
        if getattr(piece, shape)
    ]
    cells = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame({"layer": []})
    at_points = [pd.DataFrame(dict(piece.point_data), index=range(len(piece.points))) for _, piece in blocks]
    points = pd.concat(at_points, ignore_index=True)
    place = np.concatenate([piece.points for _, piece in blocks])
    return Piece(place, **shapes, point_data=_columns(points), cell_data=_columns(cells))


def _columns(frame: pd.DataFrame) -> dict[str, npt.NDArray[Any]]:
    """Return a table's columns as arrays of numbers or of text; dates are ISO text, what is missing NaN or blank."""
    out: dict[str, npt.NDArray[Any]] = {}
    for name in frame.columns:
        column = frame[name]
        if column.dtype.kind == "M":
            column = column.dt.strftime("%Y-%m-%d")
        if column.dtype.kind in "iufb":
            out[str(name)] = column.to_numpy()
        else:
            out[str(name)] = column.astype(object).where(column.notna(), "").astype(str).to_numpy(dtype=np.str_)
    return out


def _cells(cells: list[Ints]) -> Columns:
    joined = np.concatenate(cells) if cells else np.zeros(0, dtype=np.int64)
    return {"connectivity": joined, "offsets": np.cumsum([len(cell) for cell in cells], dtype=np.int64)}


def _section(name: str, columns: Columns) -> Iterable[str]:
    yield f"      <{name}>"
    for column, values in columns.items():
        yield from _array(column, values)
    yield f"      </{name}>"


def _array(name: str, values: npt.NDArray[Any], tuples: int | None = None) -> Iterable[str]:
    """Return an array as XML lines."""
    about = f"Name={quoteattr(name)}" + (f' NumberOfTuples="{tuples}"' if tuples is not None else "")
    if values.dtype.kind in "US":
        codes = " ".join(str(code) for text in values.tolist() for code in (*text.encode(), 0))
        yield f'        <DataArray type="String" {about} format="ascii">{codes}</DataArray>'
        return
    kind, dtype = TYPES["i" if values.dtype.kind == "u" else values.dtype.kind]
    wide = f' NumberOfComponents="{values.shape[1]}"' if values.ndim == 2 else ""
    raw = np.ascontiguousarray(values, dtype=dtype).tobytes()
    data = base64.b64encode(np.uint64(len(raw)).tobytes()).decode() + base64.b64encode(raw).decode()
    yield f'        <DataArray type="{kind}" {about}{wide} format="binary">{data}</DataArray>'


def _file(kind: str, body: Iterable[str]) -> str:
    head = f'<VTKFile type="{kind}" version="1.0" byte_order="LittleEndian" header_type="UInt64">'
    return "\n".join(['<?xml version="1.0"?>', head, *body, "</VTKFile>", ""])
