"""A page that serves a flight of its own, and the browsers of tests: WebSocket clients."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import websockets
from websockets.asyncio.client import ClientConnection

from bridge.boards.state import State
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.logs import LogTail
from bridge.page.access import Address
from bridge.page.http import bind
from bridge.page.server import Page
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.conftest import PATIENCE_S, ROOT, until


@asynccontextmanager
async def served(
    panel: Path, host: str = "127.0.0.1", tail: LogTail | None = None
) -> AsyncIterator[tuple[Service, Page]]:
    """The panel flying the circuit on virtual boards, and its page, once the boards are ready."""
    source = ReplaySource(read_log(ROOT / "replay_logs" / "circuit.csv"), 1.0, 200.0)
    service = Service(load_panel(panel), sources=FixedSources(source), replayed=True)
    page = Page(service, bind(Address(host, 0), exactly=True, option="--page"), tail or LogTail())
    service.add_part("page", page.run)
    running = asyncio.create_task(service.run())
    try:
        await until(
            lambda: all(s.state is State.READY for s in service.running.sessions.values()), "boards ready"
        )
        yield service, page
    finally:
        service.stop()
        await running


class Watcher:
    """One browser: sends commands, and has the latest message of each kind."""

    def __init__(self, line: ClientConnection) -> None:
        self.line = line
        self.latest: dict[str, dict[str, Any]] = {}
        self._number = 0

    async def hear(self) -> dict[str, Any]:
        """The next message."""
        message: dict[str, Any] = json.loads(await self.line.recv())
        self.latest[message["type"]] = message
        return message

    async def until(self, kind: str, holds: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
        """The first message of this kind for which this holds."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                message = await self.hear()
                if message["type"] == kind and holds(message):
                    return message

    async def ask(self, do: str, **fields: object) -> str | None:
        """Send a command; returns why it was not done."""
        self._number += 1
        number = self._number
        await self.line.send(json.dumps({"id": number, "do": do, **fields}))
        answer = await self.until("answer", lambda message: message["id"] == number)
        error: str | None = answer["error"]
        return error


@asynccontextmanager
async def watching(page: Page, query: str = "", **options: Any) -> AsyncIterator[Watcher]:
    """A browser that watches this page."""
    async with websockets.connect(
        f"ws://127.0.0.1:{page.address.port}/live{query}", compression=None, **options
    ) as line:
        yield Watcher(line)
