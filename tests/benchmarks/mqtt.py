"""Boards over MQTT: what they cost, and how late a frame is: `python -m tests.benchmarks mqtt`.

A real broker (mosquitto) and the relays run in other processes, all on this machine. First the ways to write
frames: the same MOVE payloads, paced, by clients that are at hand, beside a bare loop that writes the same
bytes to a socket. Then links (sessions, window, the connection), beside a bare loop that writes the same MOVE
and QUERY frames and reads away the same answers of the same boards. The share of a core is that of the whole
process. Last whole panels, and the way from a datagram to the last board's MOVE behind broker and relay.
"""

from __future__ import annotations

import asyncio
import os
import socket
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from statistics import quantiles

import aiomqtt
from paho.mqtt.client import Client as Paho
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.boards import codec, messages
from bridge.boards.mqtt.window import MOVES_PER_QUERY, query_s
from bridge.boards.runner import Board
from bridge.boards.session import QUERY_S, BoardSession
from bridge.boards.state import State
from bridge.flight.links import Links
from bridge.mqtt import packets
from bridge.mqtt.connection import Connection
from bridge.panel.expected import expected_channels
from bridge.panel.load import load_panel
from tests.benchmarks.latency import Far, far_end, far_process
from tests.benchmarks.load import share_of_a_core
from tests.benchmarks.panels import demo, generated
from tests.mqtt.broker import RunningBroker, running

SECONDS = 8.0
PER_BOARD = 3
SHAPES = ((4, 60.0), (12, 100.0))
"""Boards, and MOVE frames a second to each."""
BARE = "bare loop, same bytes"
Send = Callable[[str, bytes], Awaitable[None] | None]


async def paced(boards: int, rate_hz: float, send: Send) -> float:
    """The share of a core that it takes to send every board a MOVE at this rate."""
    payload = codec.encode_move(0, [1234.56] * PER_BOARD, [100.5] * PER_BOARD, (1 << PER_BOARD) - 1)
    topics = [f"bench/b{board}/to" for board in range(boards)]
    begun_s, spent_s, ticks = time.monotonic(), time.process_time(), 0
    while time.monotonic() - begun_s < SECONDS:
        for topic in topics:
            waits = send(topic, payload)
            if waits is not None:
                await waits
        ticks += 1
        await asyncio.sleep(max(0.0, begun_s + ticks / rate_hz - time.monotonic()))
    return (time.process_time() - spent_s) / (time.monotonic() - begun_s)


@contextmanager
def bare_socket(broker: RunningBroker) -> Iterator[socket.socket]:
    """Connected to the broker, and nothing more."""
    with socket.create_connection(("127.0.0.1", broker.port)) as bare:
        bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        bare.sendall(packets.connect("bare", 60, None, None))
        bare.recv(4)
        yield bare


async def bare_links(broker: RunningBroker, boards: int, rate_hz: float) -> float:
    """The share of a core of what must be: MOVE and QUERY frames written, answers taken off the socket."""
    query, due, answers = codec.encode(messages.Query(), 0), 0, 0
    loop = asyncio.get_running_loop()
    with bare_socket(broker) as bare:
        bare.sendall(packets.subscribe(1, ["bench/+/from"]))
        bare.recv(64)
        bare.setblocking(False)

        def take() -> None:
            nonlocal answers
            answers += len(bare.recv(65_536))

        def write(topic: str, payload: bytes) -> None:
            nonlocal due
            bare.send(packets.publish(topic, payload))
            due += 1
            if due % (boards * MOVES_PER_QUERY) < boards:
                bare.send(packets.publish(topic, query))

        loop.add_reader(bare, take)
        share = await paced(boards, rate_hz, write)
        loop.remove_reader(bare)
    assert answers, "the boards did not answer"
    return share


async def writers(broker: RunningBroker, boards: int, rate_hz: float) -> dict[str, float]:
    """Share of a core by the way of writing."""
    found = {"timer alone": await paced(boards, rate_hz, lambda topic, payload: None)}
    with bare_socket(broker) as bare:

        def write(topic: str, payload: bytes) -> None:
            bare.send(packets.publish(topic, payload))

        found[BARE] = await paced(boards, rate_hz, write)
    connection = await Connection.opened(broker.broker, [], lambda message: None)
    found["the connection of this project"] = await paced(boards, rate_hz, connection.send)
    await connection.close()
    paho = Paho(CallbackAPIVersion.VERSION2)
    paho.connect("127.0.0.1", broker.port)
    network = paho.socket()
    assert isinstance(network, socket.socket)
    network.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    for _ in range(5):
        paho.loop(0.05)

    def publish(topic: str, payload: bytes) -> None:
        paho.publish(topic, payload)

    found["paho-mqtt, publish() in the loop's thread"] = await paced(boards, rate_hz, publish)
    paho.disconnect()
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    ) as client:
        found["aiomqtt, await publish()"] = await paced(boards, rate_hz, client.publish)
    return found


def far_mqtt(panel: Path, rate_hz: float) -> AbstractContextManager[Far]:
    """Relays and sender."""
    return far_process("far_mqtt", panel, rate_hz)


def over_mqtt(panel: Path, port: int, tick_hz: float = 100.0) -> Path:
    """The same panel with all boards at this broker; serial ports, where there are any, stay behind."""
    ticking(panel, tick_hz)
    lines = panel.read_text().splitlines()
    text = "\n".join(line for line in lines if not line.startswith(("link =", "port =")))
    for name in load_panel(panel).description.boards:
        text = text.replace(f"[boards.{name}]\n", f'[boards.{name}]\nlink = "mqtt"\n')
    head, bracket, rest = text.partition("\n[")
    broker = f'\n[broker]\nport = {port}\nprefix = "bench"\n'
    panel.write_text(f"{head}{broker}{bracket}{rest}")
    return panel


def ticking(panel: Path, tick_hz: float) -> Path:
    """The same panel with ticks by themselves this often."""
    text = "\n".join(line for line in panel.read_text().splitlines() if not line.startswith("tick_hz"))
    panel.write_text(f"tick_hz = {tick_hz:g}\n{text}\n")
    return panel


FAR = {"MQTT": far_mqtt, "serial": far_end}
"""The other end of a panel whose boards are behind links of this kind."""


async def links(path: Path, rate_hz: float) -> float:
    """The share of a core of sessions and links alone, with a MOVE to each board at this rate."""
    panel, clock = load_panel(path), time.monotonic
    made = Links(clock)
    boards = [
        Board(
            BoardSession(
                name,
                expected_channels(panel, name),
                query_s=query_s(rate_hz) if described.kind.over_broker else QUERY_S,
            ),
            made.make(panel, name),
            clock,
        )
        for name, described in panel.description.boards.items()
    ]
    tasks = [asyncio.create_task(board.run()) for board in boards]
    while any(board.session.state is not State.READY for board in boards):
        await asyncio.sleep(0.05)

    by_topic = {f"bench/b{number}/to": board for number, board in enumerate(boards)}

    def move(topic: str, payload: bytes) -> None:
        by_topic[topic].move(clock(), [50.0] * PER_BOARD, [0.0] * PER_BOARD)

    share = await paced(len(boards), rate_hz, move)
    for task in tasks:
        task.cancel()
    await asyncio.wait(tasks)
    return share


def at(broker: RunningBroker, folder: Path, boards: int, link: str, tick_hz: float) -> Path:
    """A panel of so many boards behind links of this kind."""
    path = generated(folder, boards * PER_BOARD, PER_BOARD, serial=link == "serial")
    return over_mqtt(path, broker.port, tick_hz) if link == "MQTT" else ticking(path, tick_hz)


def shape(console: Console, broker: RunningBroker, boards: int, rate_hz: float) -> None:
    title = f"{boards} boards x {rate_hz:g} Hz"
    found = asyncio.run(writers(broker, boards, rate_hz))
    table = Table("MOVE frames by", title=f"{title}: share of a core", box=None)
    for head in ("of a core", "against bare loop"):
        table.add_column(head, justify="right")
    for name, share in found.items():
        table.add_row(name, f"{share:.2%}", f"{share / found[BARE]:.1f}")
    console.print(table)
    with_answers = {}
    for link, far_of in FAR.items():
        with tempfile.TemporaryDirectory() as folder:
            panel = at(broker, Path(folder), boards, link, rate_hz)
            with far_of(panel, rate_hz) as far:
                if link == "MQTT":
                    with_answers[BARE] = asyncio.run(bare_links(broker, boards, rate_hz))
                with_answers[f"sessions and links, {link}"] = asyncio.run(links(panel, rate_hz))
                far.start(0)
    table = Table("MOVE, QUERY and answers by", title=f"{title}: share of a core", box=None)
    for head in ("of a core", "against bare loop", "against bare loop of MOVE alone"):
        table.add_column(head, justify="right")
    for name, share in with_answers.items():
        table.add_row(name, f"{share:.2%}", f"{share / with_answers[BARE]:.1f}", f"{share / found[BARE]:.1f}")
    console.print(table)

    table = Table(f"{title}: whole service", box=None)
    for head in ("of a core", "datagrams", "to the last board, p50 ms", "p99 ms", "worst ms"):
        table.add_column(head, justify="right")
    for link, far_of in FAR.items():
        # A tick follows each datagram at once; with ticks by themselves further apart there are no others.
        with tempfile.TemporaryDirectory() as folder:
            panel = at(broker, Path(folder), boards, link, 0.8 * rate_hz)
            with far_of(panel, rate_hz) as far:
                load = asyncio.run(share_of_a_core(panel, far))
        late_s = [late_s for sent_s, late_s in far.moved if load.since_s <= sent_s <= load.until_s]
        cuts = quantiles(late_s, n=100)
        figures = (f"{s * 1000:.2f}" for s in (cuts[49], cuts[98], max(late_s)))
        table.add_row(link, f"{load.share:.1%}", str(len(late_s)), *figures)
    console.print(table)


def main() -> None:
    logs.set_up(sink=lambda line: None)
    console = Console(width=120)
    console.print("load of the machine at the start:", *(f"{load:.1f}" for load in os.getloadavg()))
    with running() as broker:
        for boards, rate_hz in SHAPES:
            shape(console, broker, boards, rate_hz)
        table = Table("six-gauge panel, 60 datagrams a second", "share of a core", box=None)
        for link, far_of in FAR.items():
            with tempfile.TemporaryDirectory() as folder:
                path = demo(Path(folder), serial=link == "serial")
                if link == "MQTT":
                    over_mqtt(path, broker.port)
                with far_of(path, 60.0) as far:
                    table.add_row(link, f"{asyncio.run(share_of_a_core(path, far)).share:.1%}")
        console.print(table)
    console.print("load of the machine at the end:", *(f"{load:.1f}" for load in os.getloadavg()))


if __name__ == "__main__":
    main()
