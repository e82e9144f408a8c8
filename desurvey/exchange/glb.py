"""Binary glTF 2.0 (``.glb``): holes as lines, discs and surfaces as triangles.

glTF has no coordinate system of the earth, holds coordinates as float32 and has y up. So positions are relative to an
origin that is written, with the CRS and the unit, into ``asset.extras``, and turned from (E, N, U) to (E, U, −N).

Reference
---------
Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022), sections 3 and 4.4 (the binary container).
"""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from desurvey.exchange.model import Model, disc_corners, fan
from desurvey.outputs import replacing
from desurvey.surface.mesh import Mesh

__all__ = ["write_glb", "write_mesh_glb"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ARRAY_BUFFER, ELEMENT_BUFFER = 34962, 34963
FLOAT, UNSIGNED_INT = 5126, 5125
LINES, TRIANGLES = 1, 4
COLOURS = {"holes": (0.10, 0.12, 0.14), "fault": (0.84, 0.37, 0.0), "": (0.0, 0.45, 0.70)}
"""Base colours of layers, by the first word of their names (Okabe-Ito)."""
SIDES = 16


class _Buffer:
    """The binary part of the file as it grows, with the accessors into it."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.views: list[dict[str, int]] = []
        self.accessors: list[dict[str, Any]] = []

    def add(self, values: npt.NDArray[Any], target: int) -> int:
        """Append an array and return the number of its accessor."""
        floats = values.dtype.kind == "f"
        raw = np.ascontiguousarray(values, dtype="<f4" if floats else "<u4")
        self.views.append({"buffer": 0, "byteOffset": len(self.data), "byteLength": raw.nbytes, "target": target})
        self.data += raw.tobytes()
        accessor: dict[str, Any] = {
            "bufferView": len(self.views) - 1,
            "componentType": FLOAT if floats else UNSIGNED_INT,
            "count": len(raw),
            "type": "VEC3" if raw.ndim == 2 else "SCALAR",
        }
        if raw.ndim == 2:
            accessor |= {"min": raw.min(axis=0).tolist(), "max": raw.max(axis=0).tolist()}
        self.accessors.append(accessor)
        return len(self.accessors) - 1


def write_glb(model: Model, path: Path) -> None:
    """Write a model, one node a layer: holes, each kind of structure, each surface."""
    layers: dict[str, tuple[Floats, Ints, int]] = {}
    if len(model.holes.table):
        layers["holes"] = (model.holes.position, model.holes.segments, LINES)
    kinds = model.discs.table["kind"].fillna("").astype(str).to_numpy() if len(model.discs.table) else np.array([])
    corners = disc_corners(model.discs, SIDES)
    for kind in sorted(set(kinds.tolist())):
        own = corners[kinds == kind]
        layers[f"{kind or 'no kind'} discs"] = (own.reshape(-1, 3), fan(len(own), SIDES), TRIANGLES)
    for name, mesh in model.meshes.items():
        layers[f"fault {name}"] = (mesh.vertices, mesh.triangles, TRIANGLES)
    _write(layers, path, model.name, model.crs)


def write_mesh_glb(mesh: Mesh, path: Path, name: str, crs: str = "") -> None:
    """Write one surface."""
    _write({name: (mesh.vertices, mesh.triangles, TRIANGLES)}, path, name, crs)


def _write(layers: dict[str, tuple[Floats, Ints, int]], path: Path, name: str, crs: str) -> None:
    points = [positions for positions, _, _ in layers.values() if len(positions)]
    origin = np.floor(np.concatenate(points).min(axis=0)) if points else np.zeros(3)
    buffer = _Buffer()
    document: dict[str, Any] = {"meshes": [], "nodes": [], "materials": []}
    for layer, (positions, rows, mode) in layers.items():
        if not len(rows):
            continue
        number = len(document["meshes"])
        primitive = {
            "attributes": {"POSITION": buffer.add(_turned(positions - origin), ARRAY_BUFFER)},
            "indices": buffer.add(rows.ravel().astype(np.uint32), ELEMENT_BUFFER),
            "mode": mode,
            "material": number,
        }
        document["meshes"].append({"name": layer, "primitives": [primitive]})
        document["nodes"].append({"name": layer, "mesh": number})
        document["materials"].append(_material(layer))
    document |= {
        "asset": {
            "version": "2.0",
            "generator": "lowside",
            "extras": {"project": name, "crs": crs, "units": "m", "origin_e_n_u": origin.tolist()},
        },
        "scene": 0,
        "scenes": [{"name": name, "nodes": list(range(len(document["nodes"])))}],
        "buffers": [{"byteLength": len(buffer.data)}],
        "bufferViews": buffer.views,
        "accessors": buffer.accessors,
    }
    with replacing(path) as partial:
        partial.write_bytes(_container(_without_empty(document), bytes(buffer.data)))


def _turned(positions: Floats) -> Floats:
    """Return (E, N, U) as glTF's (x, y up, z towards the onlooker)."""
    return np.asarray(positions[:, [0, 2, 1]] * np.array([1.0, 1.0, -1.0]))


def _material(layer: str) -> dict[str, Any]:
    colour = COLOURS.get(layer.split(maxsplit=1)[0], COLOURS[""])
    return {
        "name": layer,
        "doubleSided": True,
        "pbrMetallicRoughness": {"baseColorFactor": [*colour, 1.0], "metallicFactor": 0.0, "roughnessFactor": 0.8},
    }


def _without_empty(document: dict[str, Any]) -> dict[str, Any]:
    """Return the document without empty lists, which glTF forbids, and without an empty buffer."""
    out = {key: value for key, value in document.items() if value != []}
    if not document["bufferViews"]:
        del out["buffers"]
        out["scenes"] = [{"name": document["scenes"][0]["name"]}]
    return out


def _container(document: dict[str, Any], binary: bytes) -> bytes:
    """Return the two chunks in their container, each padded to four bytes."""
    text = json.dumps(document, separators=(",", ":"), ensure_ascii=False).encode()
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text
    if binary:
        chunks += struct.pack("<I4s", len(binary), b"BIN\0") + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks
