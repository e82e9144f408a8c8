"""Views kept by name in ``views.json`` beside the project's tables: what is shown, from where, and what it says.

Their order is that of a story: each has its name for a title, and a sentence.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, fields, replace
from typing import Any, NamedTuple

from desurvey.outputs import replacing
from desurvey.problems import DataProblem
from viewer.app.sets import SetsPart
from viewer.app.stage import Part, Stage, careful
from viewer.app.view import View

__all__ = ["FILE", "Keeping", "KeptView"]

FILE = "views.json"

LONGEST = 60
"""Longest name of a view, characters."""

LONGEST_SAID = 300
"""Longest sentence of a view, characters."""

CAMERA = ("azimuth", "dip", "distance")
TAB = ("stretch", "thickness", "place", "azimuth")
"""Numbers of a tab beside its camera: the vertical scale and the slab."""
WORDS = ("panel", "picture", "fault")
"""What a tab shows in words: the question, another picture than its own, and a fault alone."""


class Keeping(Part):
    """Saves and shows views; selections and what suspects are shown as are not kept, for rows may change."""

    triggers = ("save_view", "show_view", "forget_view", "say_view", "move_view")

    def __init__(self, stage: Stage, sets: SetsPart) -> None:
        super().__init__(stage)
        self._sets = sets
        self._kept: dict[str, dict[str, Any]] = self._read()
        self._tell()

    def _read(self) -> dict[str, dict[str, Any]]:
        path = self.stage.folder / FILE
        if not path.exists():
            return {}
        try:
            raw = json.loads(path.read_text(encoding="utf-8"))
            return {
                str(name): {"view": dict(one["view"]), "camera": dict(one["camera"]), "said": str(one.get("said", ""))}
                for name, one in raw.items()
            }
        except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
            raise DataProblem("views.json must be as this program wrote it", file=FILE, hint="move it away") from error

    @careful
    def save_view(self, name: str, camera: dict[str, Any]) -> None:
        """Keep what is shown, and a tab's camera, by a name."""
        name = name.strip()[:LONGEST]
        if not name:
            raise DataProblem("a view needs a name")
        said = self._kept.get(name, {}).get("said", "")
        one = {"view": _plain(self.stage.history.now), "camera": _camera(camera), "said": said}
        self._write({**self._kept, name: one})
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
        self._tell()

    def _tell(self) -> None:
        self.state.views = list(self._kept)
        self.state.story = [{"name": name, "said": one["said"]} for name, one in self._kept.items()]

    @careful
    def say_view(self, name: str, said: str) -> None:
        """Keep a sentence with a view."""
        if name in self._kept:
            self._write(self._kept | {name: self._kept[name] | {"said": " ".join(said.split())[:LONGEST_SAID]}})

    @careful
    def move_view(self, name: str, by: int) -> None:
        """Move a view of the story on (1) or back (−1)."""
        names = list(self._kept)
        if name not in names:
            return
        place = names.index(name)
        names.insert(min(max(place + by, 0), len(names) - 1), names.pop(place))
        self._write({key: self._kept[key] for key in names})

    def slides(self) -> list[KeptView]:
        """Return the kept views in their order."""
        now = self.stage.history.now
        return [
            KeptView(name, one["said"], replace(now, **_fields(one["view"])), one["camera"])
            for name, one in self._kept.items()
        ]


class KeptView(NamedTuple):
    """A kept view: its title and sentence, what is shown, and the camera as the page gave it."""

    name: str
    said: str
    view: View
    camera: dict[str, Any]


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
        words = {name: str(raw["tab"].get(name) or "")[:LONGEST] for name in WORDS}
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise DataProblem("a view must come with a whole camera", value=str(error)) from error
    if len(target) != 3 or not all(math.isfinite(value) for value in (*numbers.values(), *target, *tab.values())):
        raise DataProblem("the camera's numbers must be finite")
    return {
        **numbers,
        "parallel": bool(raw.get("parallel")),
        "target": target,
        "tab": {**tab, **words, "on": slab},
        "slab": raw.get("slab"),
    }
