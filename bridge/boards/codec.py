"""The wire format: every payload of the frame format.

The table in DEVELOPERS.md is the contract; this file (and `line` for serial lines) implements it and
nothing else. It knows no state and no time. Integers of the wire stay integers here (steps, 1/256 step,
1/256 step/s); only `encode_move`, the hot path, takes floats and states how it rounds.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import floor
from typing import Any, Protocol

from bridge.boards.messages import (
    LATE_GAP,
    MAX_CHANNELS,
    MAX_LAMPS,
    MAX_PAYLOAD,
    VERSION,
    Adopt,
    Capabilities,
    ChannelLimits,
    ChannelPosition,
    ChannelStatus,
    Event,
    FrameType,
    Home,
    Identify,
    Inquire,
    Introduction,
    LampCapability,
    LampLevel,
    Light,
    Message,
    Move,
    Query,
    Reason,
    Refusal,
    Rest,
    Status,
    Target,
)
from bridge.errors import BridgeError, OutOfRangeError


class FrameError(BridgeError):
    """A payload that the table does not allow.

    `reason` is what a board answers with; `type` and `version` are the payload's own (0 if it has none).
    """

    def __init__(self, reason: Reason, detail: str, payload: bytes) -> None:
        self.reason = reason
        self.version = payload[0] if payload else 0
        self.type = payload[1] if len(payload) > 1 else 0
        super().__init__(detail)


@dataclass(frozen=True, slots=True)
class _Fields:
    """A value's fields, in their order on the wire."""

    make: Callable[..., Any]
    names: tuple[str, ...]
    layout: struct.Struct

    def pack(self, value: Any) -> bytes:
        return self.layout.pack(*(getattr(value, name) for name in self.names))


def _fields(make: Callable[..., Any], **formats: str) -> _Fields:
    """`formats`: each field's format, as the module struct writes them."""
    return _Fields(make, tuple(formats), struct.Struct("<" + "".join(formats.values())))


class _Shape(Protocol):
    """How one type's body is written; `decode` returns None for a body of the wrong length."""

    @property
    def make(self) -> Callable[..., Any]: ...

    def encode(self, message: Any) -> bytes: ...

    def decode(self, body: bytes) -> Message | None: ...


@dataclass(frozen=True, slots=True)
class _Plain:
    """A body of fixed fields."""

    fields: _Fields

    @property
    def make(self) -> Callable[..., Any]:
        return self.fields.make

    def encode(self, message: Any) -> bytes:
        return self.fields.pack(message)

    def decode(self, body: bytes) -> Message | None:
        layout = self.fields.layout
        return self.make(*layout.unpack(body)) if len(body) == layout.size else None


@dataclass(frozen=True, slots=True)
class _Masked:
    """A mask of channels or lamps, then one record for each of them in ascending order.

    `items`: the message's field that has them; `number`: the field of an item that numbers it. A record has
    no fields where channels alone are named.
    """

    make: Callable[..., Any]
    items: str
    record: _Fields
    number: str = "channel"

    def encode(self, message: Any) -> bytes:
        items = getattr(message, self.items)
        numbers = [item if isinstance(item, int) else getattr(item, self.number) for item in items]
        if numbers != sorted(set(numbers)) or any(not 0 <= number < 16 for number in numbers):
            raise OutOfRangeError(f"{self.number}s must ascend within 0 to 15, not {numbers}")
        mask = _MASK.pack(sum(1 << number for number in numbers))
        return mask + b"".join(self.record.pack(item) for item in items)

    def decode(self, body: bytes) -> Message | None:
        if len(body) < _MASK.size:
            return None
        channels = channels_of(*_MASK.unpack_from(body))
        layout = self.record.layout
        if len(body) != _MASK.size + layout.size * len(channels):
            return None
        rows = layout.iter_unpack(body[_MASK.size :]) if layout.size else ((),) * len(channels)
        items = (self.record.make(channel, *row) for channel, row in zip(channels, rows, strict=True))
        return self.make(tuple(items))  # type: ignore[no-any-return]


@dataclass(frozen=True, slots=True)
class _Counted:
    """Fixed fields, the number of channels or lamps, then one record for each from 0.

    `items`: the message's field that has them, at most `most`.
    """

    fixed: _Fields
    record: _Fields
    items: str = "channels"
    most: int = MAX_CHANNELS

    @property
    def make(self) -> Callable[..., Any]:
        return self.fixed.make

    def encode(self, message: Any) -> bytes:
        items = getattr(message, self.items)
        return self.fixed.pack(message) + _COUNT.pack(len(items)) + b"".join(map(self.record.pack, items))

    def decode(self, body: bytes) -> Message | None:
        fixed, layout = self.fixed.layout, self.record.layout
        start = fixed.size + _COUNT.size
        if len(body) < start:
            return None
        (count,) = _COUNT.unpack_from(body, fixed.size)
        if len(body) != start + layout.size * count or count > self.most:
            return None
        items = (self.record.make(*row) for row in layout.iter_unpack(body[start:]))
        return self.make(*fixed.unpack_from(body), tuple(items))  # type: ignore[no-any-return]


def _itself(channel: int) -> int:
    return channel


_HEADER = struct.Struct("<BBB")
_MASK = struct.Struct("<H")
_COUNT = struct.Struct("<B")

_TABLE: dict[int, _Shape] = {
    FrameType.IDENTIFY: _Plain(_fields(Identify)),
    FrameType.MOVE: _Masked(Move, "targets", _fields(Target, position="i", fraction="B", velocity="i")),
    FrameType.HOME: _Masked(Home, "channels", _fields(_itself)),
    FrameType.ADOPT: _Masked(Adopt, "places", _fields(ChannelPosition, position="i")),
    FrameType.REST: _Masked(Rest, "channels", _fields(_itself)),
    FrameType.QUERY: _Plain(_fields(Query)),
    FrameType.LIGHT: _Masked(Light, "levels", _fields(LampLevel, level="H", fade_ms="H"), number="lamp"),
    FrameType.INQUIRE: _Plain(_fields(Inquire)),
    FrameType.INTRODUCTION: _Counted(
        _fields(Introduction, board_id="8s", firmware_major="B", firmware_minor="B", watchdog_ms="H"),
        _fields(ChannelLimits, output="B", homing="B", speed="I", acceleration="I", low="i", high="i"),
    ),
    FrameType.STATUS: _Counted(
        _fields(
            Status, frames_good="H", frames_bad="H", frames_missed="H", slots_lost="H", watchdog_trips="B"
        ),
        _fields(ChannelStatus, state="B", position="i", velocity="i"),
    ),
    FrameType.EVENT: _Plain(_fields(Event, kind="B", source="B", value="i")),
    FrameType.REFUSAL: _Plain(_fields(Refusal, refused="B", reason="B")),
    FrameType.CAPABILITIES: _Counted(
        _fields(Capabilities), _fields(LampCapability, output="B", when_lost="H"), "lamps", MAX_LAMPS
    ),
}
_TYPE_OF: dict[Any, int] = {shape.make: kind for kind, shape in _TABLE.items()}
_MOVE = int(FrameType.MOVE)
_MOVES = [struct.Struct("<BBBH" + "iBi" * count) for count in range(MAX_CHANNELS + 1)]


def sequence_after(sequence: int) -> int:
    """The sequence of a sender's next frame, modulo 256."""
    return sequence + 1 & 255


def sequence_gap(expected: int | None, sequence: int) -> int | None:
    """How many frames are missing before this one; None when it is a late or doubled one.

    `expected` is the sequence after the last frame, None when the count starts with this one.
    """
    gap = 0 if expected is None else sequence - expected & 255
    return gap if gap < LATE_GAP else None


def channels_of(mask: int) -> tuple[int, ...]:
    """The channels whose bits are set, ascending."""
    return tuple(channel for channel in range(16) if mask >> channel & 1)


def encode(message: Message, sequence: int) -> bytes:
    """The payload of a message; `sequence` is modulo 256. Raises OutOfRangeError if a number does not fit."""
    kind = _TYPE_OF[type(message)]
    version = message.version if isinstance(message, Refusal) else VERSION
    try:
        payload = _HEADER.pack(version, kind, sequence & 255) + _TABLE[kind].encode(message)
    except struct.error as error:
        raise OutOfRangeError(f"{FrameType(kind).name}: {error}") from error
    if len(payload) > MAX_PAYLOAD:
        raise OutOfRangeError(f"{FrameType(kind).name}: {len(payload)} bytes, at most {MAX_PAYLOAD}")
    return payload


def decode(payload: bytes) -> tuple[int, Message]:
    """Sequence and message of a payload; raises FrameError, with the reason that a board would answer.

    A REFUSAL is read in any version: a board of another version reports its own that way.
    """
    if len(payload) < _HEADER.size or len(payload) > MAX_PAYLOAD:
        raise FrameError(Reason.WRONG_LENGTH, f"{len(payload)} bytes are no payload", payload)
    version, kind, sequence = _HEADER.unpack_from(payload)
    if version != VERSION and kind != FrameType.REFUSAL:
        raise FrameError(Reason.VERSION_NOT_SPOKEN, f"version {version} of the frame format", payload)
    shape = _TABLE.get(kind)
    if shape is None:
        raise FrameError(Reason.UNKNOWN_TYPE, f"unknown frame type 0x{kind:02x}", payload)
    message = shape.decode(payload[_HEADER.size :])
    if message is None:
        detail = f"{FrameType(kind).name} of {len(payload)} bytes has the wrong length"
        raise FrameError(Reason.WRONG_LENGTH, detail, payload)
    if isinstance(message, Refusal):
        message = Refusal(message.refused, message.reason, version)
    return sequence, message


def encode_move(
    sequence: int, positions: Sequence[float], velocities: Sequence[float], mask: int | None = None
) -> bytes:
    """The payload of a MOVE: the hot path, once per board and tick.

    `positions` in steps and `velocities` in steps/s are those of the channels in `mask`, ascending; without
    a mask they are the board's channels from 0 on. Both are rounded to the nearest 1/256, ties upward
    (clockwise); whole steps are the floor, so the fraction is never negative.
    Raises OutOfRangeError for a number that is not finite or does not fit, or too many channels.
    """
    count = len(positions)
    values = [VERSION, _MOVE, sequence & 255, (1 << count) - 1 if mask is None else mask]
    try:
        for position, velocity in zip(positions, velocities, strict=True):
            fixed = floor(position * 256.0 + 0.5)
            values += (fixed >> 8, fixed & 255, floor(velocity * 256.0 + 0.5))
        return _MOVES[count].pack(*values)
    except (struct.error, ValueError, OverflowError, IndexError) as error:
        raise OutOfRangeError(
            f"no MOVE can carry {positions} steps at {velocities} steps/s: {error}"
        ) from error


def unpack_move(payload: bytes) -> tuple[int, ...]:
    """The numbers of a MOVE in order: version, type, sequence, mask, then three per channel.

    For a virtual board's hot path; raises FrameError on a wrong length.
    """
    count, rest = divmod(len(payload) - 5, 9)
    if rest == 0 and 0 <= count <= MAX_CHANNELS:
        values = _MOVES[count].unpack(payload)
        if int(values[3]).bit_count() == count:
            return values
    raise FrameError(Reason.WRONG_LENGTH, f"MOVE of {len(payload)} bytes has the wrong length", payload)
