"""The wire format: every payload of frame format version 1.

The table in DEVELOPERS.md is the contract; this file (and `line` for serial lines) implements it and
nothing else. It knows no state and no time. Integers of the wire stay integers here (steps, 1/256 step,
1/256 step/s); only `encode_move`, the hot path, takes floats and says how it rounds.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import floor
from typing import Any

from bridge.boards.messages import (
    MAX_CHANNELS,
    MAX_PAYLOAD,
    VERSION,
    Adopt,
    ChannelLimits,
    ChannelPosition,
    ChannelStatus,
    Event,
    FrameType,
    Home,
    Identify,
    Introduction,
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
class _Plain:
    """A body of fixed fields: the first `fields` of the message."""

    make: Callable[..., Any]
    fields: int
    body: struct.Struct

    def encode(self, message: Any) -> bytes:
        return self.body.pack(*_values(message)[: self.fields])

    def decode(self, body: bytes) -> Message:
        return self.make(*self.body.unpack(body))  # type: ignore[no-any-return]


@dataclass(frozen=True, slots=True)
class _Masked:
    """A mask of channels, then one record for each of them in ascending order."""

    make: Callable[..., Any]
    item: Callable[..., Any]
    record: struct.Struct

    def encode(self, message: Any) -> bytes:
        (items,) = _values(message)
        rows = [(item,) if isinstance(item, int) else _values(item) for item in items]
        channels = [row[0] for row in rows]
        if channels != sorted(set(channels)) or any(not 0 <= channel < 16 for channel in channels):
            raise OutOfRangeError(f"channels must ascend within 0 to 15, not {channels}")
        records = b"".join(self.record.pack(*row[1:]) for row in rows)
        return _MASK.pack(sum(1 << channel for channel in channels)) + records

    def decode(self, body: bytes) -> Message:
        (mask,) = _MASK.unpack_from(body)
        channels = channels_of(mask)
        if len(body) != _MASK.size + self.record.size * len(channels):
            raise struct.error
        rows = self.record.iter_unpack(body[_MASK.size :]) if self.record.size else ((),) * len(channels)
        items = (self.item(channel, *row) for channel, row in zip(channels, rows, strict=True))
        return self.make(tuple(items))  # type: ignore[no-any-return]


@dataclass(frozen=True, slots=True)
class _Counted:
    """Fixed fields of which the last counts the records that follow, one per channel from 0."""

    make: Callable[..., Any]
    fixed: struct.Struct
    item: Callable[..., Any]
    record: struct.Struct

    def encode(self, message: Any) -> bytes:
        *fields, items = _values(message)
        records = b"".join(self.record.pack(*_values(item)) for item in items)
        return self.fixed.pack(*fields, len(items)) + records

    def decode(self, body: bytes) -> Message:
        *fields, count = self.fixed.unpack_from(body)
        if len(body) != self.fixed.size + self.record.size * count or count > MAX_CHANNELS:
            raise struct.error
        items = (self.item(*row) for row in self.record.iter_unpack(body[self.fixed.size :]))
        return self.make(*fields, tuple(items))  # type: ignore[no-any-return]


def _values(record: Any) -> tuple[Any, ...]:
    return tuple(getattr(record, name) for name in record.__slots__)


def _itself(channel: int) -> int:
    return channel


_HEADER = struct.Struct("<BBB")
_MASK = struct.Struct("<H")
_EMPTY = struct.Struct("<")

_TABLE: dict[int, _Plain | _Masked | _Counted] = {
    FrameType.IDENTIFY: _Plain(Identify, 0, _EMPTY),
    FrameType.MOVE: _Masked(Move, Target, struct.Struct("<iBi")),
    FrameType.HOME: _Masked(Home, _itself, _EMPTY),
    FrameType.ADOPT: _Masked(Adopt, ChannelPosition, struct.Struct("<i")),
    FrameType.REST: _Masked(Rest, _itself, _EMPTY),
    FrameType.QUERY: _Plain(Query, 0, _EMPTY),
    FrameType.INTRODUCTION: _Counted(
        Introduction, struct.Struct("<8sBBHB"), ChannelLimits, struct.Struct("<BBIIii")
    ),
    FrameType.STATUS: _Counted(Status, struct.Struct("<HHHBB"), ChannelStatus, struct.Struct("<Bii")),
    FrameType.EVENT: _Plain(Event, 3, struct.Struct("<BBi")),
    FrameType.REFUSAL: _Plain(Refusal, 2, struct.Struct("<BB")),
}
_TYPE_OF: dict[Any, int] = {shape.make: kind for kind, shape in _TABLE.items()}
_MOVE = int(FrameType.MOVE)
_MOVES = [struct.Struct("<BBBH" + "iBi" * count) for count in range(MAX_CHANNELS + 1)]


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

    A REFUSAL is read in any version, because it is how a board of another version says which one it speaks.
    """
    if len(payload) < _HEADER.size or len(payload) > MAX_PAYLOAD:
        raise FrameError(Reason.WRONG_LENGTH, f"{len(payload)} bytes are no payload", payload)
    version, kind, sequence = _HEADER.unpack_from(payload)
    if version != VERSION and kind != FrameType.REFUSAL:
        raise FrameError(Reason.VERSION_NOT_SPOKEN, f"version {version} of the frame format", payload)
    shape = _TABLE.get(kind)
    if shape is None:
        raise FrameError(Reason.UNKNOWN_TYPE, f"unknown frame type 0x{kind:02x}", payload)
    try:
        message = shape.decode(payload[_HEADER.size :])
    except struct.error:
        detail = f"{FrameType(kind).name} of {len(payload)} bytes has the wrong length"
        raise FrameError(Reason.WRONG_LENGTH, detail, payload) from None
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
    """The numbers of a MOVE as they stand: version, type, sequence, mask, then three per channel.

    The quick way for a virtual board; raises FrameError on a wrong length.
    """
    count, rest = divmod(len(payload) - 5, 9)
    if rest == 0 and 0 <= count <= MAX_CHANNELS:
        values = _MOVES[count].unpack(payload)
        if int(values[3]).bit_count() == count:
            return values
    raise FrameError(Reason.WRONG_LENGTH, f"MOVE of {len(payload)} bytes has the wrong length", payload)
