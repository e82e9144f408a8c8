"""The app: binds a project's desk and the state of the view to the page. It computes nothing itself."""

from __future__ import annotations

import asyncio
import functools
import logging
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, get_args

import numpy as np
from trame_server.core import Server

from desurvey.problems import DataProblem
from viewer import page as pages
from viewer.app import panels
from viewer.app.cards import disc_card, hole_card
from viewer.app.desk import Desk, Way, load_desk, look_of, net_points, shown_scene, sight_along
from viewer.app.door import Door
from viewer.app.painter import Camera, Painter
from viewer.app.view import History, View
from viewer.page.packing import encoded, legend_html, packed
from viewer.scene import Scene, values
from viewer.scene.draw import view_azimuth

__all__ = ["App"]

log = logging.getLogger("lowside.app")

WEB = Path(__file__).with_name("web")
SPACE = Path(pages.__file__).parent

DRAWN_BY_SERVER = 6000
"""Discs up to which pictures come from the server unless told otherwise (FEASIBILITY: about ten a second)."""

SAME_SCENE = frozenset({"selected"})
"""Fields of a view that don't change what the scene holds."""


def careful(method: Callable[..., Any]) -> Callable[..., Any]:
    """Make a callback say its errors on the page instead of ending the app; what is a bug goes to the log in full."""

    @functools.wraps(method)
    def run(self: App, *args: Any, **kwargs: Any) -> Any:
        try:
            return method(self, *args, **kwargs)
        except DataProblem as problem:
            self.tell(str(problem))
        except Exception as error:
            log.exception("in %s", method.__name__)
            self.tell(f"Something went wrong in the program ({type(error).__name__}: {error}); the terminal has more.")
        return None

    return run


class App:
    """The viewer of one project.

    Parameters
    ----------
    folder : Path
        The project.
    server : Server
        A trame server; tests may hand in their own.
    token : str
        What a browser has to know.
    """

    def __init__(self, folder: Path, server: Server, token: str) -> None:
        self.folder, self.server, self.state = folder, server, server.state
        self.desk: Desk = load_desk(folder)
        self.history = History()
        self.painter = Painter()
        self.door = Door(token, scene=self._scene_json, net=self._net_json, picture=self._picture)
        self._painted = -1
        self._tasks: set[asyncio.Task[None]] = set()
        self._slab_hole = -1
        self._prepare_state()
        self._rebuild()
        self._bind()
        server.enable_module(
            {
                "serve": {"__lowside_space": str(SPACE), "__lowside_app": str(WEB)},
                "scripts": ["__lowside_space/space.js", "__lowside_app/app.js"],
                "styles": ["__lowside_space/space.css", "__lowside_app/app.css"],
                "vue_use": ["lowside"],
            }
        )
        panels.lay_out(server)
        server.controller.add("on_server_bind")(lambda web_server: self.door.hang(web_server.app))

    async def close(self) -> None:
        """End what runs in the background."""
        for task in self._tasks:
            task.cancel()
        await self.painter.close()

    # -- state ---

    def _prepare_state(self) -> None:
        """Set every name of state that the page reads."""
        self.state.update(
            {
                "version": 0,
                "panel": "possible",
                "card": "",
                "message": "",
                "busy": "",
                "chosen": [],
                "drawing": "server" if len(self.desk.project.structures) <= DRAWN_BY_SERVER else "here",
                "stretch": 1,
                "keys_shown": False,
                "slab": None,
                "slab_on": False,
                "slab_thickness": 40,
                "slab_place": 0,
                "slab_said": "",
                "findings": [],
                "findings_said": "",
                "lineup_said": "",
                "aim_said": "",
            }
        )
        self._show_desk()
        self._show_view(self.history.now)

    def _show_desk(self) -> None:
        """Put what depends on the tables alone into the state."""
        desk, project = self.desk, self.desk.project
        self.state.update(
            {
                "kinds": desk.kinds,
                "grades": desk.grades,
                "holes": desk.traces.hole_ids.tolist(),
                "deepest": float(np.ceil(desk.deepest)),
                "disc_columns": _items(values.disc_choices(project)),
                "hole_columns": [{"title": "plain", "value": "none"}, *_items(values.hole_choices(project))],
                "findings": _findings(desk),
                "findings_said": _said_of_findings(desk),
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
                "look": view.look,
            }
        )

    def _bind(self) -> None:
        state, controller = self.state, self.server.controller
        state.change(*CONTROLS)(self.controls_changed)
        state.change("slab_on", "slab_thickness", "slab_place", "slab_azimuth")(self.slab_changed)
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
                holes_off=frozenset(self.desk.traces.hole_ids.tolist()) - holes if holes else frozenset(),
                depth=(float(on.depth_from), float(on.depth_to) if on.depth_to < self.desk.deepest else float("inf")),
                suspicion=on.suspicion,
                disc_size=float(on.disc_size),
                by_width=bool(on.by_width),
                look=on.look,
            )
        )

    def apply(self, view: View) -> None:
        """Show a view: build the scene anew where it has to be, and say what is selected."""
        if _without(view, SAME_SCENE) != _without(self._built, SAME_SCENE):
            self._rebuild()
        self._show_selection()
        self._show_view(view)

    def _rebuild(self) -> None:
        view = self.history.now
        self.scene: Scene = shown_scene(self.desk, self.desk.oriented, view, self._suspected())
        self._built = view
        with self.state:
            self.state.version += 1
            self.state.title, self.state.subtitle = self.scene.title, self.scene.subtitle
            self.state.legend = legend_html(self.scene.legend)
            self._show_selection()
            self._show_slab_range()

    def _suspected(self) -> Any:
        return np.zeros(len(self.desk.project.structures), dtype=bool)

    def _show_selection(self) -> None:
        selected = self.history.now.selected
        shown = np.isin(self.scene.discs.index, list(selected))
        self.state.chosen = np.flatnonzero(shown).tolist()
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
        return data | {"version": self.state.version}

    def _net_json(self) -> dict[str, Any]:
        data = self._scene_json()
        look = look_of(self.history.now)
        return {
            "points": encoded(net_points(self.scene)),
            "rgb": data["discs"]["rgb"],
            "look": {"text": look.text, "quiet": look.quiet, "accent": look.accent},
            "curves": [],
            "version": self.state.version,
        }

    async def _picture(self, asked: dict[str, Any]) -> bytes:
        camera = Camera.asked(asked)
        if self._painted != self.state.version:
            self._painted = self.state.version
            await self.painter.load(self.scene, look_of(self.history.now))
        return await self.painter.paint(camera)

    # -- triggers ---

    @careful
    def pick(self, disc: int, piece: int, many: bool, version: int) -> None:
        """Select what was clicked and show its card: a disc, a piece of a hole, or nothing."""
        if version != self.state.version:
            return
        if 0 <= disc < len(self.scene.discs.index):
            row = int(self.scene.discs.index[disc])
            self.select([row], add=many)
            self.show_card(row)
        elif 0 <= piece < self.scene.drilled.n_cells:
            cells = self.scene.drilled.cell_data
            self.state.card = hole_card(
                self.desk, int(cells["hole"][piece]), float(cells["depth_from"][piece] + cells["depth_to"][piece]) / 2
            )
        else:
            self.state.card = ""
            if not many:
                self.select([])

    @careful
    def pick_row(self, row: int) -> None:
        """Select a row of the structures table and show its card."""
        if 0 <= row < len(self.desk.project.structures):
            self.select([row])
            self.show_card(row)

    def show_card(self, row: int) -> None:
        """Show the card of a row of the structures table."""
        self.state.card = disc_card(self.desk, self.desk.oriented, row)

    @careful
    def lasso(self, discs: list[int], many: bool, version: int) -> None:
        """Select the discs in a loop drawn on the net."""
        if version == self.state.version:
            index = self.scene.discs.index
            self.select([int(index[disc]) for disc in discs if 0 <= disc < len(index)], add=many)

    @careful
    def sight(self, way: Way) -> dict[str, Any] | None:
        """Return how to look at the selection edge-on, down the hole or square to the section."""
        shown = np.isin(self.scene.discs.index, list(self.history.now.selected))
        found = sight_along(self.desk, self.scene, shown, way) if way in get_args(Way) else None
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
        """Take back all filters and the slab."""
        now = self.history.now
        self.state.slab_on = False
        self.apply(
            self.history.change(**asdict(View(now.holes_by, now.discs_by, selected=now.selected, look=now.look)))
        )

    @careful
    def keys(self) -> None:
        """Show or hide the list of keys."""
        self.state.keys_shown = not self.state.keys_shown

    # -- slab ---

    def _show_slab_range(self) -> None:
        self.state.slab_reach = float(np.ceil(np.hypot(*self.scene.frame.size[:2]) / 2 / 10) * 10)
        if not hasattr(self.state, "slab_azimuth") or self.state.slab_azimuth is None:
            self.state.slab_azimuth = round((view_azimuth(self.scene) + 90.0) % 180.0)

    def _slab_normal(self) -> tuple[float, float, float]:
        azimuth = np.deg2rad(float(self.state.slab_azimuth) + 90.0)
        return float(np.sin(azimuth)), float(np.cos(azimuth)), 0.0

    @careful
    def slab_changed(self, **_state: Any) -> None:
        """Move the slab to where its sliders are."""
        normal = self._slab_normal()
        middle = float(np.dot(normal, (self.scene.frame.low + self.scene.frame.high) / 2))
        slab = {
            "normal": normal,
            "offset": middle + float(self.state.slab_place),
            "thickness": max(float(self.state.slab_thickness), 0.1),
        }
        self.state.slab = slab if self.state.slab_on else None

    @careful
    def slab_back(self) -> None:
        """Move the slab back by half its thickness."""
        self._move_slab(-0.5)

    @careful
    def slab_on_step(self) -> None:
        """Move the slab on by half its thickness."""
        self._move_slab(0.5)

    def _move_slab(self, share: float) -> None:
        self.state.slab_on = True
        place = float(self.state.slab_place) + share * float(self.state.slab_thickness)
        self.state.slab_place = float(np.clip(place, -self.state.slab_reach, self.state.slab_reach))

    @careful
    def previous_hole(self) -> None:
        """Put the slab through the hole before, along the fence."""
        self._step_hole(-1)

    @careful
    def next_hole_along(self) -> None:
        """Put the slab through the next hole along the fence."""
        self._step_hole(1)

    def _step_hole(self, step: int) -> None:
        traces, frame = self.desk.traces, self.scene.frame
        if not len(traces.hole_ids):
            return
        middle = frame.local(traces.at(np.arange(len(traces.end)), traces.end / 2).position)
        across = middle @ np.array(self._slab_normal())
        order = np.argsort(across, kind="stable")
        place = int(np.flatnonzero(order == self._slab_hole)[0]) if self._slab_hole >= 0 else (-1 if step > 0 else 0)
        self._slab_hole = int(order[(place + step) % len(order)])
        centre = float(np.dot(self._slab_normal(), (frame.low + frame.high) / 2))
        self.state.slab_on = True
        self.state.slab_place = round(float(across[self._slab_hole]) - centre, 1)
        self.state.slab_said = f"through {traces.hole_ids[self._slab_hole]}"

    # -- to take away ---

    @careful
    def save_picture(self) -> None:
        """Write a still at print size beside the project's tables."""
        self._save("scene.png", lambda path: _still(self.scene, path, self.history.now.look))

    @careful
    def save_page(self) -> None:
        """Write the offline page beside the project's tables."""
        self._save("scene.html", lambda path: pages.page(self.scene, path))

    def _save(self, name: str, write: Callable[[Path], object]) -> None:
        folder = self.folder / "pictures"
        folder.mkdir(exist_ok=True)
        self._later(f"Writing {name}", lambda: write(folder / name), lambda _: self.tell(f"Written: {folder / name}"))

    def _later(self, what: str, job: Callable[[], Any], then: Callable[[Any], None]) -> None:
        """Run a job in a thread of its own, with a bar on the page, and go on with its result."""

        async def run() -> None:
            with self.state:
                self.state.busy = what
            try:
                result = await asyncio.to_thread(job)
                with self.state:
                    then(result)
            except DataProblem as problem:
                self.tell(str(problem))
            except Exception as error:
                log.exception("in %s", what)
                self.tell(f"{what}: something went wrong in the program ({error}); the terminal has more.")
            finally:
                with self.state:
                    self.state.busy = ""

        task = asyncio.get_running_loop().create_task(run())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)


CONTROLS = (
    "holes_by",
    "discs_by",
    "kinds_on",
    "grades_on",
    "holes_on",
    "depth_from",
    "depth_to",
    "suspicion",
    "disc_size",
    "by_width",
    "look",
)
"""Names of state that the page's controls change and that belong to the view."""

TRIGGERS = (
    "pick",
    "pick_row",
    "lasso",
    "sight",
    "undo",
    "redo",
    "clear",
    "hide_selected",
    "isolate_selected",
    "show_everything",
    "keys",
    "slab_back",
    "slab_on_step",
    "previous_hole",
    "next_hole_along",
    "save_picture",
    "save_page",
)
"""Methods that the page calls by their names."""


def _still(scene: Scene, path: Path, look: Any) -> Path:
    from viewer.still import still

    return still(scene, path, size=(3200, 2000), look=look)


def _without(view: View, names: frozenset[str]) -> dict[str, Any]:
    return {name: value for name, value in asdict(view).items() if name not in names}


def _items(choices: list[values.Choice]) -> list[dict[str, str]]:
    return [{"title": choice.title, "value": str(choice)} for choice in choices]


def _findings(desk: Desk) -> list[dict[str, Any]]:
    """Return what loading found, with the row to pick where it is about a structure."""
    rows = {int(row): place for place, row in enumerate(desk.project.structures["row"])}
    return [
        {
            "hole": finding.hole_id,
            "depth": "" if finding.depth is None else f"{finding.depth:g} m",
            "said": str(finding),
            "row": rows.get(finding.row, -1) if finding.table == "structures" and finding.row is not None else -1,
        }
        for finding in desk.project.findings[:500]
    ]


def _said_of_findings(desk: Desk) -> str:
    count = len(desk.project.findings)
    if not count:
        return "Loading the tables found nothing to say."
    return f"Loading the tables found {count} thing{'s' if count > 1 else ''} to look at."
