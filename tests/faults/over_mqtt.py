"""Faults between a host and boards over MQTT (the flight is in `network`), each as what is done to it."""

from __future__ import annotations

import asyncio
import re
import signal
import threading
import time
from collections.abc import Callable, Coroutine
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import Any

import aiomqtt

from bridge.boards.codec import encode_move
from bridge.boards.mqtt.presence import encode_state
from bridge.mqtt import packets
from bridge.mqtt.connection import Connection
from bridge.telemetry.published import encode
from tests.faults.flight import BOARDS, Flight
from tests.faults.network import (
    PASSWORD,
    PREFIX,
    READINGS,
    RELAYED,
    flying_over_mqtt,
    flying_over_tls,
    network_of,
    write_login,
)
from tests.mqtt.broker import RunningBroker
from tests.mqtt.certificates import make_certificate
from tests.mqtt.doubling import doubling
from tests.mqtt.proxy import Proxy

WRONG_CLOCK = "import time\nright = time.time\ntime.time = lambda: right() - 1e9\n"


@dataclass(frozen=True, slots=True)
class MqttFault:
    """`work` does it, and returns when the fault is over; boards that are not `touched` must notice nothing.

    `back_s` is how long the touched ones may take to fly again then.
    """

    work: Callable[[Flight], None]
    touched: tuple[str, ...] = ("right",)
    back_s: float = 2.0
    setting: Callable[[], AbstractContextManager[Flight]] = flying_over_mqtt

    @property
    def untouched(self) -> tuple[str, ...]:
        return tuple(name for name in BOARDS if name not in self.touched)


def broker_gone(flight: Flight, number: signal.Signals, for_s: float = 1.0) -> None:
    network_of(flight).broker.stop(number)
    time.sleep(for_s)
    network_of(flight).broker.start()


def broker_stalled(flight: Flight, for_s: float) -> None:
    network_of(flight).broker.stall(True)
    time.sleep(for_s)
    network_of(flight).broker.stall(False)


def relay_gone(flight: Flight, for_s: float = 1.0, injected: str = "") -> None:
    network = network_of(flight)
    network.stop("right")
    time.sleep(for_s)
    network.start("right", injected=injected)


def unplugged(flight: Flight, for_s: float) -> None:
    flight.tell("unplug right")
    time.sleep(for_s)
    flight.tell("quiet")


def wrong_password(flight: Flight) -> None:
    """The right relay is started with one, which is corrected while it runs."""
    network = network_of(flight)
    network.stop("right")
    login = write_login(network.panel.with_name("right.login"), "a wrong one")
    behind = network.panel.with_name("behind.toml")
    behind.write_text(re.sub(r"login = .*", f'login = "{login.name}"', network.panel.read_text()))
    network.start("right", panel=behind)
    network.wait_for("right", "refuses our user and password")
    time.sleep(1.0)
    write_login(login, PASSWORD)


def expired_certificate(flight: Flight) -> None:
    """The broker is started again with one; host and relays refuse it until it has a good one."""
    network = network_of(flight)
    assert network.authority is not None
    for days in (-1, 2):
        network.broker.stop(signal.SIGKILL)
        make_certificate(network.authority.parent, network.authority, "broker", days)
        network.broker.start()
        if days < 0:
            network.wait_for("right", "certificate has expired")
            time.sleep(1.0)


def second_relay(flight: Flight) -> None:
    """One more that has the right board's name, with a board of its own, for three seconds."""
    network = network_of(flight)
    first = network.relays["right"]
    network.start("right", "--virtual")
    time.sleep(3.0)
    network.stop("right", signal.SIGTERM)
    network.relays["right"] = first


def by_network(change: Callable[[Proxy], None], for_s: float) -> Callable[[Flight], None]:
    """The right relay behind a network of the test's own, which is changed like this for so long."""

    def work(flight: Flight) -> None:
        network = network_of(flight)
        ready, over = threading.Event(), threading.Event()
        port: list[int] = []

        async def proxied() -> None:
            async with Proxy(network.broker.port) as proxy:
                port.append(proxy.port)
                ready.set()
                await asyncio.to_thread(connected.wait)
                change(proxy)
                await asyncio.sleep(for_s)
                proxy.delay_s, proxy.loses_every = 0.0, 0
                proxy.stall(False)
                over.set()
                await asyncio.to_thread(flight.over.wait)

        connected = threading.Event()
        flight.in_background(lambda: asyncio.run(proxied()))
        ready.wait()
        network.stop("right")
        behind = network.panel.with_name("behind.toml")
        behind.write_text(
            network.panel.read_text().replace(f"port = {network.broker.port}\n", f"port = {port[0]}\n")
        )
        network.start("right", panel=behind)
        time.sleep(2.0)
        connected.set()
        over.wait()

    return work


def stranger(
    work: Callable[[aiomqtt.Client, RunningBroker], Coroutine[Any, Any, None]],
) -> Callable[[Flight], None]:
    """Somebody else at the broker does this."""

    def begin(flight: Flight) -> None:
        broker = network_of(flight).broker

        async def connected() -> None:
            async with aiomqtt.Client("127.0.0.1", broker.port) as client:
                await work(client, broker)

        asyncio.run(connected())

    return begin


async def late_will(client: aiomqtt.Client, broker: RunningBroker) -> None:
    for _ in range(20):
        await client.publish(f"{PREFIX}/right/state", encode_state(12345, False), qos=1, retain=True)
        await asyncio.sleep(0.1)


async def retained_move(client: aiomqtt.Client, broker: RunningBroker) -> None:
    """Left there while the relay is away."""
    await client.publish(f"{PREFIX}/right/to", encode_move(0, [9000.0] * 2, [0.0] * 2, 3), qos=1, retain=True)


async def doubled(client: aiomqtt.Client, broker: RunningBroker) -> None:
    """Every frame to and from the right board comes again, late and in any order; for 3 s."""
    async with doubling(broker.broker, [f"{PREFIX}/right/to", f"{PREFIX}/right/from"]):
        await asyncio.sleep(3.0)


async def junk(client: aiomqtt.Client, broker: RunningBroker) -> None:
    """A thousand messages a second that are no frames, to the right board and from it; for 3 s."""
    random = Random(1)
    connection = await Connection.opened(broker.broker, [], lambda message: None)
    for _ in range(300):
        for _ in range(5):
            for end in ("to", "from"):
                connection.send(f"{PREFIX}/right/{end}", random.randbytes(random.randrange(400)))
        await asyncio.sleep(0.01)
    await connection.close()


async def announced(client: aiomqtt.Client, broker: RunningBroker) -> None:
    """A payload of 256 MB is announced for the right board, and 64 MB of it are sent."""
    _, writer = await asyncio.open_connection("127.0.0.1", broker.port)
    writer.write(packets.connect("large", 60, None, None))
    topic = f"{PREFIX}/right/to".encode()
    writer.write(b"\x30\xff\xff\xff\x7f" + len(topic).to_bytes(2, "big") + topic)
    for _ in range(64):
        writer.write(bytes(1_000_000))
        await writer.drain()
    await asyncio.sleep(1.0)
    writer.transport.abort()


async def nonsense_readings(client: aiomqtt.Client, broker: RunningBroker) -> None:
    """An instructor's panel that publishes nonsense, 200 a second; for 3 s."""
    connection = await Connection.opened(broker.broker, [], lambda message: None)
    for number in range(600):
        payload = (b"nonsense", encode(1.0, {"mach": 1e9}), b'{"time_s":1,"readings":{"pitch":NaN}}')[
            number % 3
        ]
        connection.send(READINGS, payload)
        await asyncio.sleep(0.005)
    await connection.close()


def retained_while_away(flight: Flight) -> None:
    network_of(flight).stop("right")
    stranger(retained_move)(flight)
    network_of(flight).start("right")


MQTT_FAULTS: dict[str, MqttFault] = {
    "mqtt: nothing": MqttFault(lambda flight: time.sleep(3.0), touched=()),
    "mqtt: broker killed, there again after 1 s": MqttFault(
        partial(broker_gone, number=signal.SIGKILL), RELAYED
    ),
    "mqtt: broker restarted": MqttFault(partial(broker_gone, number=signal.SIGTERM, for_s=0.0), RELAYED),
    "mqtt: broker stalled for 2 s": MqttFault(partial(broker_stalled, for_s=2.0), RELAYED),
    "mqtt: broker stalled for 12 s": MqttFault(partial(broker_stalled, for_s=12.0), RELAYED, 8.0),
    "mqtt: the relay's network 100 ms slow": MqttFault(
        by_network(lambda proxy: setattr(proxy, "delay_s", 0.1), 4.0)
    ),
    "mqtt: the relay's network stalled for 3 s": MqttFault(
        by_network(lambda proxy: proxy.stall(True), 3.0), back_s=8.0
    ),
    "mqtt: the relay's network cut": MqttFault(by_network(lambda proxy: proxy.cut(), 0.0)),
    "mqtt: one of five frames to and from the relay lost": MqttFault(
        by_network(lambda proxy: setattr(proxy, "loses_every", 5), 4.0)
    ),
    "mqtt: every frame doubled and out of order": MqttFault(stranger(doubled)),
    "mqtt: a late will after a new birth": MqttFault(stranger(late_will), touched=()),
    "mqtt: two relays of one board": MqttFault(second_relay),
    "mqtt: a relay's wrong password, corrected": MqttFault(wrong_password, setting=flying_over_tls),
    "mqtt: the broker's certificate expired, renewed": MqttFault(
        expired_certificate, RELAYED, setting=flying_over_tls
    ),
    "mqtt: a MOVE that somebody left": MqttFault(retained_while_away),
    "mqtt: relay killed, there again after 1 s": MqttFault(relay_gone),
    "mqtt: relay whose clock is 30 years off": MqttFault(partial(relay_gone, injected=WRONG_CLOCK)),
    "mqtt: the relay's serial board unplugged for 1 s": MqttFault(partial(unplugged, for_s=1.0)),
    "mqtt: a board away for a minute": MqttFault(partial(unplugged, for_s=60.0)),
    "mqtt: 1,000 messages a second that are no frames": MqttFault(stranger(junk)),
    "mqtt: a payload of 256 MB announced": MqttFault(stranger(announced), touched=()),
    "mqtt: an instructor publishes nonsense": MqttFault(stranger(nonsense_readings), touched=()),
}
"""Whatever happens at the broker, boards that it does not concern keep time, the others come back by
themselves, and no pointer homes or loses a step."""
