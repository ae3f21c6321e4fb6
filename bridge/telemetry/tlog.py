"""Recordings of MAVLink, to read: each frame after eight bytes with the time at which it was received.

The time is microseconds of Unix time, the highest byte first, as ground stations and pymavlink write it
(common practice; pymavlink, mavutil.py). What can't be read is reported with its place and skipped, up to the
next time before a frame that can; a time that goes back is, too. Time is in seconds since the first frame.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import BinaryIO

from bridge.errors import DescriptionError, DescriptionErrors, TelemetryError
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.bad_lines import BadLines
from bridge.telemetry.decoder import Decoded
from bridge.telemetry.flightlog import Moment, Place
from bridge.telemetry.layout import Layout, make_layout
from bridge.telemetry.mavlink import LONGEST_FRAME, Frame, MavlinkFrameError, frame_at
from bridge.telemetry.mavlink_description import Mavlink

_START = re.compile(rb"[\xfd\xfe]")
_TIME_BYTES = 8
_CHUNK_BYTES = 65_536
_NEAR_US = 86_400_000_000
"""After what can't be read, a frame counts whose time is within a day of the last one."""
_LOOKED_AT = 20_000
"""Frames at the beginning in which the quantities of the flight are looked for."""
_EXPECTED = "8 bytes of time, and a frame of MAVLink"
_EARLIEST_YEAR = 2000
"""A recorder without a clock counts from 1970: that is no date."""


@dataclass(frozen=True, slots=True)
class MavlinkLog:
    """A recording whose beginning has been read. Iterating reads the file from its start, frame by frame."""

    path: Path
    catalogue: Catalogue
    given: frozenset[str]
    assumptions: tuple[str, ...]
    date: date | None
    place: Place | None
    _layout: Layout
    _bad: BadLines

    def __iter__(self) -> Iterator[Moment]:
        """Time in seconds since the first frame, never falling, and the readings of that frame."""
        return self._bad.in_order(self._rows(), lambda a, b: b - a, lambda s: f"{s:.3f} s", begin_s=0.0)

    def _rows(self) -> Iterator[tuple[int, float, dict[str, float]]]:
        """Place in the file, time in seconds, and readings of every frame that has some."""
        decoder = self._layout.decoder()
        for place, time_us, data, _ in frames(self.path, self._bad):
            try:
                decoded = decoder.decode(data)
            except TelemetryError as error:
                if error.field:
                    self._bad.report(place, error.field, error.detail, "a plausible reading")
                continue
            assert isinstance(decoded, Decoded)
            for dropped in decoded.dropped:
                self._bad.report(place, dropped.field, dropped.detail, "a plausible reading")
            if decoded.readings:
                yield place, time_us / 1e6, decoded.readings


def frames(path: Path, bad: BadLines) -> Iterator[tuple[int, int, bytes, Frame]]:
    """Place in the file, time (microseconds), bytes and content of every frame that can be read."""
    with path.open("rb") as file:
        window = _Window(file)
        latest_us: int | None = None
        while window.fill():
            time_us, at = window.time_us(), window.at + _TIME_BYTES
            try:
                frame = frame_at(window.data, at)
                if frame.message is None and not window.may_begin(frame.end):
                    raise MavlinkFrameError("unknown message", "what may be a frame, with no other after it")
            except MavlinkFrameError as wrong:
                what = "a frame that is cut" if wrong.cause == "short" else wrong.detail
                bad.report(window.place, "", what, _EXPECTED)
                window.find(wrong.end, latest_us)
                continue
            latest_us = time_us
            yield window.place, time_us, window.data[at : frame.end], frame
            window.at = frame.end


def is_tlog(head: bytes) -> bool:
    """Whether a time and a frame that is known here begin these bytes."""
    try:
        return frame_at(head, _TIME_BYTES).message is not None
    except MavlinkFrameError:
        return False


class _Window:
    """A piece of the file: `data`, of which the next frame is at `at`."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._begin = 0
        self.data = b""
        self.at = 0
        self.ended = False

    @property
    def place(self) -> int:
        """Where the next frame is in the file."""
        return self._begin + self.at

    def fill(self) -> bool:
        """Read on, so that two whole frames fit; False at the end of the file."""
        if not self.ended and len(self.data) - self.at < 2 * (_TIME_BYTES + LONGEST_FRAME):
            more = self._file.read(_CHUNK_BYTES)
            self.ended = not more
            self._begin += self.at
            self.data, self.at = self.data[self.at :] + more, 0
            if more:
                return self.fill()
        return self.at < len(self.data)

    def time_us(self) -> int:
        return int.from_bytes(self.data[self.at : self.at + _TIME_BYTES], "big")

    def may_begin(self, at: int) -> bool:
        """Whether a time and a frame may begin there, or the file ends."""
        return at == len(self.data) or self.data[at + _TIME_BYTES : at + _TIME_BYTES + 1] in (
            b"\xfd",
            b"\xfe",
        )

    def find(self, end: int | None, latest_us: int | None) -> None:
        """Go on to the end of what can't be used where that is known, else to the next frame that can."""
        if end is not None:
            self.at = end
            return
        self.at += 1
        while self.fill():
            start = _START.search(self.data, self.at + _TIME_BYTES)
            if start is None:
                self.at = max(self.at, len(self.data) - _TIME_BYTES) if not self.ended else len(self.data)
                if self.ended:
                    return
                continue
            self.at = start.start() - _TIME_BYTES
            if not self.fill():
                return
            near = latest_us is None or abs(self.time_us() - latest_us) < _NEAR_US
            if near and is_tlog(self.data[self.at : self.at + _TIME_BYTES + LONGEST_FRAME]):
                return
            self.at += 1


def read_tlog(path: Path, catalogue: Catalogue, described: Mavlink | None = None) -> MavlinkLog:
    """The recording in this file, its beginning read; raises `DescriptionErrors`."""
    layout = make_layout(described or Mavlink(kind="mavlink"), path, catalogue)
    bad = BadLines(path, "byte")
    decoder = layout.decoder()
    given: set[str] = set()
    systems: set[int] = set()
    day: date | None = None
    place: Place | None = None
    try:
        for count, (_, time_us, data, frame) in enumerate(frames(path, bad)):
            if count == 0:
                day = _day(time_us)
            if frame.message is not None:
                systems.add(frame.system)
            try:
                decoded = decoder.decode(data)
            except TelemetryError:
                continue
            assert isinstance(decoded, Decoded)
            given |= decoded.readings.keys()
            place = place or _place(frame)
            if count >= _LOOKED_AT or (given == layout.given and place):
                break
    except OSError as error:
        wrong = DescriptionError(
            str(path), "", error.strerror or str(error), "a flight log", "Check the path"
        )
        raise DescriptionErrors([wrong]) from None
    if not given:
        found = f"nothing of {', '.join(sorted(layout.given))}"
        expected = "frames of MAVLink with at least one of them"
        cure = "Choose another file, or describe its system, component and fields in a layout (--layout)"
        raise DescriptionErrors([DescriptionError(str(path), "", found, expected, cure)])
    assumptions: tuple[str, ...] = ()
    if len(systems) > 1:
        others = ", ".join(str(system) for system in sorted(systems))
        assumptions = (
            f"the log has the systems {others}: follows {decoder.follows}; a layout chooses (--layout)",
        )
    return MavlinkLog(path, catalogue, frozenset(given), assumptions, day, place, layout, bad)


def _day(time_us: int) -> date | None:
    try:
        day = datetime.fromtimestamp(time_us / 1e6, UTC).date()
    except (ValueError, OverflowError, OSError):
        return None
    return day if day.year >= _EARLIEST_YEAR else None


def _place(frame: Frame) -> Place | None:
    """Latitude and longitude where this frame has them."""
    if frame.message is None or frame.message.name != "GLOBAL_POSITION_INT":
        return None
    numbers = dict(zip(frame.message.fields, frame.numbers(), strict=True))
    latitude_deg, longitude_deg = numbers["lat"] / 1e7, numbers["lon"] / 1e7
    known = (latitude_deg or longitude_deg) and abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= 180.0
    return (latitude_deg, longitude_deg) if known else None
