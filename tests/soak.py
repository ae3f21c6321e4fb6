"""A long flight, as fast as it goes: `python -m tests.soak [HOURS]`, 24 where none are given.

A shipped flight, again and again, through the demo panel the whole way to virtual boards in this process, in
the flight's own time. Every hour of it a row is printed: index marks that the audit has seen, steps that it
found missing, how far pointers are from where they are counted, frames lost, the memory and the descriptors
of the process. The exit code is 1 when a step or a frame was lost, or the memory grew by more than
`MOST_GROWTH` after the first hour.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
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

FLIGHT = ROOT / "replay_logs" / "circuit.csv"
MOST_GROWTH = 0.05
_HEADS = (
    "  hours  times real time  index marks  steps missing  off, steps  frames lost  memory, MB  descriptors"
)


@dataclass(frozen=True, slots=True)
class Account:
    """How it stands at one moment of the flight; `off_steps` is the farthest that any pointer has come from
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
            _memory_mb(),
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


def _memory_mb() -> float:
    """What the process has in memory now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> int:
    logs.set_up(sink=lambda line: None)
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    print(f"{hours:g} hours of {FLIGHT.name}; load of the machine: {os.getloadavg()[0]:.1f}")
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
    grown = last.memory_mb > first.memory_mb * (1 + MOST_GROWTH) or last.descriptors > first.descriptors
    print("no step lost, memory and descriptors flat" if not (lost or grown) else "NOT as promised")
    return 1 if lost or grown else 0


if __name__ == "__main__":
    sys.exit(main())
