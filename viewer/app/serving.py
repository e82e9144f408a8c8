"""The server of the app: where it listens, who may come in, and how it ends."""

from __future__ import annotations

import asyncio
import logging
import sys
import webbrowser
from collections.abc import Callable, Coroutine
from uuid import uuid4

from trame.app import get_server
from trame_server.core import Server

from desurvey.problems import DataProblem
from desurvey.study import Study
from viewer.app.app import App
from viewer.app.door import is_loopback, new_token, until_interrupted
from viewer.app.view import View

__all__ = ["serve"]


def serve(
    study: Study,
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    token: str = "",
    open_browser: bool = True,
    view: View | None = None,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the viewer of a project until it is interrupted.

    Parameters
    ----------
    study : Study
        What is looked at.
    host : str
        Address to listen on. Any but this machine's own demands a token that the user chose.
    port : int
        Port to listen on; 0 takes a free one.
    token : str
        What a browser has to know; empty for a new random one.
    open_browser : bool
        Whether to open the address in the user's browser.
    view : View, optional
        What is shown first.
    say : callable
        Where the address is told.

    Raises
    ------
    DataProblem
        When the project can't be used, or when others could reach a server without a token of the user's.
    """
    if not is_loopback(host) and len(token) < SHORTEST:
        raise DataProblem(
            f"a server that others can reach needs a --token of at least {SHORTEST} characters",
            value=host,
            hint="choose one, or leave --host out to serve this machine only",
        )
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(name)s: %(message)s")
    try:
        asyncio.run(_run(study, (host, port), token or new_token(), view or View(), open_browser=open_browser, say=say))
    except KeyboardInterrupt:
        say("ended")
    except OSError as error:
        raise DataProblem(f"the server can't listen on {host}, port {port}", value=error.strerror) from error


SHORTEST = 12
"""Shortest token that a user may choose, characters."""


async def _run(
    study: Study, place: tuple[str, int], token: str, view: View, *, open_browser: bool, say: Callable[[str], None]
) -> None:
    server = get_server(f"lowside-{uuid4()}", client_type="vue3")
    app = App(study, server, token, view)
    serving = asyncio.ensure_future(_started(server, *place, app.door.secret))
    try:
        await asyncio.wait([serving, server.ready], return_when=asyncio.FIRST_COMPLETED)
        if serving.done():
            await serving
        address = f"http://{_in_url(place[0])}:{server.port}/?token={token}"
        say(f"the viewer is at {address}")
        say("end it with Ctrl-C")
        if open_browser:
            webbrowser.open(address)
        watching = asyncio.ensure_future(app.watching.run())
        await until_interrupted()
        watching.cancel()
        say("ended")
    finally:
        await server.stop()
        await app.close()


def _in_url(host: str) -> str:
    """Return a host as it is written in an address."""
    return f"[{host}]" if ":" in host else host


def _started(server: Server, host: str, port: int, secret: str) -> Coroutine[object, object, object]:
    """Return the server's own run, which leaves signals and the command line's options to us.

    It takes the secret of its web socket from its command line only, which here no process list shows.
    """
    arguments, sys.argv = sys.argv, [*sys.argv[:1], f"--authKey={secret}"]  # a secret may begin with a dash
    try:
        running: Coroutine[object, object, object] = server.start(
            port=port, host=host, open_browser=False, show_connection_info=False, disable_logging=True,
            exec_mode="coroutine", timeout=0, thread=True,
        )  # fmt: skip
        return running
    finally:
        sys.argv = arguments
