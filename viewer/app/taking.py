"""What is taken away, written beside the project's tables: a picture, the offline page, a net and a section.

Each is what a tab shows: its camera, vertical scale and slab come with the call (:class:`viewer.scene.camera.Camera`),
the filters from the view, and both are said on what is written.
"""

from __future__ import annotations

import asyncio
import itertools
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from desurvey import directions
from desurvey.problems import DataProblem
from viewer import theme
from viewer.app.desk import filters_said, look_of, shown_rows
from viewer.app.keeping import Keeping, KeptView
from viewer.app.stage import Part, Stage, careful
from viewer.figures.collect import Shown, content_of
from viewer.figures.net import draw_net, net_of
from viewer.figures.section import draw_section
from viewer.figures.sheet import save
from viewer.figures.slab import Slab
from viewer.page import page
from viewer.scene import Scene
from viewer.scene.camera import UPRIGHT, Camera
from viewer.scene.draw import ASIDE
from viewer.scene.frame import LocalFrame
from viewer.scene.marks import Marks, Meeting
from viewer.scene.pictures import ALONE
from viewer.still import still
from viewer.story import Slide, write_page, write_slides

__all__ = ["Taking", "free_name", "section_slab"]

Bools = npt.NDArray[np.bool_]

PRINT_SIDE = 3200
"""Pixels of a picture's longer side: 27 cm at 300 dots to the inch."""

LINE = 46
"""Letters of a line below a picture's title."""


class Taking(Part):
    """Writes pictures into the project's folder ``pictures``; the browser chooses neither name nor place."""

    triggers = (
        "save_picture", "save_page", "save_net", "save_section", "save_story_page", "save_story_slides",
    )  # fmt: skip

    def __init__(self, stage: Stage, keeping: Keeping) -> None:
        super().__init__(stage)
        self._keeping = keeping

    @careful
    def save_picture(self, seen: Mapping[str, Any]) -> None:
        """Write a still at print size of what a tab sees."""
        scene, look, camera = self._scene(seen), self.stage.history.now.look, Camera.asked(seen)
        marks, size = self._marks(), _print_size(camera.size)
        self._save("scene.png", lambda path: still(scene, path, size=size, look=look, camera=camera, marks=marks))

    @careful
    def save_page(self, seen: Mapping[str, Any]) -> None:
        """Write the offline page, which begins with what a tab sees."""
        scene, camera, said = self._scene(seen), Camera.asked(seen), tuple(self._said(self._rows()))
        self._save("scene.html", lambda path: page(scene, path, camera=camera, said=said))

    @careful
    def save_net(self) -> None:
        """Draw the net of the discs that are shown."""
        desk, shown = self.stage.shown, self._shown()
        content = content_of(desk.study, heading="Net of the viewer", shown=shown)
        seeing = np.isin(desk.traces.hole_ids, content.traces.hole_ids[~content.planned])
        net = net_of(desk.study, seeing, shown.rows, content.title)
        self._save("net.pdf", lambda path: save(draw_net(net), path))

    @careful
    def save_section(self, seen: Mapping[str, Any]) -> None:
        """Draw the section of a tab's slab, seen from the tab's side, with all that is shown in it."""
        desk, camera, shown = self.stage.shown, Camera.asked(seen), self._shown()
        slab = section_slab(camera, self.stage.scene.frame)
        if not shown.holes.any():
            raise DataProblem("a section needs a hole, and the filters leave none")
        heading, answers = "Section of the viewer's slab", self.stage.answer
        content = content_of(desk.study, heading=heading, answers=answers, shown=shown)
        self._save("section.pdf", lambda path: save(draw_section(content, slab, exaggeration=camera.stretch), path))

    @careful
    def save_story_page(self) -> None:
        """Write the story of kept views as one page that plays it offline."""
        slides = self._slides()
        self._save("story.html", lambda path: write_page(slides, path))

    @careful
    def save_story_slides(self) -> None:
        """Write the story as slides, a PNG each, and as a PDF."""
        slides = self._slides()
        self._save("story.pdf", lambda path: write_slides(slides, path.with_suffix(""), pdf=path))

    def _slides(self) -> list[Slide]:
        """Return the kept views as slides; those with the same filters share a scene."""
        scenes: dict[object, Scene] = {}
        return [self._slide(one, scenes) for one in self._keeping.slides()]

    def _slide(self, kept: KeptView, scenes: dict[object, Scene]) -> Slide:
        stage, view, tab = self.stage, replace(kept.view, doubt=False), kept.camera["tab"]
        key = replace(view, look="light", selected=frozenset())
        if key not in scenes:
            scenes[key] = stage.scene_of(key)
        scene, question = scenes[key], str(tab.get("picture") or tab.get("panel") or "show")
        fault = str(tab.get("fault") or "") if question == "lines_up" else ""
        filters = filters_said(stage.shown, view, shown_rows(stage.shown, view, stage.concerned))
        notes = [f"{said.rstrip('.')}." for said in (filters, str(self.state.basis), str(self.state.marks)) if said]
        return Slide(
            title=kept.name,
            said=kept.said,
            scene=scene,
            drawn=stage.picture_of(scene, f"{ALONE}{fault}" if fault else question, look_of(view)),
            light=stage.picture_of(scene, question, theme.LIGHT),
            fault=fault,
            camera=_camera(kept.camera),
            look=view.look,
            notes=tuple(notes),
        )

    def _scene(self, seen: Mapping[str, Any]) -> Scene:
        """Return the picture that a tab shows."""
        return self.stage.picture(str(seen.get("picture", "")))

    def _shown(self) -> Shown:
        """Return the part of the project that the filters leave."""
        rows, holes_off = self._rows(), list(self.stage.history.now.holes_off)
        return Shown(rows, ~np.isin(self.stage.shown.traces.hole_ids, holes_off), " ".join(self._said(rows)))

    def _rows(self) -> Bools:
        """Return which rows of the structures the filters leave."""
        return shown_rows(self.stage.shown, self.stage.history.now, self.stage.concerned)

    def _said(self, rows: Bools) -> list[str]:
        """Return what has to be said of what is shown: the filters, and what is not shown as it was logged."""
        filters = filters_said(self.stage.shown, self.stage.history.now, rows)
        return [f"{said.rstrip('.')}." for said in (filters, str(self.state.basis), str(self.state.marks)) if said]

    def _marks(self) -> Marks:
        """Return what the page draws over the scene: what is selected, and the hole that is being planned."""
        aim, chosen = self.state.aim, np.isin(self.stage.scene.discs.index, list(self.stage.history.now.selected))
        return Marks(
            chosen=np.flatnonzero(chosen),
            course=np.array(aim["points"] if aim else np.empty((0, 3))),
            meetings=tuple(
                Meeting(np.array(one["window"]), one["colour"], one["text"]) for one in (aim["meetings"] if aim else [])
            ),
            said=tuple(line for said in self._said(self._rows()) for line in textwrap.wrap(said, LINE)),
        )

    def _save(self, name: str, write: Callable[[Path], object]) -> None:
        folder = self.stage.folder.resolve() / "pictures"
        folder.mkdir(exist_ok=True)
        path = free_name(folder, name)
        written = f"Written: {path}"
        self.stage.later(
            f"Writing {path.name}", lambda: asyncio.to_thread(write, path), lambda _: self.tell(written), stops=False
        )


def _camera(kept: Mapping[str, Any]) -> Camera:
    """Return the camera of a kept view."""
    azimuth, dip = np.deg2rad([kept["azimuth"], kept["dip"]])
    ahead = np.array([np.cos(dip) * np.sin(azimuth), np.cos(dip) * np.cos(azimuth), np.sin(dip)])
    tab = kept["tab"]
    return Camera.asked(
        {**kept, "eye": (np.array(kept["target"]) - kept["distance"] * ahead).tolist(), "stretch": tab["stretch"],
         "slab": kept.get("slab") if tab.get("on") else None, "aside": ASIDE, "size": [1920, 1080]}
    )  # fmt: skip


def free_name(folder: Path, name: str) -> Path:
    """Return the path of a file that is not there yet: a name, or the name with a number, so that nothing is lost."""
    start, ending = name.rsplit(".", 1)
    names = itertools.chain([name], (f"{start}-{number}.{ending}" for number in itertools.count(2)))
    return next(folder / free for free in names if not (folder / free).exists())


def _print_size(size: tuple[int, int]) -> tuple[int, int]:
    """Return pixels for print in the proportions of a tab."""
    factor = PRINT_SIDE / max(size)
    return max(round(size[0] * factor), 1), max(round(size[1] * factor), 1)


def section_slab(camera: Camera, frame: LocalFrame) -> Slab:
    """Return a tab's slab as that of a section, seen from the side that the camera looks from.

    Raises
    ------
    DataProblem
        When the tab shows no slab, or one that doesn't stand upright.
    """
    slab = camera.slab
    if slab is None:
        raise DataProblem(
            "a section needs a slab, and this tab shows none", hint="tick 'only a slab' or press ] to begin one"
        )
    normal = np.array(slab.normal)
    if abs(normal[2]) > UPRIGHT:
        raise DataProblem("a section needs an upright slab")
    into = normal if normal @ camera.ahead > LEVEL else -normal if normal @ camera.ahead < -LEVEL else _north(normal)
    azimuth = float(directions.azimuth(into) + 90.0) % 360.0
    middle = (frame.low + frame.high) / 2
    spot = frame.true(middle + (slab.offset - middle @ normal) * normal)
    return Slab(float(spot[0]), float(spot[1]), azimuth, slab.thickness)


LEVEL = 0.05
"""Least cosine between sight and slab for the sight to say from which side; else the section looks northwards."""


def _north(normal: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the normal, or its opposite, that points to the northern half of the compass."""
    return normal if (normal[1], normal[0]) > (0.0, 0.0) else -normal
