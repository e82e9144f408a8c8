"""The app: binds a project's desk and the state of the view to the page. It computes nothing itself."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, TypeVar, get_args

import numpy as np
from trame_server.core import Server

from desurvey.problems import DataProblem
from desurvey.study import Study
from viewer import page as pages
from viewer.app import panels
from viewer.app.aiming import Aiming
from viewer.app.desk import Desk, Way, desk_of, look_of, net_points, poles_on_net, shown_scene, sight_along
from viewer.app.door import Door
from viewer.app.findings import Findings
from viewer.app.keeping import Keeping
from viewer.app.lines import Lines
from viewer.app.listing import Listing
from viewer.app.painter import Painter
from viewer.app.parts import careful
from viewer.app.picking import Picking
from viewer.app.possible import Possible
from viewer.app.sets import SetsPart
from viewer.app.slabs import fence
from viewer.app.taking import Taking
from viewer.app.view import FILTERS, NO_FILTERS, History, View
from viewer.app.watching import Watching
from viewer.app.work import NOT_TOLD, Stopped, Worker
from viewer.page.packing import cell_colours, encoded, encoded_bytes, legend_html, packed
from viewer.scene import Scene, values
from viewer.scene.camera import Camera
from viewer.scene.doubt import with_doubt
from viewer.scene.faults import with_faults
from viewer.scene.ground import with_ground

__all__ = ["App"]

T = TypeVar("T")

log = logging.getLogger("lowside.app")

WEB = Path(__file__).with_name("web")
SPACE = Path(pages.__file__).parent

DRAWN_BY_SERVER = 6000
"""Discs up to which the processor draws about ten pictures a second; above it a graphics card has to."""

LEAST_MOVE = 0.01
"""Radii of the net by which a pole has to move before the move is drawn."""

SAME_SCENE = frozenset({"selected"})
"""Fields of a view that don't change what the scene holds."""


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
        self.folder, self.server, self.state = study.logged.folder, server, server.state
        self.desk: Desk = desk_of(study)
        self.history = History([view])
        self.painter, self.worker = Painter(), Worker()
        self.door = Door(
            token,
            scene=self._scene_json,
            net=self._net_json,
            picture=self._picture,
            relog=lambda: self.lines.relog_page(),
        )
        self._painted = -1
        self._tasks: set[asyncio.Task[None]] = set()
        self.possible, self.lines = Possible(self), Lines(self)
        self.picking, self.listing, self.sets = Picking(self), Listing(self), SetsPart(self)
        self.findings = Findings(self)
        self._prepare_state()
        self._rebuild()
        self._bind()
        self.aiming = Aiming(self)
        asked = (self.possible, self.lines, self.aiming, self.sets)
        self.parts = (*asked, self.picking, self.listing, self.findings, Taking(self), Keeping(self))
        self.watching = Watching(self)
        server.enable_module(
            {
                "serve": {"__lowside_space": str(SPACE), "__lowside_app": str(WEB)},
                "scripts": ["__lowside_space/space.js", "__lowside_space/picking.js", "__lowside_app/app.js"],
                "styles": ["__lowside_space/space.css", "__lowside_app/app.css"],
                "vue_use": ["lowside"],
            }
        )
        panels.lay_out(server)
        server.controller.add("on_server_bind")(lambda web_server: self.door.hang(web_server.app))

    def take(self, desk: Desk) -> None:
        """Take a desk whose tables have changed; filters, camera and selection stay where that is possible."""
        selected = _same_structures(self.desk, desk, self.history.now.selected)
        with self.state:
            self.desk = desk
            for part in (self.possible, self.lines, self.sets):
                part.reset()
            self.history = History(
                [replace(self.history.now, selected=selected, hidden=frozenset(), alone=frozenset())]
            )
            self.state.card = ""
            self._show_desk()
            self.findings.show()
            self._rebuild()
            self.aiming.changed()
            self._show_view(self.history.now)

    async def close(self) -> None:
        """End what runs in the background."""
        for task in self._tasks:
            task.cancel()
        self.worker.stop()
        await self.painter.close()

    # -- state ---

    def _prepare_state(self) -> None:
        """Set every name of state that the page reads."""
        self.state.update(
            {
                "version": 0,
                "net_version": 0,
                "panel": "possible",
                "card": "",
                "message": "",
                "busy": "",
                "busy_share": NOT_TOLD,
                "busy_stops": True,
                "chosen": [],
                "drawing": "server" if self._draws_well() else "here",
                "keys_shown": False,
                "lacks_shown": True,
            }
        )
        self._show_desk()
        self._show_view(self.history.now)

    def _draws_well(self) -> bool:
        """Return whether pictures come from the server unless told otherwise: of small scenes, or from a card."""
        return len(self.desk.project.structures) <= DRAWN_BY_SERVER or self.painter.has_card()

    def _show_desk(self) -> None:
        """Put what depends on the tables alone into the state."""
        desk, project = self.desk, self.desk.project
        self.state.update(
            {
                "kinds": desk.kinds,
                "grades": desk.grades,
                "holes": desk.traces.hole_ids.tolist(),
                "deepest": float(np.ceil(desk.deepest)),
                "lacks": list(desk.lacks),
                "can_line_up": desk.picks,
                "disc_columns": _items(values.disc_choices(project)),
                "hole_columns": [{"title": "plain", "value": "none"}, *_items(values.hole_choices(project))],
            }
        )

    def _show_view(self, view: View) -> None:
        """Put a view into the state, where the page's controls follow it."""
        chosen = values.usual(self.desk.project)
        deepest = float(np.ceil(self.desk.deepest))
        self.state.update(
            {
                "holes_by": view.holes_by or (str(chosen) if chosen else "none"),
                "discs_by": f"structures.{view.discs_by}" if "." not in view.discs_by else view.discs_by,
                "kinds_on": [kind for kind in self.desk.kinds if kind not in view.kinds_off],
                "grades_on": [grade for grade in self.desk.grades if grade not in view.grades_off],
                "holes_on": [hole for hole in self.desk.traces.hole_ids.tolist() if hole not in view.holes_off]
                if view.holes_off
                else [],
                "depth_from": view.depth[0],
                "depth_to": min(view.depth[1], deepest),
                "suspicion": view.suspicion,
                "disc_size": view.disc_size,
                "by_width": view.by_width,
                "doubt": view.doubt,
                "depths": view.depths,
                "look": view.look,
            }
        )
        self.sets.show(view)

    def _bind(self) -> None:
        state, controller = self.state, self.server.controller
        state.change(*CONTROLS)(self.controls_changed)
        for name in TRIGGERS:
            controller.trigger(name)(getattr(self, name))

    def tell(self, message: str) -> None:
        """Show a message on the page."""
        with self.state:
            self.state.message = message

    # -- the view ---

    @careful
    def controls_changed(self, **_state: Any) -> None:
        """Take over what the page's controls say."""
        on = self.state
        holes = set(on.holes_on or [])
        self.apply(
            self.history.change(
                holes_by=on.holes_by or "none",
                discs_by=on.discs_by or "kind",
                kinds_off=frozenset(self.desk.kinds) - frozenset(on.kinds_on),
                grades_off=frozenset(self.desk.grades) - frozenset(on.grades_on),
                sets_off=self.sets.off(self.history.now, on.sets_on),
                holes_off=frozenset(self.desk.traces.hole_ids.tolist()) - holes if holes else frozenset(),
                depth=(float(on.depth_from), float(on.depth_to) if on.depth_to < self.desk.deepest else float("inf")),
                suspicion=on.suspicion,
                disc_size=float(on.disc_size),
                by_width=bool(on.by_width),
                doubt=bool(on.doubt),
                depths=bool(on.depths),
                look=on.look,
            )
        )

    def apply(self, view: View, *, anew: bool = False) -> None:
        """Show a view: build the scene anew where it has to be, and say what is selected."""
        same = frozenset() if view.doubt or self._built.doubt else SAME_SCENE
        if anew or _without(view, same) != _without(self._built, same):
            self._rebuild()
        else:
            self._show_selection()
        self._show_view(view)

    def _rebuild(self) -> None:
        view = self.history.now
        self.shown = self.sets.named(self.possible.desk(view.explained), view)
        self.scene: Scene = shown_scene(self.shown, view, self.possible.concerned())
        self.scene = with_ground(self.scene, self.desk.ground)
        if self.lines.answer is not None:
            self.scene = with_faults(self.scene, self.lines.answer.found, self.lines.answer.windows)
        if view.doubt:
            chosen = np.isin(self.scene.discs.index, list(view.selected))
            self.scene = with_doubt(self.scene, self.shown.study.spread, chosen)
        self._built = view
        with self.state:
            self.state.version += 1
            self.state.net_version += 1
            self.state.title, self.state.subtitle = self.scene.title, self.scene.subtitle
            self.state.legend = legend_html(self.scene.legend)
            self._show_selection()
            self.possible.show()

    def _show_selection(self) -> None:
        selected = self.history.now.selected
        shown = np.isin(self.scene.discs.index, list(selected))
        self.state.chosen = np.flatnonzero(shown).tolist()
        self.listing.show()
        there = f"{len(self.scene.discs.index):,} discs shown".replace(",", "\N{NARROW NO-BREAK SPACE}")
        beyond = len(selected) - int(shown.sum())
        more = f", {beyond} of them not shown" if beyond else ""
        self.state.selected_said = f"{there}; {len(selected)} selected{more}" if selected else f"{there}; none selected"

    def select(self, rows: Sequence[int], *, add: bool = False) -> None:
        """Select rows of the structures table, or add them to those selected."""
        now = self.history.now.selected
        wanted = frozenset(rows)
        self.apply(self.history.change(selected=now ^ wanted if add else wanted))

    # -- what the browser asks for ---

    def _scene_json(self) -> dict[str, Any]:
        data = packed(self.scene, look_of(self.history.now), rows=False)
        return data | {"version": self.state.version, "fence": fence(self.scene, self.shown.traces)}

    def _net_json(self) -> dict[str, Any]:
        look = look_of(self.history.now)
        return {
            "points": encoded(net_points(self.scene)),
            "rgb": encoded_bytes(cell_colours(self.scene.discs.mesh)),
            "look": {"text": look.text, "quiet": look.quiet, "accent": look.accent},
            "curves": [*self._moved(), *self.aiming.curves()],
            "blind": self.aiming.blind(),
            "version": self.state.version,
        }

    def _moved(self) -> list[dict[str, Any]]:
        """Return lines on the net from the poles as logged to the poles as explained."""
        index = self.scene.discs.index
        before, after = poles_on_net(self.desk.oriented.normal[index]), net_points(self.scene)
        moved = np.flatnonzero(np.hypot(*(after - before).T) > LEAST_MOVE)
        colour = look_of(self.history.now).accent
        return [{"colour": colour, "points": [before[i].tolist(), after[i].tolist()]} for i in moved]

    async def _picture(self, asked: dict[str, Any]) -> bytes:
        camera = Camera.asked(asked)
        if self._painted != self.state.version:
            self._painted = self.state.version
            await self.painter.load(self.scene, look_of(self.history.now))
        return await self.painter.paint(camera)

    # -- triggers ---

    @careful
    def sight(self, way: Way) -> dict[str, Any] | None:
        """Return how to look at the selection edge-on, down the hole or square to the section."""
        shown = np.isin(self.scene.discs.index, list(self.history.now.selected))
        found = sight_along(self.shown, self.scene, shown, way) if way in get_args(Way) else None
        if found is None:
            self.tell("Select discs first: click them, or draw a loop on the net.")
            return None
        return asdict(found)

    @careful
    def undo(self) -> None:
        """Go back one change of the view."""
        self.apply(self.history.undo())

    @careful
    def redo(self) -> None:
        """Go forward one change of the view."""
        self.apply(self.history.redo())

    @careful
    def clear(self) -> None:
        """Select nothing and close the card."""
        self.state.card = ""
        self.state.keys_shown = False
        self.state.message = ""
        self.select([])

    @careful
    def hide_selected(self) -> None:
        """Hide the selected discs."""
        now = self.history.now
        self.apply(self.history.change(hidden=now.hidden | now.selected, selected=frozenset()))

    @careful
    def isolate_selected(self) -> None:
        """Show the selected discs alone."""
        if self.history.now.selected:
            self.apply(self.history.change(alone=self.history.now.selected))

    @careful
    def show_everything(self) -> None:
        """Take back all filters."""
        self.apply(self.history.change(**{name: getattr(NO_FILTERS, name) for name in FILTERS}))

    @careful
    def keys(self) -> None:
        """Show or hide the list of keys."""
        self.state.keys_shown = not self.state.keys_shown

    def later(
        self, what: str, job: Callable[[], Awaitable[T]], then: Callable[[T], None], *, stops: bool = True
    ) -> None:
        """Do some work in the background, with a bar on the page, and go on with its result.

        Work that the worker does can be stopped; other work says that it can't.
        """
        if self.state.busy:
            self.tell(f"Still busy: {self.state.busy}.")
            return
        with self.state:
            self.state.update({"busy": what, "busy_share": NOT_TOLD, "busy_stops": stops})
        task = asyncio.get_running_loop().create_task(self._work(what, job, then))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _work(self, what: str, job: Callable[[], Awaitable[T]], then: Callable[[T], None]) -> None:
        following = asyncio.ensure_future(self.worker.follow(self._tell_share))
        try:
            result = await job()
            with self.state:
                then(result)
        except Stopped:
            self.tell(f"{what}: stopped.")
        except DataProblem as problem:
            self.tell(str(problem))
        except Exception as error:
            log.exception("in %s", what)
            self.tell(f"{what}: something went wrong in the program ({error}); the terminal has more.")
        finally:
            following.cancel()
            with self.state:
                self.state.busy = ""

    def _tell_share(self, share: float) -> None:
        with self.state:
            self.state.busy_share = share

    @careful
    def stop_work(self) -> None:
        """Stop the work in the background."""
        self.worker.stop()


CONTROLS = (
    "holes_by",
    "discs_by",
    "kinds_on",
    "grades_on",
    "sets_on",
    "holes_on",
    "depth_from",
    "depth_to",
    "suspicion",
    "disc_size",
    "by_width",
    "doubt",
    "depths",
    "look",
)
"""Names of state that the page's controls change and that belong to the view."""

TRIGGERS = (
    "sight",
    "undo",
    "redo",
    "clear",
    "hide_selected",
    "isolate_selected",
    "show_everything",
    "keys",
    "stop_work",
)
"""Methods that the page calls by their names."""


def _same_structures(before: Desk, after: Desk, rows: frozenset[int]) -> frozenset[int]:
    """Return the rows that the same structures, by their ids, have in changed tables."""
    names = set(before.project.structures["structure_id"].iloc[sorted(rows)]) - {""}
    return frozenset(np.flatnonzero(after.project.structures["structure_id"].isin(list(names))).tolist())


def _without(view: View, names: frozenset[str]) -> dict[str, Any]:
    return {name: value for name, value in asdict(view).items() if name not in names}


def _items(choices: list[values.Choice]) -> list[dict[str, str]]:
    return [{"title": choice.title, "value": str(choice)} for choice in choices]
