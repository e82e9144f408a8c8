"""Views kept by name in ``views.json`` beside the project's tables: what is shown, and from where."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields
from typing import Any

from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from viewer.app.sets import SetsPart
from viewer.app.stage import Part, Stage, careful
from viewer.app.view import View

__all__ = ["FILE", "Keeping"]

FILE = "views.json"

LONGEST = 60
"""Longest name of a view, characters."""

CAMERA = ("azimuth", "dip", "distance")
TAB = ("stretch", "thickness", "place", "azimuth")
"""Numbers of a tab beside its camera: the vertical scale and the slab."""


class Keeping(Part):
    """Saves and shows views; selections and what suspects are shown as are not kept, for rows may change."""

    triggers = ("save_view", "show_view", "forget_view")

    def __init__(self, stage: Stage, sets: SetsPart) -> None:
        super().__init__(stage)
        self._sets = sets
        self._kept: dict[str, dict[str, Any]] = self._read()
        self.state.views = list(self._kept)

    def _read(self) -> dict[str, dict[str, Any]]:
        path = self.stage.folder / FILE
        if not path.exists():
            return {}
        try:
            raw = json.loads(path.read_text(encoding="utf-8"))
            return {str(name): {"view": dict(one["view"]), "camera": dict(one["camera"])} for name, one in raw.items()}
        except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
            raise DataProblem("views.json must be as this program wrote it", file=FILE, hint="move it away") from error

    @careful
    def save_view(self, name: str, camera: dict[str, Any]) -> None:
        """Keep what is shown, and a tab's camera, by a name."""
        name = name.strip()[:LONGEST]
        if not name:
            raise DataProblem("a view needs a name")
        self._write({**self._kept, name: {"view": _plain(self.stage.history.now), "camera": _camera(camera)}})
        self.tell(f"View kept: {name}")

    @careful
    def show_view(self, name: str) -> dict[str, Any] | None:
        """Show a kept view and return its camera."""
        kept = self._kept.get(name)
        if kept is None:
            raise DataProblem("there is no view of that name", value=name)
        self.stage.change(f"showed the view {name}", **_fields(kept["view"]))
        self._sets.need(self.stage.history.now)
        return dict(kept["camera"])

    @careful
    def forget_view(self, name: str) -> None:
        """Keep a view no longer."""
        self._write({key: one for key, one in self._kept.items() if key != name})

    def _write(self, kept: dict[str, dict[str, Any]]) -> None:
        with replacing(self.stage.folder / FILE, own=True) as partial:
            partial.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        self._kept = kept
        self.state.views = list(kept)


SETS = ("kinds_off", "holes_off", "grades_off", "sets_off")
KEPT = ("holes_by", "discs_by", "suspicion", "disc_size", "by_width", "depths", "look", "depth", "sets_of", *SETS)


def _plain(view: View) -> dict[str, Any]:
    """Return the fields of a view that are kept, as JSON knows them; no lower limit of depth is null."""
    values = {name: value for name, value in asdict(view).items() if name in KEPT}
    depth = [limit if math.isfinite(limit) else None for limit in view.depth]
    return {name: sorted(value) if name in SETS else value for name, value in values.items()} | {"depth": depth}


def _fields(kept: dict[str, Any]) -> dict[str, Any]:
    """Return kept fields as those of a view."""
    known = {item.name for item in fields(View)} & set(KEPT)
    values = {name: frozenset(value) if name in SETS else value for name, value in kept.items() if name in known}
    if "depth" in values:
        low, high = values["depth"]
        values["depth"] = (float(low or 0.0), float("inf") if high is None else float(high))
    return values


def _camera(raw: dict[str, Any]) -> dict[str, Any]:
    """Return the camera, vertical scale and slab of a tab from the page, checked."""
    try:
        numbers = {name: float(raw[name]) for name in CAMERA}
        target = [float(value) for value in raw["target"]]
        tab = {name: float(raw["tab"][name]) for name in TAB}
        slab = bool(raw["tab"].get("on"))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise DataProblem("a view must come with a whole camera", value=str(error)) from error
    if len(target) != 3 or not all(math.isfinite(value) for value in (*numbers.values(), *target, *tab.values())):
        raise DataProblem("the camera's numbers must be finite")
    return {**numbers, "parallel": bool(raw.get("parallel")), "target": target, "tab": {**tab, "on": slab}}
