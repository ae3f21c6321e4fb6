"""All faults, one after the other, on real processes: `python -m tests.faults [WORDS OF A FAULT'S NAME]`.

Each fault has a flight of its own, whose frames are first watched undisturbed. Longest gap and p99 are those
of the intervals between MOVE frames at boards that the fault does not touch; the promise is a gap under 50 ms
and a p99 under 1.5 times the undisturbed one, no watchdog trip, and a clean end within 3 s after it: REST at
every such board, the recording whole, the positions kept. Of datagrams the sender's rate and what the source
counted are shown: what the source did not read in time, the operating system dropped. "No core" is the share
of time in which the program could have run and other processes had every core: a gap may be the machine's.

Then each fault that hangs is met by each signal: how long the end takes, and the exit code. Last come the
faults of boards over MQTT: intervals at boards that a fault does not touch may grow by `MQTT_RATIO`, those
that it touches fly again within a stated time after it, and none homes or loses a step.
"""

from __future__ import annotations

import os
import signal
import sys
import time

from rich.console import Console
from rich.table import Table

from bridge.commands.ending import LONGEST_S
from bridge.telemetry.flightlog import read_log
from tests.conftest import wait_until
from tests.faults.faults import BLOCKED, FAULTS, HANGS, SENDING_S, WATCH_S, Fault
from tests.faults.flight import BOARDS, Seen
from tests.faults.over_mqtt import MQTT_FAULTS, MqttFault

GAP_S, RATIO = 0.050, 1.5
MQTT_RATIO = 1.2
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
TAKES_HOLD_S = 2.0
"""From a fault's beginning until a signal meets it."""


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


def row(name: str, fault: Fault) -> tuple[tuple[str, ...], bool]:
    """Watch one fault; its row of the table, and whether the promise was kept."""
    with fault.setting() as flight:
        before = flight.watch(WATCH_S, fault.untouched)
        waited_s = flight.core_wait_s
        fault.begin(flight)
        during = flight.watch(WATCH_S, fault.untouched)
        waited_s = flight.core_wait_s - waited_s
        flight.tell("quiet")
        over_s = time.monotonic()
        wait_until(flight.flies, "frames at every board after the fault")
        again_s = time.monotonic() - over_s
        code, took_s = flight.stop(signal.SIGTERM)
        end = flight.seen(fault.untouched)
        wrong = verdict(before, during, code, took_s)
        if end.rests < len(fault.untouched):
            wrong.append("no REST")
        list(read_log(flight.recording))
        if fault.keeps_state and (not flight.state.complete or len(flight.state.positions) < 2 * len(BOARDS)):
            wrong.append("state")
        received = ""
        if flight.sent:
            count = flight.received or 0
            received = f"{count / SENDING_S:,.0f} of {flight.sent / SENDING_S:,.0f}"
    cells = (
        name,
        f"{during.longest_s * 1000:.0f} ms",
        f"{during.p99_s / before.p99_s:.2f}",
        f"{again_s:.1f} s",
        f"{took_s:.1f} s",
        received,
        f"{100 * waited_s / WATCH_S:.1f} %",
        "kept" if not wrong else f"missed: {', '.join(wrong)}",
    )
    return cells, not wrong


def endings(name: str, fault: Fault, *, clean: bool) -> tuple[tuple[str, ...], bool]:
    """What each signal does while the fault lasts; its row, and whether all ended in time, and cleanly."""
    cells, fine = [name], True
    for number in SIGNALS:
        with fault.setting() as flight:
            fault.begin(flight)
            time.sleep(TAKES_HOLD_S)
            code, took_s = flight.stop(number)
            rests = flight.seen(fault.untouched).rests
            list(read_log(flight.recording))
        cells.append(f"{took_s:.1f} s, {code}")
        expected = 0 if clean else 128 + number
        # One that hangs is ended at LONGEST_S; the system takes a moment to clear up after it.
        fine = fine and code == expected and took_s <= LONGEST_S + (0.0 if clean else 0.3)
        fine = fine and (not clean or rests >= len(fault.untouched))
    return (*cells, "kept" if fine else "missed"), fine


def mqtt_row(name: str, fault: MqttFault) -> tuple[tuple[str, ...], bool]:
    """Watch one fault of boards over MQTT; its row, and whether the promise was kept."""
    with fault.setting() as flight:
        before = flight.watch(WATCH_S, fault.untouched)
        off_steps = flight.seen().off_steps
        waited_s, begun_s = flight.core_wait_s, time.monotonic()
        flight.tell("mark")
        fault.work(flight)
        over_s = time.monotonic()
        wait_until(flight.flies, "frames at every board after the fault")
        again_s = time.monotonic() - over_s
        time.sleep(max(0.0, begun_s + WATCH_S - time.monotonic()))
        during = flight.seen(fault.untouched)
        waited = (flight.core_wait_s - waited_s) / (time.monotonic() - begun_s)
        after = flight.seen()
        lost = max(abs(a - b) for a, b in zip(after.off_steps, off_steps, strict=True))
        code, took_s = flight.stop(signal.SIGTERM)
        ratio = during.p99_s / before.p99_s
        wrong = [
            words
            for words, is_wrong in (
                ("gap", during.longest_s >= GAP_S),
                ("p99", ratio > MQTT_RATIO),
                ("back late", again_s > fault.back_s),
                ("homed", after.homes > 0),
                ("steps lost", lost > 1.0),
                ("trips", during.trips > 0),
                (f"end ({code}, {took_s:.1f} s)", code != 0 or took_s > LONGEST_S),
            )
            if is_wrong
        ]
    cells = (
        name,
        f"{during.longest_s * 1000:.0f} ms",
        f"{ratio:.2f}",
        f"{again_s:.1f} s",
        str(after.homes),
        f"{lost:.1f}",
        f"{100 * waited:.1f} %",
        "kept" if not wrong else f"missed: {', '.join(wrong)}",
    )
    return cells, not wrong


def main() -> int:
    words = " ".join(sys.argv[1:])
    console = Console(width=160)
    one, five, fifteen = os.getloadavg()
    console.print(f"{os.cpu_count()} cores, load {one:.1f} {five:.1f} {fifteen:.1f} at the start")
    heads = (
        "fault",
        "longest gap",
        "p99 ratio",
        "flies again in",
        "clean end in",
        "datagrams/s",
        "no core",
        "promise",
    )
    frames = Table(*heads, box=None)
    ends = Table("asked to end while", *(number.name for number in SIGNALS), "promise", box=None)
    kept = True
    for name, fault in FAULTS.items():
        if words in name:
            cells, fine = row(name, fault)
            console.print(*cells, sep=" | ", highlight=False)
            frames.add_row(*cells)
            kept = kept and fine
    for name, fault in {**HANGS, "a write that blocks all": BLOCKED}.items():
        if words in name:
            cells, fine = endings(name, fault, clean=fault is not BLOCKED)
            console.print(*cells, sep=" | ", highlight=False)
            ends.add_row(*cells)
            kept = kept and fine
    mqtt_heads = ("fault", "longest gap", "p99 ratio", "flies again in", "homed", "steps lost", "no core")
    mqtt = Table(*mqtt_heads, "promise", box=None)
    for name, mqtt_fault in MQTT_FAULTS.items():
        if words in name:
            cells, fine = mqtt_row(name, mqtt_fault)
            console.print(*cells, sep=" | ", highlight=False)
            mqtt.add_row(*cells)
            kept = kept and fine
    for table in (frames, ends, mqtt):
        if table.row_count:
            console.print(table)
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
