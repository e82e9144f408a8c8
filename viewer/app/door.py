"""The door of the server: who has the token comes in, and what the browser may fetch beside the app itself.

The token stands in the address that is opened; the first request with it gets a cookie, and every later request, the
web socket's too, must bring the cookie or the token. The cookie is no token: browsers send it to every server of this
machine, whatever its port. So pages of other servers are told apart by their origin, which a browser always says of a
web socket and of a post, and the web socket asks for a secret that only a page of this server can read. Nothing here
leads to the file system: the two data routes answer from memory, and the static files are those of the libraries and of
this package.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import logging
import secrets
import signal
import webbrowser
from collections.abc import AsyncIterator, Awaitable, Callable
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from aiohttp import web

from desurvey.problems import DataProblem

__all__ = ["Door", "Guard", "is_loopback", "listening", "new_token", "until_interrupted"]

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' ws: wss:; object-src 'none'; "
    "frame-ancestors 'none'; base-uri 'self'"
)
"""Nothing from outside; ``unsafe-eval`` because Vue compiles the app's template in the browser."""

log = logging.getLogger("lowside.app")


def new_token() -> str:
    """Return a token that can't be guessed."""
    return secrets.token_urlsafe(24)


def is_loopback(host: str) -> bool:
    """Return whether only this machine can reach a server on a host."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


@contextlib.asynccontextmanager
async def listening(
    app: web.Application, token: str, port: int, what: str, *, open_browser: bool, say: Callable[[str], None]
) -> AsyncIterator[int]:
    """Serve an application to this machine alone, its address told, while a block runs; give the port it has."""
    runner = web.AppRunner(app)
    await runner.setup()
    try:
        await web.TCPSite(runner, "127.0.0.1", port).start()
        port = runner.addresses[0][1]
        address = f"http://127.0.0.1:{port}/?token={token}"
        say(f"{what} is at {address}")
        say("end it with Ctrl-C")
        if open_browser:
            webbrowser.open(address)
        yield port
    finally:
        await runner.cleanup()


async def until_interrupted() -> None:
    """Wait for Ctrl-C, or for the end of the process, a shell's background job too, which is born deaf to Ctrl-C."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    with contextlib.suppress(NotImplementedError):  # on Windows Ctrl-C comes as KeyboardInterrupt
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            loop.add_signal_handler(getattr(signal, name), stop.set)
    await stop.wait()


class Guard:
    """Middleware that lets in who knows the token, and from then on the cookie that the token earned.

    Parameters
    ----------
    token : str
        What a visitor has to know.
    home : str
        Address to which who brought the token is sent on.
    """

    def __init__(self, token: str, home: str = "/index.html") -> None:
        self.token, self._home, self._session = token, home, new_token()

    def hang(self, app: web.Application) -> None:
        """Put the guard into an application that hasn't started yet."""
        app.middlewares.append(self._guard())

    def _guard(self) -> Any:
        @web.middleware
        async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
            if not _is_own(request):
                return web.Response(status=403, text="This server answers its own page only.\n")
            cookie = f"lowside_{_port(request)}"
            asked = request.query.get("token", "")
            if asked and hmac.compare_digest(asked.encode(), self.token.encode()):
                response: web.StreamResponse = web.HTTPFound(self._home)
                response.set_cookie(cookie, self._session, httponly=True, samesite="Strict", path="/")
                return response
            if not hmac.compare_digest(request.cookies.get(cookie, "").encode(), self._session.encode()):
                return web.Response(
                    status=403, text="This address needs the token that lowside printed when it began.\n"
                )
            response = await handler(request)
            if not response.prepared:
                response.headers["Content-Security-Policy"] = POLICY
                response.headers["X-Content-Type-Options"] = "nosniff"
                response.headers["Referrer-Policy"] = "no-referrer"
            return response

        return guard


class Door(Guard):
    """Guard and data routes for the server's aiohttp application.

    Parameters
    ----------
    token : str
        What a visitor has to know.
    scene, net : callables
        Return what ``/scene.json`` and ``/net.json`` answer.
    relog : callable
        Returns the page ``/relog.html``.
    picture : coroutine function
        Returns the JPEG that ``/picture`` answers for a camera.
    """

    def __init__(
        self,
        token: str,
        *,
        scene: Callable[[], dict[str, Any]],
        net: Callable[[], dict[str, Any]],
        picture: Callable[[dict[str, Any]], Awaitable[bytes]],
        relog: Callable[[], str],
    ) -> None:
        super().__init__(token)
        self.secret = new_token()
        self._scene, self._net, self._picture, self._relog = scene, net, picture, relog

    def hang(self, app: web.Application) -> None:
        """Put the door into an application that hasn't started yet."""
        super().hang(app)
        app.router.add_get("/scene.json", self._json(lambda: self._scene()))
        app.router.add_get("/net.json", self._json(lambda: self._net()))
        app.router.add_get("/relog.html", self._print)
        app.router.add_post("/picture", self._draw)
        app.router.add_post("/paraview/", self._where)

    def _json(self, answer: Callable[[], dict[str, Any]]) -> Handler:
        async def handle(_request: web.Request) -> web.Response:
            return web.json_response(answer(), dumps=lambda data: json.dumps(data, separators=(",", ":")))

        return handle

    async def _print(self, _request: web.Request) -> web.Response:
        return web.Response(text=self._relog(), content_type="text/html")

    async def _draw(self, request: web.Request) -> web.Response:
        try:
            asked = await request.json()
            if not isinstance(asked, dict):
                return web.Response(status=400, text="a picture is asked for by a camera\n")
            return web.Response(body=await self._picture(asked), content_type="image/jpeg")
        except DataProblem as problem:
            return web.Response(status=400, text=str(problem))
        except (ValueError, RecursionError):  # no JSON, no text, or brackets without end
            return web.Response(status=400, text="this is no camera\n")

    async def _where(self, request: web.Request) -> web.Response:
        """Tell the page where its web socket is and what it has to say there: trame's client asks this first."""
        scheme = "wss" if request.scheme == "https" else "ws"
        return web.json_response(
            {"sessionURL": f"{scheme}://{request.host}/ws", "secret": self.secret, "id": "lowside"}
        )


def _port(request: web.Request) -> int:
    """Return the port that a request has come in by, whatever its address says."""
    name = request.transport.get_extra_info("sockname") if request.transport is not None else None
    return int(name[1]) if name else 0


def _is_own(request: web.Request) -> bool:
    """Return whether a request is for this server, and not of another server's page.

    A name of another host for a server of this machine only (a domain that was made to lead here), and an origin other
    than the address that was asked, ``null`` among them, are refused. Programs that aren't browsers name no origin.
    """
    local = request.transport.get_extra_info("sockname") if request.transport is not None else None
    asked = urlsplit(f"//{request.host}")
    try:
        if local and is_loopback(str(local[0])) and not is_loopback(asked.hostname or ""):
            return False
        origin = request.headers.get("Origin")
        return origin is None or urlsplit(origin).netloc.lower() == request.host.lower()
    except ValueError:
        return False
