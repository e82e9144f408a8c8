"""One self-contained HTML page of a scene: opens offline in any browser, turns, and answers a click on a disc.

PyVista's own export loses the axis labels and carries 2 MB of library; this page draws the same scene with a few
hundred lines of WebGL and keeps labels, legend and cards as plain HTML. A content security policy in its head forbids
every request to the outside.
"""

from __future__ import annotations

import html
import json
import re
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from typing import Any

from desurvey.outputs import replacing
from viewer.page.packing import legend_html, packed
from viewer.scene import Scene
from viewer.scene.camera import Camera

__all__ = ["page"]


def page(scene: Scene, path: str | Path, *, camera: Camera | None = None, said: tuple[str, ...] = ()) -> Path:
    """Write a scene as one HTML file that needs nothing else, and return its path.

    Parameters
    ----------
    scene : Scene
        What to show.
    path : str or Path
        The file; it is replaced whole.
    camera : Camera, optional
        Where the page looks from at first, with its vertical exaggeration and slab; the usual side without one.
    said : tuple of str
        What stands below the title, e.g. which filters are on.
    """
    path = Path(path)
    said = (*(camera.said if camera else ()), *said)
    parts = {
        "title": html.escape(scene.title),
        "subtitle": html.escape(scene.subtitle),
        "said": "".join(f'<p class="said">{html.escape(line)}</p>' for line in said),
        "legend": legend_html(scene.legend),
        "style": _part("page.css") + _part("space.css"),
        "script": _part("space.js") + _part("picking.js") + _part("page.js"),
        "scene": json.dumps(packed(scene) | {"start": _start(camera)}, separators=(",", ":"), allow_nan=False).replace(
            "</", "<\\/"
        ),
    }
    text = re.sub(r"\{\{(\w+)\}\}", lambda match: parts[match[1]], _part("page.html"))
    with replacing(path) as partial:
        partial.write_text(text, encoding="utf-8")
    return path


def _start(camera: Camera | None) -> dict[str, Any] | None:
    """Return what the page looks like at first, as ``page.js`` reads it."""
    if camera is None:
        return None
    sight = {name: getattr(camera, name) for name in ("azimuth", "dip", "distance", "parallel", "target")}
    return {"camera": sight, "stretch": camera.stretch, "slab": asdict(camera.slab) if camera.slab else None}


def _part(name: str) -> str:
    return files("viewer.page").joinpath(name).read_text(encoding="utf-8")
