"""One surface as a file: vtp, obj, stl, ply, dxf or glb by the ending of its name.

OBJ, STL and PLY carry neither CRS nor unit; OBJ and PLY say them in a comment. STL holds float32, so its coordinates
are relative to an origin that its header names.

References
----------
Wavefront OBJ and the binary STL as general-purpose readers have them (no standard); PLY after Turk (1994), version 1.0.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from desurvey.exchange.dxf import write_mesh_dxf
from desurvey.exchange.glb import write_mesh_glb
from desurvey.exchange.vtkxml import mesh_piece, write_piece
from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from desurvey.surface.mesh import Mesh

__all__ = ["MESH_ENDINGS", "check_ending", "write_mesh"]


def write_mesh(mesh: Mesh, path: Path | str, *, name: str, crs: str = "") -> None:
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

    Raises
    ------
    DataProblem
        For another ending, a missing library, or when the file can't be written.
    """
    path = Path(path)
    check_ending(path)
    MESH_ENDINGS[path.suffix.lower()](mesh, path, name, crs)


def check_ending(path: Path) -> None:
    """Raise a DataProblem when a surface can't be written under that name."""
    if path.suffix.lower() not in MESH_ENDINGS:
        known = ", ".join(MESH_ENDINGS)
        raise DataProblem(f"a surface is written as {known}", file=str(path), value=path.suffix or "no ending")


def _write_vtp(mesh: Mesh, path: Path, name: str, crs: str) -> None:
    write_piece(mesh_piece(mesh), path, crs)


def _write_obj(mesh: Mesh, path: Path, name: str, crs: str) -> None:
    lines = [f"# {name}; easting, northing, elevation in metres; CRS {crs or 'not stated'}", f"o {name}"]
    lines += [f"v {x:.6f} {y:.6f} {z:.6f}" for x, y, z in mesh.vertices.tolist()]
    lines += [f"f {a} {b} {c}" for a, b, c in (mesh.triangles + 1).tolist()]
    with replacing(path) as partial:
        partial.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _write_stl(mesh: Mesh, path: Path, name: str, crs: str) -> None:
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


def _write_ply(mesh: Mesh, path: Path, name: str, crs: str) -> None:
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


MESH_ENDINGS: dict[str, Callable[[Mesh, Path, str, str], None]] = {
    ".vtp": _write_vtp,
    ".obj": _write_obj,
    ".stl": _write_stl,
    ".ply": _write_ply,
    ".dxf": write_mesh_dxf,
    ".glb": write_mesh_glb,
}
"""The formats of a surface, by ending."""
