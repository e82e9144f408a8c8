"""A scene as a browser reads it: arrays as base64 in JSON, and the legend as HTML."""

from __future__ import annotations

import base64
import html
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyvista as pv

from viewer import theme
from viewer.scene import Scene, floor, tube_radius, view_azimuth
from viewer.scene.camera import VIEW_ANGLE_DEG
from viewer.scene.colouring import Bar, Block, Entry, rgb
from viewer.scene.draw import ASIDE, MARGIN, VIEW_DIP_DEG, sleeve_radius
from viewer.scene.floor import Labels
from viewer.scene.pictures import misfits_of

__all__ = ["cell_colours", "dressed", "encoded", "encoded_bytes", "legend_html", "packed"]


def legend_html(blocks: tuple[Block, ...]) -> str:
    """Return the legend as HTML; what people have typed is escaped."""
    return "\n".join(_block(block) for block in blocks)


def packed(scene: Scene, look: theme.Look = theme.LIGHT, *, aside: float = ASIDE, rows: bool = True) -> dict[str, Any]:
    """Return the scene as ``space.js`` reads it: arrays as base64 of little-endian float32 or bytes.

    Parameters
    ----------
    scene : Scene
        What to show.
    look : Look
        Colours of background, lines and signs.
    aside : float
        How far the scene stands right of the middle, as a share of the half picture.
    rows : bool
        Whether the rows of the discs go along, for their cards.
    """
    frame, discs = scene.frame, scene.discs
    return {
        "corners": floor.outer_corners(frame).tolist(),
        "reach": frame.reach,
        "view": {"azimuth": view_azimuth(scene), "dip": VIEW_DIP_DEG, "angle": VIEW_ANGLE_DEG},
        "margin": MARGIN,
        "aside": aside,
        "tube": tube_radius(scene.frame),
        "colours": {
            "grid": rgb(look.grid),
            "text": rgb(look.text),
            "planned": rgb(theme.PLANNED),
            "accent": rgb(look.accent),
            "expected": rgb(look.expected),
            "background": rgb(look.background),
        },
        "grid": encoded(floor.grid(frame).points),
        "shadows": encoded(floor.shadows(frame, scene.drilled).points),
        "signs": _signs(scene, look),
        "drilled": {"ends": encoded(scene.drilled.points), "rgb": encoded_bytes(cell_colours(scene.drilled))},
        "planned": {"ends": encoded(scene.planned.points)},
        "lineations": encoded(scene.lineations.points),
        "sheets": [
            {
                "points": encoded(sheet.mesh.points),
                "triangles": encoded_bytes(sheet.mesh.regular_faces.astype("<u4").view(np.uint8)),
                "rgb": rgb(sheet.colour),
                "alpha": sheet.alpha,
                "name": sheet.name,
                "what": sheet.what,
            }
            for sheet in scene.sheets
        ],
        "sleeves": [
            {
                "name": part.name,
                "ends": encoded(part.mesh.points),
                "rgb": rgb(part.colour),
                "radius": sleeve_radius(frame),
            }
            for part in scene.sleeves
        ],
        "misfits": encoded(scene.misfits.points if scene.misfits is not None else np.empty((0, 3))),
        "misfits_of": {name: encoded(misfits_of(scene, name).points) for name in scene.names.text},
        "members": {name: rows.tolist() for name, rows in scene.members.items()},
        "discs": {
            "centre": encoded(discs.centre),
            "normal": encoded(discs.normal),
            "radius": encoded(discs.radius),
            "rgb": encoded_bytes(cell_colours(discs.mesh)),
        },
        "title": scene.title,
        "subtitle": scene.subtitle,
        "rows": _rows(discs.table) if rows else None,
        "labels": _labels(scene, look),
    }


def dressed(scene: Scene) -> dict[str, Any]:
    """Return what differs between the pictures of one scene: ``space.js`` puts it over what :func:`packed` gives."""
    return {
        "radius": encoded(scene.discs.radius),
        "rgb": encoded_bytes(cell_colours(scene.discs.mesh)),
        "drilled": encoded_bytes(cell_colours(scene.drilled)),
        "sheets": {sheet.name: rgb(sheet.colour) for sheet in scene.sheets},
        "sleeves": [rgb(part.colour) for part in scene.sleeves],
        "misfits": scene.misfits is not None,
        "lineations": bool(scene.lineations.n_cells),
        "names": bool(scene.names.text),
        "legend": legend_html(scene.legend),
    }


def _floor_signs(scene: Scene, look: theme.Look) -> list[tuple[pv.PolyData, Labels]]:
    return [floor.north_arrow(scene.frame, look), floor.scale_bar(scene.frame, look)]


def _signs(scene: Scene, look: theme.Look) -> dict[str, str]:
    """Return north arrow and scale bar as triangles with a colour for each corner."""
    meshes = [mesh.triangulate() for mesh, _ in _floor_signs(scene, look)]
    points = [mesh.points[mesh.regular_faces.ravel()] for mesh in meshes]
    colours = [np.repeat(mesh.cell_data["rgb"], 3, axis=0) for mesh in meshes]
    return {"points": encoded(np.concatenate(points)), "rgb": encoded_bytes(np.concatenate(colours))}


def _labels(scene: Scene, look: theme.Look) -> list[list[Any]]:
    """Return the texts in space, those that matter most first: text, place, style, and where it may stand."""
    frame = scene.frame
    signs = [(labels, "strong", "here") for _, labels in _floor_signs(scene, look)]
    axes = [(floor.axis_labels(frame), "axis", "here"), (floor.axis_titles(frame), "strong", "beside")]
    groups: list[tuple[Labels, str, str]] = [
        *signs,
        *axes,
        (scene.names, "fault", "beside"),
        (scene.collars, "name", "beside"),
        (scene.depths, "depth", "here"),
    ]
    return [
        [text, *np.round(place, 2).tolist(), style, way]
        for labels, style, way in groups
        for text, place in zip(labels.text, labels.position, strict=True)
    ]


def _rows(table: pd.DataFrame) -> dict[str, Any]:
    """Return the rows of the discs column by column, as text for a card."""
    shown = [name for name in table.columns if table[name].notna().any() and (table[name].astype(str) != "").any()]
    return {
        "columns": [theme.heading(str(name)) for name in shown],
        "values": [[_cell(value) for value in table[name]] for name in shown],
    }


def _cell(value: object) -> str | None:
    if value is None or value is pd.NaT or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def cell_colours(mesh: pv.PolyData) -> npt.NDArray[np.uint8]:
    """Return the colours of a mesh's cells, none for an empty mesh."""
    return np.asarray(mesh.cell_data["rgb"]) if mesh.n_cells else np.empty((0, 3), dtype=np.uint8)


def encoded(values: npt.ArrayLike) -> str:
    """Return numbers as base64 of little-endian float32."""
    return base64.b64encode(np.ascontiguousarray(values, dtype="<f4").tobytes()).decode("ascii")


def encoded_bytes(values: npt.NDArray[np.uint8]) -> str:
    """Return bytes as base64."""
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def _block(block: Block) -> str:
    """Return a part of the legend as HTML."""
    title = f"<h2>{html.escape(block.title)}</h2>" if block.title else '<div class="gap"></div>'
    bar = _bar(block.bar) if block.bar else ""
    entries = "".join(_entry(entry, block.symbol) for entry in block.entries)
    return f"{title}{bar}<ul>{entries}</ul>"


def _entry(entry: Entry, symbol: str) -> str:
    count = "" if entry.count is None else f' <span class="quiet">({entry.count})</span>'
    style = f"background:{entry.colour};border-color:{entry.colour}"
    return f'<li><i class="{symbol}" style="{style}"></i>{html.escape(entry.label)}{count}</li>'


def _bar(bar: Bar) -> str:
    colours = mpl.colormaps[bar.cmap](np.linspace(0, 1, 17), bytes=True)[:, :3]
    stops = ",".join(f"rgb({red},{green},{blue})" for red, green, blue in colours)
    ticks = "".join(
        f'<span style="left:{100 * (tick - bar.low) / (bar.high - bar.low):.2f}%">{tick:g}</span>' for tick in bar.ticks
    )
    return f'<div class="bar"><div style="background:linear-gradient(90deg,{stops})"></div>{ticks}</div>'
