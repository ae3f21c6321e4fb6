"""The running panel: the chain of one panel and the sessions with its boards, advanced together.

Pure, like both: no I/O, no clock, no logging. The service feeds it readings and the time, and sends
what it returns; what is worth a log line is reported as notices.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from bridge.boards.notices import KnobTurned, Notice, PositionNeeded
from bridge.boards.pointer_channel import Phase
from bridge.boards.session import BoardSession
from bridge.errors import BoardError
from bridge.flight.chain import Chain, DrivenPointer, PointerAddress
from bridge.flight.notices import (
    Assumed,
    BoardReported,
    GaugeLacksTelemetry,
    PanelNotice,
    PositionAdopted,
    PositionUnknown,
    TelemetryChanged,
)
from bridge.panel.expected import expected_channels
from bridge.panel.load import Panel


class Telemetry(Enum):
    """How telemetry stands: none yet, arriving, silent (needles hold), or at rest after the stated time."""

    AWAITED = "awaited"
    LIVE = "live"
    SILENT = "silent"
    RESTING = "resting"


SILENT_S = 0.5
"""Telemetry older than this is silent: about ten datagrams at 20 Hz. A slower sender has two intervals."""


class RunningPanel:
    """One panel at work.

    `given` names the quantities that will arrive; `confirmed` holds positions (steps) that the user
    vouches for, by place, for channels that keep no position of their own. With `before`, a panel that
    ran until now, needles keep their places, and sessions with boards that stay as described go on.
    """

    def __init__(
        self,
        panel: Panel,
        given: frozenset[str],
        confirmed: Mapping[PointerAddress, float] | None = None,
        before: RunningPanel | None = None,
    ) -> None:
        self.panel = panel
        self.chain: Chain = Chain(panel, given, before.chain if before else None)
        self.telemetry: Telemetry = before.telemetry if before else Telemetry.AWAITED
        self.telemetry_s: float | None = before.telemetry_s if before else None
        """When the last readings arrived."""
        self._interval_s = 0.0  # the longest recent one between two arrivals
        self._confirmed: dict[PointerAddress, float] = {
            **(before._confirmed if before else {}),
            **(confirmed or {}),
        }
        self.sessions: dict[str, BoardSession] = {}
        self._boards: list[tuple[BoardSession, tuple[DrivenPointer, ...], tuple[PointerAddress, ...]]] = []
        self._standing: dict[PointerAddress, int] = {}  # how often its position had been taken from the board
        self._notices: list[PanelNotice] = before.take_notices() if before else []
        for name, described in panel.description.boards.items():
            session = self._session(name, before)
            self.sessions[name] = session
            places = tuple((name, number) for number in sorted(described.channels))
            self._boards.append((session, tuple(self.chain.pointers[place] for place in places), places))
            if before and before.sessions.get(name) is session:
                self._standing |= {place: n for place, n in before._standing.items() if place[0] == name}
        self._notices += [GaugeLacksTelemetry(gauge, why) for gauge, why in self.chain.missing.items()]
        self._notices += [Assumed(assumption) for assumption in self.chain.plan.assumptions]

    def _session(self, name: str, before: RunningPanel | None) -> BoardSession:
        described = self.panel.description.boards[name]
        expected = expected_channels(self.panel, name)
        if before is not None and name in before.sessions:
            was = before.panel.description.boards[name]
            same_line = (described.link, described.port, described.baud) == (was.link, was.port, was.baud)
            same_board = (described.id, expected) == (was.id, expected_channels(before.panel, name))
            if same_line and same_board:
                return before.sessions[name]
        board_id = bytes.fromhex(described.id) if described.id else None
        return BoardSession(name, expected, board_id=board_id)

    def feed(self, time_s: float, readings: Mapping[str, float], jumped: bool = False) -> None:
        """Take readings (canonical units) that belong to this time.

        `jumped` when they do not follow from what came before: a replay began again, say.
        """
        if jumped:
            self.chain.start_afresh()
        if self.telemetry_s is not None:
            self._interval_s = max(time_s - self.telemetry_s, 0.9 * self._interval_s)
        self.telemetry_s = time_s
        if self.telemetry is not Telemetry.LIVE:
            self._set_telemetry_state(Telemetry.LIVE)
        self.chain.feed(time_s, readings)

    def tick(self, time_s: float) -> list[tuple[str, list[float], list[float]]]:
        """Move all needles on to this time; for each board its channels' positions and velocities."""
        self._handle_notices(time_s)
        self._watch_telemetry(time_s)
        self.chain.step(time_s)
        return [
            (session.name, [n.position for n in needles], [n.velocity for n in needles])
            for session, needles, _ in self._boards
        ]

    def park(self) -> None:
        """Let every pointer glide to its resting place."""
        for needle in self.chain.pointers.values():
            needle.glide(needle.pointer.park)

    @property
    def still(self) -> bool:
        """True when no needle moves."""
        return all(needle.motion.at_rest for needle in self.chain.pointers.values())

    def positions(self) -> dict[PointerAddress, float]:
        """Where the pointers whose position is known stand, in steps."""
        return {
            place: needle.position for place, needle in self.chain.pointers.items() if place in self._standing
        }

    def _watch_telemetry(self, time_s: float) -> None:
        if self.telemetry_s is None or self.telemetry in (Telemetry.AWAITED, Telemetry.RESTING):
            return
        age_s = time_s - self.telemetry_s
        rest = self.panel.description.rest
        if age_s >= rest.after_s:
            self._set_telemetry_state(Telemetry.RESTING)
            if rest.behaviour == "park":
                self.park()
        elif age_s >= max(SILENT_S, 2.0 * self._interval_s) and self.telemetry is Telemetry.LIVE:
            self._set_telemetry_state(Telemetry.SILENT)

    def _set_telemetry_state(self, state: Telemetry) -> None:
        self._notices.append(TelemetryChanged(state.value, self.telemetry.value))
        self.telemetry = state

    def take_notices(self) -> list[PanelNotice]:
        """What happened since the last call, oldest first."""
        notices, self._notices = self._notices, []
        return notices

    def _handle_notices(self, time_s: float) -> None:
        """Handle what the boards reported since the last tick."""
        ready, standing = Phase.READY, self._standing
        for session, needles, places in self._boards:
            for notice in session.take_notices():
                self._notice(time_s, session, notice)
            for channel, needle, place in zip(session.channels, needles, places, strict=True):
                takes = channel.takes if channel.phase is ready else None
                if takes == standing.get(place):
                    continue
                if takes is None:
                    del standing[place]
                    continue
                # The path starts again where the board reports the pointer, also if it was known before.
                needle.set_position(float(channel.position))
                standing[place] = takes
                self._confirmed.pop(place, None)  # what the user confirmed was true for the start only
                self._send_on(needle)

    def _send_on(self, needle: DrivenPointer) -> None:
        """Where to send a pointer whose position has just become known, if no reading arrives for it."""
        if self.telemetry is Telemetry.RESTING and self.panel.description.rest.behaviour == "park":
            needle.glide(needle.pointer.park)
        elif needle.indication is not None:
            needle.glide(needle.indication)

    def _notice(self, time_s: float, session: BoardSession, notice: Notice) -> None:
        self._notices.append(BoardReported(session.name, notice))
        match notice:
            case KnobTurned():
                self._knob(time_s, session.name, notice)
            case PositionNeeded(channel):
                self._position_needed(session, channel)

    def _knob(self, time_s: float, board: str, turned: KnobTurned) -> None:
        setting = self.panel.description.altimeter_setting
        if setting.source == "knob" and (setting.board, setting.input) == (board, turned.source):
            quantity = self.panel.catalogue["altimeter_setting"]
            set_to = self.chain.readings["altimeter_setting"] + turned.change * setting.inhg_per_count
            self.chain.set_altimeter(time_s, min(max(set_to, quantity.low), quantity.high))

    def _position_needed(self, session: BoardSession, channel: int) -> None:
        position = self._confirmed.pop((session.name, channel), None)
        if position is not None:
            try:
                session.adopt(channel, round(position))
            except BoardError as error:
                self._notices.append(PositionUnknown(session.name, channel, error.detail))
            else:
                self._notices.append(PositionAdopted(session.name, channel, round(position)))
        else:
            self._notices.append(PositionUnknown(session.name, channel, ""))
