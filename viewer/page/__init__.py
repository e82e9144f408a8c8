"""One self-contained HTML page of a scene: opens offline in any browser, turns, and answers a click on a disc.

PyVista's own export loses the axis labels and carries 2 MB of library; this page draws the same scene with a few
hundred lines of WebGL and keeps labels, legend and cards as plain HTML. A content security policy in its head forbids
every request to the outside.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Sequence
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from desurvey.outputs import replacing
from viewer.page.packing import dressed, legend_html, packed
from viewer.scene import Scene
from viewer.scene.camera import Camera

if TYPE_CHECKING:
    from viewer.story import Slide

__all__ = ["page", "story_page"]


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
    said = (*(camera.said if camera else ()), *said)
    return _written(scene, packed(scene) | {"start": _start(camera)}, Path(path), said)


def story_page(slides: Sequence[Slide], path: str | Path) -> Path:
    """Write a story as one HTML file that plays it and needs nothing else, and return its path.

    Scenes that several views share are written once; a view is its picture's colours and sizes, and a camera.
    """
    scenes = list({id(one.scene): one.scene for one in slides}.values())
    story = [
        {
            "title": one.title,
            "said": one.said,
            "notes": [*one.camera.said, *one.notes],
            "scene": next(place for place, scene in enumerate(scenes) if scene is one.scene),
            "picture": dressed(one.light),
            "fault": one.fault,
            **(_start(one.camera) or {}),
        }
        for one in slides
    ]
    data = {"scenes": [packed(scene) for scene in scenes], "story": story}
    return _written(slides[0].scene, data, Path(path), ())


def _written(scene: Scene, data: dict[str, Any], path: Path, said: tuple[str, ...]) -> Path:
    """Write the page of a scene with what its script reads."""
    parts = {
        "title": html.escape(scene.title),
        "subtitle": html.escape(scene.subtitle),
        "said": "".join(f'<p class="said">{html.escape(line)}</p>' for line in said),
        "legend": legend_html(scene.legend),
        "style": _part("page.css") + _part("space.css"),
        "script": _part("space.js") + _part("picking.js") + _part("page.js"),
        "scene": json.dumps(data, separators=(",", ":"), allow_nan=False).replace("</", "<\\/"),
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
