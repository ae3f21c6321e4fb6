"""The packets of MQTT 3.1.1 that frames need, all at QoS 0. Pure.

Sections in the comments are those of the standard: MQTT Version 3.1.1, OASIS, 29 October 2014.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

MOST_BYTES = 16_384
"""Of a packet that is read; what is longer is skipped as it comes, and kept nowhere."""
CONNACK, PUBLISH, SUBACK, PINGRESP = 0x20, 0x30, 0x90, 0xD0
PINGREQ = b"\xc0\x00"
DISCONNECT = b"\xe0\x00"
_CLEAN_SESSION, _PASSWORD, _USER = 0x02, 0x40, 0x80
_LONGEST_LENGTH = 4  # bytes


class PacketError(ValueError):
    """What came is not MQTT: the connection can't be used any more."""


@dataclass(frozen=True, slots=True)
class Packet:
    """One packet that was received: its type (the upper half of the first byte), flags and body."""

    type: int
    flags: int
    body: bytes


@dataclass(frozen=True, slots=True)
class Message:
    """An application message; `retained` when the broker had kept it from before we subscribed."""

    topic: str
    payload: bytes
    retained: bool


def connect(client_id: str, keepalive_s: int, user: str | None, password: str | None) -> bytes:
    """CONNECT (3.1) with a clean session: nothing is kept for us while we are away."""
    flags = _CLEAN_SESSION
    body = _text(client_id)
    if user is not None:
        flags |= _USER
        body += _text(user)
        if password is not None:
            flags |= _PASSWORD
            body += _text(password)
    head = _text("MQTT") + bytes([4, flags]) + keepalive_s.to_bytes(2, "big")
    return _packet(0x10, head + body)


def subscribe(packet_id: int, topics: Sequence[str]) -> bytes:
    """SUBSCRIBE (3.8) at QoS 0."""
    return _packet(0x82, packet_id.to_bytes(2, "big") + b"".join(_text(topic) + b"\0" for topic in topics))


def publish(topic: str, payload: bytes) -> bytes:
    """PUBLISH (3.3) at QoS 0, never retained."""
    return _packet(PUBLISH, _text(topic) + payload)


def message(packet: Packet) -> Message:
    """The message in a PUBLISH that came; raises `PacketError`."""
    if packet.flags & 0x06:
        raise PacketError("a message at QoS 1 or 2, for which nobody asked")
    size = int.from_bytes(packet.body[:2], "big")
    if len(packet.body) < 2 + size:
        raise PacketError("a topic longer than its packet")
    try:
        topic = packet.body[2 : 2 + size].decode()
    except UnicodeDecodeError:
        raise PacketError("a topic that is no UTF-8") from None
    return Message(topic, packet.body[2 + size :], bool(packet.flags & 0x01))


class PacketReader:
    """Bytes in, packets out. `oversized` counts packets that were longer than `MOST_BYTES`, and skipped."""

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._skip = 0  # bytes of an oversized packet that are still to come
        self.oversized = 0

    def feed(self, data: bytes) -> Iterator[Packet]:
        """The packets that are complete with these bytes; raises `PacketError` where no packet can begin."""
        if self._skip:
            skipped = min(self._skip, len(data))
            self._skip -= skipped
            data = data[skipped:]
        self._buffer += data
        start = 0
        while (head := self._length(start)) is not None:
            size, body = head
            end = body + size
            if size > MOST_BYTES:
                self.oversized += 1
                self._skip = max(0, end - len(self._buffer))
                start = min(end, len(self._buffer))
                continue
            if end > len(self._buffer):
                break
            first = self._buffer[start]
            yield Packet(first & 0xF0, first & 0x0F, bytes(self._buffer[body:end]))
            start = end
        del self._buffer[:start]

    def _length(self, start: int) -> tuple[int, int] | None:
        """Length of the body of the packet that begins at `start`, and where it begins (2.2.3)."""
        size = 0
        for place in range(_LONGEST_LENGTH):
            at = start + 1 + place
            if at >= len(self._buffer):
                return None
            byte = self._buffer[at]
            size |= (byte & 0x7F) << (7 * place)
            if not byte & 0x80:
                return size, at + 1
        raise PacketError("a length of more than four bytes")


def _text(text: str) -> bytes:
    data = text.encode()
    return len(data).to_bytes(2, "big") + data


def _packet(first: int, body: bytes) -> bytes:
    size, length = len(body), bytearray()
    while True:
        size, digit = divmod(size, 128)
        length.append(digit | (0x80 if size else 0))
        if not size:
            return bytes([first]) + bytes(length) + body
