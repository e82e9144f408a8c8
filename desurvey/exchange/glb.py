"""Binary glTF 2.0 (``.glb``): holes as lines, discs and surfaces as triangles, structures without a plane as points.

glTF has no coordinate system of the earth, holds coordinates as float32 and has y up. So positions are relative to an
origin that is written, with the CRS and the unit, into ``asset.extras``, and turned from (E, N, U) to (E, U, −N).

Each corner of a disc names its structure (``_FEATURE_ID_0``), a row of the property table, so that a web map that picks
a disc can say what it is.

References
----------
Khronos Group, glTF 2.0 Specification (ISO/IEC 12113:2022), sections 3 and 4.4 (the binary container); the extensions
EXT_mesh_features and EXT_structural_metadata (Cesium GS, drafts of the glTF repository).
"""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey.exchange.formats import Written
from desurvey.exchange.model import SURFACES, Layer, Model, layers_of
from desurvey.outputs import replacing
from desurvey.surface.mesh import Mesh

__all__ = ["write_glb", "write_mesh_glb"]

Floats = npt.NDArray[np.float64]

ARRAY_BUFFER, ELEMENT_BUFFER = 34962, 34963
FLOAT, UNSIGNED_INT = 5126, 5125
MODES = {1: 0, 2: 1, 3: 4}
"""Corners of a cell → points, lines or triangles."""
SIDES = 16
PROPERTIES = (
    "structure_id", "hole_id", "depth", "kind", "dip", "dip_direction", "pole_sigma", "why_not", "note",
)  # fmt: skip
"""What a picked disc can say."""
NO_DATA = -9999.0


class _Buffer:
    """The binary part of the file as it grows, with the accessors into it."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.views: list[dict[str, int]] = []
        self.accessors: list[dict[str, Any]] = []

    def view(self, raw: bytes, **more: int) -> int:
        """Append bytes and return the number of their view; each starts at a multiple of 8, as property tables want."""
        self.data += bytes(-len(self.data) % 8)
        self.views.append({"buffer": 0, "byteOffset": len(self.data), "byteLength": len(raw), **more})
        self.data += raw
        return len(self.views) - 1

    def add(self, values: npt.NDArray[Any], target: int) -> int:
        """Append an array and return the number of its accessor."""
        floats = values.dtype.kind == "f"
        raw = np.ascontiguousarray(values, dtype="<f4" if floats else "<u4")
        accessor: dict[str, Any] = {
            "bufferView": self.view(raw.tobytes(), target=target),
            "componentType": FLOAT if floats else UNSIGNED_INT,
            "count": len(raw),
            "type": "VEC3" if raw.ndim == 2 else "SCALAR",
        }
        if raw.ndim == 2:
            accessor |= {"min": raw.min(axis=0).tolist(), "max": raw.max(axis=0).tolist()}
        self.accessors.append(accessor)
        return len(self.accessors) - 1


def write_glb(model: Model, path: Path) -> Written:
    """Write a model, one node a layer: holes, each kind of structure, each surface."""
    return _write(layers_of(model, SIDES), path, (model.name, model.crs), model.placed[0])


def write_mesh_glb(mesh: Mesh, path: Path, name: str, crs: str = "") -> Written:
    """Write one surface."""
    return _write([Layer(name, mesh.vertices, mesh.triangles, SURFACES)], path, (name, crs))


def _write(layers: list[Layer], path: Path, named: tuple[str, str], rows: pd.DataFrame | None = None) -> Written:
    layers = [layer for layer in layers if len(layer.cells)]
    origin = np.floor(np.concatenate([layer.positions for layer in layers]).min(axis=0)) if layers else np.zeros(3)
    buffer, (name, crs) = _Buffer(), named
    document: dict[str, Any] = {"meshes": [], "nodes": [], "materials": []}
    for number, layer in enumerate(layers):
        primitive = _primitive(layer, origin, buffer, number)
        document["meshes"].append({"name": layer.name, "primitives": [primitive]})
        document["nodes"].append({"name": layer.name, "mesh": number})
        document["materials"].append(_material(layer))
    if rows is not None and len(rows):
        document["extensionsUsed"] = ["EXT_mesh_features", "EXT_structural_metadata"]
        document["extensions"] = {"EXT_structural_metadata": _metadata(rows, buffer)}
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
    return Written(origin, ("glTF has y up: x is easting, y elevation, z minus northing",))


def _primitive(layer: Layer, origin: Floats, buffer: _Buffer, material: int) -> dict[str, Any]:
    attributes = {"POSITION": buffer.add(_turned(layer.positions - origin), ARRAY_BUFFER)}
    primitive: dict[str, Any] = {
        "attributes": attributes,
        "indices": buffer.add(layer.cells.ravel().astype(np.uint32), ELEMENT_BUFFER),
        "mode": MODES[layer.cells.shape[1]],
        "material": material,
    }
    if layer.feature is not None:
        attributes["_FEATURE_ID_0"] = buffer.add(layer.feature.astype(float), ARRAY_BUFFER)
        ids = {"featureCount": len(np.unique(layer.feature)), "attribute": 0, "propertyTable": 0}
        primitive["extensions"] = {"EXT_mesh_features": {"featureIds": [ids]}}
    return primitive


def _metadata(rows: pd.DataFrame, buffer: _Buffer) -> dict[str, Any]:
    """Return the property table of the structures: numbers as float64, the rest as text."""
    kinds: dict[str, dict[str, Any]] = {}
    values: dict[str, dict[str, int]] = {}
    for name in (name for name in PROPERTIES if name in rows.columns):
        column = rows[name]
        if column.dtype.kind in "iuf":
            kinds[name] = {"type": "SCALAR", "componentType": "FLOAT64", "noData": NO_DATA}
            values[name] = {"values": buffer.view(column.fillna(NO_DATA).to_numpy(dtype="<f8").tobytes())}
            continue
        texts = [text.encode() for text in column.astype(object).where(column.notna(), "").astype(str)]
        ends = np.cumsum([0, *map(len, texts)], dtype="<u4")
        kinds[name] = {"type": "STRING"}
        if ends[-1]:  # a view may not be empty: a property without any value is left out
            values[name] = {"values": buffer.view(b"".join(texts)), "stringOffsets": buffer.view(ends.tobytes())}
        else:
            del kinds[name]
    table = {"name": "structures", "class": "structure", "count": len(rows), "properties": values}
    schema = {"id": "lowside", "classes": {"structure": {"properties": kinds}}}
    return {"schema": schema, "propertyTables": [table]}


def _turned(positions: Floats) -> Floats:
    """Return (E, N, U) as glTF's (x, y up, z towards the onlooker)."""
    return np.asarray(positions[:, [0, 2, 1]] * np.array([1.0, 1.0, -1.0]))


def _material(layer: Layer) -> dict[str, Any]:
    """Return a layer's colour as glTF has it: linear light, not the coded values of screens."""
    coded = np.array([int(layer.colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255.0
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1 (sRGB)
    colour = [*light.round(4).tolist(), 1.0]
    return {
        "name": layer.name,
        "doubleSided": True,
        "pbrMetallicRoughness": {"baseColorFactor": colour, "metallicFactor": 0.0, "roughnessFactor": 0.8},
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
