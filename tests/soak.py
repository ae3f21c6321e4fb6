"""Long flights: `python -m tests.soak [HOURS [HOURS_ON_A_CHIP]]`, 24 and 1 where none are given, 0 for none.

First a shipped flight, again and again, through the demo panel the whole way to virtual boards in this
process, as fast as it goes, in the flight's own time. Every hour of it a row is printed: index marks that the
audit has seen, steps that it found missing, how far pointers are from where they are counted, frames lost,
the memory and the descriptors of the process. Then the same flight in real time to one board on an emulated
chip, behind a relay and a broker (`firmware/avr/soak.py`): also steps that the motors' fields jumped, time
slots for steps that the chip came too late for, MOVE frames replaced by a newer one, and the memory of this
process, the emulator and the broker; at its end every motor must be where the chip counts it. On a machine so
busy that host or relay has no core for half a second, what was on its way is discarded (a break), and frames
lost then count for nothing.

The exit code is 1 when a step or a frame was lost, or the memory of any process grew by more than
`MOST_GROWTH` after the first row, or the descriptors did.
"""

from __future__ import annotations

import asyncio
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge import logs
from bridge.boards.messages import EventKind, FrameType
from bridge.boards.runner import InstantBoard
from bridge.flight.dry_run import DryRun
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import arrivals
from tests.conftest import ROOT
from tests.firmware.avr import soak as chip
from tests.firmware.avr.soak import memory_mb

FLIGHT = ROOT / "replay_logs" / "circuit.csv"
MOST_GROWTH = 0.05
_HEADS = (
    "  hours  times real time  index marks  steps missing  off, steps  frames lost  memory, MB  descriptors"
)
_CHIP_HEADS = (
    "  hours  times real time  index marks  steps missing  jumps  slots lost  frames lost  replaced  breaks  "
    "trips  memory, MB: own, chip, broker  descriptors"
)


@dataclass(frozen=True, slots=True)
class Account:
    """The state at one moment of the flight; `off_steps` is the farthest that any pointer has come from
    where its board counts it, since homing."""

    flown_s: float
    marks: int
    missing_steps: int
    off_steps: float
    frames_lost: int
    memory_mb: float
    descriptors: int


class Soak:
    """One flight without end, and what is counted of it."""

    def __init__(self, flight: Path = FLIGHT) -> None:
        panel = load_panel(ROOT / "config" / "panel.toml")
        log = read_log(flight, panel.catalogue)
        self._tick_hz = panel.description.tick_hz
        self.dry_run = DryRun(panel, log.given, arrivals(log, loop=True))
        self._marks = 0
        self._homed: dict[tuple[str, int], float] = {}
        for board in self.dry_run.boards.values():
            self._count_marks(board)

    def accounts(self, every_s: float) -> Iterator[Account]:
        """Fly; the account after each so many seconds of flight."""
        due = step = round(every_s * self._tick_hz)
        for ticks, _ in enumerate(self.dry_run.ticks(), start=1):
            if ticks == 1:
                self._homed = self._off()
                self._marks = 0
            if ticks >= due:
                due += step
                yield self._account(ticks / self._tick_hz)

    def _account(self, flown_s: float) -> Account:
        sessions = self.dry_run.running.sessions.values()
        audits = [c.audit for session in sessions for c in session.channels if c.audit is not None]
        off = self._off()
        return Account(
            flown_s,
            self._marks,
            sum(abs(audit.missed) for audit in audits) + sum(audit.unseen for audit in audits),
            max(abs(off[address] - self._homed[address]) for address in off),
            sum(session.statistics.missed + session.statistics.board_missed for session in sessions),
            memory_mb(),
            len(os.listdir("/proc/self/fd")),  # noqa: PTH208
        )

    def _off(self) -> dict[tuple[str, int], float]:
        """How far each pointer is from where its board counts it."""
        return {
            (name, number): channel.place - channel.status.position
            for name, board in self.dry_run.boards.items()
            for number in range(len(board.board.described))
            for channel in [board.board.channel(number)]
        }

    def _count_marks(self, board: InstantBoard) -> None:
        receive = board.session.receive

        def counted(time_s: float, payload: bytes) -> None:
            self._marks += payload[1] == FrameType.EVENT and payload[3] == EventKind.INDEX
            receive(time_s, payload)

        board.session.receive = counted  # type: ignore[method-assign]


def on_virtual_boards(hours: float) -> bool:
    """Fly, and print a row every hour; whether all was as promised."""
    print(f"{hours:g} hours of {FLIGHT.name} on virtual boards")
    print(_HEADS, flush=True)
    begun_s, first, last = time.perf_counter(), None, None
    for last in Soak().accounts(min(hours, 1.0) * 3600):
        first = first or last
        pace = last.flown_s / (time.perf_counter() - begun_s)
        print(
            f"{last.flown_s / 3600:7.2f} {pace:16.0f} {last.marks:12,} {last.missing_steps:14} "
            f"{last.off_steps:11.1f} {last.frames_lost:12} {last.memory_mb:11.1f} {last.descriptors:12}",
            flush=True,
        )
        if last.flown_s >= hours * 3600:
            break
    assert first is not None and last is not None
    # A position between two steps is reported as the nearer one: up to half a step either way.
    lost = last.missing_steps or last.off_steps > 1.0 or last.frames_lost
    return not lost and not grown([(first.memory_mb, last.memory_mb)], first.descriptors, last.descriptors)


async def on_a_chip(hours: float) -> bool:
    """The same on an emulated chip behind a relay and a broker, with a row every six minutes."""
    print(f"{hours:g} hours of {chip.FLIGHT.name} on an emulated chip, behind a relay and a broker")
    print(_CHIP_HEADS, flush=True)
    first: chip.ChipAccount | None = None
    with tempfile.TemporaryDirectory(prefix="soak") as folder:
        async with chip.soaking(Path(folder)) as soak:
            async for last in soak.accounts(min(hours / 2, 0.1) * 3600):
                first = first or last
                memory = f"{last.memory_mb:.1f}, {last.chip_mb:.1f}, {last.broker_mb:.1f}"
                print(
                    f"{last.flown_s / 3600:7.2f} {last.flown_s / last.wall_s:16.2f} {last.marks:12,} "
                    f"{last.missing_steps:14} {last.jumps:6} {last.slots_lost:11} {last.frames_lost:12} "
                    f"{last.replaced:9} {last.breaks:7} {last.trips:6} {memory:>31} {last.descriptors:12}",
                    flush=True,
                )
                if last.flown_s >= hours * 3600:
                    break
    print(f"at rest the farthest motor is {soak.off_steps:g} steps from where the chip counts it")
    assert first is not None
    steps_lost = last.missing_steps or last.jumps or last.slots_lost or last.homes or soak.off_steps
    lost = steps_lost or (last.frames_lost and not last.breaks)
    memory_mb = [
        (first.memory_mb, last.memory_mb),
        (first.chip_mb, last.chip_mb),
        (first.broker_mb, last.broker_mb),
    ]
    return not lost and not grown(memory_mb, first.descriptors, last.descriptors)


def grown(memory_mb: Sequence[tuple[float, float]], first: int, last: int) -> bool:
    """Whether the memory of any process has grown between two moments, or the descriptors have."""
    return last > first or any(after > before * (1 + MOST_GROWTH) for before, after in memory_mb)


def main() -> int:
    logs.set_up(sink=lambda line: None)
    given = [float(word) for word in sys.argv[1:]]
    hours, chip_hours = (given + [24.0, 1.0][len(given) :])[:2]
    print(f"load of the machine: {os.getloadavg()[0]:.1f}")
    kept = [on_virtual_boards(hours)] if hours > 0 else []
    if chip_hours > 0:
        kept.append(asyncio.run(on_a_chip(chip_hours)))
    print("no step lost, memory and descriptors flat" if all(kept) else "NOT as promised")
    return 0 if all(kept) else 1


if __name__ == "__main__":
    sys.exit(main())
