"""The virtual board behind a relay and a broker, as a subject of the conformance suite."""

from __future__ import annotations

import asyncio
import secrets

from bridge.boards.link import Link
from bridge.boards.mqtt.hub import Hub
from bridge.boards.mqtt.relay import Relay
from bridge.boards.virtual.link import VirtualLink
from bridge.errors import BoardError
from bridge.mqtt.broker import Broker
from tests.boards.subjects import VirtualSubject
from tests.conftest import PATIENCE_S, until


async def opened(link: Link) -> Link:
    """The link, once it could be opened."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            try:
                await link.open()
            except BoardError:
                continue
            return link


class Counted(VirtualLink):
    """A relay's board that counts the frames which reach it."""

    received = 0

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        super().send(payload, replaceable)
        self.received += 1


class MqttSubject(VirtualSubject):
    """Its clock goes only when the suite lets time elapse, and what was sent has arrived before it does.

    Its prefix at the broker is its own, so that tests can share one.
    """

    name = "virtual board over MQTT"

    def __init__(self, broker: Broker) -> None:
        prefix = f"test/{secrets.token_hex(4)}"
        super().__init__()
        self.link = self.near = Counted(self.board, lambda: self.time_s)
        # Its own clock: a suite that a busy machine holds up has sent nothing that is old.
        self.relay = Relay(broker, f"{prefix}/left", "left", self.near, clock=lambda: 0.0)
        self.hub = Hub(broker, prefix)
        self.far = self.hub.link("left", "left")
        self._task: asyncio.Task[None] | None = None
        self._sent = self._asked = 0
        self._send = self.hub.client.send
        self.hub.client.send = self._counted  # type: ignore[method-assign]

    def _counted(self, topic: str, payload: bytes) -> None:
        self._sent += 1
        self._send(topic, payload)

    async def start(self) -> Link:
        self._task = asyncio.create_task(self.relay.run())
        link = await opened(self.far)
        self._asked = self.near.received  # by the relay itself: who is there
        return link

    async def stop(self) -> None:
        await self.far.close()
        assert self._task is not None
        self._task.cancel()
        await asyncio.wait({self._task})

    async def elapse(self, seconds_s: float) -> None:
        await until(lambda: self.near.received >= self._sent + self._asked, "what was sent")
        self.time_s += seconds_s

    async def reopen(self) -> Link:
        await self.far.close()
        return await opened(self.far)
