"""The session with one board, without I/O: fed payloads and the time, asked what to send.

Pass it everything that has arrived (`receive`) before asking what to send (`outgoing`). What happens is
reported as notices; `state` is whether the board is used, `detail` why not or what is awaited.
Its states are a table in `state`, those of one channel in `pointer_channel`.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from bridge.boards import codec, messages
from bridge.boards.compatibility import ExpectedChannel, incompatibility, wrong_version
from bridge.boards.diagnosis import Diagnosis
from bridge.boards.input_counts import InputCounts
from bridge.boards.lamp_bank import LampBank
from bridge.boards.messages import ChannelState, EventKind, Output, Reason
from bridge.boards.notices import (
    FrameRefused,
    FramesCorrupted,
    ImplausibleReport,
    Notice,
    PositionsForgotten,
    StateChanged,
    WatchdogTripped,
)
from bridge.boards.pointer_channel import Phase, PointerChannel, take_commands
from bridge.boards.query_clock import QueryClock
from bridge.boards.state import State, Trigger, next_state
from bridge.boards.statistics import Statistics
from bridge.errors import BoardError

STOPPED = "stopped"
"""Why a link is closed when nothing is wrong."""
FAULTED_ASK_S = 2.0
"""A board that does not fit is asked this often to introduce itself."""
QUERY_S = 0.1
SILENCE_S = 0.4
"""Age of the oldest unanswered question at which a board counts as absent, see `query_clock`."""
MOST_NOTICES = 1000
"""Notices kept for a caller that does not take them; then the newest are dropped."""
_UNDER_WAY = 500
"""Frames that may be on their way to a board: a second's, on a link that is late."""
_UNKNOWN = ChannelState.UNKNOWN


class BoardSession:
    """One board. Times are seconds of any clock that never goes back; positions are steps.

    `board_id` pins the board's unique id (8 bytes); `panel_file` is named in cures. A QUERY is
    sent every `query_s`; a board that leaves questions unanswered for `silence_s` is absent. `lamps` are
    those that it should have.
    """

    def __init__(
        self,
        name: str,
        expected: Sequence[ExpectedChannel],
        *,
        board_id: bytes | None = None,
        panel_file: str = "PANEL.toml",
        query_s: float = QUERY_S,
        silence_s: float = SILENCE_S,
        lamps: Sequence[messages.LampCapability] = (),
    ) -> None:
        self.name = name
        self.state = State.ABSENT
        self.detail = "not looked for yet"
        self.channels = tuple(PointerChannel(number, channel) for number, channel in enumerate(expected))
        self.introduction: messages.Introduction | None = None
        self.statistics = Statistics()
        self.reported_s: float | None = None
        """When the last STATUS arrived: the age of every channel's `reported`."""
        self._expected = tuple(expected)
        self._board_id = board_id
        self._diagnosis = Diagnosis(name, panel_file)
        self._clock = QueryClock(query_s, silence_s)
        self._inputs = InputCounts()
        self.lamps = LampBank(lamps, self._diagnosis.reflash)
        self._all = (1 << len(self.channels)) - 1
        self._driven = 0  # mask of the channels that take MOVE
        self._correcting: list[PointerChannel] = []
        self._open = False
        self._stopped = False
        self._introduced = False
        self._good: int | None = None  # good frames that the board had counted at its last STATUS ...
        self._sent_then = 0  # ... and how many were sent by then
        self._sequence = 0
        self._board_sequence: int | None = None
        self._notices: list[Notice] = []

    # -- the link -------------------------------------------------------------------------------

    def link_opened(self, time_s: float) -> None:
        """The link is open: the board is asked to introduce itself."""
        self._open = True
        self._diagnosis.link_opened()
        self._clock.start(time_s)
        self._transition(Trigger.LINK_OPENED, "asked to introduce itself")

    def link_lost(self, why: str) -> None:
        """The link could not be opened or broke; `why` describes it, with the cure."""
        self._open = False
        self._reset_session()
        self._transition(Trigger.LINK_LOST, why)

    def corrupted(self, frames: int) -> None:
        """The link has received this many more frames with a wrong checksum."""
        if frames > 0:
            self.statistics.corrupted += frames
            self._diagnosis.corrupted()
            self._notify([FramesCorrupted(self.statistics.board_bad, self.statistics.corrupted)])

    def receive(self, time_s: float, payload: bytes) -> None:
        """Take one payload from the board, whatever it is; nothing while the link is closed."""
        if not self._open:
            return
        self._clock.heard()
        self._diagnosis.heard()
        self.statistics.received += 1
        if self.state is State.ABSENT:
            self._clock.start(time_s)
            self._transition(Trigger.HEARD, "asked to introduce itself")
        try:
            sequence, message = codec.decode(payload)
        except codec.FrameError as error:
            self._undecodable(time_s, error)
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
            case messages.Capabilities() if self._introduced:
                self._notify(self.lamps.answered(message))
            case messages.Event() if self._introduced:
                self._event(time_s, message)

    def outgoing(self, time_s: float, early_s: float = 0.0) -> list[bytes]:
        """What to send now, in order; call it at `due_s` and after every `receive`.

        A QUERY that is due within `early_s` is sent already.
        """
        if not self._open:
            return []
        clock = self._clock
        if time_s >= clock.silent_s:
            if self.state is not State.ABSENT:
                self._reset_session()
                clock.ask_now(time_s)
            self._transition(Trigger.SILENT, self._diagnosis.silent())
        elif time_s >= clock.blind_s:
            self._drive_no_more()
        if not self._introduced:
            return self._asking(time_s)
        out = [self._encode(command) for command in take_commands(self.channels)]
        if out:
            clock.commanded(time_s)
        if (question := self.lamps.question(time_s)) is not None:
            out.append(self._encode(question))
        if time_s + early_s >= clock.due_s:
            self.statistics.unanswered += clock.queried(time_s, self._sequence)
            out.append(self._encode(messages.Query()))
        return out

    def due_s(self) -> float:
        """When `outgoing` will next have something to do, inf while the link is closed."""
        if not self._open:
            return inf
        silent_s = inf if self.state is State.ABSENT else self._clock.silent_s
        return min(self._clock.due_s, silent_s)

    # -- the caller -----------------------------------------------------------------------------

    def move(self, time_s: float, positions: Sequence[float], velocities: Sequence[float]) -> bytes:
        """The MOVE for all channels (steps, steps/s), or nothing while none may be driven. The hot path.

        Left out are channels whose position is not known; corrections of the index audit are added.
        Raises OutOfRangeError for a number that is not finite or does not fit.
        """
        driven = self._driven
        if not driven:
            return b""
        if self._correcting:
            positions, velocities = list(positions), list(velocities)
            for channel in self._correcting:
                assert channel.audit is not None
                audit = channel.audit
                offset, rate = (audit.offset, 0.0) if self._stopped else audit.correction(time_s)
                positions[channel.number] += offset
                velocities[channel.number] += rate
        if driven != self._all:
            numbers = codec.channels_of(driven)
            positions = [positions[number] for number in numbers]
            velocities = [velocities[number] for number in numbers]
        payload = codec.encode_move(self._sequence, positions, velocities, driven)
        self._sequence = codec.sequence_after(self._sequence)
        self.statistics.sent += 1
        return payload

    def light(self, time_s: float, levels: Sequence[int]) -> bytes:
        """The LIGHT that is due so that all lamps have these levels (0 to 65,535), or nothing."""
        light = self.lamps.light(time_s, levels)
        return b"" if light is None else self._encode(light)

    def rest(self) -> bytes:
        """The REST for all driven channels, or nothing; the next MOVE wakes them."""
        return self._encode(messages.Rest(codec.channels_of(self._driven))) if self._driven else b""

    def home(self, channel: int) -> None:
        """Find a channel's home position again; this also clears its fault. Raises BoardError if it can't."""
        if not self._introduced:
            raise BoardError(self.name, f"can't home while the board is {self.state.value}", channel)
        if self._stopped:
            raise BoardError(self.name, "can't home while all pointers are stopped", channel)
        self._notify(self.channels[channel].home())
        self._update_state()

    def adopt(self, channel: int, position: int) -> None:
        """Confirm that a channel's pointer is at this position (steps).

        Raises BoardError if the channel finds its position by itself, or this one lies outside its travel.
        """
        if not self.channels[channel].may_adopt:
            why = "does not wait for a position; home it: then it finds it, or asks for it"
            raise BoardError(self.name, why, channel)
        try:
            self.channels[channel].adopt(position)
        except ValueError as error:
            raise BoardError(self.name, f"can't be at {position} steps: {error}", channel) from None
        self._update_state()

    def stop(self) -> None:
        """Searches for a home position end and none begins, and corrections of the index audit stay as they
        are, until `go_on`: all that moves without the caller's `move`."""
        self._stopped = True
        for channel in self.channels:
            channel.stop()

    def go_on(self) -> None:
        """Home positions that are not known are looked for again, and corrections go on."""
        self._stopped = False
        for channel in self.channels:
            channel.go_on()

    def take_notices(self) -> list[Notice]:
        """What happened since the last call, oldest first."""
        notices, self._notices = self._notices, []
        return notices

    # -- what the board sends -------------------------------------------------------------------

    def _introduce(self, time_s: float, introduction: messages.Introduction) -> None:
        self.introduction = introduction
        why = incompatibility(introduction, self._expected, self._board_id, self._diagnosis.reflash)
        self._reset_session()
        if why is not None:
            self._refuse_board(time_s, why)
            return
        self._introduced = True
        for channel, limits in zip(self.channels, introduction.channels, strict=True):
            channel.introduced(limits)
        self._notify(self.lamps.introduced(introduction))
        self._clock.ask_now(time_s)
        self._transition(Trigger.FITS, "asked for its positions")

    def _refuse_board(self, time_s: float, why: str) -> None:
        self._reset_session()
        self._clock.ask_now(time_s + FAULTED_ASK_S)
        self._transition(Trigger.MISFITS, why)

    def _undecodable(self, time_s: float, error: codec.FrameError) -> None:
        self.statistics.undecodable += 1
        self._diagnosis.unusable(f"sends frames that can't be read ({error})")
        if error.reason == Reason.VERSION_NOT_SPOKEN and error.type == messages.FrameType.INTRODUCTION:
            self._refuse_board(time_s, wrong_version(error.version, self._diagnosis.reflash))

    def _refused(self, time_s: float, refusal: messages.Refusal) -> None:
        self.statistics.refused += 1
        if refusal.reason == Reason.VERSION_NOT_SPOKEN:
            self._refuse_board(time_s, wrong_version(refusal.version, self._diagnosis.reflash))
        elif refusal.reason == Reason.POSITION_NOT_KNOWN:
            self._clock.ask_now(time_s)  # the next status shows which
        else:
            self._notify([FrameRefused(refusal.refused, refusal.reason)])

    def _status(self, time_s: float, sequence: int, status: messages.Status) -> None:
        if len(status.channels) != len(self.channels):
            found, expected = len(status.channels), len(self.channels)
            self._diagnosis.unusable(f"answers with a STATUS for {found} channels, expected {expected}")
            return
        if not self._clock.awaits(sequence):  # late, doubled, or older than the last command
            self._diagnosis.unusable("answers QUERY with a STATUS of another number")
            return
        answer = self._clock.answered(time_s, sequence)
        self._diagnosis.usable()
        self.reported_s = time_s
        self._notify(self.statistics.answered(answer, status))
        self._look_for_reset(status)
        for channel, row in zip(self.channels, status.channels, strict=True):
            self._notify(channel.status(answer.asked_s, time_s, row))
        self._update_state()

    def _look_for_reset(self, status: messages.Status) -> None:
        first, started_anew = self._good is None, self._started_anew(status)
        unknown = [
            channel
            for channel, row in zip(self.channels, status.channels, strict=True)
            if row.state == _UNKNOWN
        ]
        # A search for home that was ended, by REST or the watchdog, also leaves the position unknown.
        lost = tuple(c.number for c in unknown if started_anew and c.reported.state != _UNKNOWN)
        if lost:
            self.statistics.resets += 1
            self._notify([PositionsForgotten(lost)])
        movers = [c for c in self.channels if c.expected.limits.output != Output.SERVO]
        all_unknown = bool(movers) and all(channel in unknown for channel in movers)
        if lost or (all_unknown and (first or started_anew)):
            self._inputs.board_started()

    def _started_anew(self, status: messages.Status) -> bool:
        """Whether the board has started since its last STATUS: its count of good frames began at 0 then."""
        good, sent_then = self._good, self._sent_then
        self._good, self._sent_then = status.frames_good, self.statistics.sent
        if good is None:
            return False
        more = (status.frames_good - good) % 2**16
        return more > 2 * (self.statistics.sent - sent_then) + _UNDER_WAY  # doubled, at worst

    def _event(self, time_s: float, event: messages.Event) -> None:
        match event.kind:
            case EventKind.KNOB | EventKind.BUTTON | EventKind.RELEASED:
                self._notify(self._inputs.event(event))
            case EventKind.WATCHDOG:
                self._notify([WatchdogTripped(event.value)])
            case _ if event.source < len(self.channels):
                channel = self.channels[event.source]
                before = channel.phase, channel.detail
                self._notify(channel.event(time_s, event.kind, event.value))
                if (channel.phase, channel.detail) != before:
                    self._update_state()

    # -- what is sent ---------------------------------------------------------------------------

    def _asking(self, time_s: float) -> list[bytes]:
        if time_s < self._clock.due_s:
            return []
        self._clock.identified(time_s, FAULTED_ASK_S if self.state is State.FAULTED else None)
        return [self._encode(messages.Identify())]

    def _encode(self, message: messages.Message) -> bytes:
        payload = codec.encode(message, self._sequence)
        self._sequence = codec.sequence_after(self._sequence)
        self.statistics.sent += 1
        return payload

    # -- state ----------------------------------------------------------------------------------

    def _count(self, sequence: int, starts: bool) -> None:
        gap = codec.sequence_gap(None if starts else self._board_sequence, sequence)
        if gap is not None:
            self.statistics.missed += gap
            self._board_sequence = codec.sequence_after(sequence)

    def _drive_no_more(self) -> None:
        """The board sends frames, but no usable answer for `BLIND_S`: nothing is known of it any more."""
        for channel in self.channels:
            channel.forget()
        self._update_driven()
        self._transition(Trigger.UNUSABLE, self._diagnosis.blind(self._introduced))

    def _reset_session(self) -> None:
        """Nothing is known of the board any more."""
        self._introduced = False
        self._diagnosis.usable()
        self._clock.forget()
        self._inputs.forget()
        self.lamps.forget()
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

    def _transition(self, trigger: Trigger, detail: str) -> None:
        """The only writer of state and detail."""
        was, state = self.state, next_state(self.state, trigger)
        changed = state is not was or (detail != self.detail and state in (State.ABSENT, State.FAULTED))
        self.state, self.detail = state, detail
        if changed:
            self._notify([StateChanged(state, was, trigger, detail)])

    def _notify(self, notices: list[Notice]) -> None:
        for notice in notices:
            if isinstance(notice, ImplausibleReport):
                self.statistics.disbelieved += 1
            if len(self._notices) < MOST_NOTICES:
                self._notices.append(notice)
            else:
                self.statistics.notices_dropped += 1
