"""What browsers that watch cost the boards: `python -m tests.benchmarks page`.

The demo panel flies a shipped flight on virtual boards, watched in turns by 0, 1 and 20 WebSocket clients
that run in another process and read all that comes, and by some that misbehave. For each: the interval
between two MOVE frames to one board, how much processor time one turn of the event loop takes (what a frame
may have to wait for, whatever else runs on the machine), the processor time of the process, and what a client
receives in a second.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import AsyncExitStack, suppress
from itertools import pairwise
from statistics import fmean, quantiles
from typing import IO

import websockets
from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.boards.runner import Board
from bridge.boards.state import State
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.page.access import Address
from bridge.page.http import bind
from bridge.page.server import Page
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.benchmarks.panels import ROOT

CLIENTS = {"0": 0, "1": 1, "20": 20}
"""How many of each kind watch: these read all that comes."""
MISBEHAVING = {
    "floods": "one sends commands as fast as it can, and comes back when it is thrown out",
    "hang": "20 read nothing, as browsers whose script hangs",
    "cut off": "one takes a gauge, sends it to a mark, and is cut off while it captures; and comes back",
}
ROUNDS, SLICE_S = 6, 5.0
SETTLE_S = 1.0
FROM_S = 200.0
BOARD = "right"


class TimedLoop(asyncio.SelectorEventLoop):
    """An event loop that notes the processor time of each of its turns, in seconds."""

    def __init__(self) -> None:
        super().__init__()
        self.turns_s: list[float] = []

    def _run_once(self) -> None:
        begun_s = time.thread_time()
        super()._run_once()  # type: ignore[misc]
        self.turns_s.append(time.thread_time() - begun_s)


class Measured:
    """All slices of a flight that are watched by so many."""

    def __init__(self) -> None:
        self.intervals_s: list[float] = []
        self.turns_s: list[float] = []
        self.cpu_s = 0.0
        self.received: list[float] = []


async def fly(measured: dict[str, Measured]) -> None:
    """Fly until the boards are ready, then measure in turns."""
    log = read_log(ROOT / "replay_logs" / "circuit.csv")
    service = Service(
        load_panel(ROOT / "config" / "panel.toml"),
        sources=FixedSources(ReplaySource(log, 1.0, FROM_S)),
        replayed=True,
    )
    page = Page(service, bind(Address("127.0.0.1", 0), exactly=True, option="--page"), logs.LogTail())
    service.add_part("page", page.run)
    running = asyncio.create_task(service.run())
    while any(session.state is not State.READY for session in service.running.sessions.values()):
        await asyncio.sleep(0.05)
    for _ in range(ROUNDS):
        for kind, its in measured.items():
            await measure(service, page, kind, its)
    service.stop()
    await running


async def measure(service: Service, page: Page, kind: str, measured: Measured) -> None:
    """One slice."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, TimedLoop)
    url = page.address.url.replace("http", "ws") + "live"
    command = [sys.executable, "-m", "tests.benchmarks.page", url, kind]
    frames_s: list[float] = []
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as far:  # noqa: ASYNC220
        while kind in CLIENTS and len(page.hub) != CLIENTS[kind]:
            await asyncio.sleep(0.05)
        await asyncio.sleep(SETTLE_S)
        board = service.boards[BOARD]
        move = Board.move

        def timed(it: Board, time_s: float, positions: Sequence[float], velocities: Sequence[float]) -> None:
            move(it, time_s, positions, velocities)
            if it is board:
                frames_s.append(time.perf_counter())

        Board.move = timed  # type: ignore[method-assign, assignment]
        loop.turns_s.clear()
        begun_cpu_s = time.process_time()
        await asyncio.sleep(SLICE_S)
        measured.cpu_s += time.process_time() - begun_cpu_s
        measured.turns_s += loop.turns_s
        Board.move = move  # type: ignore[method-assign]
        assert far.stdin
        far.stdin.close()
        measured.received.append(await asyncio.to_thread(_received, far.stdout))
    measured.intervals_s += [after - before for before, after in pairwise(frames_s)]


def _received(printed: IO[str] | None) -> float:
    assert printed
    return float(json.loads(printed.readline()))


async def misbehave(url: str, kind: str) -> None:
    """Until cancelled."""
    number = 0

    def command(do: str, **fields: object) -> str:
        nonlocal number
        number += 1
        return json.dumps({"id": number, "do": do, **fields})

    async with AsyncExitStack() as hung:
        if kind == "hang":
            for _ in range(20):
                line = await hung.enter_async_context(websockets.connect(url, compression=None, max_queue=1))
                line.transport.pause_reading()
            await asyncio.Event().wait()
        while True:
            with suppress(websockets.ConnectionClosed):
                async with websockets.connect(url, compression=None) as line:
                    while kind == "floods":
                        await line.send(command("alive"))
                        await asyncio.sleep(0)
                    for do in ("take", "mark", "capture"):
                        by = {"by": 0} if do == "mark" else {}
                        await line.send(command(do, gauge="heading", **by))
                    await asyncio.sleep(0.1)
                    line.transport.abort()
                    await asyncio.sleep(0.1)


async def watch(url: str, clients: int) -> None:
    """Read with so many clients until the input ends; print the bytes a second of one."""
    taken = 0

    async def read() -> None:
        nonlocal taken
        async with websockets.connect(url, compression=None) as line:
            async for message in line:
                taken += len(message)

    readers = [asyncio.create_task(read()) for _ in range(clients)]
    begun_s = time.perf_counter()
    await asyncio.to_thread(sys.stdin.read)
    seconds = time.perf_counter() - begun_s
    for reader in readers:
        reader.cancel()
    print(json.dumps(taken / seconds / clients if clients else 0.0), flush=True)


async def far(url: str, kind: str) -> None:
    """The other process."""
    if kind in CLIENTS:
        await watch(url, CLIENTS[kind])
        return
    misbehaving = asyncio.create_task(misbehave(url, kind))
    await asyncio.to_thread(sys.stdin.read)
    if misbehaving.done():
        misbehaving.result()
    print(0.0, flush=True)
    os._exit(0)  # no farewell, as browsers that vanish


def main() -> None:
    logs.set_up(sink=lambda line: None)
    measured = {kind: Measured() for kind in (*CLIENTS, *MISBEHAVING)}
    with asyncio.Runner(loop_factory=TimedLoop) as runner:
        runner.run(fly(measured))
    table = Table(title=f"Browsers that watch the demo, {ROUNDS * SLICE_S:g} s each; ms")
    heads = ("frames p50", "p99", "ratio", "worst", "loop turn p99", "p99.9", "worst", "CPU, %", "kB/s each")
    for head in ("clients", *heads):
        table.add_column(head, justify="right")
    alone = quantiles(measured["0"].intervals_s, n=100)[98]
    for kind, its in measured.items():
        hundredths = quantiles(its.intervals_s, n=100)
        turns = quantiles(its.turns_s, n=1000)
        table.add_row(
            kind,
            f"{hundredths[49] * 1000:.2f}",
            f"{hundredths[98] * 1000:.2f}",
            f"{hundredths[98] / alone:.2f}",
            f"{max(its.intervals_s) * 1000:.1f}",
            f"{turns[989] * 1000:.2f}",
            f"{turns[998] * 1000:.2f}",
            f"{max(its.turns_s) * 1000:.2f}",
            f"{its.cpu_s / (ROUNDS * SLICE_S) * 100:.1f}",
            f"{fmean(its.received) / 1000:.1f}",
        )
    console = Console(width=110)
    console.print(table)
    for kind, what in MISBEHAVING.items():
        console.print(f"{kind}: {what}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        asyncio.run(far(sys.argv[1], sys.argv[2]))
    else:
        main()
