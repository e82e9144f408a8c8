"""The server of the start page, until a project is chosen; then the viewer takes its place, at the same address."""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from aiohttp import web

import desurvey
from desurvey.cache import cache_folder
from desurvey.outputs import replacing, said
from desurvey.problems import DataProblem
from desurvey.project import adopt, look
from desurvey.project.adopting import with_choices
from desurvey.project.candidates import crs_named
from desurvey.project.settings import FILE
from desurvey.study import Study
from viewer.app.door import Guard, listening, new_token, until_interrupted
from viewer.start.told import told

__all__ = ["begin"]

HOST = "127.0.0.1"

PAGE = Path(__file__).with_name("start.html")

MOST_RECENT = 8

MOST_FOLDERS = 300
"""Folders of a folder that are listed."""


def begin(
    folder: Path | None = None, *, port: int = 0, open_browser: bool = True, say: Callable[[str], None] = print
) -> None:
    """Serve the start page on this machine, then the viewer of the project that is chosen there, until Ctrl-C.

    Parameters
    ----------
    folder : Path, optional
        What the page looks at first.
    port : int
        Port to listen on; 0 takes a free one.
    open_browser : bool
        Whether to open the address in the user's browser.
    say : callable
        Where the address is told.

    Raises
    ------
    DataProblem
        When the server can't listen there, or the viewer can't be opened.
    """
    from viewer.app.serving import serve

    token = new_token()
    try:
        study, port = asyncio.run(_chosen(Start(token, folder), port, open_browser=open_browser, say=say))
    except KeyboardInterrupt:
        study = None
    except OSError as error:
        raise DataProblem(f"the server can't listen on {HOST}, port {port}", value=error.strerror) from error
    if study is None:
        say("ended")
        return
    serve(study, host=HOST, port=port, token=token, open_browser=False, say=say)


async def _chosen(
    start: Start, port: int, *, open_browser: bool, say: Callable[[str], None]
) -> tuple[Study | None, int]:
    """Serve the page until a project is opened or Ctrl-C; return the study, and the port that the browser knows."""
    app = start.application()
    async with listening(app, start.token, port, "the start page", open_browser=open_browser, say=say) as port:
        ended = asyncio.create_task(until_interrupted())
        either: list[asyncio.Future[Any]] = [start.chosen, ended]
        await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        ended.cancel()
        return start.chosen.result() if start.chosen.done() else None, port


class Start:
    """What the start page asks: folders, a look at one, and to open it.

    Parameters
    ----------
    token : str
        What a browser has to know.
    folder : Path, optional
        What the page looks at first.
    """

    def __init__(self, token: str, folder: Path | None = None) -> None:
        self.token, self.folder = token, folder

    def application(self) -> web.Application:
        """Return the application, once a loop runs."""
        self.chosen: asyncio.Future[Study] = asyncio.get_running_loop().create_future()
        app = web.Application(client_max_size=4 << 20)
        Guard(self.token).hang(app)
        app.router.add_get("/index.html", self._page)
        app.router.add_get("/start.json", self._first)
        app.router.add_post("/folders", _answering(_folders))
        app.router.add_post("/look", _answering(_look))
        app.router.add_post("/open", self._open)
        return app

    async def _page(self, _request: web.Request) -> web.Response:
        return web.Response(text=PAGE.read_text(encoding="utf-8"), content_type="text/html")

    async def _first(self, _request: web.Request) -> web.Response:
        here = str((self.folder or Path.home()).resolve())
        return web.json_response({"folder": str(self.folder or ""), "here": here, "recent": recent()})

    async def _open(self, request: web.Request) -> web.Response:
        """Write the project.toml if need be, open the study, and let the viewer follow once the page has its answer."""
        studies: list[Study] = []

        def opened(asked: dict[str, Any]) -> dict[str, Any]:
            folder = _folder(asked)
            if asked.get("said") or not (folder / FILE).is_file():
                adopt(folder, _choices(asked))
            studies.append(desurvey.open(folder))
            _remember(folder)
            return {"token": self.token}

        response: web.Response = await _answering(opened)(request)
        if studies and not self.chosen.done():
            asyncio.get_running_loop().call_later(0.1, self.chosen.set_result, studies[0])
        return response


def _answering(answer: Callable[[dict[str, Any]], dict[str, Any]]) -> Callable[[web.Request], Any]:
    """Return a handler that asks in a thread, and says in words what can't be done."""

    async def handle(request: web.Request) -> web.Response:
        try:
            asked = await request.json()
            if not isinstance(asked, dict):
                return web.Response(status=400, text="an object is expected\n")
            body = await asyncio.to_thread(answer, asked)
        except DataProblem as problem:
            body = {"problem": str(problem)}
        except OSError as error:
            body = {"problem": f"the machine says: {said(error)} ({error.filename or ''})"}
        except (ValueError, RecursionError):
            return web.Response(status=400, text="this is no JSON\n")
        return web.json_response(body, dumps=lambda value: json.dumps(_plain(value)))

    return handle


def _plain(value: Any) -> Any:
    """Return a value that JSON has a word for."""
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, float) and value != value:
        return None
    return value if isinstance(value, str | int | float | bool | None) else str(value)


def _folder(asked: dict[str, Any]) -> Path:
    """Return the folder that is asked about; what a person pastes may have quotes around it, or name its home by ~."""
    text = str(asked.get("folder", "")).strip().strip("\"'")
    if not text:
        raise DataProblem("no folder is named", hint="type its path, or choose it below")
    return Path(os.path.expandvars(text)).expanduser()


def _choices(asked: dict[str, Any]) -> dict[str, Any]:
    """Return what has been said on the page, one choice after the other."""
    choices: dict[str, Any] = {}
    for one in asked.get("said", []):
        if not isinstance(one, dict):
            raise DataProblem("a choice has the shape of a project.toml", value=one)
        choices = with_choices(choices, one)
    crs = choices.get("frame", {}).get("crs", "") if isinstance(choices.get("frame"), dict) else ""
    code = f"EPSG:{crs.strip()}" if str(crs).strip().isdigit() else crs_named([str(crs)])[0]
    return with_choices(choices, {"frame": {"crs": code}}) if code else choices


def _look(asked: dict[str, Any]) -> dict[str, Any]:
    folder = _folder(asked)
    try:
        return told(look(folder, _choices(asked)))
    except DataProblem as problem:
        within = [path.name for path in _below(folder) if (path / FILE).is_file()] if folder.is_dir() else []
        if not within:
            raise
        hint = f"projects lie in folders of it: {', '.join(within)}"
        raise DataProblem(problem.rule, file=problem.file, hint=hint) from problem


def _folders(asked: dict[str, Any]) -> dict[str, Any]:
    """Return the folders of a folder, with those that are projects."""
    folder = _folder(asked).resolve()
    if not folder.is_dir():
        raise DataProblem("there is no such folder", file=str(folder))
    below = _below(folder)
    rows = [{"name": path.name, "path": str(path), "project": (path / FILE).is_file()} for path in below]
    return {"folder": str(folder), "above": str(folder.parent), "folders": rows[:MOST_FOLDERS]}


def _below(folder: Path) -> list[Path]:
    """Return the folders of a folder that aren't hidden, by name; none where they can't be listed."""
    try:
        names = [path for path in folder.iterdir() if path.is_dir() and not path.name.startswith((".", "$"))]
    except OSError:
        return []
    return sorted(names, key=lambda path: path.name.casefold())


# ----------------------------------------------------------------------------------------------------------- recent


def _recent_file() -> Path | None:
    folder = cache_folder()
    return None if folder is None else folder / "recent.json"


def recent() -> list[str]:
    """Return the folders that were opened last, the newest first, as far as they are there."""
    path = _recent_file()
    try:
        names = json.loads(path.read_text(encoding="utf-8")) if path is not None else []
    except (OSError, ValueError):
        return []
    return [name for name in names if isinstance(name, str) and Path(name).is_dir()][:MOST_RECENT]


def _remember(folder: Path) -> None:
    """Put a folder first among the recent ones; where that can't be written, nothing is lost but convenience."""
    path, name = _recent_file(), str(folder.resolve())
    if path is None:
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with replacing(path) as partial:
            partial.write_text(json.dumps([name, *(one for one in recent() if one != name)]), encoding="utf-8")
    except (OSError, DataProblem):
        return
