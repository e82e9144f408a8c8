"""One self-contained HTML page of a scene: opens offline in any browser, turns, and answers a click on a disc.

PyVista's own export loses the axis labels and carries 2 MB of library; this page draws the same scene with a few
hundred lines of WebGL and keeps labels, legend and cards as plain HTML. A content security policy in its head forbids
every request to the outside.
"""

from __future__ import annotations

import base64
import html
import json
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyvista as pv

from desurvey.exchange import replacing
from viewer import theme
from viewer.scene import Scene, floor, tube_radius, view_azimuth
from viewer.scene.colouring import Bar, Block, Entry, rgb
from viewer.scene.draw import ASIDE, MARGIN, VIEW_ANGLE_DEG, VIEW_DIP_DEG
from viewer.scene.floor import Labels

__all__ = ["page"]


def page(scene: Scene, path: str | Path) -> Path:
    """Write a scene as one HTML file that needs nothing else, and return its path.

    Parameters
    ----------
    scene : Scene
        What to show.
    path : str or Path
        The file; it is replaced whole.
    """
    path = Path(path)
    parts = {
        "title": html.escape(scene.title),
        "subtitle": html.escape(scene.subtitle),
        "legend": "\n".join(_block(block) for block in scene.legend),
        "style": _part("page.css") + _part("space.css"),
        "script": _part("space.js") + _part("page.js"),
        "scene": json.dumps(_numbers(scene), separators=(",", ":"), allow_nan=False).replace("</", "<\\/"),
    }
    text = re.sub(r"\{\{(\w+)\}\}", lambda match: parts[match[1]], _part("page.html"))
    with replacing(path) as partial:
        partial.write_text(text, encoding="utf-8")
    return path


def _part(name: str) -> str:
    return files("viewer.page").joinpath(name).read_text(encoding="utf-8")


def _numbers(scene: Scene) -> dict[str, Any]:
    """Return the scene as the script of the page reads it: arrays as base64 of little-endian float32 or bytes."""
    frame, discs = scene.frame, scene.discs
    return {
        "corners": floor.outer_corners(frame).tolist(),
        "reach": frame.reach,
        "view": {"azimuth": view_azimuth(scene), "dip": VIEW_DIP_DEG, "angle": VIEW_ANGLE_DEG},
        "margin": MARGIN,
        "aside": ASIDE,
        "tube": tube_radius(scene.frame),
        "colours": {
            "grid": rgb(theme.LIGHT.grid),
            "text": rgb(theme.LIGHT.text),
            "planned": rgb(theme.PLANNED),
            "accent": rgb(theme.LIGHT.accent),
            "background": rgb(theme.LIGHT.background),
        },
        "grid": _floats(floor.grid(frame).points),
        "shadows": _floats(floor.shadows(frame, scene.drilled).points),
        "signs": _signs(scene),
        "drilled": {"ends": _floats(scene.drilled.points), "rgb": _bytes(_colours(scene.drilled))},
        "planned": {"ends": _floats(scene.planned.points)},
        "lineations": _floats(scene.lineations.points),
        "discs": {
            "centre": _floats(discs.centre),
            "normal": _floats(discs.normal),
            "radius": _floats(discs.radius),
            "rgb": _bytes(_colours(discs.mesh)),
        },
        "rows": _rows(discs.table),
        "labels": _labels(scene),
    }


def _floor_signs(scene: Scene) -> list[tuple[pv.PolyData, Labels]]:
    return [floor.north_arrow(scene.frame, theme.LIGHT), floor.scale_bar(scene.frame, theme.LIGHT)]


def _signs(scene: Scene) -> dict[str, str]:
    """Return north arrow and scale bar as triangles with a colour for each corner."""
    meshes = [mesh.triangulate() for mesh, _ in _floor_signs(scene)]
    points = [mesh.points[mesh.regular_faces.ravel()] for mesh in meshes]
    colours = [np.repeat(mesh.cell_data["rgb"], 3, axis=0) for mesh in meshes]
    return {"points": _floats(np.concatenate(points)), "rgb": _bytes(np.concatenate(colours))}


def _labels(scene: Scene) -> list[list[Any]]:
    """Return the texts in space, those that matter most first: text, place, style, and where it may stand."""
    frame = scene.frame
    signs = [(labels, "strong", "here") for _, labels in _floor_signs(scene)]
    axes = [(floor.axis_labels(frame), "axis", "here"), (floor.axis_titles(frame), "strong", "beside")]
    groups: list[tuple[Labels, str, str]] = [*signs, *axes, (scene.collars, "name", "beside")]
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


def _colours(mesh: pv.PolyData) -> npt.NDArray[np.uint8]:
    return np.asarray(mesh.cell_data["rgb"]) if mesh.n_cells else np.empty((0, 3), dtype=np.uint8)


def _floats(values: npt.ArrayLike) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype="<f4").tobytes()).decode("ascii")


def _bytes(values: npt.NDArray[np.uint8]) -> str:
    return base64.b64encode(np.ascontiguousarray(values).tobytes()).decode("ascii")


def _block(block: Block) -> str:
    """Return a part of the legend as HTML."""
    title = f"<h2>{html.escape(block.title)}</h2>" if block.title else "<h2></h2>"
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
