"""Faults between a host and boards over MQTT, on real processes: the program, a broker, a relay a board.

The left board is on a serial line of the host, the centre and the right one are behind relays, which reach
their boards on ptys as well; telemetry comes by UDP, and a topic for readings is open beside it.
"""

from __future__ import annotations

import asyncio
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

import aiomqtt

from bridge.boards.codec import encode_move
from bridge.boards.mqtt.presence import encode_state
from bridge.mqtt import packets
from bridge.mqtt.connection import Connection
from bridge.mqtt.packets import Message
from bridge.telemetry.published import encode
from tests.conftest import PATIENCE_S, ROOT
from tests.faults.flight import BOARDS, Flight, flying
from tests.mqtt.broker import RunningBroker, running
from tests.mqtt.proxy import Proxy

PREFIX, READINGS = "faults", "class/readings"
RELAYED = ("centre", "right")
STEPPER = """[drives.servo]
motor = "geared-unipolar-5v"
microsteps = 2
speed_steps_s = 900
acceleration_steps_s2 = 4000
"""
WRONG_CLOCK = "import time\nright = time.time\ntime.time = lambda: right() - 1e9\n"
_RELAY = "import sys\nfrom bridge.cli import main\nsys.exit(main())\n"


def described(text: str, broker_port: int) -> str:
    """The panel of the faults with steppers that home at an index mark, and two of its boards over MQTT."""
    head, _, rest = text.partition("[drives.servo]\n")
    _, _, rest = rest.partition("[boards.")
    text = f"{head}{STEPPER}[boards.{rest}"
    text = text.replace(
        '{ output = "servo" }', '{ output = "step_dir", homing = "index", index = { pin = "A%d" } }'
    )
    text = re.sub(r"^([01]) = (.*)A%d", r"\1 = \2A\1", text, flags=re.MULTILINE)
    for name in RELAYED:
        text = text.replace(f'[boards.{name}]\nlink = "serial"', f'[boards.{name}]\nlink = "mqtt"')
    broker = f'[broker]\nport = {broker_port}\nprefix = "{PREFIX}"\n'
    source = f'[[sources]]\nkind = "mqtt"\ntopic = "{READINGS}"\n'
    return text.replace("[drives.servo]", f"{source}{broker}[drives.servo]", 1)


@dataclass
class Network:
    """The broker and the relays of one flight."""

    broker: RunningBroker
    panel: Path
    relays: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def start(self, name: str, *options: str, injected: str = "", panel: Path | None = None) -> None:
        with (self.panel.parent / f"relay-{name}.txt").open("ab") as log:
            self.relays[name] = subprocess.Popen(
                [
                    sys.executable,
                    "-c",
                    injected + _RELAY,
                    "relay",
                    panel or self.panel,
                    "--board",
                    name,
                    *options,
                ],
                cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def stop(self, name: str, number: signal.Signals = signal.SIGKILL) -> None:
        self.relays[name].send_signal(number)
        self.relays[name].wait(PATIENCE_S)

    def relay_log(self, name: str) -> str:
        return (self.panel.parent / f"relay-{name}.txt").read_text(errors="replace")


@contextmanager
def flying_over_mqtt() -> Iterator[Flight]:
    """A flight whose centre and right boards are behind a broker; its `beside` is the `Network`."""

    @contextmanager
    def relayed(panel: Path) -> Iterator[Network]:
        network = Network(broker, panel)
        try:
            for name in RELAYED:
                network.start(name)
            yield network
        finally:
            for relay in network.relays.values():
                relay.kill()
                relay.wait()

    with ExitStack() as stack:
        broker = stack.enter_context(running())
        change = partial(described, broker_port=broker.port)
        yield stack.enter_context(flying(change=change, beside=relayed))


def network_of(flight: Flight) -> Network:
    assert isinstance(flight.beside, Network)
    return flight.beside


@dataclass(frozen=True, slots=True)
class MqttFault:
    """`work` does it, and returns when the fault is over; boards that are not `touched` must notice nothing.

    `back_s` is how long the touched ones may take to fly again then.
    """

    work: Callable[[Flight], None]
    touched: tuple[str, ...] = ("right",)
    back_s: float = 2.0

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
                proxy.delay_s = 0.0
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
    """Left there while the relay is away, and taken away at the end."""
    await client.publish(f"{PREFIX}/right/to", encode_move(0, [9000.0] * 2, [0.0] * 2, 3), qos=1, retain=True)


async def doubled(client: aiomqtt.Client, broker: RunningBroker) -> None:
    """Every frame to and from the right board comes again, up to 30 ms later, in any order; for 3 s."""
    random, waiting = Random(1), set[asyncio.Task[None]]()
    own: list[bytes] = []

    async def again(topic: str, payload: bytes) -> None:
        await asyncio.sleep(random.uniform(0.0, 0.03))
        own.append(payload)
        connection.send(topic, payload)

    def heard(message: Message) -> None:
        if message.payload in own:
            own.remove(message.payload)
        else:
            task = asyncio.create_task(again(message.topic, message.payload))
            waiting.add(task)
            task.add_done_callback(waiting.discard)

    connection = await Connection.opened(broker.broker, [f"{PREFIX}/right/to", f"{PREFIX}/right/from"], heard)
    await asyncio.sleep(3.0)
    await connection.close()


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
    "mqtt: every frame doubled and out of order": MqttFault(stranger(doubled)),
    "mqtt: a late will after a new birth": MqttFault(stranger(late_will), touched=()),
    "mqtt: two relays of one board": MqttFault(second_relay),
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
