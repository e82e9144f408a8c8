"""The Open Mining Format (OMF 1.0) through its own library: holes as a line set, structures as a point set and discs.

The library (the extra ``formats``) is imported when it is asked for, with its deprecation warnings silenced: it rests
on older libraries that NumPy 2 warns about. OMF has no field for a CRS: it stands in the project's description.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.exchange.formats import library
from desurvey.exchange.model import Discs, Holes, Model, disc_corners, fan
from desurvey.outputs import replacing
from desurvey.surface.mesh import Mesh

__all__ = ["open_mining_format", "write_omf"]

SIDES = 12


@contextmanager
def open_mining_format() -> Iterator[Any]:
    """Give the library, with the deprecation warnings of what it rests on silenced while it is used.

    Raises
    ------
    DataProblem
        When it isn't installed.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        yield library("omf", ".omf")


def write_omf(model: Model, path: Path) -> None:
    """Write holes, structures and surfaces."""
    with open_mining_format() as omf:
        project = omf.Project(
            name=model.name,
            description=f"Coordinate reference system: {model.crs or 'not stated'}. Written by lowside.",
            units="m",
        )
        project.elements = [
            *([_holes(omf, model.holes)] if len(model.holes.table) else []),
            *([_points(omf, *model.placed)] if len(model.placed[0]) else []),
            *([_discs(omf, model.discs)] if len(model.discs.table) else []),
            *(_fault(omf, name, mesh) for name, mesh in model.meshes.items()),
        ]
        with replacing(path) as partial:
            omf.OMFWriter(project, str(partial))


def _holes(omf: Any, holes: Holes) -> Any:
    segments = holes.segments
    hole = holes.hole_of_point[segments[:, 0]]
    own = [_data(omf, name, holes.table[name].iloc[hole], "segments") for name in ("hole_id", "status")]
    along = [_data(omf, name, holes.points[name], "vertices") for name in ("depth", "azimuth", "dip", "dogleg_30m")]
    return omf.LineSetElement(
        name="holes",
        geometry=omf.LineSetGeometry(vertices=holes.position, segments=segments),
        data=own + along,
        subtype="borehole",
    )


def _points(omf: Any, table: pd.DataFrame, position: npt.NDArray[Any]) -> Any:
    return omf.PointSetElement(
        name="structures",
        geometry=omf.PointSetGeometry(vertices=position),
        data=[_data(omf, str(name), table[name], "vertices") for name in table.columns],
    )


def _discs(omf: Any, discs: Discs) -> Any:
    element = _surface(omf, "discs", disc_corners(discs, SIDES).reshape(-1, 3), fan(len(discs.table), SIDES))
    faces = discs.table.iloc[np.repeat(np.arange(len(discs.table)), SIDES - 2)]
    element.data = [_data(omf, name, faces[name], "faces") for name in ("structure_id", "hole_id", "kind")]
    return element


def _fault(omf: Any, name: str, mesh: Mesh) -> Any:
    """Return a fault's surface with its 1-σ at the vertices."""
    element = _surface(omf, f"fault {name}", mesh.vertices, mesh.triangles)
    element.data = [_data(omf, "sigma", pd.Series(mesh.sigma), "vertices")]
    return element


def _surface(omf: Any, name: str, vertices: npt.NDArray[Any], triangles: npt.NDArray[Any]) -> Any:
    geometry = omf.SurfaceGeometry(vertices=np.array(vertices), triangles=np.array(triangles))
    return omf.SurfaceElement(name=name, geometry=geometry)


def _data(omf: Any, name: str, column: pd.Series, location: str) -> Any:
    """Return a column as OMF's numbers or text."""
    if column.dtype.kind in "iufb":
        return omf.ScalarData(name=name, array=column.to_numpy(dtype=float), location=location)
    if column.dtype.kind == "M":
        column = column.dt.strftime("%Y-%m-%d")
    text = column.astype(object).where(column.notna(), "").astype(str).tolist()
    return omf.StringData(name=name, array=text, location=location)
