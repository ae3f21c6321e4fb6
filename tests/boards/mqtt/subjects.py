"""The virtual board behind a relay and a broker, as a subject of the conformance suite."""

from __future__ import annotations

import asyncio
import secrets
import time

from bridge.boards.link import Link
from bridge.boards.mqtt.hub import Hub
from bridge.boards.mqtt.relay import Relay
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.link import VirtualLink
from bridge.errors import BoardError
from bridge.mqtt.broker import Broker
from tests.boards.host import Subject
from tests.boards.subjects import CHANNELS, VirtualSubject


async def opened(link: Link) -> Link:
    """The link, once it could be opened."""
    async with asyncio.timeout(30):
        while True:
            try:
                await link.open()
            except BoardError:
                continue
            return link


class MqttSubject(Subject):
    """`prefix` is its own at the broker, so that tests can share one."""

    name = "virtual board over MQTT"
    channels = VirtualSubject.channels
    steps_per_turn = VirtualSubject.steps_per_turn
    watchdog_ms = 20_000  # of the board's time, which runs fast here: a stall of the tests must not trip it
    factor = 24.0

    def __init__(self, broker: Broker) -> None:
        self.prefix = f"test/{secrets.token_hex(4)}"
        self.board = VirtualBoard(CHANNELS, watchdog_ms=self.watchdog_ms)
        self.near = VirtualLink(self.board, lambda: time.monotonic() * self.factor)
        self.relay = Relay(broker, f"{self.prefix}/left", "left", self.near)
        self.hub = Hub(broker, self.prefix)
        self.link = self.hub.link("left", "left")
        self._task: asyncio.Task[None] | None = None

    async def start(self) -> Link:
        self._task = asyncio.create_task(self.relay.run())
        return await opened(self.link)

    async def stop(self) -> None:
        await self.link.close()
        assert self._task is not None
        self._task.cancel()
        await asyncio.wait({self._task})

    async def elapse(self, seconds_s: float) -> None:
        await asyncio.sleep(seconds_s / self.factor)

    async def reopen(self) -> Link:
        await self.link.close()
        return await opened(self.link)

    async def reset(self) -> None:
        self.near.reset()

    async def turn_knob(self, clicks: int) -> int:
        self.board.turn_knob(0, clicks)
        return 0

    async def press(self) -> int:
        self.board.press(1)
        self.board.release(1)
        return 1

    async def lose_steps(self, channel: int, steps: int) -> None:
        self.board.channel(channel).lose(steps)
