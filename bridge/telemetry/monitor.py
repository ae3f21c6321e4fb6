"""What arrives, shown live: for finding out whether a simulator is heard, and for writing a layout.

On a terminal a table that is drawn anew four times a second; elsewhere a line per sender every second.
"""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AsyncExitStack

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from bridge.logs import printable
from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.telemetry.source import Arrival, LiveSource, Sender

SLOW_HZ = 7.0
"""A slower sender's needles are predicted from one datagram to the next (`bridge.motion.prediction`)."""
_DRAW_EVERY_S = 0.25
_LINE_EVERY_S = 1.0
_SAMPLE_ROW_BYTES = 16
_SAMPLE_ROWS = 8
_NUMBER_ROWS = 16


async def listen(
    sources: Sequence[LiveSource],
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
                tasks.create_task(source.run(_ignore))
            tasks.create_task(_show(sources, console, catalogue, clock))
    return 0


def _ignore(arrival: Arrival) -> None:
    """Takes an arrival and does nothing: the source's own account is what is shown."""


async def _show(
    sources: Sequence[LiveSource], console: Console, catalogue: Catalogue, clock: Callable[[], float]
) -> None:
    if console.is_terminal:
        with Live(table(sources, catalogue, clock()), console=console, auto_refresh=False) as live:
            while True:
                await asyncio.sleep(_DRAW_EVERY_S)
                live.update(table(sources, catalogue, clock()), refresh=True)
    for source in sources:
        print(_waiting(source), file=console.file, flush=True)
    while True:
        await asyncio.sleep(_LINE_EVERY_S)
        for line in lines(sources, catalogue, clock()):
            print(line, file=console.file, flush=True)


def lines(sources: Sequence[LiveSource], catalogue: Catalogue, now_s: float) -> Iterator[str]:
    """A line for each sender, with the bytes that could not be used, and for each that isn't allowed."""
    for source in sources:
        for sender in source.senders:
            parts = [_summary(source, sender, now_s), *_readings(sender, catalogue, now_s)]
            if sender.trouble:
                parts.append(_trouble(sender))
            yield printable(", ".join(parts))
            yield from sample_rows(sender.sample)
            yield from number_rows(sender.sample)
        for host, count in source.refused.items():
            yield printable(f"{source.name} < {host}: not allowed, {count} datagrams skipped")
        yield from map(printable, source.notes)


def table(sources: Sequence[LiveSource], catalogue: Catalogue, now_s: float) -> RenderableType:
    """The whole picture as it is at `now_s`."""
    shown: list[RenderableType] = []
    for source in sources:
        for sender in source.senders:
            shown.append(Text(printable(_summary(source, sender, now_s)), style="bold"))
            grid = Table("quantity", "unit", box=None, pad_edge=False, padding=(0, 2, 0, 0))
            grid.add_column("reading", justify="right")
            grid.add_column("age", justify="right")
            for name, value in sorted(sender.readings.items()):
                unit = Text(printable(catalogue[name].unit))
                grid.add_row(Text(printable(name)), unit, f"{value:,.3f}", _age(sender, name, now_s))
            for name in sorted(source.unseen(sender)):
                unit = Text(printable(catalogue[name].unit))
                grid.add_row(Text(printable(name), "dim"), unit, Text("not seen yet", "dim"))
            shown.append(grid)
            if sender.trouble:
                shown.append(Text(_trouble(sender), style="yellow"))
            if sender.sample:
                shown.append(Text("latest that could not be used:"))
                shown.extend(Text(row, style="dim") for row in sample_rows(sender.sample))
                shown.extend(Text(row, style="dim") for row in number_rows(sender.sample))
        if not source.senders:
            shown.append(Text(_waiting(source), style="bold"))
        for host, count in source.refused.items():
            shown.append(
                Text(f"{host}: not allowed, {count} datagrams skipped; add it to allow", style="yellow")
            )
        shown += [Text(line, style="yellow") for line in map(printable, source.notes)]
    described = any(source.given for source in sources)
    hint = "" if described else "; with --find it works out a layout, with --layout it reads by one"
    shown.append(Text(f"Ctrl-C stops{hint}", style="dim"))
    return Group(*shown)


def _waiting(source: LiveSource) -> str:
    return printable(f"{source.name}: waiting for {source.carries}")


def sample_rows(sample: bytes) -> Iterator[str]:
    """The bytes with their offset, in hexadecimal and as text: what a layout has to describe."""
    for offset in range(0, min(len(sample), _SAMPLE_ROWS * _SAMPLE_ROW_BYTES), _SAMPLE_ROW_BYTES):
        row = sample[offset : offset + _SAMPLE_ROW_BYTES]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)
        yield f"{offset:5}  {row.hex(' '):<{_SAMPLE_ROW_BYTES * 3 - 1}}  {text}"


def number_rows(sample: bytes) -> Iterator[str]:
    """The first bytes as numbers, each little-endian, then big-endian; nothing of bytes that are text."""
    if all(32 <= byte < 127 or byte in b"\t\r\n" for byte in sample.rstrip(b"\0")):
        return
    # A header need not be a multiple of four bytes: the numbers begin where most float32 are of a usual size.
    begin = max(range(4), key=lambda start: _usual_numbers(sample[start:]))
    yield f"{'offset':>6} {'int32 <':>12}{'>':>12} {'float32 <':>10}{'>':>10} {'float64 <':>10}{'>':>10}"
    for offset in range(begin, min(len(sample) - 3, begin + 4 * _NUMBER_ROWS), 4):
        cells = [f"{number:12}" for number in _both_orders("i", sample, offset)]
        cells += [" ", *(f"{number:10.3g}" for number in _both_orders("f", sample, offset))]
        if offset + 8 <= len(sample):
            cells += [" ", *(f"{number:10.3g}" for number in _both_orders("d", sample, offset))]
        yield f"{offset:6} {''.join(cells)}"


def _both_orders(code: str, sample: bytes, offset: int) -> Iterator[float]:
    for order in "<>":
        yield struct.unpack_from(order + code, sample, offset)[0]


def _usual_numbers(data: bytes) -> int:
    """How many of the numbers are of a size that quantities have, in the order that has more of them."""
    words = data[: len(data) // 4 * 4]
    counts: list[int] = []
    for order in "<>":
        numbers = [number for (number,) in struct.iter_unpack(order + "f", words)]
        counts.append(sum(number == 0.0 or 1e-3 < abs(number) < 1e6 for number in numbers))
    return max(counts)


def _summary(source: LiveSource, sender: Sender, now_s: float) -> str:
    layout = (sender.layout or "none fits") + (f" ({sender.follows})" if sender.follows else "")
    rate_hz = sender.rate_hz(now_s)
    slow = (
        f" (slow: needles show a change up to {1.0 / rate_hz:.1f} s late)" if 0.0 < rate_hz < SLOW_HZ else ""
    )
    return (
        f"{source.name} < {sender.address}: {sender.datagrams:,} {source.carries}, "
        f"{rate_hz:.1f} Hz{slow}, {sender.latest_bytes} bytes, layout {layout}, "
        f"{max(0.0, now_s - sender.latest_s):.1f} s ago"
    )


def _readings(sender: Sender, catalogue: Catalogue, now_s: float) -> Iterator[str]:
    for name, value in sorted(sender.readings.items()):
        unit = catalogue[name].unit
        yield f"{name} {value:.2f}" + ("" if unit == "1" else f" {unit}") + f" ({_age(sender, name, now_s)})"


def _age(sender: Sender, name: str, now_s: float) -> str:
    return f"{max(0.0, now_s - sender.read_s[name]):.1f} s"


def _trouble(sender: Sender) -> str:
    counts = ", ".join(f"{cause} {count:,}" for cause, count in sender.causes.most_common())
    return f"dropped: {counts}; latest: {sender.trouble}"
