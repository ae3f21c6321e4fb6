"""Boards over MQTT: what they cost, and how late a frame is: `python -m tests.bench mqtt`.

A real broker (mosquitto) and the relays run in other processes, all on this machine. First the ways to write
frames: the same MOVE payloads, paced, by clients that are at hand, beside a bare loop that writes the same
bytes to a socket; the share of a core is that of the whole writing process, net of the timer alone. Then
links (sessions, window, the connection, QUERY and STATUS), whole panels, and the way from a datagram to the
last board's MOVE behind broker and relay.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import quantiles

import aiomqtt
from paho.mqtt.client import Client as Paho
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.boards import codec
from bridge.boards.mqtt.window import query_s
from bridge.boards.runner import Board
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.flight.links import Links
from bridge.mqtt import packets
from bridge.mqtt.connection import Connection
from bridge.panel.expected import expected_channels
from bridge.panel.load import load_panel
from tests.bench.latency import far_end, far_process
from tests.bench.load import share_of_a_core
from tests.bench.panels import demo, generated
from tests.mqtt.broker import RunningBroker, running

SECONDS = 8.0
PER_BOARD = 3
SHAPES = ((4, 60.0), (12, 100.0))
"""Boards, and MOVE frames a second to each."""
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


async def writers(broker: RunningBroker, boards: int, rate_hz: float) -> dict[str, float]:
    """Share of a core by the way of writing."""
    found = {"timer alone": await paced(boards, rate_hz, lambda topic, payload: None)}
    with socket.create_connection(("127.0.0.1", broker.port)) as bare:
        bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        bare.sendall(packets.connect("bare", 60, None, None))
        bare.recv(4)

        def write(topic: str, payload: bytes) -> None:
            bare.send(packets.publish(topic, payload))

        found["bare loop, same bytes"] = await paced(boards, rate_hz, write)
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


@dataclass
class Far:
    """The far end's process: `start` the datagrams to a port; at its end it tells how late MOVEs were."""

    process: subprocess.Popen[str]
    latencies_s: list[float] = field(default_factory=list)

    def write(self, text: str) -> int:
        assert self.process.stdin
        return self.process.stdin.write(text)

    def flush(self) -> None:
        assert self.process.stdin
        self.process.stdin.flush()


@contextmanager
def far_mqtt(panel: Path, rate_hz: float) -> Iterator[Far]:
    """Relays and sender; write the port to it to start the datagrams, 0 for none."""
    with far_process("far_mqtt", panel, rate_hz) as process:
        assert process.stdin and process.stdout
        far = Far(process)
        yield far
        process.stdin.close()
        far.latencies_s = json.loads(process.stdout.readline())


def over_mqtt(panel: Path, port: int, tick_hz: float = 100.0) -> Path:
    """The same panel with all boards at this broker; serial ports, where there are any, stay behind."""
    lines = [line for line in panel.read_text().splitlines() if not line.startswith(("link =", "port ="))]
    text = "\n".join(line for line in lines if not line.startswith("tick_hz"))
    for name in load_panel(panel).description.boards:
        text = text.replace(f"[boards.{name}]\n", f'[boards.{name}]\nlink = "mqtt"\n')
    head, bracket, rest = text.partition("\n[")
    broker = f'\n[broker]\nport = {port}\nprefix = "bench"\n'
    panel.write_text(f"{head}\ntick_hz = {tick_hz:g}{broker}{bracket}{rest}")
    return panel


async def links(path: Path, rate_hz: float) -> float:
    """The share of a core of sessions and links alone, with a MOVE to each board at this rate."""
    panel, clock = load_panel(path), time.monotonic
    made = Links(clock)
    boards = [
        Board(
            BoardSession(name, expected_channels(panel, name), query_s=query_s(rate_hz)),
            made.make(panel, name),
            clock,
        )
        for name in panel.description.boards
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


def shape(console: Console, broker: RunningBroker, boards: int, rate_hz: float) -> None:
    title = f"{boards} boards x {rate_hz:g} Hz"
    found = asyncio.run(writers(broker, boards, rate_hz))
    with tempfile.TemporaryDirectory() as folder:
        panel = generated(Path(folder), boards * PER_BOARD, PER_BOARD)
        panel = over_mqtt(panel, broker.port, rate_hz)
        with far_mqtt(panel, rate_hz) as far:
            found["sessions, window, connection, answers"] = asyncio.run(links(panel, rate_hz))
            far.write("0\n")
            far.flush()
    timer, bare = found["timer alone"], found["bare loop, same bytes"]
    table = Table("MOVE frames by", title=f"{title}: share of a core", box=None)
    for head in ("of a core", "us each, net", "whole, against bare", "net, against bare"):
        table.add_column(head, justify="right")
    for name, share in found.items():
        net = max(0.0, share - timer)
        cells = (f"{net / boards / rate_hz * 1e6:.0f}", f"{share / bare:.1f}", f"{net / (bare - timer):.1f}")
        table.add_row(name, f"{share:.1%}", *(cells if name != "timer alone" else ("", "", "")))
    console.print(table)

    # A tick follows each datagram at once; with ticks by themselves further apart there are no others.
    with tempfile.TemporaryDirectory() as folder:
        panel = over_mqtt(generated(Path(folder), boards * PER_BOARD, PER_BOARD), broker.port, 0.8 * rate_hz)
        with far_mqtt(panel, rate_hz) as far:
            share = asyncio.run(share_of_a_core(panel, far))
    cuts = quantiles(far.latencies_s, n=100)
    late = Table("", "datagrams", "p50 ms", "p99 ms", "worst ms", "service, of a core", box=None)
    figures = (f"{s * 1000:.2f}" for s in (cuts[49], cuts[98], max(far.latencies_s)))
    late.add_row(f"{title}: datagram to last board", str(len(far.latencies_s)), *figures, f"{share:.1%}")
    console.print(late)


def main() -> None:
    logs.set_up(sink=lambda line: None)
    console = Console(width=120)
    console.print("load of the machine at the start:", *(f"{load:.1f}" for load in os.getloadavg()))
    with running() as broker:
        for boards, rate_hz in SHAPES:
            shape(console, broker, boards, rate_hz)
        table = Table("six-gauge panel, 60 datagrams a second", "share of a core", box=None)
        for name in ("MQTT", "serial"):
            with tempfile.TemporaryDirectory() as folder:
                path = demo(Path(folder), serial=name == "serial")
                if name == "MQTT":
                    with far_mqtt(over_mqtt(path, broker.port), 60.0) as far:
                        share = asyncio.run(share_of_a_core(path, far))
                else:
                    with far_end(path) as port_to:
                        share = asyncio.run(share_of_a_core(path, port_to))
            table.add_row(name, f"{share:.1%}")
        console.print(table)
    console.print("load of the machine at the end:", *(f"{load:.1f}" for load in os.getloadavg()))


if __name__ == "__main__":
    main()
