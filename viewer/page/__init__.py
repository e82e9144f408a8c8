"""One self-contained HTML page of a scene: opens offline in any browser, turns, and answers a click on a disc.

PyVista's own export loses the axis labels and carries 2 MB of library; this page draws the same scene with a few
hundred lines of WebGL and keeps labels, legend and cards as plain HTML. A content security policy in its head forbids
every request to the outside.
"""

from __future__ import annotations

import html
import json
import re
from importlib.resources import files
from pathlib import Path

from desurvey.exchange import replacing
from viewer.page.packing import legend_html, packed
from viewer.scene import Scene

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
        "legend": legend_html(scene.legend),
        "style": _part("page.css") + _part("space.css"),
        "script": _part("space.js") + _part("page.js"),
        "scene": json.dumps(packed(scene), separators=(",", ":"), allow_nan=False).replace("</", "<\\/"),
    }
    text = re.sub(r"\{\{(\w+)\}\}", lambda match: parts[match[1]], _part("page.html"))
    with replacing(path) as partial:
        partial.write_text(text, encoding="utf-8")
    return path


def _part(name: str) -> str:
    return files("viewer.page").joinpath(name).read_text(encoding="utf-8")
