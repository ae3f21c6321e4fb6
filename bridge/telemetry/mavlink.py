"""MAVLink 1 and 2: the frames in a datagram or a recording, and the readings that they have.

    frame_at(data, at)  ->  Frame          version, length, flags and checksum are right
    MavlinkDecoder.decode(datagram)        readings of the fields that a layout names, of one system

A frame of version 2 is 0xFD, length, flags that must be understood, flags that need not, sequence, system,
component, message (24 bits, little-endian), payload, checksum; one of version 1 is 0xFE, length, sequence,
system, component, message, payload, checksum. The checksum is CRC-16/MCRF4XX over all but the first byte, and
over a seed that depends on the message. Zeros at the end of a payload are left out in version 2.
Source: the MAVLink guide, "Serialization" (mavlink.io/en/guide/serialization.html), and the definitions of
messages in `mavlink_messages`.

Read here and not by pymavlink, which makes the frames of the tests: a frame and its numbers take that 4 to
8 us where this takes 1.5 (in one run, on one machine); it is 90 MB installed, raises IndexError at some
malformed frames (1,091 of 200,000 that were changed at random), and hands out signed frames unchecked.
"""

from __future__ import annotations

import math
from binascii import crc_hqx
from collections import defaultdict
from contextlib import suppress
from typing import NamedTuple

from bridge.errors import TelemetryError
from bridge.telemetry.conversion import Measure
from bridge.telemetry.decoder import Decoded, Decoder, Dropped, Labels, Raws
from bridge.telemetry.mavlink_description import Mavlink
from bridge.telemetry.mavlink_messages import BY_NUMBER, MESSAGES, Message

VERSION_1, VERSION_2 = 0xFE, 0xFD
LONGEST_FRAME = 280
MOST_FRAMES = 128
"""Of one datagram that are read: as many of the shortest as a network carries in one piece."""
_SIGNED = 0x01
_CHECKSUM_BYTES, _SIGNATURE_BYTES = 2, 13
_TIME = "time_boot_ms"

# The library's CRC takes the highest bit of a byte first, MAVLink's the lowest: every byte is turned round.
_TURNED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_MOST = {"B": 2**8 - 1, "b": 2**7 - 1, "H": 2**16 - 1, "h": 2**15 - 1, "I": 2**32 - 1, "i": 2**31 - 1,
         "Q": 2**64 - 1, "q": 2**63 - 1}  # fmt: skip
"""A whole number that is the most of its type is not known, as the definitions have it ("invalid")."""


class MavlinkFrameError(ValueError):
    """Bytes that are no frame to be used: `cause`, fit for counting, and where the frame ends, if known."""

    def __init__(self, cause: str, detail: str, end: int | None = None) -> None:
        self.cause = cause
        self.detail = detail
        self.end = end
        super().__init__(f"{cause}: {detail}")


class Frame(NamedTuple):
    """One frame. `message` is None, and the checksum not looked at, where no gauge can use it."""

    end: int
    """Index of the first byte after it, in the data that it was read from."""
    message: Message | None
    system: int
    component: int
    payload: bytes

    def numbers(self) -> tuple[float, ...]:
        """The message's numbers, in the order of its fields; what the sender left out is zero."""
        assert self.message is not None
        size = self.message.struct.size
        return self.message.struct.unpack_from(self.payload.ljust(size, b"\0"))


def frame_at(data: bytes, at: int) -> Frame:
    """The frame that begins at this byte; raises `MavlinkFrameError`."""
    start = data[at] if at < len(data) else None
    if start == VERSION_2:
        header = 10
    elif start == VERSION_1:
        header = 6
    else:
        raise MavlinkFrameError(
            "begins otherwise", f"{data[at : at + 8].hex(' ') or 'nothing'} where fd or fe begins"
        )
    if len(data) - at < header + _CHECKSUM_BYTES:
        raise MavlinkFrameError(
            "short", f"{len(data) - at} bytes of a frame, at least {header + _CHECKSUM_BYTES}"
        )
    begin = at + header
    end = begin + data[at + 1]
    after = end + _CHECKSUM_BYTES
    if start == VERSION_2:
        flags = data[at + 2]
        if flags:
            if flags != _SIGNED:
                raise MavlinkFrameError(
                    "unknown flags", f"a frame with the flags 0x{flags:02x}, at most 0x01 is known"
                )
            cure = "switch signing off for this link"
            raise MavlinkFrameError(
                "signed", f"a signed frame, and no key is known: {cure}", after + _SIGNATURE_BYTES
            )
        system, component = data[at + 5], data[at + 6]
        number = data[at + 7] | data[at + 8] << 8 | data[at + 9] << 16
    else:
        system, component, number = data[at + 3], data[at + 4], data[at + 5]
    if len(data) < after:
        raise MavlinkFrameError("short", f"{len(data) - at} bytes of a frame, {after - at} needed")
    message = BY_NUMBER.get(number)
    if message is not None:
        checked = data[at + 1 : end] + message.seed.to_bytes(1, "little")
        if crc_hqx(checked.translate(_TURNED), 0xFFFF) != int.from_bytes(
            data[end:after].translate(_TURNED), "big"
        ):
            raise MavlinkFrameError(
                "checksum", f"a frame of {message.name} that is corrupted, or of another definition"
            )
    return Frame(after, message, system, component, data[begin:end])


class MavlinkDecoder(Decoder):
    """Frames of one component of one system: the one that the layout names, or the first with its numbers."""

    def __init__(self, layout: str, measures: tuple[Measure, ...], described: Mavlink) -> None:
        super().__init__(layout, measures)
        self._component = described.component
        self._stated = described.system
        self.system = described.system
        """The system that is followed; None until one has sent what is wanted."""
        self._time_s: float | None = None
        self._wanted: dict[int, list[tuple[int, int, int | None]]] = defaultdict(list)
        for i, wanted in enumerate(described.fields):
            message = MESSAGES[wanted.message]
            place = message.fields.index(wanted.field)
            self._wanted[message.number].append((i, place, _MOST.get(message.types[place])))

    @property
    def follows(self) -> str:
        """The system that is followed."""
        return "" if self.system is None else f"system {self.system}, component {self._component}"

    @property
    def learnt(self) -> tuple[str, ...]:
        """The system, where it was found and not stated."""
        return () if self._stated or self.system is None else (str(self.system),)

    def remember(self, learnt: tuple[str, ...]) -> None:
        """Follow the system that was followed before."""
        with suppress(ValueError):
            self.system = self._stated or int(learnt[0])

    def decode(self, datagram: bytes) -> Decoded | Labels:
        """The readings of its frames, with the sender's time since its start; none where none is wanted."""
        self._time_s = None
        decoded = super().decode(datagram)
        if isinstance(decoded, Decoded) and self._time_s is not None:
            return Decoded(decoded.readings, self._time_s, decoded.dropped, decoded.others)
        return decoded

    def _raws(self, datagram: bytes, dropped: Dropped) -> Raws | None:
        raws: list[float | None] | None = None
        refused: TelemetryError | None = None
        at = count = 0
        while at < len(datagram) or not at:
            count += 1
            if count > MOST_FRAMES:
                refused = self._error("too many frames", f"more than {MOST_FRAMES} in one datagram")
                break
            try:
                frame = frame_at(datagram, at)
            except MavlinkFrameError as wrong:
                refused = self._error(wrong.cause, wrong.detail)
                if wrong.end is None:
                    break
                at = wrong.end
                continue
            at = frame.end
            wanted = None if frame.message is None else self._wanted.get(frame.message.number)
            if frame.message is None or wanted is None:
                continue
            other = self._other(frame)
            if other is not None:
                refused = other
                continue
            if raws is None:
                raws = [None] * len(self._measures)
            numbers = frame.numbers()
            for i, place, unknown in wanted:
                number = numbers[place]
                raws[i] = None if number == unknown or math.isnan(number) else number
            if frame.message.fields[0] == _TIME:
                self._time_s = numbers[0] / 1000.0
        if refused is not None:
            if raws is None:
                raise refused
            dropped.take(refused)
        return raws if raws is not None and any(raw is not None for raw in raws) else None

    def _other(self, frame: Frame) -> TelemetryError | None:
        """Why this frame is not followed; None when it is, from now on."""
        if frame.component != self._component:
            cure = "component of the layout chooses"
            return self._error(
                "another component", f"component {frame.component} of system {frame.system}; {cure}"
            )
        if self.system is None:
            self.system = frame.system
        if frame.system != self.system:
            cure = f"{self.follows}, is followed; system of the layout chooses"
            return self._error("another system", f"system {frame.system}, where {cure}")
        return None
