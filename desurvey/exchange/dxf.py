"""DXF (release 2010) through ezdxf: holes as 3D polylines, structures and surfaces as 3DFACEs, a layer for each.

Structures lie on a layer for their kind, picks of a fault on the fault's; those without orientation are points. Names
of holes stand as text at collars and ends. Each hole, and each face of a disc, carries its row as extended data under
the name LOWSIDE. The CRS and the unit stand in the drawing's custom properties and in $INSUNITS.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.exchange.formats import library
from desurvey.exchange.model import Model, disc_corners
from desurvey.outputs import replacing
from desurvey.surface import Contour
from desurvey.surface.mesh import Mesh

__all__ = ["write_dxf", "write_lines_dxf", "write_mesh_dxf"]

Floats = npt.NDArray[np.float64]

SIDES = 12
METRES = 6
"""$INSUNITS: metres."""
APP = "LOWSIDE"
LONGEST = 250
"""Bytes of one string of extended data: DXF allows 255."""
COLOURS = {"holes": 7, "planned holes": 8, "structures fault": 30, "names at collars": 7, "names at ends": 8}
"""Colours by the drawing's own numbered palette; the other layers take the next numbers in order."""
LETTER_SHARE = 0.006
"""Height of a hole's name as a share of the drawing's extent (own choice): 2 mm where the extent fills A3."""
NAMED = ["structure_id", "hole_id", "depth", "kind", "dip", "dip_direction", "pole_sigma", "why_not", "fault_id"]
"""What extended data say of a structure."""


def write_dxf(model: Model, path: Path) -> None:
    """Write holes with their names, structures and surfaces."""
    drawing = _new(model.crs)
    extent = [model.holes.position, model.points.position, *(mesh.vertices for mesh in model.meshes.values())]
    low, high = _extents(drawing, np.concatenate([*extent, disc_corners(model.discs, SIDES).reshape(-1, 3)]))
    _add_holes(drawing, model, LETTER_SHARE * float(np.linalg.norm((high - low)[:2])))
    _add_structures(drawing, model)
    for name, mesh in model.meshes.items():
        _add_mesh(drawing, mesh, f"fault {name}")
    _save(drawing, path)


def _add_holes(drawing: Any, model: Model, letters: float) -> None:
    space = drawing.modelspace()
    position = model.holes.position
    rows = _rows(model.holes.table, ["hole_id", "depth", "core_size", "date"])
    names = model.holes.table["hole_id"].astype(str).tolist()
    planned = (model.holes.table["status"] == "planned").tolist()
    ends = itertools.pairwise(model.holes.offsets.tolist())
    for (first, last), row, name, plan in zip(ends, rows, names, planned, strict=True):
        layer = _layer(drawing, "planned holes" if plan else "holes")
        space.add_polyline3d(position[first:last].tolist(), dxfattribs={"layer": layer}).set_xdata(APP, row)
        for what, point in (("collars", position[first]), ("ends", position[last - 1])):
            attributes = {"layer": _layer(drawing, f"names at {what}"), "height": max(letters, 0.1)}
            space.add_text(name, dxfattribs=attributes).set_placement(point.tolist())


def _add_structures(drawing: Any, model: Model) -> None:
    """Add discs as faces and the rest as points, on a layer for their kind, picks of a fault on the fault's."""
    space = drawing.modelspace()
    discs, points = (_with_fault(model, table) for table in (model.discs.table, model.points.table))
    corners = disc_corners(model.discs, SIDES).tolist()
    for corner, name, row in zip(corners, _layer_names(discs), _rows(discs, NAMED), strict=True):
        layer = _layer(drawing, name)
        for second in range(1, SIDES - 2, 2):  # a fan of quadrilaterals from the first corner
            face = [corner[0], *corner[second : second + 3]]
            space.add_3dface(face, dxfattribs={"layer": layer}).set_xdata(APP, row)
    places = model.points.position.tolist()
    for place, name, row in zip(places, _layer_names(points), _rows(points, NAMED), strict=True):
        layer = _layer(drawing, f"{name} not oriented")
        space.add_point(place, dxfattribs={"layer": layer}).set_xdata(APP, row)


def _with_fault(model: Model, table: pd.DataFrame) -> pd.DataFrame:
    """Return structures with the fault that the line-up gives each pick, blank for the others."""
    picks = model.tables.get("picks")
    if picks is None or not len(table):
        return table.assign(fault_id="")
    fault = picks.drop_duplicates("structure_id").set_index("structure_id")["fault_id"]
    return table.assign(fault_id=table["structure_id"].map(fault).fillna("").astype(str))


def _layer_names(table: pd.DataFrame) -> list[str]:
    if not len(table):
        return []
    kinds, faults = table["kind"].fillna("").astype(str).tolist(), table["fault_id"].tolist()
    return [f"structures {kind or 'no kind'} {fault}".strip() for kind, fault in zip(kinds, faults, strict=True)]


def write_mesh_dxf(mesh: Mesh, path: Path, name: str, crs: str = "") -> None:
    """Write one surface."""
    drawing = _new(crs)
    _extents(drawing, mesh.vertices)
    _add_mesh(drawing, mesh, name)
    _save(drawing, path)


def write_lines_dxf(lines: Sequence[Contour], path: Path, name: str, crs: str = "") -> None:
    """Write structure contours as 3D polylines on one layer."""
    drawing = _new(crs)
    _extents(drawing, np.concatenate([np.zeros((0, 3)), *(line.points for line in lines)]))
    layer = _layer(drawing, name)
    for line in lines:
        drawing.modelspace().add_polyline3d(line.points.tolist(), dxfattribs={"layer": layer})
    _save(drawing, path)


def _new(crs: str) -> Any:
    ezdxf = library("ezdxf", ".dxf")
    drawing = ezdxf.new("R2010", units=METRES)
    drawing.appids.new(APP)
    drawing.header.custom_vars.append("CRS", crs or "not stated")
    drawing.header.custom_vars.append("Units", "metres; X easting, Y northing, Z elevation")
    return drawing


def _extents(drawing: Any, points: Floats) -> tuple[Floats, Floats]:
    """Say what the drawing spans, and let it open on that; return the lowest and the highest coordinates."""
    if not len(points):
        return np.zeros(3), np.zeros(3)
    low, high = points.min(axis=0), points.max(axis=0)
    drawing.modelspace().reset_extents(low.tolist(), high.tolist())
    drawing.header["$EXTMIN"], drawing.header["$EXTMAX"] = low.tolist(), high.tolist()
    middle = (0.5 * (low + high))[:2].tolist()
    drawing.set_modelspace_vport(height=1.1 * float((high - low).max() or 1.0), center=middle)
    return low, high


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
