"""A panel in flight with its virtual boards and its benches, on a clock that the test moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from bridge.boards.runner import InstantBoard
from bridge.boards.virtual.board import VirtualBoard
from bridge.flight.bench import Benches
from bridge.flight.chain import PointerAddress, homes
from bridge.flight.driven_pointer import DrivenPointer
from bridge.flight.dry_run import virtual_board
from bridge.flight.notices import PanelNotice
from bridge.flight.running_panel import RunningPanel
from bridge.motion.motion import Motion
from bridge.panel.load import Panel, load_panel

ME, OTHER = "guest 1", "guest 2"
NEEDLE = "airspeed.needle"
TICK_S = 0.01
FEED_TICKS = 5
LEVEL = {
    "pressure_altitude": 2140.0,
    "altimeter_setting": 29.92126,
    "calibrated_airspeed": 90.0,
    "pitch": 5.0,
    "bank": 10.0,
    "heading_magnetic": 80.0,
}


class Recorded(VirtualBoard):
    """A virtual board that keeps every payload that it receives."""

    def __init__(self, board: VirtualBoard) -> None:
        super().__init__(board.described, board.board_id, board.watchdog_ms)
        self.payloads: list[bytes] = []

    def receive(self, time_s: float, payload: bytes) -> list[bytes]:
        self.payloads.append(payload)
        return super().receive(time_s, payload)


@dataclass(slots=True)
class Limits:
    """The worst that a pointer has done: speed (steps/s), acceleration (steps/s²), and where it has been.

    `leap` is how far a tick's way was from that of an even change of speed (steps): full acceleration one way
    and then the other makes at most acceleration times the tick squared, by 4 (elementary kinematics).
    """

    speed: float = 0.0
    acceleration: float = 0.0
    leap: float = 0.0
    low: float = float("inf")
    high: float = float("-inf")
    _before: tuple[Motion, float, float] | None = field(default=None)

    def saw(self, motion: Motion) -> None:
        """The path after one tick; a position that was found anew begins a new one."""
        position, velocity = motion.position, motion.velocity
        self.low, self.high = min(self.low, position), max(self.high, position)
        if self._before is not None and self._before[0] is motion:
            _, was, was_velocity = self._before
            self.speed = max(self.speed, abs(position - was) / TICK_S, abs(velocity))
            self.leap = max(self.leap, abs(position - was - 0.5 * (velocity + was_velocity) * TICK_S))
            self.acceleration = max(self.acceleration, abs(velocity - was_velocity) / TICK_S)
        self._before = motion, position, velocity


class Rig:
    """Ticks as the service does; `feeds` arrive every `FEED_TICKS` ticks, nothing when it is None."""

    def __init__(self, panel: Panel, feeds: Mapping[str, float] | None = LEVEL) -> None:
        self.feeds = feeds
        self.ticks = 0
        self.running = RunningPanel(panel, frozenset(LEVEL), homes(panel))
        self.benches = Benches(self.running)
        self.notices: list[PanelNotice] = []
        self.worst: dict[PointerAddress, Limits] = {}
        self.boards: dict[str, InstantBoard] = {}
        self._start_boards()

    def _start_boards(self) -> None:
        for name, session in self.running.sessions.items():
            board = self.boards.get(name)
            if board is None or board.session is not session:
                self.boards[name] = InstantBoard(session, Recorded(virtual_board(self.running.panel, name)))
                self.boards[name].start(self.time_s)

    @property
    def time_s(self) -> float:
        return round(self.ticks * TICK_S, 6)

    def driven(self, key: str) -> DrivenPointer:
        """The pointer of this key."""
        (found,) = (p for p in self.running.chain.pointers.values() if p.pointer.key == key)
        return found

    def board(self, name: str) -> Recorded:
        board = self.boards[name].board
        assert isinstance(board, Recorded)
        return board

    def place(self, key: str) -> float:
        """Where the motor of this pointer really is, in steps."""
        pointer = self.driven(key).pointer
        return self.board(pointer.board).channel(pointer.channel).place

    def tick(self) -> None:
        """One tick, with an arrival when it is due."""
        if self.feeds is not None and self.ticks % FEED_TICKS == 0:
            self.running.feed(self.time_s, self.feeds)
        self.benches.tick(self.time_s)
        for name, positions, velocities in self.running.tick(self.time_s):
            self.boards[name].move(self.time_s, positions, velocities)
        self.notices += self.running.take_notices() + self.benches.take_notices()
        for address, driven in self.running.chain.pointers.items():
            self.worst.setdefault(address, Limits()).saw(driven.motion)
        self.ticks += 1

    def fly(self, seconds: float, hears: str | None = None) -> None:
        """So long; a holder that `hears` names gives signs of life."""
        for _ in range(round(seconds / TICK_S)):
            if hears is not None:
                self.benches.heard(hears, self.time_s)
            self.tick()

    def settle(self, hears: str | None = None, most_s: float = 300.0) -> None:
        """Until every pointer is known and still, and nothing at the bench has any way to go."""
        end_s = self.time_s + most_s
        while True:
            self.fly(0.1, hears)
            known = len(self.running.positions()) == len(self.running.chain.pointers)
            moving = any(bench.moving for bench in self.benches.snapshot(self.time_s))
            if known and self.running.still and not moving:
                return
            assert self.time_s < end_s, "never still"

    def reload(self, panel: Panel) -> None:
        """Swap the description as the service does."""
        self.running = RunningPanel(panel, self.running.chain.given, homes(panel), self.running)
        self.benches.fly(self.running)
        for name in self.boards.keys() - self.running.sessions.keys():
            del self.boards[name]
        self._start_boards()


def taken(rig: Rig, gauge: str = "airspeed", pointer: str | None = None) -> Rig:
    rig.benches.take(gauge, ME, rig.time_s, pointer)
    rig.settle(ME)
    return rig


def changed(config: Path, file: str, *changes: tuple[str, str]) -> Panel:
    """The panel in this folder after its file was changed."""
    text = (config / file).read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (config / file).write_text(text)
    return load_panel(config / "panel.toml")
