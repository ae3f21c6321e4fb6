"""What arrives, shown live: for finding out whether a simulator is heard, and for writing a layout.

On a terminal a table that is drawn anew four times a second; elsewhere a line per sender every second.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AsyncExitStack

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.source import Arrival, Sender
from bridge.telemetry.udp import UdpSource

_DRAW_EVERY_S = 0.25
_LINE_EVERY_S = 1.0
_SAMPLE_ROW_BYTES = 16
_SAMPLE_ROWS = 8


async def listen(
    sources: Sequence[UdpSource],
    console: Console,
    catalogue: Catalogue = CATALOGUE,
    clock: Callable[[], float] = time.monotonic,
) -> int:
    """Opens the sources and shows what arrives until cancelled; raises `DescriptionError` for a bad port."""
    async with AsyncExitStack() as stack:
        for source in sources:
            await source.open()
            stack.push_async_callback(source.close)
        async with asyncio.TaskGroup() as tasks:
            for source in sources:
                tasks.create_task(source.run(_pass_over))
            tasks.create_task(_show(sources, console, catalogue, clock))
    return 0


def _pass_over(arrival: Arrival) -> None:
    """Takes an arrival and does nothing: the source's own account is what is shown."""


async def _show(
    sources: Sequence[UdpSource], console: Console, catalogue: Catalogue, clock: Callable[[], float]
) -> None:
    if console.is_terminal:
        with Live(table(sources, catalogue, clock()), console=console, auto_refresh=False) as live:
            while True:
                await asyncio.sleep(_DRAW_EVERY_S)
                live.update(table(sources, catalogue, clock()), refresh=True)
    for source in sources:
        print(f"{source.name}: waiting for datagrams", file=console.file, flush=True)
    while True:
        await asyncio.sleep(_LINE_EVERY_S)
        for line in lines(sources, catalogue, clock()):
            print(line, file=console.file, flush=True)


def lines(sources: Sequence[UdpSource], catalogue: Catalogue, now_s: float) -> Iterator[str]:
    """A plain line for each sender, and one for each that isn't allowed."""
    for source in sources:
        for sender in source.senders:
            parts = [_summary(source, sender, now_s), *_readings(sender, catalogue)]
            if sender.trouble:
                parts.append(_trouble(sender))
            yield ", ".join(parts)
        for host, count in source.refused.items():
            yield f"{source.name} < {host}: not allowed, {count} datagrams passed over"


def table(sources: Sequence[UdpSource], catalogue: Catalogue, now_s: float) -> RenderableType:
    """The whole picture as it is at `now_s`."""
    shown: list[RenderableType] = []
    for source in sources:
        for sender in source.senders:
            shown.append(Text(_summary(source, sender, now_s), style="bold"))
            grid = Table("quantity", "unit", box=None, pad_edge=False, padding=(0, 2, 0, 0))
            grid.add_column("reading", justify="right")
            for name, value in sorted(sender.readings.items()):
                grid.add_row(name, catalogue[name].unit, f"{value:,.3f}")
            for name in sorted(_unseen(source, sender)):
                grid.add_row(Text(name, style="dim"), catalogue[name].unit, Text("not seen yet", style="dim"))
            shown.append(grid)
            if sender.trouble:
                shown.append(Text(_trouble(sender), style="yellow"))
            if sender.sample:
                shown.append(Text("latest that could not be used:"))
                shown.extend(Text(row, style="dim") for row in sample_rows(sender.sample))
        if not source.senders:
            shown.append(Text(f"{source.name}: waiting for datagrams", style="bold"))
        for host, count in source.refused.items():
            shown.append(
                Text(f"{host} is not allowed: {count} datagrams passed over; add it to allow", style="yellow")
            )
    shown.append(Text("Ctrl-C stops", style="dim"))
    return Group(*shown)


def sample_rows(sample: bytes) -> Iterator[str]:
    """The bytes with their offset, in hexadecimal and as text: what a layout has to describe."""
    for offset in range(0, min(len(sample), _SAMPLE_ROWS * _SAMPLE_ROW_BYTES), _SAMPLE_ROW_BYTES):
        row = sample[offset : offset + _SAMPLE_ROW_BYTES]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)
        yield f"{offset:5}  {row.hex(' '):<{_SAMPLE_ROW_BYTES * 3 - 1}}  {text}"


def _summary(source: UdpSource, sender: Sender, now_s: float) -> str:
    layout = sender.layout or "none fits"
    return (
        f"{source.name} < {sender.address}: {sender.datagrams:,} datagrams, {sender.rate_hz(now_s):.1f} Hz, "
        f"{sender.latest_bytes} bytes, layout {layout}, {max(0.0, now_s - sender.latest_s):.1f} s ago"
    )


def _readings(sender: Sender, catalogue: Catalogue) -> Iterator[str]:
    for name, value in sorted(sender.readings.items()):
        unit = catalogue[name].unit
        yield f"{name} {value:.2f}" + ("" if unit == "1" else f" {unit}")


def _trouble(sender: Sender) -> str:
    counts = ", ".join(f"{cause} {count:,}" for cause, count in sender.causes.most_common())
    return f"dropped: {counts}; latest: {sender.trouble}"


def _unseen(source: UdpSource, sender: Sender) -> set[str]:
    for layout in source.layouts:
        if layout.name == sender.layout:
            return set(layout.given - sender.readings.keys())
    return set()
