"""Formats of maps: GeoJSON (RFC 7946) and GeoPackage (OGC 12-128), holes as 3D lines and structures as 3D points.

GeoJSON knows no coordinate system but WGS 84 longitude and latitude, so a project without a CRS can't be written as
such. Elevations go over as they are: the project's vertical datum isn't known. GeoPackage keeps eastings and northings
in the project's own CRS. It is an SQLite file, and is written with Python's own sqlite3.
"""

from __future__ import annotations

import itertools
import json
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj

from desurvey.exchange.model import Model
from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from desurvey.surface import Contour

__all__ = ["write_geojson", "write_geopackage", "write_lines_geojson"]

Floats = npt.NDArray[np.float64]

DEGREE_DECIMALS, METRE_DECIMALS = 9, 3
"""Decimals of longitudes and latitudes (0.1 mm) and of elevations."""

LINE_Z, POINT_Z = 1002, 1001
"""Geometry codes of ISO well-known binary."""

UNDEFINED_CARTESIAN = -1
"""GeoPackage's own number for coordinates in no stated system."""

OGC_ROWS = (
    ("Undefined cartesian SRS", -1, "NONE", -1, "undefined", "undefined Cartesian coordinates"),
    ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic coordinates"),
)
"""Rows that every GeoPackage must have (OGC 12-128, requirement 11), with WGS 84 besides."""

SCHEMA = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL,
  geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""


def write_geojson(model: Model, path: Path) -> None:
    """Write holes and structures as one FeatureCollection.

    Raises
    ------
    DataProblem
        When the project states no CRS, or one that PROJ doesn't know.
    """
    to_globe = _to_globe(model.crs)
    features = [*_lines(model, to_globe), *_points(model, to_globe)]
    collection = {"type": "FeatureCollection", "name": model.name, "features": features}
    _write_collection(collection, path)


def write_lines_geojson(lines: Sequence[Contour], path: Path, name: str, crs: str) -> None:
    """Write structure contours, each with its elevation as a property too."""
    to_globe = _to_globe(crs)
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": _globe(line.points, to_globe)},
            "properties": {"surface": name.removeprefix("contours "), "elevation": line.elevation},
        }
        for line in lines
    ]
    _write_collection({"type": "FeatureCollection", "name": name, "features": features}, path)


def _write_collection(collection: dict[str, Any], path: Path) -> None:
    with replacing(path) as partial:
        partial.write_text(json.dumps(collection, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def _to_globe(crs: str) -> pyproj.Transformer:
    if not crs:
        hint = "state crs under [frame] in project.toml, or write a .gpkg or .dxf, which keep eastings and northings"
        raise DataProblem("GeoJSON holds longitudes and latitudes, and the project states no CRS", hint=hint)
    return pyproj.Transformer.from_crs(_crs(crs), "EPSG:4326", always_xy=True)


def _crs(text: str) -> pyproj.CRS:
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as problem:
        raise DataProblem("PROJ doesn't know this CRS", file="project.toml", column="crs", value=text) from problem


def _globe(points: Floats, to_globe: pyproj.Transformer) -> list[list[float]]:
    longitude, latitude = to_globe.transform(points[:, 0], points[:, 1])
    flat = np.round(np.column_stack([longitude, latitude]), DEGREE_DECIMALS)
    return [
        [*place, height]
        for place, height in zip(flat.tolist(), points[:, 2].round(METRE_DECIMALS).tolist(), strict=True)
    ]


def _lines(model: Model, to_globe: pyproj.Transformer) -> Iterator[dict[str, Any]]:
    place = _globe(model.holes.position, to_globe)
    ends = model.holes.offsets.tolist()
    for first, last, row in zip(ends[:-1], ends[1:], _records(model.holes.table), strict=True):
        geometry = {"type": "LineString", "coordinates": place[first:last]}
        yield {"type": "Feature", "geometry": geometry, "properties": {"layer": "holes", **row}}


def _points(model: Model, to_globe: pyproj.Transformer) -> Iterator[dict[str, Any]]:
    table, position = model.placed
    for place, row in zip(_globe(position, to_globe), _records(table), strict=True):
        geometry = {"type": "Point", "coordinates": place}
        yield {"type": "Feature", "geometry": geometry, "properties": {"layer": "structures", **row}}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows as dictionaries of what JSON and SQLite know; what is missing is None, dates are ISO text."""
    out = {}
    for name in frame.columns:
        column = frame[name]
        if column.dtype.kind == "M":
            column = column.dt.strftime("%Y-%m-%d")
        elif column.dtype.kind == "f":
            column = column.round(6)
        out[str(name)] = column.astype(object).where(column.notna(), None).tolist()
    return [dict(zip(out, values, strict=True)) for values in zip(*out.values(), strict=True)] if out else []


# ---------------------------------------------------------------------------------------------------------- GeoPackage


def write_geopackage(model: Model, path: Path) -> None:
    """Write holes, structures and their tables as layers of one GeoPackage."""
    ends = model.holes.offsets.tolist()
    position = model.holes.position
    lines = [position[first:last] for first, last in itertools.pairwise(ends)]
    table, places = model.placed
    points = list(places[:, None, :])
    with replacing(path) as partial:
        partial.unlink()  # SQLite wants to make the file itself
        with closing(sqlite3.connect(partial)) as file, file:
            file.executescript("PRAGMA application_id = 0x47504B47; PRAGMA user_version = 10300;" + SCHEMA)
            number = _add_systems(file, model.crs)
            _add_layer(file, ("holes", "LINESTRING", LINE_Z), lines, model.holes.table, number)
            _add_layer(file, ("structures", "POINT", POINT_Z), points, table, number)


def _add_systems(file: sqlite3.Connection, crs: str) -> int:
    """Write the coordinate systems and return the number of the project's own."""
    globe = pyproj.CRS.from_epsg(4326)
    rows = [*OGC_ROWS, ("WGS 84", 4326, "EPSG", 4326, globe.to_wkt("WKT1_GDAL"), "longitude and latitude")]
    number = UNDEFINED_CARTESIAN
    if crs:
        own = _crs(crs)
        authority, code = own.to_authority() or ("NONE", "100000")
        number = int(code) if code.isdigit() else 100000
        if number != 4326:
            rows.append((own.name, number, authority, number, own.to_wkt("WKT1_GDAL"), own.name))
    file.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", rows)
    return number


def _add_layer(
    file: sqlite3.Connection, layer: tuple[str, str, int], shapes: list[Floats], table: pd.DataFrame, srs: int
) -> None:
    """Write one layer: its table of features and what GeoPackage wants to know of it."""
    name, shape, code = layer
    columns = {str(column): _sql_type(table[column]) for column in table.columns}
    listed = "".join(f", {_quoted(column)} {kind}" for column, kind in columns.items())
    file.execute(f"CREATE TABLE {name} (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {shape}{listed})")
    places = ", ".join("?" * (1 + len(columns)))
    names = ", ".join(["geom", *(_quoted(column) for column in columns)])
    rows = ((_blob(points, code, srs), *row.values()) for points, row in zip(shapes, _records(table), strict=True))
    file.executemany(f"INSERT INTO {name} ({names}) VALUES ({places})", rows)
    low, high = _bounds(shapes)
    file.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, min_x, min_y, max_x, max_y, srs_id)"
        " VALUES (?, 'features', ?, ?, ?, ?, ?, ?)",
        (name, name, *low, *high, srs),
    )
    file.execute("INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 1, 0)", (name, shape, srs))


def _bounds(shapes: Iterable[Floats]) -> tuple[list[float | None], list[float | None]]:
    points = [shape for shape in shapes if len(shape)]
    if not points:
        return [None, None], [None, None]
    flat = np.concatenate(points)[:, :2]
    return flat.min(axis=0).tolist(), flat.max(axis=0).tolist()


def _quoted(column: str) -> str:
    return '"' + column.replace('"', '""') + '"'


def _sql_type(column: pd.Series) -> str:
    return {"f": "DOUBLE", "i": "INTEGER", "u": "INTEGER", "b": "BOOLEAN", "M": "DATE"}.get(column.dtype.kind, "TEXT")


def _blob(points: Floats, code: int, srs: int) -> bytes:
    """Return a geometry as GeoPackage's binary: its header without an envelope, then ISO well-known binary."""
    head = struct.pack("<2sBBi", b"GP", 0, 0b00000001, srs) + struct.pack("<BI", 1, code)
    count = struct.pack("<I", len(points)) if code == LINE_Z else b""
    return head + count + np.ascontiguousarray(points, dtype="<f8").tobytes()
