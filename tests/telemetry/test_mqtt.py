"""From a publisher to the panels of a class, over a real broker."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager

import aiomqtt
import pytest

from bridge.flight.publisher import Publisher
from bridge.mqtt.broker import Broker
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.monitor import lines
from bridge.telemetry.mqtt import MOST_IN_SLICE, MqttSource
from bridge.telemetry.published import encode
from bridge.telemetry.source import Arrival
from tests.conftest import until
from tests.mqtt.broker import RunningBroker, running
from tests.ports import free_port

pytestmark = pytest.mark.slow

TOPIC = "class/readings"


@pytest.fixture(scope="module")
def broker() -> Iterator[RunningBroker]:
    with running() as made:
        yield made


@asynccontextmanager
async def hearing(
    broker: RunningBroker, *arrivals: list[Arrival], clock: Callable[[], float] = time.monotonic
) -> AsyncIterator[list[MqttSource]]:
    """One source for each of these lists, connected."""
    sources = [MqttSource(broker.broker, TOPIC, CATALOGUE, clock) for _ in arrivals]
    tasks = [
        asyncio.create_task(source.run(taken.append)) for source, taken in zip(sources, arrivals, strict=True)
    ]
    try:
        await until(lambda: all(source._client.is_up for source in sources), "connected")
        yield sources
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)


@asynccontextmanager
async def publishing(broker: RunningBroker) -> AsyncIterator[Publisher]:
    publisher = Publisher(broker.broker, TOPIC, CATALOGUE, asyncio.get_running_loop().time)
    task = asyncio.create_task(publisher.run())
    try:
        await until(lambda: publisher._client.is_up, "connected")
        yield publisher
    finally:
        task.cancel()
        await asyncio.wait({task})


async def test_what_one_panel_publishes_arrives_at_all_others(broker: RunningBroker) -> None:
    heard: tuple[list[Arrival], ...] = ([], [], [])
    async with hearing(broker, *heard), publishing(broker) as publisher:
        publisher.take({"pressure_altitude": 2140.0}, jumped=True)
        publisher.take({"calibrated_airspeed": 90.0}, jumped=False)
        for arrivals in heard:
            await until(lambda a=arrivals: a, "the readings")  # type: ignore[misc]
            assert arrivals[0].readings == {"pressure_altitude": 2140.0, "calibrated_airspeed": 90.0}
            assert arrivals[0].jumped


async def test_a_broker_that_was_away_is_found_again_by_both(broker: RunningBroker) -> None:
    arrivals: list[Arrival] = []
    async with hearing(broker, arrivals) as sources, publishing(broker) as publisher:
        broker.stop()
        await until(lambda: not publisher._client.is_up and not sources[0]._client.is_up, "both lost")
        publisher.take({"pressure_altitude": 1.0}, jumped=False)
        publisher.take({"pressure_altitude": 2.0}, jumped=False)
        broker.start()

        def heard() -> bool:
            publisher.take({"mach": 0.5}, jumped=False)
            return bool(arrivals)

        await until(heard, "readings after the broker came back")
        assert {a.readings.get("pressure_altitude") for a in arrivals} <= {None, 2.0}, "the newest alone"


async def test_nonsense_is_counted_and_what_is_good_goes_on(broker: RunningBroker) -> None:
    arrivals: list[Arrival] = []
    async with hearing(broker, arrivals) as (source,), aiomqtt.Client("127.0.0.1", broker.port) as client:
        for payload in (b"nonsense", b"[" * 9000, bytes(300_000), b'{"time_s":1,"readings":{"mach":NaN}}'):
            await client.publish(TOPIC, payload)
        await client.publish(TOPIC, encode(1.0, {"mach": 0.5}))
        await until(lambda: any(a.readings for a in arrivals), "the good reading")
        (sender,) = source.senders
        assert sender.causes == {"not JSON": 2, "not finite": 1}
        assert source._client.oversized == 1


async def test_a_flood_is_dropped_beyond_what_a_panel_publishes(broker: RunningBroker) -> None:
    arrivals: list[Arrival] = []
    async with (
        hearing(broker, arrivals, clock=lambda: 0.0) as (source,),
        aiomqtt.Client("127.0.0.1", broker.port) as client,
    ):
        sent = 10 * MOST_IN_SLICE
        await asyncio.gather(*(client.publish(TOPIC, encode(1.0, {"mach": 0.5})) for _ in range(sent)))
        await until(lambda: bool(source.senders) and source.senders[0].datagrams == sent, "all of them")
        assert len(arrivals) == MOST_IN_SLICE
        assert source.senders[0].causes["too many"] == sent - MOST_IN_SLICE


async def test_a_message_that_the_broker_kept_is_ignored(broker: RunningBroker) -> None:
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish(TOPIC, encode(1.0, {"mach": 0.5}), retain=True, qos=1)
        arrivals: list[Arrival] = []
        async with hearing(broker, arrivals) as (source,):
            await until(lambda: bool(source.senders), "the message")
            assert source.senders[0].causes == {"retained": 1}
            assert not arrivals
        await client.publish(TOPIC, b"", retain=True, qos=1)


async def test_a_listener_sees_what_arrives_or_why_nothing_can(broker: RunningBroker) -> None:
    arrivals: list[Arrival] = []
    async with hearing(broker, arrivals) as (source,), aiomqtt.Client("127.0.0.1", broker.port) as client:
        assert list(lines([source], CATALOGUE, time.monotonic())) == []
        await client.publish(TOPIC, encode(1.0, {"mach": 0.5}))
        await until(lambda: arrivals, "the reading")
        [line] = lines([source], CATALOGUE, time.monotonic())
        assert f"{source.name} < {TOPIC}: 1 messages" in line and "mach 0.50" in line
    away = MqttSource(Broker("127.0.0.1", free_port(socket.SOCK_STREAM)), TOPIC, CATALOGUE)
    task = asyncio.create_task(away.run(arrivals.append))
    await until(lambda: "nothing listens there" in "".join(lines([away], CATALOGUE, 0.0)), "the cure")
    task.cancel()
    await asyncio.wait({task})
