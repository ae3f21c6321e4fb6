"""HTTP in the service's event loop: where it listens, and the server of one application."""

from __future__ import annotations

import asyncio
import errno
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import structlog
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from bridge.errors import DescriptionError
from bridge.page.access import MOST_BYTES, Address

CONNECTIONS = 256
"""More at once are refused."""
SEND_BUFFER_BYTES = 32_768
"""Of each connection: what waits in it is old by the time it arrives."""
READ_BYTES = 2048
"""Read of one connection in one turn of the event loop: what is read at once is taken apart at once, and a
flood of the shortest frames, or chunks of a body, would hold up the boards for as long as that takes."""
STALLED_S = 10.0

_log = structlog.get_logger(__name__)


def bind(address: Address, *, exactly: bool, option: str) -> socket.socket:
    """A socket that listens there, or on a free port if another program has that one and `exactly` is false.

    `option` is the command's option that names the address. Raises `DescriptionError` where it can't be.
    """
    try:
        return _bound(address)
    except OSError as error:
        if error.errno == errno.EADDRINUSE and not exactly:
            _log.warning("another program has this port, taking a free one", option=option, port=address.port)
            return _bound(Address(address.host, 0))
        raise DescriptionError(
            option,
            "",
            f"{address.host}:{address.port}, which can't be bound ({error.strerror or error})",
            "an address of this machine and a free port",
            f"Try {option} alone, which takes this machine's own",
        ) from None


def _bound(address: Address) -> socket.socket:
    family, _, _, _, place = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_STREAM)[0]
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        listener.bind(place)
        listener.listen(64)
    except OSError:
        listener.close()
        raise
    return listener


def _read_little(transport: asyncio.BaseTransport) -> None:
    transport.max_size = READ_BYTES  # type: ignore[attr-defined]  # asyncio's own would be 256 kB


class _Requests(H11Protocol):
    """HTTP, until a WebSocket takes the connection over."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        _read_little(transport)
        super().connection_made(transport)  # type: ignore[arg-type]


class _Protocol(WebSocketsSansIOProtocol):
    """A browser that reads slowly misses messages; it does not get old ones."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        _read_little(transport)
        super().connection_made(transport)
        self.transport.set_write_buffer_limits(high=0)


class Server(uvicorn.Server):
    """Serves `app`; signals are the command's own, see `bridge.commands.ending`."""

    def __init__(self, app: ASGIApp) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                http=_Requests,
                ws=_Protocol,
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
        """Capture none: uvicorn's own would take them over while it serves."""
        yield

    async def drop_stalled(self) -> None:
        """Close what takes nothing for `STALLED_S`, or asks for nothing: it would keep a place for ever."""
        before: dict[object, int] = {}
        while True:
            await asyncio.sleep(STALLED_S)
            now: dict[object, int] = {}
            for connection in list(self.server_state.connections):
                waiting = connection.transport.get_write_buffer_size()
                if waiting or getattr(connection, "cycle", connection) is None:
                    now[connection] = waiting
                    if before.get(connection) == waiting:
                        connection.transport.abort()
            before = now

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
