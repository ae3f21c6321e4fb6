"""A board that is driven over a real broker: host, relay and virtual board in this process."""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from fractions import Fraction

from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, FrameType, Homing, Output
from bridge.boards.mqtt.hub import Hub
from bridge.boards.mqtt.relay import Relay
from bridge.boards.mqtt.window import query_s
from bridge.boards.runner import Board
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec
from bridge.boards.virtual.link import VirtualLink
from bridge.mqtt.broker import Broker
from tests.boards.pair import expected
from tests.conftest import until

TICK_S = 0.01
CHANNELS = (
    VirtualChannelSpec(
        ChannelLimits(Output.STEP_DIR, Homing.INDEX, 16_000, 160_000, ENDLESS_LOW, ENDLESS_HIGH),
        Fraction(6400, 3),
        pointer_at=-300.0,
    ),
)


class Kept(VirtualLink):
    """A relay's board that keeps the MOVE frames which reach it, and counts the HOMEs."""

    def __init__(self, board: VirtualBoard) -> None:
        super().__init__(board)
        self.moves: list[bytes] = []
        self.homes = 0

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        if payload[1] == FrameType.MOVE:
            self.moves.append(payload)
        self.homes += payload[1] == FrameType.HOME
        super().send(payload, replaceable)


class Rig:
    """One board, driven at 100 Hz to `goal` (steps). The relay reaches the broker at `relay_at`."""

    def __init__(self, broker: Broker, relay_at: Broker | None = None, prefix: str | None = None) -> None:
        self.prefix = prefix or f"test/{secrets.token_hex(4)}"
        self.topic = f"{self.prefix}/left"
        self.virtual = VirtualBoard(CHANNELS, watchdog_ms=500)
        self.near = Kept(self.virtual)
        self.relay = Relay(relay_at or broker, self.topic, "left", self.near)
        self.hub = Hub(broker, self.prefix)
        self.link = self.hub.link("left", "left")
        self.session = BoardSession("left", expected(CHANNELS), query_s=query_s(1.0 / TICK_S))
        self.board = Board(self.session, self.link)
        self.goal = 0.0
        self.relaying: asyncio.Task[None] | None = None

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Host, relay and ticks, from ready on."""
        self.relaying = asyncio.create_task(self.relay.run())
        tasks = [asyncio.create_task(self.board.run()), asyncio.create_task(self._tick())]
        try:
            await self.ready()
            yield
        finally:
            for task in (*tasks, self.relaying):
                task.cancel()
            await asyncio.wait([*tasks, self.relaying])
            for task in (*tasks, self.relaying):
                assert task.cancelled() or task.exception() is None, task.exception()

    async def _tick(self) -> None:
        while True:
            self.board.move(time.monotonic(), [self.goal], [0.0])
            await asyncio.sleep(TICK_S)

    async def ready(self) -> None:
        await until(lambda: self.session.state is State.READY, "the board ready")

    async def lost(self) -> None:
        await until(lambda: self.session.state is State.ABSENT, "the board absent")

    async def follows(self, goal: float) -> None:
        """Drive it there."""
        self.goal = goal
        await until(lambda: self.position == goal, f"the board at {goal}")

    @property
    def position(self) -> float:
        return self.virtual.channel(0).status.position

    async def moves(self, count: int) -> None:
        """Wait for so many more MOVEs at the board."""
        wanted = len(self.near.moves) + count
        await until(lambda: len(self.near.moves) >= wanted, f"{count} MOVEs at the board")
