"""One channel of a virtual board: its count, the pointer behind it, and how it homes.

The pointer has a place of its own, `count + slip` steps from its home mark or stop, so that a home
position has to be found and steps can be lost without the count knowing. At the motor's own stops the
pointer stays and the count goes on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor, inf

from bridge.boards.behaviour import HOLD_MS
from bridge.boards.homing import INDEX_SEARCH, SPEED_SHARE, STOP_SEARCH, SWEEP_SEARCH
from bridge.boards.messages import (
    ChannelLimits,
    ChannelState,
    ChannelStatus,
    EventKind,
    Fault,
    Homing,
    Output,
)
from bridge.boards.virtual.follower import Follower

HOLD_S = HOLD_MS / 1000
_HOMING_STEP_S = 0.01
# Used at every tick; in Python 3.11 to look up an enum's member costs nine times what a global does.
_READY, _HOMING, _HOLDING = ChannelState.READY, ChannelState.HOMING, ChannelState.HOLDING
_KNOWN = (_READY, _HOLDING, ChannelState.RESTING)


@dataclass(frozen=True, slots=True)
class VirtualChannelSpec:
    """What the channel introduces itself with, its index marks, where its pointer is at first (steps).

    `stops` are the motor's own ends in steps from home, None for one that turns without end; a channel that
    is homed by driving it against its stop has at least the one at 0.
    """

    limits: ChannelLimits
    steps_per_turn: Fraction | None = None
    pointer_at: float = 0.0
    stops: tuple[float, float] | None = None


class VirtualChannel:
    """The channel at work. `report(kind, value)` is called for every event."""

    __slots__ = (
        "_after_stop",
        "_follower",
        "_found_at",
        "_limits",
        "_marks",
        "_report",
        "_since_s",
        "_slip",
        "_start",
        "_stops",
        "_turn",
        "_was_known",
        "marks_dead",
        "state",
        "stop_dead",
    )

    def __init__(
        self,
        described: VirtualChannelSpec,
        place: float,
        time_s: float,
        report: Callable[[EventKind, int], None],
    ) -> None:
        self._limits = limits = described.limits
        self._marks = float(described.steps_per_turn) if described.steps_per_turn else 0.0
        self._report = report
        servo = limits.output == Output.SERVO
        first = float(max(limits.low, min(limits.high, 0))) if servo else 0.0
        self._follower = Follower(limits.speed, limits.acceleration, limits.low, limits.high, first, time_s)
        self._slip = 0.0 if servo else place
        self._stops = described.stops or ((0.0, inf) if limits.homing == Homing.SWEEP else None)
        self._slip_at_stops()
        self.state = ChannelState.READY if servo else ChannelState.UNKNOWN
        self.marks_dead = self.stop_dead = False
        self._after_stop: ChannelState | None = None
        self._since_s = time_s
        self._start = 0.0
        self._found_at = 0
        self._was_known = False
        self._turn = 0
        self._find_turn()

    @property
    def place(self) -> float:
        """Where the pointer really is, in steps."""
        return self._follower.position + self._slip

    @property
    def status(self) -> ChannelStatus:
        """As a STATUS frame reports it, rounded to the nearest step and 1/256 step/s."""
        follower = self._follower
        return ChannelStatus(
            self.state, floor(follower.position + 0.5), floor(follower.velocity * 256.0 + 0.5)
        )

    def advance(self, time_s: float) -> None:
        """Advance to this time (s)."""
        follower = self._follower
        while self.state is _HOMING and follower.time_s < time_s:
            follower.advance(min(time_s, follower.time_s + _HOMING_STEP_S))
            self._slip_at_stops()
            if self._after_stop is None:
                self._search()
            elif follower.velocity == 0.0:
                self._stopped()
        follower.advance(time_s)
        if self._slip:  # else the count's own limits keep the pointer between them
            self._slip_at_stops()
        if self._marks and floor((follower.position + self._slip) / self._marks) != self._turn:
            self._pass_marks()
        if self._after_stop is not None and follower.velocity == 0.0:
            self._stopped()
        if self.state is _HOLDING and time_s - self._since_s >= HOLD_S:
            self.state = ChannelState.RESTING

    def move(self, goal: float, rate: float) -> bool:
        """Take a target; False when the position is not known, and nothing happens."""
        if self.state not in _KNOWN:
            return False
        self.state = _READY
        self._after_stop = None
        self._follower.follow(goal, rate)
        return True

    def home(self) -> None:
        """Start to find the home position; the way of a channel without mark or stop is `adopt`."""
        homing = self._limits.homing
        if homing == Homing.LAST_POSITION:
            return
        self._was_known = self.state in _KNOWN
        self._found_at = floor(-self._slip + 0.5) if self._was_known else 0
        self._after_stop = None
        self.state = ChannelState.HOMING
        self._start = self._follower.position
        rate = self._limits.speed * SPEED_SHARE
        self._follower.run(rate if homing == Homing.INDEX else -rate)

    def adopt(self, position: int) -> None:
        """Call the present place `position` (steps); nothing turns. A servo knows its own."""
        if self._limits.output == Output.SERVO:
            return
        self._renumber(position - self._follower.position)
        self._follower.place(position)
        self._bound()
        self.state, self._after_stop = ChannelState.READY, None

    def rest(self) -> None:
        """Brake, then rest without current; a search for the home position ends so, and nothing is known."""
        if self.state in _KNOWN:
            self._stop_then(ChannelState.RESTING)
        elif self.state is _HOMING:
            self._stop_then(ChannelState.UNKNOWN)

    def watchdog(self) -> None:
        """The watchdog has tripped: a moving pointer brakes and holds, a search ends."""
        if self.state == ChannelState.READY:
            self._stop_then(ChannelState.HOLDING)
        elif self.state == ChannelState.HOMING:
            self._stop_then(ChannelState.UNKNOWN)

    def lose(self, steps: int) -> None:
        """The motor stays behind its count by this many steps (clockwise steps if positive)."""
        self._slip -= steps
        self._find_turn()

    def _search(self) -> None:
        """Look whether the home position has come."""
        travelled = abs(self._follower.position - self._start)
        span = self._limits.high - self._limits.low
        match self._limits.homing:
            case Homing.INDEX:
                turn = floor(self.place / self._marks)
                if turn > self._turn and not self.marks_dead:
                    mark = turn * self._marks - self._slip
                    self._found_at = floor(mark) if self._was_known else 0
                    self._found(mark)
                elif travelled > INDEX_SEARCH * self._marks:
                    self._not_found(Fault.NO_INDEX_MARK)
                self._turn = turn
            case Homing.STOP:
                if self.place <= 0.0 and not self.stop_dead:
                    self._report(EventKind.STOP, ceil(self._follower.position))
                    self._found(-self._slip)
                elif travelled > STOP_SEARCH * span:
                    self._not_found(Fault.NO_STOP)
            case _:
                if travelled > SWEEP_SEARCH * span:
                    self._stop_then(ChannelState.READY)  # zero is where it comes to rest

    def _found(self, zero: float) -> None:
        """The home position is at this count: from now on it is 0."""
        self._renumber(-zero)
        self._bound()
        self._stop_then(ChannelState.READY)

    def _not_found(self, fault: int) -> None:
        self._stop_then(ChannelState.FAULT)
        self._report(EventKind.FAULT, fault)

    def _stopped(self) -> None:
        assert self._after_stop is not None
        homed = self.state == ChannelState.HOMING and self._after_stop == ChannelState.READY
        self.state, self._after_stop = self._after_stop, None
        self._since_s = self._follower.time_s
        if homed:
            if self._limits.homing == Homing.SWEEP:
                self._renumber(-self._follower.position)
                self._bound()
            self._report(EventKind.HOMED, self._found_at)

    def _pass_marks(self) -> None:
        old, self._turn = self._turn, floor(self.place / self._marks)
        if self.marks_dead:
            return
        passed = range(old + 1, self._turn + 1) if self._turn > old else range(old, self._turn, -1)
        for mark in passed:
            self._report(EventKind.INDEX, floor(mark * self._marks - self._slip))

    def _slip_at_stops(self) -> None:
        """Keep the pointer between the motor's own stops, wherever the count goes."""
        if self._stops is not None:
            low, high = self._stops
            position = self._follower.position
            self._slip = min(max(position + self._slip, low), high) - position

    def _find_turn(self) -> None:
        self._turn = floor(self.place / self._marks) if self._marks else 0

    def _renumber(self, by: float) -> None:
        """Add `by` steps to the count; the pointer does not move."""
        self._follower.shift(by)
        self._slip -= by

    def _bound(self) -> None:
        self._follower.low, self._follower.high = self._limits.low, self._limits.high

    def _stop_then(self, state: ChannelState) -> None:
        self._follower.halt()
        self._after_stop = state
