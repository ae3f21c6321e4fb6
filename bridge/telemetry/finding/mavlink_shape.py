"""MAVLink taken apart: messages name their numbers; the readings tell which an instrument shows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from bridge.telemetry.finding.shapes import Numbers, Place, Shape, usable
from bridge.telemetry.layout_description import CODES
from bridge.telemetry.mavlink import MOST_FRAMES, VERSION_1, VERSION_2, Frame, MavlinkFrameError, frame_at

_TYPES = {code: name for name, code in CODES.items()}


def known_frames(datagram: bytes) -> Iterator[tuple[bytes, Frame]]:
    """The frames of a datagram, with their bytes, that have a message with something for a gauge."""
    at = 0
    if datagram[:1] not in (bytes([VERSION_1]), bytes([VERSION_2])):
        return
    for _ in range(MOST_FRAMES):
        try:
            frame = frame_at(datagram, at)
        except MavlinkFrameError:
            return
        if frame.message is not None:
            yield datagram[at : frame.end], frame
        at = frame.end


class MavlinkShape(Shape):
    """The numbers of one component's messages by their names."""

    def __init__(self, head: Mapping[str, Any], samples: Sequence[bytes]) -> None:
        self.head = head
        messages = {
            frame.message
            for sample in samples
            for _, frame in known_frames(sample)
            if frame.message is not None
        }
        self.places = [
            Place((("message", message.name), ("field", name)), _TYPES[code])
            for message in sorted(messages, key=lambda message: message.number)
            for name, code in zip(message.fields, message.types, strict=True)
        ]
        self._index = {place.keys: i for i, place in enumerate(self.places)}

    def numbers(self, datagram: bytes) -> Numbers:
        """As `Shape.numbers`; of a message that comes twice the later number."""
        found: list[float | None] = [None] * len(self.places)
        for _, frame in known_frames(datagram):
            if frame.message is None:
                continue
            for name, number in zip(frame.message.fields, frame.numbers(), strict=True):
                index = self._index.get((("message", frame.message.name), ("field", name)))
                if index is not None and not math.isnan(number) and usable(number):
                    found[index] = number
        return found
