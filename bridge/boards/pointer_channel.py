"""The host's view of one channel: whether it may be driven, and what must be asked of it first. Pure.

       status 0, has a mark or stop        status 0, last position only
    +------------- unknown -------------------------------+
    |                 | status 2, 3, 4                    v
    v                 v          <- ADOPT taken ---    waiting   (asks its caller: PositionNeeded)
  homing -- 2 -->   ready
    |                 | audit past its limit
    | status 5        v
    +------------> faulted      (left by `home`, or when the board forgets: status 0)

A HOME, ADOPT or REST that got lost is asked again by the next status. A status is used only if the
state exists, the position lies within the board's own stops, and the motor can have come there since the
last one. Else the position is unknown: the channel homes, or asks; a second time in a row is a fault.

While it is stopped, a channel asks for no HOME, and a search under way is ended by REST. A board that ends
a search so knows no position (status 0), which is the truth. ADOPT would stop it as well, but leave a count
that is made up behind it, and a host that is started again would believe it; silence stops it only when the
board's watchdog trips, and would take the other channels' frames away.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum

from bridge.boards import messages
from bridge.boards.audit import LOST_SENSOR_MARKS, IndexAudit
from bridge.boards.compatibility import ExpectedChannel
from bridge.boards.messages import ChannelState, EventKind, Fault, Homing, Output
from bridge.boards.notices import (
    ChannelFaulted,
    ChannelHomed,
    ImplausibleReport,
    Notice,
    PositionNeeded,
    StepsMissed,
)

FARTHEST_STEPS = 2**30
"""A count beyond this is refused: half of what a frame can carry, three days at 4,000 steps/s."""
CORRECTION_SHARE = 0.02  # of the channel's speed: slow enough not to be seen
_REACH_SHARE = 2.0  # of the speed: what a count can have changed by, for clocks that differ
_MARGIN_STEPS = 2
_THERE_STEPS = 1.0  # a count is whole, and a motor may rest on a full step
_CORRECTING = "are being corrected"
_STATES = frozenset(ChannelState)
_KNOWN = frozenset({ChannelState.READY, ChannelState.HOLDING, ChannelState.RESTING})
_HELD = frozenset({ChannelState.READY, ChannelState.HOLDING})
_FAULTS: dict[int, str] = {
    Fault.NO_INDEX_MARK: "no index mark found: look at the sensor, its wiring and whether the pointer turns",
    Fault.NO_STOP: "stop not found: look at the switch, its wiring and whether the pointer turns",
}


class Phase(Enum):
    """What the host knows of a channel's position; the words are those that the user reads."""

    UNKNOWN = "unknown"
    WAITING = "waiting"
    HOMING = "homing"
    READY = "ready"
    FAULTED = "faulted"


class PointerChannel:
    """One channel as its session knows it; positions in steps, clockwise positive.

    `detail` describes what is wrong or awaited. `takes` counts how often the position was taken
    anew from the board: whoever drives the channel starts its path again from `position` when it changes.
    """

    def __init__(self, number: int, expected: ExpectedChannel) -> None:
        self.number = number
        self.expected = expected
        self.phase = Phase.UNKNOWN
        self.detail = ""
        self.takes = 0
        self.reported = messages.ChannelStatus(ChannelState.UNKNOWN, 0, 0)
        self.pending: messages.Home | messages.Adopt | messages.Rest | None = None
        self.still_s: float | None = None
        """Since when the board reports the pointer still, with current on its coils; None if it does not."""
        self.audit: IndexAudit | None = None
        if expected.steps_per_turn is not None:
            self.audit = IndexAudit(
                expected.steps_per_turn,
                expected.audit_tolerance_steps,
                expected.audit_limit_steps,
                max(1.0, expected.limits.speed * CORRECTION_SHARE),
            )
        self.passed: tuple[int, float] = (0, 0.0)
        """How many index marks were passed, and at which position of its path (steps) the last one was."""
        self._limits = expected.limits  # the board's own, once it has introduced itself
        self._seen: tuple[float, int] | None = None  # not later than this time it was at this count
        self._home_asked = False
        self._stopped = False
        self._homed_due = False  # the board has not reported yet that the search has ended
        self._confirmed: int | None = None  # position to adopt
        self._fault_why = ""  # the board's last word on a fault
        self._doubt = ""  # why the position was refused the last time

    @property
    def position(self) -> int:
        """Where the pointer is by the board's last status, less the steps found missing; in steps."""
        return self.reported.position - (self.audit.missed if self.audit else 0)

    def has_reached(self, position: float) -> bool:
        """Whether the board reports the pointer at rest where a MOVE to this position (steps) sends it.

        A correction of the index audit that goes on, slowly, is not waited for.
        """
        if self.audit and self.audit.offset != self.audit.missed:
            return True
        sent = position + (self.audit.offset if self.audit else 0.0)
        return self.reported.velocity == 0 and abs(self.reported.position - sent) <= _THERE_STEPS

    def forget(self) -> None:
        """The board may have restarted: nothing is known until its next status."""
        if self.phase is not Phase.FAULTED:
            self._enter(Phase.UNKNOWN, "")
        self.pending = None
        self._confirmed = None
        self._home_asked = False
        self._seen = None
        self.still_s = None

    def introduced(self, limits: messages.ChannelLimits) -> None:
        """The board has introduced this channel; its limits are at least those expected."""
        self._limits = limits

    def home(self) -> list[Notice]:
        """Find the home position again; a channel without mark or stop asks its caller."""
        self._doubt = ""
        return self._find_home()

    @property
    def may_adopt(self) -> bool:
        """Whether people may tell where the pointer is: it waits for that, or has neither mark nor stop."""
        limits = self.expected.limits
        alone = limits.homing == Homing.LAST_POSITION and limits.output != Output.SERVO
        return self.phase is Phase.WAITING or (self.phase is Phase.READY and alone)

    def adopt(self, position: int) -> None:
        """The user confirms that the pointer is here; raises ValueError outside the channel's travel."""
        why = self._outside(position)
        if why:
            raise ValueError(why)
        if self.phase is Phase.READY:
            self._enter(Phase.WAITING, "waits until the board has taken its position")
        self._confirmed = position
        self.pending = messages.Adopt((messages.ChannelPosition(self.number, position),))

    def stop(self) -> None:
        """End a search for the home position, and begin none until `go_on`."""
        self._stopped = True
        if self.phase is Phase.HOMING and self._homed_due:
            self._find_home()
            self.pending = messages.Rest((self.number,))

    def go_on(self) -> None:
        """A home position that is not known is looked for after the next status."""
        self._stopped = False

    def status(self, asked_s: float, time_s: float, row: messages.ChannelStatus) -> list[Notice]:
        """Take the answer to a QUERY that was sent, after the last command, at `asked_s`."""
        self.pending = None
        why = self._unbelievable(time_s, row)
        if row.state not in _STATES:
            row = messages.ChannelStatus(ChannelState.UNKNOWN, row.position, row.velocity)
        if row.state not in _HELD:
            self.still_s = None
        elif self.still_s is None or row.position != self.reported.position:
            self.still_s = time_s
        self.reported = row
        if self._confirmed is not None:
            return self._adopting(self._confirmed, row)
        if self._home_asked and row.state != ChannelState.HOMING:
            return self._find_home()  # the HOME got lost, or was not sent
        if self._stopped and row.state == ChannelState.HOMING:
            self.stop()  # the REST got lost
            return []
        self._home_asked = False
        if why and self.phase not in (Phase.WAITING, Phase.FAULTED):
            return self._disbelieve(why)
        match row.state:
            case ChannelState.UNKNOWN:
                return self._unknown()
            case ChannelState.HOMING:
                self._enter(Phase.HOMING, self._searching())
            case ChannelState.FAULT:
                return self._fault(self._fault_why or "the board reports a fault")
            case _ if self.phase is Phase.FAULTED:
                if row.state != ChannelState.RESTING:
                    self.pending = messages.Rest((self.number,))
            case _ if self.phase is not Phase.WAITING:
                self._seen = asked_s, row.position
                self._doubt = ""
                self._enter(Phase.READY, self.detail if self.phase is Phase.READY else "")
                self._watch(row.position)
        return []

    def event(self, time_s: float, kind: int, value: int) -> list[Notice]:
        """Take an event of this channel, which comes unasked."""
        match kind:
            case EventKind.HOMED if self._homed_due:
                self._home_asked = self._homed_due = False
                return [ChannelHomed(self.number, value)]
            case EventKind.HOMED:
                return [ImplausibleReport("reports that it has homed, which nobody asked for", self.number)]
            case EventKind.FAULT:
                self._home_asked = False
                self._fault_why = _FAULTS.get(value, f"the board reports fault {value}")  # its status follows
            case EventKind.INDEX if self.audit and self.phase is Phase.READY:
                why = self._unreachable(time_s, value)
                if why:
                    return [ImplausibleReport(f"reports an index mark at {value} steps: {why}", self.number)]
                self.passed = self.passed[0] + 1, value - self.audit.offset
                return self._mark(self.audit, value)
        return []

    # -- believing ------------------------------------------------------------------------------

    def _unbelievable(self, time_s: float, row: messages.ChannelStatus) -> str:
        """Why this status can't be true, empty when it can."""
        if row.state not in _STATES:
            return f"reports state {row.state}, which does not exist"
        if row.state not in _KNOWN:
            return ""
        why = self._outside(row.position)
        if not why and self.phase is Phase.READY:
            why = self._unreachable(time_s, row.position)
        return f"reports position {row.position}: {why}" if why else ""

    def _outside(self, position: int) -> str:
        limits = self._limits
        low = max(limits.low - self._braking_steps, -FARTHEST_STEPS)
        high = min(limits.high + self._braking_steps, FARTHEST_STEPS)
        return "" if low <= position <= high else f"outside {low} to {high} steps"

    def _unreachable(self, time_s: float, position: int) -> str:
        if self._seen is None:
            return ""
        seen_s, seen = self._seen
        way = _REACH_SHARE * self._limits.speed * (time_s - seen_s) + self._braking_steps
        if abs(position - seen) <= way:
            return ""
        return (
            f"{abs(position - seen)} steps from {seen} in {time_s - seen_s:.2f} s is more than the motor can"
        )

    @property
    def _braking_steps(self) -> int:
        """A pointer that has just met its stop, or homed, goes at most this far past it: v²/(2 a)."""
        limits = self._limits
        return limits.speed * limits.speed // (2 * max(1, limits.acceleration)) + _MARGIN_STEPS

    def _disbelieve(self, why: str) -> list[Notice]:
        notices: list[Notice] = [ImplausibleReport(why, self.number)]
        if self._doubt:
            return notices + self._fault(f"{why}, again after homing. Flash the firmware again")
        self._doubt = why
        return notices + self._find_home()

    # -- finding the position --------------------------------------------------------------------

    def _find_home(self) -> list[Notice]:
        if self.expected.limits.homing == Homing.LAST_POSITION:
            reason = f" ({self._doubt})" if self._doubt else ""
            self._enter(Phase.WAITING, f"waits until its position is confirmed{reason}")
            return [PositionNeeded(self.number)]
        self._home_asked = True
        self._fault_why = ""
        self._enter(Phase.HOMING, self._searching())
        if not self._stopped:
            self.pending = messages.Home((self.number,))
        return []

    def _searching(self) -> str:
        what = "looks for its home position"
        if self._stopped:
            what = "all pointers are stopped: looks for its home position after that"
        return f"{what} ({self._doubt})" if self._doubt else what

    def _adopting(self, position: int, row: messages.ChannelStatus) -> list[Notice]:
        if row.state not in _KNOWN or abs(row.position - position) > 1:
            self.adopt(position)  # the ADOPT got lost
        else:
            self._confirmed = None
            self._enter(Phase.READY, "")
            if self.audit:
                self.audit.start()
        return []

    def _unknown(self) -> list[Notice]:
        return [] if self.phase is Phase.WAITING else self._find_home()

    # -- auditing ----------------------------------------------------------------------------------

    def _mark(self, audit: IndexAudit, value: int) -> list[Notice]:
        found = audit.mark(value)
        self.detail = f"{audit.missed} missed steps {_CORRECTING}" if audit.missed else ""
        if not found:
            return []
        notices: list[Notice] = [StepsMissed(self.number, found, audit.missed)]
        if audit.past_limit:
            notices += self._fault(
                f"{audit.missed} steps missed since homing, more than {audit.limit:.0f}: "
                "find what holds or slips, then home it again"
            )
            self.pending = messages.Rest((self.number,))
        return notices

    def _watch(self, position: int) -> None:
        audit = self.audit
        if audit and audit.offset == audit.missed and self.detail.endswith(_CORRECTING):
            self.detail = f"{audit.missed} missed steps were corrected"
        if audit and audit.watch(position) and audit.unseen_in_a_row >= LOST_SENSOR_MARKS:
            self.detail = (
                f"passed {audit.unseen_in_a_row} index marks unseen: look at the sensor and its wiring"
            )

    # -- phases ------------------------------------------------------------------------------------

    def _fault(self, why: str) -> list[Notice]:
        if self.phase is Phase.FAULTED:
            return []
        self._enter(Phase.FAULTED, why)
        return [ChannelFaulted(self.number, why)]

    def _enter(self, phase: Phase, detail: str) -> None:
        """The only writer of `phase`: what begins with a phase begins here."""
        if phase is not self.phase:
            if phase is Phase.HOMING:
                self._homed_due = True
                if self.audit:
                    self.audit.start()  # here, not when HOMED comes: then the path must not jump
            elif phase is Phase.READY:
                self.takes += 1
                if self.audit:
                    self.audit.settle()
            else:
                self._homed_due = False
            if phase is not Phase.READY:
                self._seen = None
        self.phase, self.detail = phase, detail


def take_commands(channels: Sequence[PointerChannel]) -> list[messages.Message]:
    """One HOME, one ADOPT and one REST for all channels that want it; nothing is pending afterwards."""
    pending = [channel.pending for channel in channels]
    for channel in channels:
        channel.pending = None
    homes = tuple(c for command in pending if isinstance(command, messages.Home) for c in command.channels)
    places = tuple(p for command in pending if isinstance(command, messages.Adopt) for p in command.places)
    rests = tuple(c for command in pending if isinstance(command, messages.Rest) for c in command.channels)
    commands: list[messages.Message] = [messages.Home(homes)] if homes else []
    commands += [messages.Adopt(places)] if places else []
    return commands + ([messages.Rest(rests)] if rests else [])
