"""From a datagram to the last byte written: `python -m tests.benchmarks.latency`.

12 pointers on 4 serial boards, 60 datagrams a second. Beside the service, what a bare loop needs that
receives the same datagrams and writes four frames of the same size to the same lines, and nothing else.
The boards (ptys) and the sender run in another process. Latency counts from just before the datagram is
sent until the last of the four frames is written; a frame that had to wait for its line is counted apart.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import quantiles

from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.boards import codec
from bridge.boards.line import to_line
from bridge.boards.serial import SerialLink
from bridge.boards.state import State
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import Panel, load_panel
from bridge.telemetry.source import Arrival, Deliver
from bridge.telemetry.udp import UdpSource
from tests.benchmarks.panels import ROOT, generated, stamp_s

POINTERS, PER_BOARD, RATE_HZ = 12, 3, 60.0
SECONDS = 20.0


@dataclass
class Far:
    """The other end's process.

    `moved`, known after its end: when a datagram was sent (s, time.monotonic), and how long after that its
    MOVE had reached every board (s).
    """

    process: subprocess.Popen[str]
    moved: list[tuple[float, float]] = field(default_factory=list)

    def start(self, port: int) -> None:
        """Send the datagrams to this port; 0: send none."""
        assert self.process.stdin
        self.process.stdin.write(f"{port}\n")
        self.process.stdin.flush()


@contextmanager
def far_process(module: str, panel: Path, rate_hz: float) -> Iterator[Far]:
    """This module of tests.benchmarks as a process, once it has plugged in; it ends when its input does."""
    with subprocess.Popen(
        [sys.executable, "-m", f"tests.benchmarks.{module}", str(panel), str(rate_hz)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdin and process.stdout
        assert process.stdout.readline() == "plugged\n"
        far = Far(process)
        yield far
        process.stdin.close()
        far.moved = [(sent_s, late_s) for sent_s, late_s in json.loads(process.stdout.readline())]


def far_end(panel: Path, rate_hz: float = RATE_HZ) -> AbstractContextManager[Far]:
    """Serial boards and sender."""
    return far_process("far_end", panel, rate_hz)


class TimedSource(UdpSource):
    """The source as it is; looks at the clock when everything that an arrival causes has been done."""

    def __init__(self, panel: Panel) -> None:
        (described,) = panel.description.sources
        super().__init__("127.0.0.1", 0, [panel.layouts[name] for name in described.layouts])
        self.latencies_s: list[float] = []
        self.waited = 0
        self.links: list[SerialLink] = []

    async def run(self, deliver: Deliver) -> None:
        def timed(arrival: Arrival) -> None:
            deliver(arrival)
            assert arrival.source_time_s is not None
            self.latencies_s.append(time.monotonic() - arrival.source_time_s)
            self.waited += any(link.waiting for link in self.links)

        await super().run(timed)


async def of_service(path: Path, far: Far) -> TimedSource:
    """Fly the panel; latencies once all boards are ready."""
    panel = load_panel(path)
    source = TimedSource(panel)
    service = Service(panel, sources=FixedSources(source))
    run = asyncio.create_task(service.run())
    while not service.parts:
        await asyncio.sleep(0.01)
    far.start(source.port)
    while any(session.state is not State.READY for session in service.running.sessions.values()):
        await asyncio.sleep(0.05)
    await asyncio.sleep(2.0)
    source.links = [board.link for board in service.boards.values() if isinstance(board.link, SerialLink)]
    source.waited = 0
    source.latencies_s.clear()
    await asyncio.sleep(SECONDS)
    taken = list(source.latencies_s)
    service.stop()
    await run
    source.latencies_s = taken
    return source


def of_bare_loop(path: Path, far: Far) -> list[float]:
    """Receive and write, and nothing else."""
    line = to_line(codec.encode_move(0, [1234.56] * PER_BOARD, [100.5] * PER_BOARD, (1 << PER_BOARD) - 1))
    devices = [path.parent / f"b{board}" / "ttyBOARD" for board in range(POINTERS // PER_BOARD)]
    ports = [os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK) for device in devices]
    latencies_s = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        far.start(receiver.getsockname()[1])
        for port in ports:
            tty.setraw(port)
        end_s = time.monotonic() + SECONDS
        while time.monotonic() < end_s:
            datagram = receiver.recv(2048)
            for port in ports:
                os.write(port, line)
            latencies_s.append(time.monotonic() - stamp_s(datagram))
    for port in ports:
        os.close(port)
    return latencies_s


def main() -> None:
    logs.set_up(sink=lambda line: None)
    with tempfile.TemporaryDirectory() as folder:
        panel = generated(Path(folder), POINTERS, PER_BOARD, serial=True)
        with far_end(panel) as far:
            ours = asyncio.run(of_service(panel, far))
    with tempfile.TemporaryDirectory() as folder:
        panel = generated(Path(folder), POINTERS, PER_BOARD, serial=True)
        with far_end(panel) as far:
            bare = of_bare_loop(panel, far)
    table = Table("", title="Datagram to last byte written, ms (12 pointers, 4 serial boards, 60 Hz)")
    for head in ("datagrams", "p50", "p99", "worst", "frames that waited"):
        table.add_column(head, justify="right")
    cuts = []
    for name, latencies_s, waited in (
        ("Pointer Bridge", ours.latencies_s, str(ours.waited)),
        ("bare loop, same I/O", bare, ""),
    ):
        hundredths = quantiles(latencies_s, n=100)
        cuts.append((hundredths[49], hundredths[98]))
        figures = (f"{s * 1000:.2f}" for s in (*cuts[-1], max(latencies_s)))
        table.add_row(name, str(len(latencies_s)), *figures, waited)
    (p50, p99), (bare_p50, bare_p99) = cuts
    table.add_row("ratio", "", f"{p50 / bare_p50:.2f}", f"{p99 / bare_p99:.2f}", "", "")
    Console().print(table)


if __name__ == "__main__":
    main()
