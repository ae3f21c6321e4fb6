"""The page's server: HTTP and WebSocket in the service's event loop, as one part of the service.

What can be sent to every browser alike is made and encoded once, and only while one watches.
"""

from __future__ import annotations

import asyncio
import errno
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from typing import Any

import structlog
import uvicorn
from starlette.applications import Starlette
from starlette.requests import HTTPConnection, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from bridge.errors import DescriptionError
from bridge.flight.service import Service
from bridge.logs import LogThrottle
from bridge.page.access import MOST_BYTES, Access, Address, Rate, Refusal
from bridge.page.drawing import DrawnGauge, draw, panel_message
from bridge.page.hub import Browser, Hub, encode
from bridge.page.live import Needles, needles_message
from bridge.panel.load import Panel
from bridge.threads import in_thread

NEEDLES_S = 1.0 / 30.0
"""Between two messages `needles`."""
STILL_S = 0.5
"""The same while nothing changes."""
CONNECTIONS = 256
"""More at once are refused."""

_log = structlog.get_logger(__name__)
_STATIC = resources.files("bridge.page").joinpath("static")
_KINDS = {
    "css": "text/css",
    "html": "text/html",
    "ico": "image/x-icon",
    "js": "text/javascript",
    "png": "image/png",
    "svg": "image/svg+xml",
    "webmanifest": "application/manifest+json",
}
_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
    )
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class Page:
    """The page of one service. `run` is a part of the service, which may be started again."""

    def __init__(self, service: Service, listener: socket.socket) -> None:
        host, port = listener.getsockname()[:2]
        self.address = Address(host, port)
        self.access = Access(host)
        self.hub = Hub()
        self._service = service
        self._listener: socket.socket | None = listener
        self._throttle = LogThrottle()
        self._panel: Panel | None = None
        self._drawn: dict[str, DrawnGauge] = {}
        self._revision = 0

    async def run(self) -> None:
        """Serve until cancelled."""
        listener = self._listener or bind(self.address, exactly=True)
        self._listener = None
        server = _Server(self._app())
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(server.serve([listener]))
                tasks.create_task(self._send_needles())
        finally:
            listener.close()
            await server.close()

    def close(self) -> None:
        """Give the port back if `run` never took it."""
        if self._listener is not None:
            self._listener.close()

    # -- what all browsers are sent ------------------------------------------------------------------

    async def _send_needles(self) -> None:
        before: dict[str, Any] = {}
        sent_s = 0.0
        while True:
            await self.hub.watched.wait()
            begun_s = self._service.clock()
            await self._follow_panel()
            snapshot = self._service.running.snapshot(begun_s)
            message = needles_message(self._needles, snapshot, None)
            now = {**message, "time_s": None}
            if now != before or begun_s - sent_s >= STILL_S or "needles" not in self.hub.latest:
                before, sent_s = now, begun_s
                await self.hub.post_all("needles", encode(message))
            await asyncio.sleep(max(0.0, begun_s + NEEDLES_S - self._service.clock()))

    async def _follow_panel(self) -> None:
        """Draw the panel again when its description has changed, and tell everybody."""
        panel = self._service.running.panel
        if panel is not self._panel:
            self._drawn = await in_thread("drawing", lambda: draw(panel))
            self._panel = panel
            self._needles = Needles(panel)
            self._revision += 1
            self.hub.latest.pop("panel", None)
        if "panel" not in self.hub.latest:
            message = panel_message(panel, self._drawn, self._revision, None)
            await self.hub.post_all("panel", encode(message))

    # -- what one browser asks -----------------------------------------------------------------------

    def _app(self) -> ASGIApp:
        routes = [
            Route("/", self._index),
            Route("/static/{name}", self._static),
            Route("/faces/{gauge}/{number:int}.svg", self._face),
            WebSocketRoute("/live", self._live),
        ]
        app = Starlette(routes=routes)

        async def guarded(scope: Scope, receive: Receive, send: Send) -> None:
            connection = HTTPConnection(scope)
            try:
                self.access.check(connection.headers.get("host"), connection.headers.get("origin"))
                if scope["type"] == "websocket" and self.hub.is_full:
                    raise Refusal(f"{len(self.hub)} browsers watch already. Close one of them.")
            except Refusal as refusal:
                response = PlainTextResponse(str(refusal), 403, _HEADERS)
                if scope["type"] == "websocket":
                    await WebSocket(scope, receive, send).send_denial_response(response)
                else:
                    await response(scope, receive, send)
                return
            try:
                await app(scope, receive, send)
            except Exception:  # one browser's trouble is not the others'
                self._throttle.exception("page: a request failed", scope["path"], self._service.clock())
                raise

        return guarded

    async def _index(self, request: Request) -> Response:
        return await _file("index.html")

    async def _static(self, request: Request) -> Response:
        return await _file(request.path_params["name"])

    async def _face(self, request: Request) -> Response:
        gauge = self._drawn.get(request.path_params["gauge"])
        number = request.path_params["number"]
        if gauge is None or number >= len(gauge.layers):
            return _missing()
        return Response(gauge.layers[number].svg, 200, _HEADERS, "image/svg+xml")

    async def _live(self, socket: WebSocket) -> None:
        await socket.accept()
        browser = self.hub.join(may_move=self.access.token is None)
        try:
            self._introduce(browser)
            for kind, text in self.hub.latest.items():
                browser.post(kind, text)
            async with asyncio.TaskGroup() as tasks:
                sending = tasks.create_task(_send(socket, browser))
                await self._hear(socket, browser)
                sending.cancel()
        finally:
            self.hub.leave(browser)

    @staticmethod
    def _introduce(browser: Browser) -> None:
        browser.post("you", encode({"type": "you", "name": browser.name, "may_move": browser.may_move}))

    async def _hear(self, socket: WebSocket, browser: Browser) -> None:
        rate = Rate(self._service.clock)
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return
            try:
                rate.take()
            except Refusal as refusal:
                await socket.close(1008, str(refusal)[:120])
                return


async def _send(socket: WebSocket, browser: Browser) -> None:
    while True:
        text = await browser.next()
        try:
            await socket.send_text(text)
        except WebSocketDisconnect:
            return  # the one who listens ends the connection


async def _file(name: str) -> Response:
    kind = _KINDS.get(name.rpartition(".")[2])
    file = _STATIC.joinpath(name)
    if kind is None or name.startswith("."):
        return _missing()
    try:
        content = await in_thread("page file", file.read_bytes)
    except OSError:
        return _missing()
    return Response(content, 200, {**_HEADERS, "Cache-Control": "no-cache"}, kind)


def _missing() -> Response:
    return PlainTextResponse("There is nothing here. The page itself is at /", 404, _HEADERS)


def bind(address: Address, *, exactly: bool) -> socket.socket:
    """A socket that listens there, or on a free port if another program has that one and `exactly` is false.

    Raises `DescriptionError` where it can't be.
    """
    try:
        return _bound(address)
    except OSError as error:
        if error.errno == errno.EADDRINUSE and not exactly:
            _log.warning("page: another program has this port, taking a free one", port=address.port)
            return _bound(Address(address.host, 0))
        raise DescriptionError(
            "--page",
            "",
            f"{address.host}:{address.port}, which can't be bound ({error.strerror or error})",
            "an address of this machine and a free port",
            "Try --page alone, which takes this machine's own",
        ) from None


def _bound(address: Address) -> socket.socket:
    family, _, _, _, place = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_STREAM)[0]
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(place)
        listener.listen(64)
    except OSError:
        listener.close()
        raise
    return listener


class _Server(uvicorn.Server):
    """Serves `app`; signals are the command's own, see `bridge.commands.ending`."""

    def __init__(self, app: ASGIApp) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                ws="websockets-sansio",
                ws_per_message_deflate=False,
                ws_max_size=16 * MOST_BYTES,
                access_log=False,
                log_config=None,
                log_level="critical",
                lifespan="off",
                server_header=False,
                limit_concurrency=CONNECTIONS,
            )
        )

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def close(self) -> None:
        """Close every connection, also that of a browser which reads nothing."""
        for accepting in getattr(self, "servers", ()):
            accepting.close()
        connections = list(self.server_state.connections)
        for connection in connections:
            connection.shutdown()
        await asyncio.sleep(0)
        for connection in connections:
            connection.transport.abort()
        for task in list(self.server_state.tasks):
            task.cancel()
