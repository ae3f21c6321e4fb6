"""Frames on a serial line: COBS over payload and CRC, ended by a zero byte. Knows no payload's meaning."""

from __future__ import annotations

import binascii

from cobs import cobs

from bridge.boards.messages import MAX_PAYLOAD

_SHORTEST = 5  # version, type, sequence and two bytes of CRC
_LONGEST_LINE = MAX_PAYLOAD + 3  # two bytes of CRC, one of COBS


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, initial 0xFFFF, no reflection; check value 0x29B1."""
    return binascii.crc_hqx(data, 0xFFFF)


def to_line(payload: bytes) -> bytes:
    """The bytes of one frame on a serial line: COBS over payload and CRC, then a zero byte."""
    return cobs.encode(payload + crc16(payload).to_bytes(2, "little")) + b"\x00"  # type: ignore[no-any-return]


class FrameReader:
    """Takes bytes off a serial line in any pieces and returns the payloads whose CRC is right.

    Never raises on any bytes. A frame that fails is counted in `bad` and dropped; the next zero byte
    starts afresh. What it keeps between calls is bounded: a run of bytes longer than any frame is
    dropped up to the next zero byte and counted once.
    """

    __slots__ = ("_overrun", "_rest", "bad")

    def __init__(self) -> None:
        self.bad = 0
        self._rest = b""
        self._overrun = False

    def feed(self, data: bytes) -> list[bytes]:
        """The payloads that these bytes complete, oldest first."""
        *lines, self._rest = (self._rest + data).split(b"\x00")
        payloads = []
        for line in lines:
            payload = None if self._overrun else self._check(line)
            if payload is not None:
                payloads.append(payload)
            elif line or self._overrun:  # two zero bytes in a row are no frame and no fault
                self.bad += 1
            self._overrun = False
        if len(self._rest) > _LONGEST_LINE:
            self._overrun = True
        if self._overrun:
            self._rest = b""
        return payloads

    def _check(self, line: bytes) -> bytes | None:
        if len(line) > _LONGEST_LINE:
            return None
        try:
            data = cobs.decode(line)
        except cobs.DecodeError:
            return None
        payload, crc = data[:-2], data[-2:]
        if len(data) < _SHORTEST or crc16(payload) != int.from_bytes(crc, "little"):
            return None
        return bytes(payload)
