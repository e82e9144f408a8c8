"""DXF (release 2010) through ezdxf: holes as 3D polylines, structures and surfaces as 3DFACEs, a layer for each.

Each hole and each face of a disc carries its row as extended data under the name LOWSIDE. The CRS and the unit stand in
the drawing's custom properties and in $INSUNITS.
"""

from __future__ import annotations

import importlib
import itertools
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.exchange.model import Model, disc_corners
from desurvey.exchange.omf import INSTALL
from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from desurvey.surface.mesh import Mesh

__all__ = ["write_dxf", "write_lines_dxf", "write_mesh_dxf"]

Floats = npt.NDArray[np.float64]

SIDES = 12
METRES = 6
"""$INSUNITS: metres."""
APP = "LOWSIDE"
LONGEST = 250
"""Bytes of one string of extended data: DXF allows 255."""
COLOURS = {"holes": 7, "planned holes": 8, "structures fault": 30}
"""Colours by the drawing's own numbered palette; the other layers take the next numbers in order."""


def write_dxf(model: Model, path: Path) -> None:
    """Write holes, structures and surfaces."""
    drawing = _new(model.crs)
    space = drawing.modelspace()
    position = model.holes.position
    rows = _rows(model.holes.table, ["hole_id", "depth", "core_size", "date"])
    planned = (model.holes.table["status"] == "planned").tolist()
    for (first, last), row, plan in zip(itertools.pairwise(model.holes.offsets.tolist()), rows, planned, strict=True):
        layer = _layer(drawing, "planned holes" if plan else "holes")
        space.add_polyline3d(position[first:last].tolist(), dxfattribs={"layer": layer}).set_xdata(APP, row)
    named = ["structure_id", "hole_id", "depth", "dip", "dip_direction", "pole_sigma"]
    kinds = model.discs.table["kind"].fillna("").astype(str).tolist() if len(model.discs.table) else []
    rows = _rows(model.discs.table, named) if kinds else []
    for corners, kind, row in zip(disc_corners(model.discs, SIDES).tolist(), kinds, rows, strict=True):
        layer = _layer(drawing, f"structures {kind or 'no kind'}")
        for second in range(1, SIDES - 2, 2):  # a fan of quadrilaterals from the first corner
            face = [corners[0], *corners[second : second + 3]]
            space.add_3dface(face, dxfattribs={"layer": layer}).set_xdata(APP, row)
    for name, mesh in model.meshes.items():
        _add_mesh(drawing, mesh, f"fault {name}")
    _save(drawing, path)


def write_mesh_dxf(mesh: Mesh, path: Path, name: str, crs: str = "") -> None:
    """Write one surface."""
    drawing = _new(crs)
    _add_mesh(drawing, mesh, name)
    _save(drawing, path)


def write_lines_dxf(lines: Sequence[Floats], path: Path, name: str, crs: str = "") -> None:
    """Write lines, (n, 3) points each, as 3D polylines on one layer."""
    drawing = _new(crs)
    layer = _layer(drawing, name)
    for points in lines:
        drawing.modelspace().add_polyline3d(points.tolist(), dxfattribs={"layer": layer})
    _save(drawing, path)


def _new(crs: str) -> Any:
    try:
        ezdxf: Any = importlib.import_module("ezdxf")  # an extra
    except ImportError as problem:
        raise DataProblem("writing .dxf needs the library 'ezdxf'", hint=INSTALL) from problem
    drawing = ezdxf.new("R2010", units=METRES)
    drawing.appids.new(APP)
    drawing.header.custom_vars.append("CRS", crs or "not stated")
    drawing.header.custom_vars.append("Units", "metres; X easting, Y northing, Z elevation")
    return drawing


def _layer(drawing: Any, name: str) -> str:
    """Return the name of a layer as DXF allows it, made when it isn't there yet."""
    allowed = re.sub(r'[<>/\\":;?*|=`,]', "_", name)
    if allowed not in drawing.layers:
        drawing.layers.add(allowed, color=COLOURS.get(name, 1 + len(drawing.layers) % 6))
    return allowed


def _rows(table: pd.DataFrame, names: list[str]) -> list[list[tuple[int, str]]]:
    """Return rows as extended data: one string ``name=value`` for each value that is there."""
    columns = [name for name in names if name in table.columns]
    out = []
    for values in table[columns].itertuples(index=False):
        given = [(name, value) for name, value in zip(columns, values, strict=True) if not pd.isna(value)]
        texts = [f"{name}={value:.6g}" if isinstance(value, float) else f"{name}={value}" for name, value in given]
        out.append([(1000, text.encode()[:LONGEST].decode(errors="ignore")) for text in texts])
    return out


def _add_mesh(drawing: Any, mesh: Mesh, name: str) -> None:
    layer = _layer(drawing, name)
    space = drawing.modelspace()
    for triangle in mesh.corners.tolist():
        space.add_3dface(triangle, dxfattribs={"layer": layer})


def _save(drawing: Any, path: Path) -> None:
    with replacing(path) as partial:
        drawing.saveas(partial)
