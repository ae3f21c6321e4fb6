"""The session with one board, without I/O: fed payloads and the time, asked what to send.

Its states stand as a table in `state`, those of one channel in `pointer_channel`.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

import structlog

from bridge.boards import codec, messages
from bridge.boards.compatibility import ExpectedChannel, incompatibility, wrong_version
from bridge.boards.messages import ChannelState, EventKind, Output, Reason
from bridge.boards.notices import ButtonPressed, ChannelFaulted, KnobTurned, Notice, Statistics, StepsMissed
from bridge.boards.pointer_channel import Phase, PointerChannel
from bridge.boards.state import TRANSITIONS, State, Trigger
from bridge.errors import BoardError
from bridge.logs import LogThrottle

_log = structlog.get_logger(__name__)

STOPPED = "stopped"
"""Why a link is closed when nothing is wrong."""
FIRST_ASK_S, SLOWEST_ASK_S, FAULTED_ASK_S = 0.05, 0.5, 2.0
_UNKNOWN = ChannelState.UNKNOWN
_MOST_QUERIES = 16  # unanswered ones remembered


class BoardSession:
    """One board. Times are seconds of any clock that never goes back; positions are steps.

    `board_id` pins the board's unique id (8 bytes). A QUERY goes out every `query_s`; a board that says
    nothing for `silence_s` is absent. `state` and `detail` (words for the user) say how it stands.
    """

    def __init__(
        self,
        name: str,
        expected: Sequence[ExpectedChannel],
        *,
        board_id: bytes | None = None,
        query_s: float = 0.1,
        silence_s: float = 0.5,
    ) -> None:
        self.name = name
        self.state = State.ABSENT
        self.detail = "not looked for yet"
        self.channels = tuple(PointerChannel(number, channel) for number, channel in enumerate(expected))
        self.introduction: messages.Introduction | None = None
        self.statistics = Statistics()
        self._expected = tuple(expected)
        self._board_id = board_id
        self._query_s = query_s
        self._silence_s = silence_s
        self._all = (1 << len(self.channels)) - 1
        self._driven = 0  # mask of the channels that take MOVE
        self._correcting: list[PointerChannel] = []
        self._open = False
        self._introduced = False
        self._sequence = 0
        self._board_sequence: int | None = None
        self._queries: dict[int, float] = {}  # sequence to time of those not answered
        self._heard_s = 0.0
        self._ask_s = 0.0
        self._pause_s = FIRST_ASK_S
        self._counts: dict[tuple[int, int], int] = {}
        self._fresh = False  # the board has started since the last introduction
        self._notices: list[Notice] = []
        self._throttle = LogThrottle()

    # -- the link -------------------------------------------------------------------------------

    def link_opened(self, time_s: float) -> None:
        self._open = True
        self._heard_s = self._ask_s = time_s
        self._pause_s = FIRST_ASK_S
        self._transition(Trigger.LINK_OPENED, "asked to introduce itself")

    def link_lost(self, why: str) -> None:
        """The link could not be opened or broke; `why` says so with its cure."""
        self._open = False
        self._reset_session()
        if self.state is State.ABSENT and why != self.detail:
            _log.warning("board can't be reached", board=self.name, why=why)
        self._transition(Trigger.LINK_LOST, why)
        self.detail = why

    def receive(self, time_s: float, payload: bytes) -> None:
        """Take one payload from the board, whatever it is."""
        self._heard_s = time_s
        self.statistics.received += 1
        if self.state is State.ABSENT:
            self._ask_s = time_s
            self._pause_s = FIRST_ASK_S
            self._transition(Trigger.HEARD, "heard")
        try:
            sequence, message = codec.decode(payload)
        except codec.FrameError as error:
            self._undecodable(error)
            return
        if not isinstance(message, messages.Status):
            self._count(sequence, isinstance(message, messages.Introduction))
        match message:
            case messages.Introduction():
                self._introduce(time_s, message)
            case messages.Refusal():
                self._refused(time_s, message)
            case messages.Status() if self._introduced:
                self._status(time_s, sequence, message)
            case messages.Event() if self._introduced:
                self._event(message)

    def outgoing(self, time_s: float) -> list[bytes]:
        """What to send now, in order; call it at `due_s` and after every `receive`."""
        if not self._open:
            return []
        patience_s = self._silence_s
        if self.state is State.FAULTED and not self._introduced:
            patience_s = max(patience_s, 3 * FAULTED_ASK_S)
        if self.state is not State.ABSENT and time_s - self._heard_s >= patience_s:
            self._reset_session()
            self._ask_s = time_s
            self._transition(Trigger.SILENT, "port open, but no board answers: look at its supply and cable")
        if not self._introduced:
            return self._asking(time_s)
        out = self._pending_commands()
        if out:
            self._queries.clear()  # answers under way know nothing of these pending
            self._ask_s = time_s
        if time_s >= self._ask_s:
            self._ask_s = time_s + self._query_s
            if len(self._queries) >= _MOST_QUERIES:
                self.statistics.unanswered += 1
                del self._queries[next(iter(self._queries))]
            self._queries.pop(self._sequence, None)
            self._queries[self._sequence] = time_s
            out.append(self._encode(messages.Query()))
        return out

    def due_s(self) -> float:
        """When `outgoing` will next have something, inf while the link is closed."""
        return self._ask_s if self._open else inf

    # -- the caller -----------------------------------------------------------------------------

    def move(self, time_s: float, positions: Sequence[float], velocities: Sequence[float]) -> bytes:
        """The MOVE for all channels (steps, steps/s), or nothing while none may be driven. The hot path.

        Left out are channels whose position is not known; corrections of the index audit are added.
        Raises OutOfRangeError for a number that is not finite or does not fit.
        """
        driven = self._driven
        if not driven:
            return b""
        sequence = self._sequence
        self._sequence = sequence + 1 & 255
        self.statistics.sent += 1
        if self._correcting:
            positions, velocities = list(positions), list(velocities)
            for channel in self._correcting:
                assert channel.audit is not None
                offset, rate = channel.audit.correction(time_s)
                positions[channel.number] += offset
                velocities[channel.number] += rate
        if driven != self._all:
            numbers = codec.channels_of(driven)
            positions = [positions[number] for number in numbers]
            velocities = [velocities[number] for number in numbers]
        return codec.encode_move(sequence, positions, velocities, driven)

    def rest(self) -> bytes:
        """The REST for all driven channels, or nothing; the next MOVE wakes them."""
        return self._encode(messages.Rest(codec.channels_of(self._driven))) if self._driven else b""

    def home(self, channel: int) -> None:
        """Find a channel's home position again; this also clears its fault."""
        if not self._introduced:
            raise BoardError(self.name, f"can't home while the board is {self.state.value}", channel)
        self._notices += self.channels[channel].home()
        self._update_state()

    def adopt(self, channel: int, position: int) -> None:
        """Confirm that a channel's pointer stands at this position; it must have been asked for."""
        if self.channels[channel].phase is not Phase.WAITING:
            raise BoardError(self.name, "does not wait for a position; home it first", channel)
        self.channels[channel].adopt(position)

    def take_notices(self) -> list[Notice]:
        """What happened since the last call, oldest first."""
        notices, self._notices = self._notices, []
        return notices

    # -- what the board says --------------------------------------------------------------------

    def _introduce(self, time_s: float, introduction: messages.Introduction) -> None:
        self.introduction = introduction
        why = incompatibility(self.name, introduction, self._expected, self._board_id)
        self._reset_session()
        if why is not None:
            self._refuse_board(time_s, why)
            return
        self._introduced = True
        self._ask_s = time_s
        self._transition(Trigger.FITS, "asked for its positions")
        self._update_state()

    def _refuse_board(self, time_s: float, why: str) -> None:
        self._reset_session()
        self._ask_s = time_s + FAULTED_ASK_S
        if self.state is State.FAULTED and self.detail != why:
            _log.warning("board refused", board=self.name, why=why)
            self.detail = why
        self._transition(Trigger.MISFITS, why)

    def _undecodable(self, error: codec.FrameError) -> None:
        self.statistics.undecodable += 1
        if error.reason == Reason.VERSION_NOT_SPOKEN and error.type == messages.FrameType.INTRODUCTION:
            self._refuse_board(self._heard_s, wrong_version(self.name, error.version))

    def _refused(self, time_s: float, refusal: messages.Refusal) -> None:
        self.statistics.refused += 1
        if refusal.reason == Reason.VERSION_NOT_SPOKEN:
            self._refuse_board(time_s, wrong_version(self.name, refusal.version))
        elif refusal.reason == Reason.POSITION_NOT_KNOWN:
            self._ask_s = time_s  # the next status says which
        else:
            _log.warning("frame refused", board=self.name, type=refusal.refused, reason=refusal.reason)

    def _status(self, time_s: float, sequence: int, status: messages.Status) -> None:
        asked_s = self._queries.get(sequence)
        if asked_s is None or len(status.channels) != len(self.channels):
            return  # late, doubled, or older than the last command
        while (oldest := next(iter(self._queries))) != sequence:
            del self._queries[oldest]
            self.statistics.unanswered += 1
        del self._queries[sequence]
        figures = self.statistics
        figures.round_trip_s = time_s - asked_s
        figures.worst_round_trip_s = max(figures.worst_round_trip_s, figures.round_trip_s)
        self._look_at_the_line(time_s, status)
        figures.board_good, figures.board_bad = status.frames_good, status.frames_bad
        figures.board_missed, figures.watchdog_trips = status.frames_missed, status.watchdog_trips
        self._look_for_reset(status)
        for channel, row in zip(self.channels, status.channels, strict=True):
            self._notify(channel.status(row))
        self._update_state()

    def _look_at_the_line(self, time_s: float, status: messages.Status) -> None:
        """Say, sparingly, that frames arrive hurt: no step is lost by it, but it tells of a cable."""
        hurt = status.frames_bad
        if hurt > self.statistics.board_bad and (count := self._throttle.due("hurt", time_s)) is not None:
            cure = "look at the cable, its length and the motor wires beside it"
            _log.warning("frames hurt on the way", board=self.name, so_far=hurt, cure=cure, **count)

    def _look_for_reset(self, status: messages.Status) -> None:
        if all(row.state != _UNKNOWN for row in status.channels):
            return
        lost = [
            channel.number
            for channel, row in zip(self.channels, status.channels, strict=True)
            if row.state == _UNKNOWN and channel.reported.state != _UNKNOWN
        ]
        if lost:
            self.statistics.resets += 1
            _log.warning("board has forgotten positions (reset)", board=self.name, channels=lost)
        movers = [
            row.state
            for channel, row in zip(self.channels, status.channels, strict=True)
            if channel.expected.limits.output != Output.SERVO
        ]
        if lost or (movers and all(state == _UNKNOWN for state in movers) and not self._fresh):
            self._fresh = True
            self._counts.clear()

    def _event(self, event: messages.Event) -> None:
        match event.kind:
            case EventKind.KNOB:
                change = self._change(event, 0)
                self._notices += [KnobTurned(event.source, change)] if change else []
            case EventKind.BUTTON:
                presses = self._change(event, 1)
                self._notices += [ButtonPressed(event.source, presses)] if presses > 0 else []
            case EventKind.WATCHDOG:
                _log.warning("board heard nothing", board=self.name, silence_ms=event.value)
            case _ if event.source < len(self.channels):
                self._notify(self.channels[event.source].event(event.kind, event.value))
                self._update_state()

    def _change(self, event: messages.Event, when_unknown: int) -> int:
        """How far an absolute count went; the first count of a board that was running tells no more than
        `when_unknown`."""
        key = (event.kind, event.source)
        before = self._counts.get(key, 0 if self._fresh else event.value - when_unknown)
        self._counts[key] = event.value
        return event.value - before

    def _notify(self, notices: list[Notice]) -> None:
        for notice in notices:
            match notice:
                case StepsMissed(channel, steps, total):
                    _log.warning("missed steps", board=self.name, channel=channel, steps=steps, total=total)
                case ChannelFaulted(channel, why):
                    _log.error("channel faulted", board=self.name, channel=channel, why=why)
        self._notices += notices

    # -- what is sent ---------------------------------------------------------------------------

    def _asking(self, time_s: float) -> list[bytes]:
        if time_s < self._ask_s:
            return []
        if self.state is State.FAULTED:
            self._ask_s = time_s + FAULTED_ASK_S
        else:
            self._ask_s = time_s + self._pause_s
            self._pause_s = min(2 * self._pause_s, SLOWEST_ASK_S)
        return [self._encode(messages.Identify())]

    def _pending_commands(self) -> list[bytes]:
        """One HOME, ADOPT and REST for all channels that want it."""
        pending = [channel.pending for channel in self.channels if channel.pending is not None]
        if not pending:
            return []
        for channel in self.channels:
            channel.pending = None
        homes = tuple(
            c for command in pending if isinstance(command, messages.Home) for c in command.channels
        )
        places = tuple(
            p for command in pending if isinstance(command, messages.Adopt) for p in command.places
        )
        rests = tuple(
            c for command in pending if isinstance(command, messages.Rest) for c in command.channels
        )
        out = [self._encode(messages.Home(homes))] if homes else []
        out += [self._encode(messages.Adopt(places))] if places else []
        return out + ([self._encode(messages.Rest(rests))] if rests else [])

    def _encode(self, message: messages.Message) -> bytes:
        payload = codec.encode(message, self._sequence)
        self._sequence = self._sequence + 1 & 255
        self.statistics.sent += 1
        return payload

    # -- state ----------------------------------------------------------------------------------

    def _count(self, sequence: int, starts: bool) -> None:
        gap = 0 if starts or self._board_sequence is None else sequence - self._board_sequence & 255
        if gap < 128:
            self.statistics.missed += gap
            self._board_sequence = sequence + 1 & 255

    def _reset_session(self) -> None:
        """Nothing is known of the board any more."""
        self._introduced = False
        self._queries.clear()
        self._fresh = False
        self._counts.clear()
        for channel in self.channels:
            channel.forget()
        self._update_driven()

    def _update_driven(self) -> None:
        ready = [c for c in self.channels if self._introduced and c.phase is Phase.READY]
        self._driven = sum(1 << channel.number for channel in ready)
        self._correcting = [channel for channel in ready if channel.audit and channel.audit.correcting]

    def _update_state(self) -> None:
        self._update_driven()
        phases = {channel.phase for channel in self.channels}
        detail = "; ".join(f"channel {c.number} {c.detail}" for c in self.channels if c.detail)
        if phases & {Phase.UNKNOWN, Phase.WAITING, Phase.HOMING}:
            self._transition(Trigger.UNSETTLED, detail)
        elif phases == {Phase.FAULTED}:
            self._transition(Trigger.ALL_FAULTED, detail)
        else:
            self._transition(Trigger.SETTLED, detail)
        self.detail = detail

    def _transition(self, trigger: Trigger, detail: str) -> None:
        state = TRANSITIONS.get((self.state, trigger))
        if state is None:
            return
        bad = state in (State.ABSENT, State.FAULTED) and detail != STOPPED
        log = _log.warning if bad else _log.info
        log("board", board=self.name, state=state.value, was=self.state.value, on=trigger.value, why=detail)
        self.state, self.detail = state, detail
