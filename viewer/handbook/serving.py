"""The handbook in the browser: its routes behind a door, and a small server of its own."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from aiohttp import web

from desurvey.problems import DataProblem
from viewer.app.door import Guard, listening, new_token, until_interrupted
from viewer.handbook import rendering

__all__ = ["hang", "serve"]

PREFIX = "/handbook/"


def hang(app: web.Application) -> None:
    """Let an application that hasn't started yet answer for the handbook, under ``/handbook/``."""
    app.router.add_get(PREFIX + "{name}", _answer)


async def _answer(request: web.Request) -> web.Response:
    try:
        kind, content = await asyncio.to_thread(rendering.content, request.match_info["name"])
    except KeyError:
        return web.Response(status=404, text="The handbook has no such page.\n")
    return web.Response(body=content, content_type=kind, charset=None if kind == "image/png" else "utf-8")


def serve(first: str, *, port: int = 0, open_browser: bool = True, say: Callable[[str], None] = print) -> None:
    """Serve the handbook to this machine until it is interrupted.

    Parameters
    ----------
    first : str
        Page to open, ``page.html#anchor``.
    port : int
        Port to listen on; 0 takes a free one.
    open_browser : bool
        Whether to open the address in the user's browser.
    say : callable
        Where the address is told.

    Raises
    ------
    DataProblem
        When the port can't be listened on.
    """
    try:
        asyncio.run(_run(first, port, open_browser=open_browser, say=say))
    except KeyboardInterrupt:
        say("ended")
    except OSError as error:
        raise DataProblem(f"the server can't listen on port {port}", value=error.strerror) from error


async def _run(first: str, port: int, *, open_browser: bool, say: Callable[[str], None]) -> None:
    guard = Guard(new_token(), home=PREFIX + first)
    app = web.Application()
    guard.hang(app)
    hang(app)
    async with listening(app, guard.token, port, "the handbook", open_browser=open_browser, say=say):
        await until_interrupted()
        say("ended")
