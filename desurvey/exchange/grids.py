"""GeoTIFF through rasterio: elevation and σ of a surface on a grid of squares, north up.

A grid has one elevation a place. Where a surface folds over itself, or stands upright, the highest sheet is kept, and
that is said.

Reference
---------
OGC 19-008r4, GeoTIFF 1.1. Inside a triangle values are linear (barycentric coordinates).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from desurvey.exchange.formats import Written, library
from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from desurvey.surface.mesh import Mesh

__all__ = ["write_geotiff"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_CELLS = 1000
"""Cells along the longer side at most (own choice)."""
ROUND = (1.0, 2.0, 5.0, 10.0)
SAME_M = 1e-6
"""Metres within which two triangles have the same elevation: neighbours along their edge."""
NO_DATA = -9999.0


def write_geotiff(mesh: Mesh, path: Path, name: str, crs: str) -> Written:
    """Write elevation (band 1) and σ (band 2) of a surface, float64, in cells of a round size.

    Raises
    ------
    DataProblem
        When the surface covers no cell: it is empty, or stands upright.
    """
    rasterio = library("rasterio", ".tif")
    size = _cell(mesh)
    low = np.floor(mesh.vertices[:, :2].min(axis=0) / size) * size if len(mesh.vertices) else np.zeros(2)
    columns, rows = (np.ceil((mesh.vertices[:, :2].max(axis=0) - low) / size).astype(int) + 1).tolist()
    bands, folded = _gridded(mesh, low, size, (rows, columns))
    if not np.isfinite(bands[0]).any():
        raise DataProblem("a surface that stands upright covers no cell of a grid", value=name, hint="write it as .vtp")
    place = rasterio.Affine(size, 0.0, low[0], 0.0, -size, low[1] + rows * size)  # from the upper left corner
    profile = {"driver": "GTiff", "width": columns, "height": rows, "count": 2, "dtype": "float64", "nodata": NO_DATA}
    try:
        with (
            replacing(path) as partial,
            rasterio.open(partial, "w", transform=place, crs=crs or None, compress="deflate", **profile) as file,
        ):
            file.write(np.nan_to_num(bands[:, ::-1], nan=NO_DATA))
            file.descriptions, file.units = (f"elevation of {name}", f"1-sigma of {name}"), ("m", "m")
    except rasterio.errors.CRSError as problem:
        raise DataProblem("this CRS isn't known", file="project.toml", column="crs", value=crs) from problem
    said = f"{columns} × {rows} cells of {size:g} m"
    more = (f"{folded:,} cells are met more than once: the highest elevation is kept",) if folded else ()
    return Written(said=(said, *more))


def _cell(mesh: Mesh) -> float:
    """Return a round size of cells: half the usual edge of the triangles, and not too many cells."""
    flat = mesh.corners[:, :, :2]
    edges = np.linalg.norm(flat - np.roll(flat, 1, axis=1), axis=2)
    span = float(np.ptp(mesh.vertices[:, :2], axis=0).max()) if len(mesh.vertices) else 1.0
    least = max(0.5 * float(np.median(edges)) if edges.size else 1.0, span / MOST_CELLS, 0.01)
    power = 10.0 ** np.floor(np.log10(least))
    return float(next(step * power for step in ROUND if step * power >= least * (1 - 1e-9)))


def _gridded(mesh: Mesh, low: Floats, size: float, shape: tuple[int, int]) -> tuple[Floats, int]:
    """Return elevation and σ at the centres of cells, (2, rows, columns) from the south, and how many are met again."""
    corners = (mesh.corners[:, :, :2] - low) / size - 0.5  # cell centres at whole numbers
    triangle, column, row = _candidates(corners)
    a, b, c = (corners[triangle, corner] for corner in range(3))
    point = np.column_stack([column, row]).astype(float)
    area = _cross(b - a, c - a)
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = np.column_stack(
            [_cross(b - point, c - point), _cross(c - point, a - point), _cross(a - point, b - point)]
        )
        weights /= area[:, None]
    inside = (weights >= -1e-9).all(axis=1)  # NaN, of an upright triangle, is never inside
    weights, triangle, cell = weights[inside], triangle[inside], (row * shape[1] + column)[inside]
    values = np.stack([mesh.vertices[:, 2], mesh.sigma])
    found = np.einsum("btk,tk->bt", values[:, mesh.triangles[triangle]], weights)
    order = np.lexsort([found[0], cell])  # the highest comes last and stands
    bands = np.full((2, shape[0] * shape[1]), np.nan)
    bands[:, cell[order]] = found[:, order]
    lowest = np.full(shape[0] * shape[1], np.inf)
    np.minimum.at(lowest, cell, found[0])
    folded = int((bands[0] - lowest > SAME_M).sum())
    return bands.reshape(2, *shape), folded


def _candidates(corners: Floats) -> tuple[Ints, Ints, Ints]:
    """Return each triangle with the cells whose centres its bounding box holds: triangle, column and row."""
    first, last = np.ceil(corners.min(axis=1) - 1e-9), np.floor(corners.max(axis=1) + 1e-9)
    counts = np.maximum(last - first + 1, 0).astype(np.int64)
    number = counts[:, 0] * counts[:, 1]
    triangle = np.repeat(np.arange(len(corners)), number)
    within = np.arange(len(triangle)) - np.repeat(np.cumsum(number) - number, number)
    width = np.maximum(counts[triangle, 0], 1)
    column, row = first[triangle].astype(np.int64).T
    return triangle, column + within % width, row + within // width


def _cross(one: Floats, other: Floats) -> Floats:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
