"""What the parts of the app share: the study, what is shown of it, one history, and work in the background.

A part gets the stage and the parts that it builds upon, never the app; so imports run one way. The stage computes
nothing: it holds what the engine says and tells the page.
"""

from __future__ import annotations

import asyncio
import functools
import logging
from collections.abc import Awaitable, Callable, Collection, Sequence
from dataclasses import replace
from typing import Any, ClassVar, NamedTuple, Protocol, TypeVar, cast

import numpy as np
import numpy.typing as npt
import pandas as pd
from trame_server.core import Server

from desurvey import suspects
from desurvey.decisions import Decision, Decisions, What, decide
from desurvey.problems import DataProblem
from desurvey.study import Answers, Study
from viewer.app.calls import checked
from viewer.app.desk import Desk, desk_of, look_of, shown_scene
from viewer.app.view import History, View
from viewer.app.work import NOT_TOLD, Stopped, Worker
from viewer.scene import Scene
from viewer.scene.doubt import with_doubt
from viewer.scene.faults import with_faults
from viewer.scene.ground import with_ground
from viewer.scene.pictures import Accused, pictured
from viewer.theme import Look

__all__ = ["Part", "Stage", "careful"]

T = TypeVar("T")
F = TypeVar("F", bound=Callable[..., Any])
Bools = npt.NDArray[np.bool_]

log = logging.getLogger("lowside.app")

SAME_SCENE = frozenset({"selected"})
"""Fields of a view that don't change what the scene holds."""


class Teller(Protocol):
    """Something that can show a message on the page."""

    def tell(self, message: str) -> None:
        """Show a message."""


def careful(method: F) -> F:
    """Make a callback say its errors on the page instead of ending the app; what is a bug goes to the log in full."""

    @functools.wraps(method)
    def run(self: Teller, *args: Any, **kwargs: Any) -> Any:
        try:
            return method(self, *args, **kwargs)
        except DataProblem as problem:
            self.tell(str(problem))
        except Exception as error:
            log.exception("in %s", method.__name__)
            self.tell(f"Something went wrong in the program ({type(error).__name__}: {error}); the terminal has more.")
        return None

    return cast("F", run)


class _Job(NamedTuple):
    """Work that waits for its turn."""

    what: str
    job: Callable[[], Awaitable[Any]]
    then: Callable[[Any], None]
    stops: bool


class Stage:
    """The common ground of the parts.

    Parameters
    ----------
    study : Study
        What is looked at, with the decisions of its file.
    server : Server
        Of trame: state shared with the page, and triggers.
    view : View
        What is shown first.

    Attributes
    ----------
    base : Desk
        The tables with nothing put right: what is asked before suspects are known, which may take a minute.
    shown : Desk
        The same as it is shown, with what is explained put right.
    decisions : Decisions
        As they stand in the file.
    table : pandas.DataFrame
        Suspects, and ``looked``, whether they have been looked for.
    answer : Answers or None
        What the line-up last said.
    scene : Scene
        All that is shown; :meth:`picture` gives that of one question.
    heard : list of callables
        Called when a new scene stands.
    decided : list of callables
        Called when decisions have been made or taken back.
    named : callable
        Gives a desk the sets of a view.
    """

    base: Desk
    shown: Desk
    scene: Scene
    _pictures: dict[str, Scene]

    def __init__(self, study: Study, server: Server, view: View) -> None:
        self.server, self.state = server, server.state
        self.folder, self.obeyed, self.fresh = study.logged.folder, study.obeyed, study.fresh
        self.as_of = study.as_of
        self.worker = Worker()
        self.heard: list[Callable[[], None]] = []
        self.decided: list[Callable[[], None]] = []
        self.named: Callable[[Desk, View], Desk] = lambda desk, _view: desk
        self._tasks: set[asyncio.Task[None]] = set()
        self._waiting: list[_Job] = []
        self.state.update(
            {"version": 0, "net_version": 0, "message": "", "busy": "", "busy_share": NOT_TOLD, "busy_stops": True}
        )
        self.state.update({"chosen": [], "basis": "", "marks": "", "undo_said": "", "redo_said": ""})
        self._begin(study, view)

    def _begin(self, study: Study, view: View) -> None:
        self.decisions = study.decisions
        self.base = desk_of(replace(study, decisions=Decisions()).accepting_only(()))
        self.table, self.looked = pd.DataFrame(columns=list(suspects.COLUMNS)), False
        self.answer: Answers | None = None
        self._explained: tuple[frozenset[str], Decisions, Desk] = (frozenset(), Decisions(), self.base)
        self.history = History.after(study.decisions, view)
        self.shown, self._base_shown, self._built, self._pictures = self.base, self.base, view, {}

    def take(self, study: Study) -> None:
        """Take a study whose tables have changed; filters and selection stay where that is possible."""
        before, now = self.base, self.history.now
        self._begin(study, now)
        selected = _same_structures(before, self.base, now.selected)
        self.history.settle(
            replace(now, selected=selected, hidden=frozenset(), alone=frozenset(), explained=frozenset())
        )

    # -- what stands ---

    def remember(self, study: Study) -> None:
        """Take over the names that faults have by now, so that they keep them."""
        if study.remembered != self.base.study.remembered:
            self.base = replace(self.base, study=replace(self.base.study, remembered=study.remembered))
            self._explained = (frozenset(), Decisions(), self.base)

    def desk_with(self, keys: Collection[str]) -> Desk:
        """Return the desk with the suspects of these keys put right and no others; other decisions stand."""
        known = frozenset(self.table["key"]) & frozenset(keys)
        if self._explained[:2] != (known, self.decisions):
            self._explained = (known, self.decisions, self.desk_apart(known))
        return self._explained[2]

    def desk_apart(self, keys: Collection[str]) -> Desk:
        """Return the same, worked out apart from what is shown."""
        other = self.decisions if self.obeyed else Decisions()
        return replace(self.base, study=self.base.study.deciding(other).accepting_only(keys))

    @property
    def concerned(self) -> Bools:
        """Which rows of the structures any suspect concerns."""
        return suspects.suspected(self.base.project, self.table)

    def members(self, table: pd.DataFrame) -> list[npt.NDArray[np.int64]]:
        """Return the rows of the structures that each suspect of a table concerns."""
        return suspects.members(self.base.project, table)

    def rows_of(self, names: Collection[str]) -> list[int]:
        """Return the rows of the structures table that have these ids."""
        column = self.base.project.structures["structure_id"]
        return [int(row) for row in np.flatnonzero(column.isin(list(names)))]

    def accepted(self) -> frozenset[str]:
        """Return the keys of the suspects that are known and accepted, where decisions are obeyed."""
        return self.decisions.keys("accepted") & frozenset(self.table["key"]) if self.obeyed else frozenset()

    # -- changes ---

    def change(self, words: str = "", **what: Any) -> None:
        """Go on to a changed view and show it."""
        self.history.change(words, **what)
        self.show()

    def select(self, rows: Sequence[int], *, add: bool = False) -> None:
        """Select rows of the structures table, or add them to those selected."""
        now, wanted = self.history.now.selected, frozenset(rows)
        self.change("", selected=now ^ wanted if add else wanted)

    def decide(
        self, words: str, made: Sequence[Decision] = (), undone: Sequence[tuple[What, str]] = (), **view: Any
    ) -> None:
        """Write decisions, or take some back, as one step of the history together with a change of the view."""
        self._write(made, undone)
        touched = {(one.what, one.key) for one in made} | set(undone)
        own = [one for one in self.history.state.decisions.made if (one.what, one.key) not in touched]
        own += [one for key, one in _by_key(self.decisions).items() if key in touched]
        self.history.change(words, decisions=Decisions(tuple(own)), **view)  # other people's are theirs to take back
        self.show()
        self._tell_decided()

    def step(self, way: int) -> None:
        """Go back (−1) or on (+1) one step of the history, views and decisions alike."""
        before, after = self.history.state, self.history.step(way)
        old, new = _by_key(before.decisions), _by_key(after.decisions)
        made = [one for key, one in new.items() if old.get(key) != one]
        undone = [key for key in old if key not in new]
        if made or undone:
            self._write(made, undone)
        self.show()
        if made or undone:
            self._tell_decided()

    def _tell_decided(self) -> None:
        for hear in self.decided:
            hear()

    def _write(self, made: Sequence[Decision], undone: Sequence[tuple[What, str]]) -> None:
        """Change the file, and take over what stands in it now, other people's decisions among it."""
        if self.as_of:
            raise DataProblem("nothing can be decided in the past", value=self.as_of, hint="open it without --at")
        changed = decide(self.folder, made, undone=undone, known=self.decisions)
        self.decisions = changed.decisions
        for other in changed.overruled:
            self.tell(f"{other.who} had decided otherwise about {other.key} ({other.answer}); yours stands now.")

    def show(self, *, anew: bool = False) -> None:
        """Show the present view: build the scene anew where it has to be, else only what is selected."""
        view = self.history.now
        same = frozenset() if view.doubt or self._built.doubt else SAME_SCENE
        decided = self.desk_with(view.explained) is not self._base_shown
        if anew or decided or view.without(same) != self._built.without(same):
            self.rebuild()
        else:
            self._tell_all()

    def rebuild(self) -> None:
        """Build the scene of the present view."""
        view = self.history.now
        self._base_shown = self.desk_with(view.explained)
        self.shown = self.named(self._base_shown, view)
        scene = self._scene_of(self.shown, view)
        if view.doubt:
            chosen = np.isin(scene.discs.index, list(view.selected))
            scene = with_doubt(scene, self.shown.study.spread, chosen)
        self.scene, self._built, self._pictures = scene, view, {}
        with self.state:
            self.state.version += 1
            self.state.net_version += 1
            self._tell_all()

    def scene_of(self, view: View) -> Scene:
        """Return the scene of a view that isn't shown; selection and doubt apart."""
        return self._scene_of(self.named(self.desk_with(view.explained), view), view)

    def _scene_of(self, shown: Desk, view: View) -> Scene:
        scene = with_ground(shown_scene(shown, view, self.concerned), self.base.ground)
        return scene if self.answer is None else with_faults(scene, self.answer.found, self.answer.windows)

    def picture(self, name: str) -> Scene:
        """Return the scene as one question draws it."""
        if name not in self._pictures:
            self._pictures[name] = self.picture_of(self.scene, name, look_of(self.history.now))
        return self._pictures[name]

    def picture_of(self, scene: Scene, name: str, look: Look) -> Scene:
        """Return a scene as one question draws it, before a background."""
        depth = self.base.project.structures["depth"].to_numpy(dtype=float)
        right, aside = self.history.now.explained, self.decisions.keys("set_aside")
        accused = Accused.of(self.table, self.members(self.table), depth, right, aside)
        return pictured(scene, name, look, self.base.traces.hole_ids, accused, self.answer)

    def _tell_all(self) -> None:
        """Put into the state what follows from scene, selection and history."""
        selected = list(self.history.now.selected)
        with self.state:
            self.state.chosen = np.flatnonzero(np.isin(self.scene.discs.index, selected)).tolist()
            self.state.selected_said = self._selection(selected)
            self.state.undo_said, self.state.redo_said = self.history.words(-1), self.history.words(+1)
            self.state.basis, self.state.marks = self._basis(), self.shown.study.marks if self.looked else ""
            for hear in self.heard:
                hear()

    def _selection(self, selected: list[int]) -> str:
        there = f"{len(self.scene.discs.index):,} discs shown".replace(",", "\N{NARROW NO-BREAK SPACE}")
        beyond = len(selected) - len(self.state.chosen)
        more = f", {beyond} of them not shown" if beyond else ""
        return f"{there}; {len(selected)} selected{more}" if selected else f"{there}; none selected"

    def _basis(self) -> str:
        """Return whether what is shown is as logged or as decided, and what is tried out besides."""
        now, accepted, count = self.history.now.explained, self.accepted(), len(self.decisions)
        decided = replace(self.base.study, decisions=self.decisions, obeyed=self.obeyed).basis
        if self.obeyed and not self.looked and self.decisions.keys("accepted"):
            decided = f"As logged until suspects are weighed; {count} decision{'s' if count > 1 else ''} then"
        tried, left = len(now - accepted), len(accepted - now)
        more = [f"{tried} more shown as explained" if accepted else f"{tried} shown as explained"] if tried else []
        more += [f"{left} accepted shown as logged"] if left else []
        return "; ".join([decided, *more])

    # -- the page ---

    def tell(self, message: str) -> None:
        """Show a message on the page."""
        with self.state:
            self.state.message = message

    def later(
        self, what: str, job: Callable[[], Awaitable[T]], then: Callable[[T], None], *, stops: bool = True
    ) -> None:
        """Do some work in the background, with a bar on the page, and go on with its result.

        Work takes its turn; of two pieces of the same name that wait only the later is done. Work of the worker can be
        stopped; other work says that it can't.
        """
        self._waiting = [*(one for one in self._waiting if one.what != what), _Job(what, job, then, stops)]
        if not self.state.busy:
            self._next()

    def _next(self) -> None:
        if not self._waiting:
            return
        job = self._waiting.pop(0)
        with self.state:
            self.state.update({"busy": job.what, "busy_share": NOT_TOLD, "busy_stops": job.stops})
        task = asyncio.get_running_loop().create_task(self._work(job))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _work(self, job: _Job) -> None:
        following = asyncio.ensure_future(self.worker.follow(self._tell_share))
        try:
            result = await job.job()
            with self.state:
                job.then(result)
        except Stopped:
            self._waiting = []
            self.tell(f"{job.what}: stopped.")
        except DataProblem as problem:
            self.tell(str(problem))
        except Exception as error:
            log.exception("in %s", job.what)
            self.tell(f"{job.what}: something went wrong in the program ({error}); the terminal has more.")
        finally:
            following.cancel()
            with self.state:
                self.state.busy = ""
                self._next()

    def _tell_share(self, share: float) -> None:
        with self.state:
            self.state.busy_share = share

    def close(self) -> None:
        """End what runs in the background."""
        for task in self._tasks:
            task.cancel()
        self.worker.stop()


class Part:
    """One of the app's questions or tools.

    Attributes
    ----------
    triggers : tuple of str
        Names of its methods that the page may call. What they return goes to the tab that called: a ``card``, what it
        is ``about`` and the ``place`` of that, all of them optional.
    stage : Stage
        What it shares with the other parts.
    """

    triggers: ClassVar[tuple[str, ...]] = ()

    def __init__(self, stage: Stage) -> None:
        self.stage = stage
        self.state = stage.state
        self.tell = stage.tell
        for name in self.triggers:
            stage.server.controller.trigger(name)(checked(getattr(self, name)))


def _by_key(decisions: Decisions) -> dict[tuple[What, str], Decision]:
    return {(one.what, one.key): one for one in decisions.made}


def _same_structures(before: Desk, after: Desk, rows: frozenset[int]) -> frozenset[int]:
    """Return the rows that the same structures, by their ids, have in changed tables."""
    names = set(before.project.structures["structure_id"].iloc[sorted(rows)]) - {""}
    return frozenset(np.flatnonzero(after.project.structures["structure_id"].isin(list(names))).tolist())
