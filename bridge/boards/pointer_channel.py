"""The host's view of one channel: whether it may be driven, and what must be asked of it first.

       status 0, has a mark or stop        status 0, last position only
    +------------- unknown -------------------------------+
    |                 | status 2, 3, 4                    v
    v                 v          <- ADOPT taken ---    waiting   (asks its caller: PositionNeeded)
  homing -- 2 -->   ready
    |                 | audit past its limit
    | status 5        v
    +------------> faulted      (left by `home`, or when the board forgets: status 0)

Each status is taken as the truth; a HOME, ADOPT or REST that got lost is asked again by the next one.
"""

from __future__ import annotations

from enum import Enum

from bridge.boards import messages
from bridge.boards.audit import LOST_SENSOR_MARKS, IndexAudit
from bridge.boards.compatibility import ExpectedChannel
from bridge.boards.messages import ChannelState, EventKind, Homing
from bridge.boards.notices import ChannelFaulted, ChannelHomed, Notice, PositionNeeded, StepsMissed

_CORRECTION_SHARE = 0.02  # of the channel's speed: slow enough not to be seen
_CORRECTING = "are being corrected"
_FAULTS = {
    1: "no index mark found: look at the sensor, its wiring and whether the pointer turns",
    2: "stop not found: look at the switch, its wiring and whether the pointer turns",
}


class Phase(Enum):
    UNKNOWN = "unknown"
    WAITING = "waiting"
    HOMING = "homing"
    READY = "ready"
    FAULTED = "faulted"


class PointerChannel:
    """One channel as its session knows it. `detail` says in words what is wrong or awaited."""

    def __init__(self, number: int, expected: ExpectedChannel) -> None:
        self.number = number
        self.expected = expected
        self.phase = Phase.UNKNOWN
        self.detail = ""
        self.reported = messages.ChannelStatus(ChannelState.UNKNOWN, 0, 0)
        self.pending: messages.Home | messages.Adopt | messages.Rest | None = None
        self.audit: IndexAudit | None = None
        if expected.steps_per_turn is not None:
            self.audit = IndexAudit(
                expected.steps_per_turn,
                expected.audit_tolerance_steps,
                expected.audit_limit_steps,
                max(1.0, expected.limits.speed * _CORRECTION_SHARE),
            )
        self._home_asked = False
        self._place: int | None = None
        self._why = ""  # the board's last word on a fault

    @property
    def position(self) -> int:
        """Where the pointer stands by the board's last word, less the steps found missing; in steps."""
        return self.reported.position - (self.audit.missed if self.audit else 0)

    def forget(self) -> None:
        """The board may have started anew: nothing is known until its next status."""
        if self.phase is not Phase.FAULTED:
            self._enter(Phase.UNKNOWN, "")
        self.pending = None
        self._place = None
        self._home_asked = False

    def home(self) -> list[Notice]:
        """Find the home position again; a channel without mark or stop asks its caller."""
        if self.expected.limits.homing == Homing.LAST_POSITION:
            self._enter(Phase.WAITING, "waits until its position is confirmed")
            return [PositionNeeded(self.number)]
        self._home_asked = True
        self._why = ""
        self._enter(Phase.HOMING, "looks for its home position")
        self.pending = messages.Home((self.number,))
        return []

    def adopt(self, position: int) -> None:
        self._place = position
        self.pending = messages.Adopt((messages.ChannelPosition(self.number, position),))

    def status(self, row: messages.ChannelStatus) -> list[Notice]:
        """Take what the board says of this channel, in answer to a QUERY sent after the last command."""
        self.reported = row
        self.pending = None
        if self._place is not None:
            return self._adopting(row)
        if self._home_asked and row.state != ChannelState.HOMING:
            return self.home()  # the HOME got lost
        self._home_asked = False
        match row.state:
            case ChannelState.UNKNOWN:
                return self._unknown()
            case ChannelState.HOMING:
                self._enter(Phase.HOMING, "looks for its home position")
            case ChannelState.FAULT:
                return self._fault(self._why or "the board reports a fault")
            case _ if self.phase is Phase.FAULTED:
                if row.state != ChannelState.RESTING:
                    self.pending = messages.Rest((self.number,))
            case _ if self.phase is not Phase.WAITING:
                self._enter(Phase.READY, self.detail if self.phase is Phase.READY else "")
                self._watch(row.position)
        return []

    def event(self, kind: int, value: int) -> list[Notice]:
        match kind:
            case EventKind.HOMED:
                self._home_asked = False
                if self.audit:
                    self.audit.start()
                return [ChannelHomed(self.number, value)]
            case EventKind.FAULT:
                self._home_asked = False
                self._why = _FAULTS.get(value, f"the board reports fault {value}")  # its status follows
            case EventKind.INDEX if self.audit and self.phase is Phase.READY:
                return self._mark(self.audit, value)
        return []

    def _adopting(self, row: messages.ChannelStatus) -> list[Notice]:
        assert self._place is not None
        if row.state == ChannelState.UNKNOWN or abs(row.position - self._place) > 1:
            self.adopt(self._place)  # the ADOPT got lost
        else:
            self._place = None
            self._enter(Phase.READY, "")
            if self.audit:
                self.audit.start()
        return []

    def _unknown(self) -> list[Notice]:
        if self.audit:
            self.audit.start()
        return [] if self.phase is Phase.WAITING else self.home()

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
            self.detail = f"{audit.missed} missed steps were mended"
        if audit and audit.watch(position) and audit.unseen_in_a_row >= LOST_SENSOR_MARKS:
            self.detail = (
                f"passed {audit.unseen_in_a_row} index marks unseen: look at the sensor and its wiring"
            )

    def _fault(self, why: str) -> list[Notice]:
        if self.phase is Phase.FAULTED:
            return []
        self._enter(Phase.FAULTED, why)
        return [ChannelFaulted(self.number, why)]

    def _enter(self, phase: Phase, detail: str) -> None:
        self.phase, self.detail = phase, detail
