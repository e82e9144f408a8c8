"""The app: wires stage, parts and page of a project together. It computes nothing and knows no question."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, get_args

import numpy as np
from aiohttp import web
from trame_server.core import Server

from desurvey.study import Study
from viewer import page as pages
from viewer.app import panels
from viewer.app.aiming import Aiming
from viewer.app.calls import guard
from viewer.app.desk import Way, look_of, net_points, poles_on_net, sight_along
from viewer.app.door import Door
from viewer.app.findings import Findings
from viewer.app.keeping import Keeping
from viewer.app.lines import Lines
from viewer.app.listing import Listing
from viewer.app.painter import Painter
from viewer.app.picking import Picking
from viewer.app.possible import Possible
from viewer.app.sets import SetsPart
from viewer.app.slabs import fence
from viewer.app.stage import Part, Stage, careful
from viewer.app.taking import Taking
from viewer.app.verdict import Glance
from viewer.app.view import FILTERS, NO_FILTERS, View
from viewer.app.watching import Watching
from viewer.handbook import serving as handbook
from viewer.page.packing import cell_colours, dressed, encoded, encoded_bytes, packed
from viewer.scene import values
from viewer.scene.camera import Camera
from viewer.scene.pictures import PICTURES

__all__ = ["App"]

WEB = Path(__file__).with_name("web")
SPACE = Path(pages.__file__).parent

DRAWN_BY_SERVER = 6000
"""Discs up to which the processor draws about ten pictures a second; above it a graphics card has to."""

LEAST_MOVE = 0.01
"""Radii of the net by which a pole has to move before the move is drawn."""


class App:
    """The viewer of one project.

    Parameters
    ----------
    study : Study
        What is looked at.
    server : Server
        A trame server; tests may hand in their own.
    token : str
        What a browser has to know.
    view : View
        What is shown first.
    """

    def __init__(self, study: Study, server: Server, token: str, view: View) -> None:
        self.stage = stage = Stage(study, server, view)
        self.painter = Painter()
        guard(server)
        self.controls = Controls(stage)
        self.sets, self.possible = SetsPart(stage), Possible(stage)
        self.lines = Lines(stage, self.possible)
        self.verdict = Glance(stage, self.possible, self.lines)
        self.picking, self.aiming = Picking(stage, self.possible, self.lines), Aiming(stage)
        self.findings, self.listing = Findings(stage, self.picking), Listing(stage)
        self.keeping = Keeping(stage, self.sets)
        self.taking = Taking(stage, self.keeping)
        self.watching = Watching(stage, self.take)
        self.door = Door(
            token, scene=self._scene_json, net=self._net_json, picture=self._picture, relog=self.lines.relog_page
        )
        self._painted = (-1, "")
        few = len(stage.base.project.structures) <= DRAWN_BY_SERVER
        stage.state.drawing = "server" if few or self.painter.has_card() else "here"
        stage.heard += [lambda: self.controls.show(), lambda: self.sets.show(stage.history.now)]
        if not self.verdict.recall():
            stage.rebuild()
        server.enable_module(
            {
                "serve": {"__lowside_space": str(SPACE), "__lowside_app": str(WEB)},
                "scripts": [
                    "__lowside_space/space.js", "__lowside_space/picking.js", "__lowside_app/app.js",
                    "__lowside_app/charts.js",
                ],
                "styles": ["__lowside_space/space.css", "__lowside_app/app.css"],
                "vue_use": ["lowside"],
            }
        )  # fmt: skip
        panels.lay_out(server, stage.base.project.name)
        server.controller.add("on_server_bind")(lambda web_server: self._hang(web_server.app))
        server.controller.add("on_server_ready")(lambda **_: self.verdict.begin())

    def take(self, study: Study) -> None:
        """Take a study whose tables have changed."""
        with self.stage.state:
            self.stage.take(study)
            self.sets.reset()
            self.lines.reset()
            self.controls.show_tables()
            self.findings.show()
            self.stage.rebuild()
            self.verdict.begin()

    async def close(self) -> None:
        """End what runs in the background."""
        self.stage.close()
        await self.painter.close()

    def _hang(self, application: web.Application) -> None:
        """Put door and handbook into the server's application."""
        self.door.hang(application)
        handbook.hang(application)

    # -- what the browser asks for ---

    def _scene_json(self) -> dict[str, Any]:
        stage = self.stage
        look = look_of(stage.history.now)
        data = packed(stage.scene, look, rows=False)
        pictures = {name: dressed(stage.picture(name)) for name in PICTURES}
        own = {"version": stage.state.version, "fence": fence(stage.scene, stage.shown.traces)}
        return data | own | {"pictures": pictures, "ghosts": self.possible.ghosts()}

    def _net_json(self) -> dict[str, Any]:
        stage = self.stage
        look = look_of(stage.history.now)
        colours = {name: encoded_bytes(cell_colours(stage.picture(name).discs.mesh)) for name in PICTURES}
        return {
            "points": encoded(net_points(stage.scene)),
            "rgb": colours,
            "look": {
                "text": look.text, "quiet": look.quiet, "accent": look.accent, "quiet_disc": look.quiet_disc,
            },
            "curves": [*self._moved(), *self.aiming.curves()],
            "blind": self.aiming.blind(),
            "version": stage.state.version,
        }  # fmt: skip

    def _moved(self) -> list[dict[str, Any]]:
        """Return lines on the net from the poles as logged to the poles as explained."""
        stage = self.stage
        index = stage.scene.discs.index
        before, after = poles_on_net(stage.base.oriented.normal[index]), net_points(stage.scene)
        moved = np.flatnonzero(np.hypot(*(after - before).T) > LEAST_MOVE)
        colour = look_of(stage.history.now).accent
        return [{"colour": colour, "points": [before[i].tolist(), after[i].tolist()]} for i in moved]

    async def _picture(self, asked: dict[str, Any]) -> bytes:
        camera, stage = Camera.asked(asked), self.stage
        wanted = (stage.state.version, str(asked.get("picture", "")))
        if asked.get("version", wanted[0]) != wanted[0]:
            return b""  # that version is no longer shown, and the tab is about to hear of the new one
        if self._painted != wanted:
            self._painted = wanted
            await self.painter.load(stage.picture(wanted[1]), look_of(stage.history.now))
        return await self.painter.paint(camera)


class Controls(Part):
    """What the page's controls say of the view, the history, and whatever belongs to no question."""

    triggers = (
        "sight", "undo", "redo", "clear", "hide_selected", "isolate_selected", "show_everything", "stop_work",
    )  # fmt: skip

    def __init__(self, stage: Stage) -> None:
        super().__init__(stage)
        self.show_tables()
        self.stage.history.settle(self._named_in_full(self.stage.history.now))
        self.state.change(*CONTROLS)(self.changed)

    def show_tables(self) -> None:
        """Put what depends on the tables alone into the state."""
        desk = self.stage.base
        self.state.update(
            {
                "project": desk.project.name,
                "kinds": desk.kinds,
                "grades": desk.grades,
                "holes": desk.traces.hole_ids.tolist(),
                "deepest": float(np.ceil(desk.deepest)),
                "lacks": list(desk.lacks),
                "can_line_up": desk.picks,
                "disc_columns": _items(values.disc_choices(desk.project)),
                "hole_columns": [{"title": "plain", "value": "none"}, *_items(values.hole_choices(desk.project))],
            }
        )
        self.show()

    def show(self) -> None:
        """Put the view into the state, where the page's controls follow it."""
        view, desk = self.stage.history.now, self.stage.base
        full = self._named_in_full(view)
        holes = desk.traces.hole_ids.tolist()
        self.state.update(
            {
                "holes_by": full.holes_by,
                "discs_by": full.discs_by,
                "kinds_on": [kind for kind in desk.kinds if kind not in view.kinds_off],
                "grades_on": [grade for grade in desk.grades if grade not in view.grades_off],
                "holes_on": [hole for hole in holes if hole not in view.holes_off] if view.holes_off else [],
                "depth_from": view.depth[0],
                "depth_to": min(view.depth[1], float(np.ceil(desk.deepest))),
                "suspicion": view.suspicion,
                "disc_size": view.disc_size,
                "by_width": view.by_width,
                "doubt": view.doubt,
                "depths": view.depths,
                "look": view.look,
            }
        )

    def _named_in_full(self, view: View) -> View:
        """Return a view with the columns that colour holes and discs by their full names, as the page has them."""
        usual = values.usual(self.stage.base.project)
        return replace(
            view,
            holes_by=view.holes_by or (str(usual) if usual else "none"),
            discs_by=view.discs_by if "." in view.discs_by else f"structures.{view.discs_by}",
        )

    @careful
    def changed(self, **_state: Any) -> None:
        """Take over what the page's controls say."""
        on, desk = self.state, self.stage.base
        holes, shown = set(on.holes_on or []), self.stage.history.now
        sets = frozenset(one["name"] for one in on.sets) - frozenset(on.sets_on) if on.sets else shown.sets_off
        self.stage.change(
            holes_by=on.holes_by or "none",
            discs_by=on.discs_by or "kind",
            kinds_off=frozenset(desk.kinds) - frozenset(on.kinds_on),
            grades_off=frozenset(desk.grades) - frozenset(on.grades_on),
            sets_off=sets,
            holes_off=frozenset(desk.traces.hole_ids.tolist()) - holes if holes else frozenset(),
            depth=(float(on.depth_from), float(on.depth_to) if on.depth_to < desk.deepest else float("inf")),
            suspicion=on.suspicion,
            disc_size=float(on.disc_size),
            by_width=bool(on.by_width),
            doubt=bool(on.doubt),
            depths=bool(on.depths),
            look=on.look,
        )

    # -- triggers

    @careful
    def sight(self, way: Way) -> dict[str, Any] | None:
        """Return how to look at the selection edge-on, down the hole or square to the section."""
        stage = self.stage
        shown = np.isin(stage.scene.discs.index, list(stage.history.now.selected))
        found = sight_along(stage.shown, stage.scene, shown, way) if way in get_args(Way) else None
        if found is None:
            self.tell("Select discs first: click them, or draw a loop on the net.")
            return None
        return asdict(found)

    @careful
    def undo(self) -> None:
        """Take back the last step, a decision or a change of the view."""
        self.stage.step(-1)

    @careful
    def redo(self) -> None:
        """Do again what was taken back."""
        self.stage.step(+1)

    @careful
    def clear(self) -> None:
        """Select nothing."""
        self.state.message = ""
        self.stage.select([])

    @careful
    def hide_selected(self) -> None:
        """Hide the selected discs."""
        now = self.stage.history.now
        self.stage.change(f"hid {len(now.selected)}", hidden=now.hidden | now.selected, selected=frozenset())

    @careful
    def isolate_selected(self) -> None:
        """Show the selected discs alone."""
        now = self.stage.history.now
        if now.selected:
            self.stage.change(f"showed {len(now.selected)} alone", alone=now.selected)

    @careful
    def show_everything(self) -> None:
        """Take back all filters."""
        self.stage.change("showed everything", **{name: getattr(NO_FILTERS, name) for name in FILTERS})

    @careful
    def stop_work(self) -> None:
        """Stop the work in the background."""
        self.stage.worker.stop()


CONTROLS = (
    "holes_by", "discs_by", "kinds_on", "grades_on", "sets_on", "holes_on", "depth_from", "depth_to", "suspicion",
    "disc_size", "by_width", "doubt", "depths", "look",
)  # fmt: skip
"""Names of state that the page's controls change and that belong to the view."""


def _items(choices: list[values.Choice]) -> list[dict[str, str]]:
    return [{"title": choice.title, "value": str(choice)} for choice in choices]
