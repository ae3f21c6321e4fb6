"""All faults, one after the other, on real processes: `python -m tests.faults [WORDS OF A FAULT'S NAME]`.

Each fault has a flight of its own, whose frames are first watched undisturbed. Longest gap and p99 are those
of the intervals between MOVE frames at boards that the fault does not touch; the promise is a gap under 50 ms
and a p99 under 1.5 times the undisturbed one, no watchdog trip, and a clean end within 3 s after it.
"""

from __future__ import annotations

import os
import pty
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.table import Table

from bridge.commands.ending import LONGEST_S
from bridge.telemetry.flightlog import read_log
from tests.conftest import wait_until
from tests.faults.faults import EVERY_LAYOUT, FAULTS, UNTOUCHED, WATCH_S, Fault
from tests.faults.flight import BOARDS, Flight, Seen, flying

GAP_S, RATIO = 0.050, 1.5


@contextmanager
def usual() -> Iterator[Flight]:
    with flying(layouts=EVERY_LAYOUT) as flight:
        yield flight


@contextmanager
def log_to_a_full_device() -> Iterator[Flight]:
    with open("/dev/full", "wb") as full, flying(stderr=full) as flight:  # noqa: PTH123
        yield flight


@contextmanager
def log_that_nobody_reads() -> Iterator[Flight]:
    read, write = os.pipe()
    os.set_blocking(write, False)
    try:
        while True:
            os.write(write, bytes(4096))
    except BlockingIOError:
        os.set_blocking(write, True)
    try:
        with flying(stderr=write) as flight:
            yield flight
    finally:
        os.close(read)
        os.close(write)


@contextmanager
def log_whose_reader_is_gone() -> Iterator[Flight]:
    read, write = os.pipe()
    os.close(read)
    try:
        with flying(stderr=write) as flight:
            yield flight
    finally:
        os.close(write)


@contextmanager
def view_on_a_terminal_that_is_stopped() -> Iterator[Flight]:
    """Nobody reads the terminal, as after Ctrl-S: it takes what fits and no more."""
    master, slave = pty.openpty()
    try:
        with flying("--view", stdout=slave, stderr=slave) as flight:
            yield flight
    finally:
        os.close(master)
        os.close(slave)


OUTPUTS = {
    "log to a device that is full": log_to_a_full_device,
    "log that nobody reads (Ctrl-S)": log_that_nobody_reads,
    "log whose reader is gone": log_whose_reader_is_gone,
    "the view, on a terminal that is stopped": view_on_a_terminal_that_is_stopped,
}


def verdict(before: Seen, during: Seen, code: int, took_s: float) -> list[str]:
    """What of the promise was not kept."""
    wrong = []
    if during.longest_s >= GAP_S:
        wrong.append("gap")
    if during.p99_s >= RATIO * before.p99_s:
        wrong.append("p99")
    if during.trips:
        wrong.append(f"{during.trips} trips")
    if code != 0 or took_s > LONGEST_S:
        wrong.append(f"end ({code}, {took_s:.1f} s)")
    return wrong


def row(name: str, flight: Flight, fault: Fault) -> tuple[tuple[str, ...], bool]:
    """Watch one fault; its row of the table, and whether the promise was kept."""
    untouched = UNTOUCHED.get(name, BOARDS)
    before = flight.watch(WATCH_S, untouched)
    fault(flight)
    during = flight.watch(WATCH_S, untouched)
    flight.tell("quiet")
    over_s = time.monotonic()
    wait_until(flight.flies, "frames at every board after the fault")
    again_s = time.monotonic() - over_s
    code, took_s = flight.stop(signal.SIGTERM)
    end = flight.seen(untouched)
    wrong = verdict(before, during, code, took_s)
    if end.rests < len(untouched):
        wrong.append("no REST")
    list(read_log(flight.recording))
    cells = (
        name,
        f"{during.longest_s * 1000:.0f} ms",
        f"{during.p99_s / before.p99_s:.2f}",
        f"{again_s:.1f} s",
        f"{took_s:.1f} s",
        "kept" if not wrong else f"missed: {', '.join(wrong)}",
    )
    return cells, not wrong


def main() -> int:
    words = " ".join(sys.argv[1:])
    table = Table("fault", "longest gap", "p99 ratio", "flies again in", "clean end in", "promise", box=None)
    kept = True
    console = Console()
    for name in [*FAULTS, *OUTPUTS]:
        if words not in name:
            continue
        with OUTPUTS.get(name, usual)() as flight:
            cells, fine = row(name, flight, FAULTS.get(name, FAULTS["nothing"]))
        console.print(*cells, sep=" | ", highlight=False)
        table.add_row(*cells)
        kept = kept and fine
    console.print(table)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
