"""Many panels at one broker: `python -m tests.benchmarks scale`.

50 panels of 3 boards at 50 MOVE frames a second, as hosts and relays send them: one connection for each host,
one for each relay's board, every fourth frame answered by a STATUS. Hosts are one process, boards another,
the broker (mosquitto) a third. Latency is from just before a MOVE is sent until its board has it.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from functools import partial
from pathlib import Path
from statistics import quantiles

from rich.console import Console
from rich.table import Table

from bridge.mqtt.broker import Broker
from bridge.mqtt.connection import Connection
from bridge.mqtt.packets import Message
from tests.benchmarks.panels import ROOT
from tests.mqtt.broker import running

PANELS, BOARDS, RATE_HZ = 50, 3, 50.0
SECONDS = 10.0
PAYLOAD_BYTES, STATUS_EVERY = 32, 4
"""A MOVE of three channels; a STATUS is as long."""


def topic(panel: int, board: int, end: str) -> str:
    return f"panel{panel}/board{board}/{end}"


async def boards(broker: Broker) -> None:
    """The far end: takes MOVEs, answers, and at the end prints how late they were (s), and its own cost."""
    late_s: list[float] = []
    connections: dict[tuple[int, int], Connection] = {}

    def received(place: tuple[int, int], message: Message) -> None:
        late_s.append(time.monotonic() - int.from_bytes(message.payload[:8], "little") / 1e9)
        if message.payload[8] % STATUS_EVERY == 0:
            connections[place].send(topic(*place, "from"), message.payload)

    for place in [(panel, board) for panel in range(PANELS) for board in range(BOARDS)]:
        connections[place] = await Connection.opened(broker, [topic(*place, "to")], partial(received, place))
    print("ready", flush=True)
    spent_s, begun_s = time.process_time(), time.monotonic()
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    share = (time.process_time() - spent_s) / (time.monotonic() - begun_s)
    print(json.dumps([share, len(late_s), quantiles(late_s, n=100)]), flush=True)


async def hosts(broker: Broker) -> tuple[float, int, int]:
    """Send; the share of a core that it took, and how many MOVEs went out and STATUS came back."""
    answers: list[Message] = []
    connections = [
        await Connection.opened(broker, [f"panel{panel}/+/from"], answers.append) for panel in range(PANELS)
    ]
    begun_s, spent_s, ticks, sent = time.monotonic(), time.process_time(), 0, 0
    while time.monotonic() - begun_s < SECONDS:
        for panel, connection in enumerate(connections):
            for board in range(BOARDS):
                stamp = time.monotonic_ns().to_bytes(8, "little") + bytes([ticks % 256])
                connection.send(topic(panel, board, "to"), stamp.ljust(PAYLOAD_BYTES, b"\0"))
                sent += 1
            # The panels of a class do not tick at the same moment.
            due_s = begun_s + (ticks + (panel + 1) / PANELS) / RATE_HZ
            if due_s > time.monotonic():
                await asyncio.sleep(due_s - time.monotonic())
        ticks += 1
    share = (time.process_time() - spent_s) / (time.monotonic() - begun_s)
    await asyncio.sleep(0.5)
    return share, sent, len(answers)


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    console = Console(width=120)
    console.print("load of the machine at the start:", *(f"{load:.1f}" for load in os.getloadavg()))
    with (
        running("allow_anonymous true\nmax_connections -1\n") as broker,
        subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.scale", str(broker.port)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as far,
    ):
        assert far.stdin
        assert far.stdout
        assert far.stdout.readline() == "ready\n"
        begun_s, spent_s = time.monotonic(), _cpu_s(broker.pid)
        share, sent, answered = asyncio.run(hosts(broker.broker))
        of_broker = (_cpu_s(broker.pid) - spent_s) / (time.monotonic() - begun_s)
        far.stdin.close()
        of_boards, received, cuts = json.loads(far.stdout.readline())
    a_second = (sent + answered) / SECONDS
    table = Table(title=f"{PANELS} panels x {BOARDS} boards x {RATE_HZ:g} Hz", box=None, show_header=False)
    rows = {
        "MOVEs sent a second": f"{sent / SECONDS:,.0f}",
        "MOVEs received, of those sent": f"{received / sent:.2%}",
        "STATUS a second": f"{answered / SECONDS:,.0f}",
        "p50, p99 until the board has it": f"{cuts[49] * 1000:.2f} ms, {cuts[98] * 1000:.2f} ms",
        "broker": f"{of_broker:.0%} of a core, {of_broker / a_second * 1e6:.0f} us a message",
        "hosts' connections": f"{share:.0%} of a core, {share / a_second * 1e6:.0f} us a message",
        "boards' connections": f"{of_boards:.0%} of a core",
    }
    for name, figure in rows.items():
        table.add_row(name, figure)
    console.print(table)
    console.print("load of the machine at the end:", *(f"{load:.1f}" for load in os.getloadavg()))


if __name__ == "__main__":
    asyncio.run(boards(Broker("127.0.0.1", int(sys.argv[1]))))
