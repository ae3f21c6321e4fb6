"""What the six-gauge panel costs at 60 datagrams a second: `python -m tests.benchmarks.load`.

The demo panel (10 pointers on 3 boards, 100 ticks a second), flown by the whole service in this process. With
serial boards the boards and the sender run in another process; with virtual ones the boards' own motion is
part of the cost.
"""

from __future__ import annotations

import asyncio
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.boards.state import State
from bridge.flight.service import Service
from bridge.panel.load import load_panel
from bridge.telemetry.udp import UdpSource
from tests.benchmarks.latency import Far, far_end
from tests.benchmarks.panels import demo

SECONDS = 15.0


@dataclass(frozen=True, slots=True)
class Load:
    """The share of a core over a time of flight, from `since_s` to `until_s` (s, time.monotonic)."""

    share: float
    since_s: float
    until_s: float


async def share_of_a_core(path: Path, far: Far) -> Load:
    """Of the whole service, flying this panel, once all boards are ready."""
    service = Service(load_panel(path))
    run = asyncio.create_task(service.run())
    while not service.parts:
        await asyncio.sleep(0.01)
    source = service.intake.sources[0]
    assert isinstance(source, UdpSource)
    far.start(source.port)
    while any(session.state is not State.READY for session in service.running.sessions.values()):
        await asyncio.sleep(0.05)
    await asyncio.sleep(3.0)
    since_s, spent_s = time.monotonic(), time.process_time()
    await asyncio.sleep(SECONDS)
    until_s = time.monotonic()
    share = (time.process_time() - spent_s) / (until_s - since_s)
    service.stop()
    await run
    return Load(share, since_s, until_s)


@contextmanager
def panel(serial: bool) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield demo(Path(folder), serial)


def main() -> None:
    logs.set_up(sink=lambda line: None)
    table = Table("boards", title="Six-gauge panel at 60 Hz")
    table.add_column("share of a core", justify="right")
    for serial in (True, False):
        with panel(serial) as path, far_end(path) as far:
            share = asyncio.run(share_of_a_core(path, far)).share
        table.add_row("serial" if serial else "virtual, in the same process", f"{share:.1%}")
    Console().print(table)


if __name__ == "__main__":
    main()
