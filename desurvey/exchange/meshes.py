"""Meshes without a library: Wavefront OBJ, STL and PLY.

None of them carries a CRS or a unit; OBJ and PLY say them in a comment. STL holds float32, so its coordinates are
relative to an origin that its header and a file beside it name. OBJ has a colour at each vertex (``v x y z r g b``), as
general-purpose readers take it; there is no standard for that.

References
----------
Wavefront OBJ and the binary STL as general-purpose readers have them (no standard); PLY after Turk (1994), version 1.0.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from desurvey.exchange.formats import Written
from desurvey.exchange.model import SURFACES, Layer, Model, layers_of
from desurvey.outputs import replacing
from desurvey.surface.mesh import Mesh

__all__ = ["write_model_obj", "write_obj", "write_ply", "write_stl"]

SIDES = 16
ELEMENTS = {1: "p", 2: "l", 3: "f"}
"""Corners of a cell → how OBJ calls it."""


def write_obj(mesh: Mesh, path: Path, name: str, crs: str) -> None:
    """Write one surface as OBJ."""
    _write_layers([Layer(name, mesh.vertices, mesh.triangles, SURFACES)], path, name, crs)


def write_model_obj(model: Model, path: Path) -> None:
    """Write holes as lines, discs and surfaces as triangles, structures without a plane as points; an object each."""
    _write_layers(layers_of(model, SIDES), path, model.name, model.crs)


def _write_layers(layers: Sequence[Layer], path: Path, name: str, crs: str) -> None:
    lines, first = [f"# {name}; easting, northing, elevation in metres; CRS {crs or 'not stated'}"], 1
    for layer in layers:
        colour = " ".join(f"{int(layer.colour[place : place + 2], 16) / 255.0:.3f}" for place in (1, 3, 5))
        lines.append(f"o {layer.name}")
        lines += [f"v {x:.6f} {y:.6f} {z:.6f} {colour}" for x, y, z in layer.positions.tolist()]
        element = ELEMENTS[layer.cells.shape[1]]
        lines += [" ".join([element, *map(str, cell)]) for cell in (layer.cells + first).tolist()]
        first += len(layer.positions)
    with replacing(path) as partial:
        partial.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_stl(mesh: Mesh, path: Path, name: str, crs: str) -> Written:
    """Write one surface as binary STL, relative to an origin near it."""
    origin = np.floor(mesh.vertices.min(axis=0)) if len(mesh.vertices) else np.zeros(3)
    corners = mesh.corners - origin
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    facets = np.zeros(len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("extra", "<u2")])
    facets["normal"] = normal / np.where(size > 0.0, size, 1.0)
    facets["corners"] = corners
    header = f"lowside; metres from {origin[0]:.0f} E {origin[1]:.0f} N {origin[2]:.0f}".encode("ascii", "replace")
    with replacing(path) as partial:
        partial.write_bytes(header[:80].ljust(80) + np.uint32(len(facets)).tobytes() + facets.tobytes())
    return Written(origin)


def write_ply(mesh: Mesh, path: Path, name: str, crs: str) -> None:
    """Write one surface as binary PLY, with σ at its vertices."""
    header = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment {name}; easting, northing, elevation in metres; CRS {crs or 'not stated'}",
        f"element vertex {len(mesh.vertices)}",
        *(f"property double {axis}" for axis in "xyz"),
        "property double sigma",
        f"element face {len(mesh.triangles)}",
        "property list uchar int vertex_indices",
        "end_header\n",
    ]
    faces = np.zeros(len(mesh.triangles), dtype=[("count", "u1"), ("rows", "<i4", 3)])
    faces["count"], faces["rows"] = 3, mesh.triangles
    points = np.column_stack([mesh.vertices, mesh.sigma]).astype("<f8")
    with replacing(path) as partial:
        partial.write_bytes("\n".join(header).encode() + points.tobytes() + faces.tobytes())
