"""What the six-gauge panel costs at 60 datagrams a second: `python -m tests.bench.load`.

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
from pathlib import Path
from typing import Protocol

from rich.console import Console
from rich.table import Table

from bridge import logs
from bridge.boards.state import State
from bridge.flight.service import Service
from bridge.panel.load import load_panel
from bridge.telemetry.udp import UdpSource
from tests.bench.latency import far_end
from tests.bench.panels import demo

SECONDS = 15.0


class PortTo(Protocol):
    """Where the far end reads the port that datagrams go to."""

    def write(self, text: str, /) -> int: ...

    def flush(self) -> None: ...


async def share_of_a_core(path: Path, port_to: PortTo) -> float:
    """Of the whole service, flying this panel."""
    service = Service(load_panel(path))
    run = asyncio.create_task(service.run())
    while not service.parts:
        await asyncio.sleep(0.01)
    source = service.intake.sources[0]
    assert isinstance(source, UdpSource)
    port_to.write(f"{source.port}\n")
    port_to.flush()
    while any(session.state is not State.READY for session in service.running.sessions.values()):
        await asyncio.sleep(0.05)
    await asyncio.sleep(3.0)
    wall_s, spent_s = time.monotonic(), time.process_time()
    await asyncio.sleep(SECONDS)
    share = (time.process_time() - spent_s) / (time.monotonic() - wall_s)
    service.stop()
    await run
    return share


@contextmanager
def panel(serial: bool) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield demo(Path(folder), serial)


def main() -> None:
    logs.set_up(sink=lambda line: None)
    table = Table("boards", title="Six-gauge panel at 60 Hz")
    table.add_column("share of a core", justify="right")
    for serial in (True, False):
        with panel(serial) as path, far_end(path) as port_to:
            share = asyncio.run(share_of_a_core(path, port_to))
        table.add_row("serial" if serial else "virtual, in the same process", f"{share:.1%}")
    Console().print(table)


if __name__ == "__main__":
    main()
