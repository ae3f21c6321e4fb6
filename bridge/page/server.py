"""The page's server: HTTP and WebSocket in the service's event loop, as one part of the service.

What can be sent to every browser alike is made and encoded once, and only while one watches.
"""

from __future__ import annotations

import asyncio
import socket
from contextlib import suppress
from importlib import resources
from typing import TYPE_CHECKING

import structlog
from starlette.applications import Starlette
from starlette.requests import HTTPConnection, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from bridge.errors import BridgeError
from bridge.flight.service import Service
from bridge.logs import LogTail, LogThrottle
from bridge.page.access import WRONG_TOKENS, Access, AccessError, Address, Rate, TooMuchError
from bridge.page.controls import WRONG_TOKEN, Controls
from bridge.page.feed import Feed
from bridge.page.http import Server, bind
from bridge.page.hub import Browser, Hub, encode
from bridge.page.messages import Command, Enter, MessageError, Save, parse
from bridge.threads import in_thread

if TYPE_CHECKING:  # a page that tests nothing need not load what draws sheets
    from bridge.proof.desk import Desk

CLOSE_S = 1.0
_MOST_REASON_BYTES = 123  # RFC 6455, 5.5: a control frame has 125 bytes, of which two are the code

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
    """The page of one service. `run` is a part of the service, which may be started again.

    `listener` is where browsers come in, see `bind`; `tail` has the last lines of the log. `desk` takes the
    readings of a test, where one is under way.
    """

    def __init__(
        self, service: Service, listener: socket.socket, tail: LogTail, desk: Desk | None = None
    ) -> None:
        host, port = listener.getsockname()[:2]
        self.address = Address(host, port)
        self.access = Access(host)
        self.hub = Hub()
        self._service = service
        self._listener: socket.socket | None = listener
        self._throttle = LogThrottle()
        self._feed = Feed(service, self.hub, tail, desk)
        self._controls = Controls(service, self.access, self.hub, desk)

    async def run(self) -> None:
        """Serve until cancelled."""
        listener = self._listener or bind(self.address, exactly=True, option="--page")
        self._listener = None
        server = Server(self._app())
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(server.serve([listener]))
                tasks.create_task(server.drop_stalled())
                tasks.create_task(self._feed.run())
        finally:
            await server.close()
            if listener.fileno() >= 0:  # a stop while the server started: it listens, and nobody has it
                asyncio.get_running_loop().remove_reader(listener)
                listener.close()

    def close(self) -> None:
        """Give the port back if `run` never took it."""
        if self._listener is not None:
            self._listener.close()

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
                    raise AccessError(f"{len(self.hub)} browsers watch already. Close one of them.")
            except AccessError as refusal:
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

    # -- HTTP -----------------------------------------------------------------------------------------

    async def _index(self, request: Request) -> Response:
        return await _file("index.html")

    async def _static(self, request: Request) -> Response:
        return await _file(request.path_params["name"])

    async def _face(self, request: Request) -> Response:
        svg = self._feed.layer(request.path_params["gauge"], request.path_params["number"])
        return _missing() if svg is None else Response(svg, 200, _HEADERS, "image/svg+xml")

    # -- one browser ----------------------------------------------------------------------------------

    async def _live(self, socket: WebSocket) -> None:
        await socket.accept()
        is_trainee = "trainee" in socket.query_params
        browser = self.hub.join(may_move=self.access.token is None and not is_trainee)
        try:
            _introduce(browser)
            self.hub.post_latest(browser)
            tasks = [asyncio.create_task(t) for t in (_send(socket, browser), self._hear(socket, browser))]
            try:
                ended, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for task in tasks:
                    task.cancel()
                await asyncio.wait(tasks)
            for task in ended:
                task.result()
        finally:
            self.hub.leave(browser)

    async def _hear(self, socket: WebSocket, browser: Browser) -> None:
        """Do what this browser asks, one after the other, until it leaves or has to.

        What is saved is not waited for: a disk that hangs must not hold up a stop, nor the signs of life.
        """
        rate = Rate(self._service.clock)
        saves: set[asyncio.Task[None]] = set()
        try:
            while True:
                message = await socket.receive()
                if message["type"] == "websocket.disconnect":
                    return
                try:
                    rate.take()
                    command = parse(message.get("text") or "")
                except TooMuchError as refusal:
                    await _close(socket, str(refusal))
                    return
                except MessageError as refusal:
                    await _answer(browser, refusal.id, str(refusal))
                    continue
                if isinstance(command, Save):
                    saving = asyncio.create_task(self._obey(browser, command))
                    saves.add(saving)
                    saving.add_done_callback(saves.discard)
                    continue
                await self._obey(browser, command)
                if browser.wrong_tokens >= WRONG_TOKENS:
                    await _close(socket, WRONG_TOKEN)
                    return
        finally:
            for saving in saves:
                saving.cancel()

    async def _obey(self, browser: Browser, command: Command) -> None:
        """Do this, and answer."""
        error: str | None = None
        try:
            await self._controls.do(browser, command)
            if isinstance(command, Enter):
                _introduce(browser)
                self._feed.renew_bench()
        except BridgeError as refusal:
            error = str(refusal)
        except Exception:  # a mistake of ours must not cost the holder the connection
            self._throttle.exception("page: a command failed", type(command), self._service.clock())
            error = "That failed, by a mistake in the program. The log has the details."
        await _answer(browser, command.id, error)


async def _answer(browser: Browser, number: int | None, error: str | None) -> None:
    await browser.answer(encode({"type": "answer", "id": number, "error": error}))


def _introduce(browser: Browser) -> None:
    browser.post("you", encode({"type": "you", "name": browser.name, "may_move": browser.may_move}))


async def _send(socket: WebSocket, browser: Browser) -> None:
    while True:
        text = await browser.next()
        try:
            await socket.send_text(text)
        except (WebSocketDisconnect, RuntimeError):
            return


async def _close(socket: WebSocket, why: str) -> None:
    """Tell a browser why, and close; one that does not read is not waited for."""
    with suppress(TimeoutError, WebSocketDisconnect, RuntimeError):
        async with asyncio.timeout(CLOSE_S):
            await socket.send_text(encode({"type": "answer", "id": None, "error": why}))
            await socket.close(1008, why.encode()[:_MOST_REASON_BYTES].decode(errors="ignore"))


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
