"""Publishes the readings that arrive at this panel, for other panels that take them as their telemetry.

At most `MOST_HZ` messages a second, at QoS 0 and never retained: what arrives in between, or while the
network takes less than is sent, is merged, the newest of each quantity. So nothing waits, however slow the
broker. What a simulator sends on change only goes out again every `AGAIN_S`, for panels that came later.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from math import inf

import structlog

from bridge.logs import LogThrottle
from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.client import Client
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.published import encode

MOST_HZ = 50.0
AGAIN_S = 1.0

_log = structlog.get_logger(__name__)


class Publisher:
    """`run` is its part of the service; `clock` returns seconds that never go back."""

    def __init__(self, broker: Broker, topic: str, catalogue: Catalogue, clock: Callable[[], float]) -> None:
        self._topic = topic
        self._clock = clock
        self._on_change = frozenset(name for name, quantity in catalogue.items() if quantity.stepped)
        self._steps: dict[str, float] = {}  # the last of each quantity that is sent on change
        self._pending: dict[str, float] = {}
        self._jumped = False
        self._again_s = -inf
        self._arrived = asyncio.Event()
        self._throttle = LogThrottle()
        self._client = Client(broker, on_up=self._up, on_down=self._down)

    def take(self, readings: Mapping[str, float], jumped: bool) -> None:
        """Publish these readings (canonical units) as soon as it may be. Never waits, never raises."""
        self._pending.update(readings)
        self._jumped = self._jumped or jumped
        for name in self._on_change & readings.keys():
            self._steps[name] = readings[name]
        self._arrived.set()

    async def run(self) -> None:
        """Until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._client.run())
            tasks.create_task(self._publish())

    async def _publish(self) -> None:
        while True:
            await self._arrived.wait()
            self._arrived.clear()
            if self._client.is_up and self._client.writable:
                self._send(self._clock())
            await asyncio.sleep(1.0 / MOST_HZ)

    def _send(self, now_s: float) -> None:
        readings, jumped = self._pending, self._jumped
        if now_s >= self._again_s:
            readings = {**self._steps, **readings}
            self._again_s = now_s + AGAIN_S
        self._pending, self._jumped = {}, False
        self._client.send(self._topic, encode(now_s, readings, jumped=jumped))

    async def _up(self) -> None:
        _log.info("publishing", topic=self._topic)

    def _down(self, error: BrokerError) -> None:
        fields = {"topic": self._topic, "why": str(error)}
        self._throttle.error("not published", str(error), self._clock(), **fields)
