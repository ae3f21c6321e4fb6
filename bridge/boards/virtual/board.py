"""The virtual board: speaks the frame format in the same process, keeps the same limits, can be made to fail.

Pure: `VirtualBoard` takes payloads and the time and returns payloads.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from math import inf

from bridge.boards import codec, messages
from bridge.boards.messages import FIRMWARE_VERSION, LAMPS_SINCE, VERSION, EventKind, FrameType, Reason
from bridge.boards.virtual.channel import VirtualChannel, VirtualChannelSpec
from bridge.boards.virtual.lamp import VirtualLamp

_IDENTIFY = int(FrameType.IDENTIFY)
_MOVE_HEAD = bytes([VERSION, FrameType.MOVE])


class VirtualBoard:
    """A board made of nothing. Every call takes the time in seconds, which never goes back.

    Failures, to be set at any time: `silent` (receives and sends nothing), `drop_every` (every nth frame from
    the host is lost, 0 for none), `channel(n).marks_dead`, `channel(n).stop_dead`, `channel(n).lose(steps)`,
    and `reset`. `firmware` may be an older one, which knows no lamps before LAMPS_SINCE. `bad` counts frames
    with a wrong CRC: whoever reads a line for this board adds to it. `slots_lost` is reported as it is set: a
    virtual board is never overloaded.
    """

    def __init__(
        self,
        channels: Sequence[VirtualChannelSpec],
        board_id: bytes = b"\x00virtual",
        watchdog_ms: int = 500,
        lamps: Sequence[messages.LampCapability] = (),
    ) -> None:
        self.described = tuple(channels)
        self.board_id = board_id
        self.watchdog_ms = watchdog_ms
        self.firmware = FIRMWARE_VERSION
        self.lamps = tuple(VirtualLamp(lamp) for lamp in lamps)
        self.silent = False
        self.drop_every = 0
        self._channels: list[VirtualChannel] = []
        self._out: list[bytes] = []

    @property
    def running(self) -> bool:
        """Whether it was started."""
        return bool(self._channels)

    def channel(self, number: int) -> VirtualChannel:
        """The channel of this number, from 0; raises IndexError beyond the last or before the start."""
        return self._channels[number]

    def reset(self, time_s: float) -> list[bytes]:
        """Start, or start again: counts are forgotten, pointers stay where they are."""
        if self.running:
            self._advance(time_s)
        places = [channel.place for channel in self._channels] or [c.pointer_at for c in self.described]
        self._channels = [
            VirtualChannel(described, place, time_s, partial(self._event, source=number))
            for number, (described, place) in enumerate(zip(self.described, places, strict=True))
        ]
        for lamp in self.lamps:
            lamp.go_out()
        self._sequence = 0
        self._received = 0
        self._expected: int | None = None
        self._good = self.bad = self._missed = self.slots_lost = self.trips = 0
        self._fed_s = inf  # the watchdog wakes with the first good frame
        self._counts: dict[tuple[EventKind, int], int] = {}
        self._out.clear()
        self._introduce()
        return self._drain()

    def receive(self, time_s: float, payload: bytes) -> list[bytes]:
        """Take one payload at this time; returns the answers and the events until then."""
        self._advance(time_s)
        self._received += 1
        if self.silent or (self.drop_every and self._received % self.drop_every == 0):
            return self._drain()
        self._good += 1
        self._fed_s = time_s
        try:
            if len(payload) > 2:
                self._count(payload)
            if payload[:2] == _MOVE_HEAD:
                self._move(payload)
            else:
                self._answer(time_s, payload[1:2], *codec.decode(payload))
        except codec.FrameError as error:
            self._send(messages.Refusal(error.type, error.reason))
        return self._drain()

    def advance(self, time_s: float) -> list[bytes]:
        """Advance to this time; returns the events since the last call."""
        self._advance(time_s)
        return self._drain()

    def turn_knob(self, source: int, clicks: int) -> None:
        """Turn the knob at input `source` by so many clicks, clockwise positive."""
        self._input(EventKind.KNOB, source, clicks)

    def press(self, source: int) -> None:
        """Press the button at input `source` and hold it."""
        self._input(EventKind.BUTTON, source, 1)

    def release(self, source: int) -> None:
        """Let go of the button at input `source`."""
        self._event(EventKind.RELEASED, self._counts.get((EventKind.BUTTON, source), 0), source)

    def _advance(self, time_s: float) -> None:
        trips_s = self._fed_s + self.watchdog_ms / 1000
        if time_s >= trips_s:
            for channel in self._channels:
                channel.advance(trips_s)
                channel.watchdog()
            for lamp in self.lamps:
                lamp.go_out()
            self._fed_s = inf
            self.trips += 1
            self._event(EventKind.WATCHDOG, self.watchdog_ms, source=0)
        for channel in self._channels:
            channel.advance(time_s)

    def _count(self, payload: bytes) -> None:
        """A gap in the host's sequence is counted; a doubled or late frame is not. IDENTIFY resets it."""
        sequence = payload[2]
        gap = codec.sequence_gap(None if payload[1] == _IDENTIFY else self._expected, sequence)
        if gap is not None:
            self._missed += gap
            self._expected = codec.sequence_after(sequence)

    def _move(self, payload: bytes) -> None:
        values = codec.unpack_move(payload)
        mask = values[3]
        self._check(mask.bit_length())
        at = 4
        all_known = True
        for number, channel in enumerate(self._channels):
            if mask >> number & 1:
                position = values[at] + values[at + 1] / 256.0
                all_known = channel.move(position, values[at + 2] / 256.0) and all_known
                at += 3
        if not all_known:
            self._send(messages.Refusal(FrameType.MOVE, Reason.POSITION_NOT_KNOWN))

    def _answer(self, time_s: float, kind: bytes, sequence: int, message: messages.Message) -> None:
        match message:
            case messages.Identify():
                self._introduce()
            case messages.Query():
                self._out.append(codec.encode(self._status(), sequence))
            case messages.Home(channels):
                self._check(max(channels, default=-1) + 1, kind)
                for number in channels:
                    self._channels[number].home()
            case messages.Rest(channels):
                self._check(max(channels, default=-1) + 1, kind)
                for number in channels:
                    self._channels[number].rest()
            case messages.Adopt(places):
                self._check(max((place.channel for place in places), default=-1) + 1, kind)
                for place in places:
                    self._channels[place.channel].adopt(place.position)
            case messages.Inquire() if self.firmware >= LAMPS_SINCE:
                self._send(messages.Capabilities(tuple(lamp.described for lamp in self.lamps)))
            case messages.Light(levels) if self.firmware >= LAMPS_SINCE:
                self._check(max((item.lamp for item in levels), default=-1) + 1, kind, len(self.lamps))
                for item in levels:
                    self.lamps[item.lamp].light(time_s, item.level, item.fade_ms)
            case _:
                raise codec.FrameError(Reason.UNKNOWN_TYPE, "not a host's frame", bytes([VERSION]) + kind)

    def _check(self, named: int, kind: bytes = bytes([FrameType.MOVE]), have: int | None = None) -> None:
        if named > (len(self._channels) if have is None else have):
            raise codec.FrameError(Reason.NO_SUCH_CHANNEL, f"number {named - 1}", bytes([VERSION]) + kind)

    def _status(self) -> messages.Status:
        return messages.Status(
            frames_good=self._good & 0xFFFF,
            frames_bad=self.bad & 0xFFFF,
            frames_missed=self._missed & 0xFFFF,
            slots_lost=self.slots_lost & 0xFFFF,
            watchdog_trips=self.trips & 0xFF,
            channels=tuple(channel.status for channel in self._channels),
        )

    def _introduce(self) -> None:
        limits = tuple(channel.limits for channel in self.described)
        self._send(messages.Introduction(self.board_id, *self.firmware, self.watchdog_ms, limits))

    def _input(self, kind: EventKind, source: int, change: int) -> None:
        self._counts[kind, source] = self._counts.get((kind, source), 0) + change
        self._event(kind, self._counts[kind, source], source)

    def _event(self, kind: EventKind, value: int, source: int) -> None:
        self._send(messages.Event(kind, source, value))

    def _send(self, message: messages.Message) -> None:
        """Send under the board's own count; a STATUS has the number of its QUERY and does not use it up."""
        self._out.append(codec.encode(message, self._sequence))
        self._sequence = codec.sequence_after(self._sequence)

    def _drain(self) -> list[bytes]:
        if not self._out:
            return []
        out, self._out = self._out, []
        return [] if self.silent else out
