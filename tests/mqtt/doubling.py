"""Somebody at the broker who sends every frame again, as networks and bridges may."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from random import Random

from bridge.mqtt.broker import Broker
from bridge.mqtt.connection import Connection
from bridge.mqtt.packets import Message

LONGEST_S = 0.03


@asynccontextmanager
async def doubling(broker: Broker, topics: Sequence[str]) -> AsyncIterator[list[str]]:
    """Every frame at these topics comes again, up to `LONGEST_S` later, in any order.

    What it gives is the topic of each that has been sent again.
    """
    random, waiting = Random(1), set[asyncio.Task[None]]()
    own: list[bytes] = []
    doubled: list[str] = []

    async def again(message: Message) -> None:
        await asyncio.sleep(random.uniform(0.0, LONGEST_S))
        own.append(message.payload)
        doubled.append(message.topic)
        connection.send(message.topic, message.payload)

    def heard(message: Message) -> None:
        if message.payload in own:
            own.remove(message.payload)
        else:
            task = asyncio.create_task(again(message))
            waiting.add(task)
            task.add_done_callback(waiting.discard)

    connection = await Connection.opened(broker, topics, heard)
    try:
        yield doubled
    finally:
        await connection.close()
        for task in waiting:
            task.cancel()
