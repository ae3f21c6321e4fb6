"""What has been heard, sorted into families of datagrams that are alike; bounded whatever is sent."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from bridge.telemetry.finding.mavlink_shape import MavlinkShape, known_frames
from bridge.telemetry.finding.shapes import PackedShape, Shape, groups_shapes
from bridge.telemetry.finding.text_shapes import (
    DelimitedShape,
    JsonShape,
    KeyValueShape,
    is_text,
    labels_for,
    text_head,
)

MOST_FAMILIES = 16
MOST_KEPT_BYTES = 2_000_000
"""Of the datagrams of one family; beyond it, or MOST_KEPT of them, every second of the older is dropped."""
MOST_KEPT = 1200
WINDOW_S = 2.0
"""How long before a line is entered the numbers count as what the instruments showed."""
_WINDOW_SAMPLES = 6
_MORE_SAMPLES = 24
"""Of datagrams that differ: not every one has every number."""
MOST_LINES = 8
"""Lines of labels that are kept."""
_SHORTEST_LINE_BYTES = 8
"""A shorter text without numbers is none: some bytes that happen to be letters."""
_FEW = 24
"""Datagrams by which the shapes of a family are looked for."""
_MAGIC = re.compile(rb"[A-Za-z]{3}")


@dataclass(slots=True)
class Family:
    """Datagrams of one sender that are taken apart alike, oldest first, and when each came (s).

    `head` has what is known of the layout: all of a text, `begins` of a binary. `length` is the size of each
    in bytes, 0 where they differ.
    """

    sender: str
    head: dict[str, Any]
    length: int
    lines: list[bytes]
    datagrams: list[bytes] = field(default_factory=list)
    times_s: list[float] = field(default_factory=list)
    kept: dict[float, list[bytes]] = field(default_factory=dict)
    """What was sent just before each reading, by its time (s); nothing of it is dropped."""
    count: int = 0
    _bytes: int = 0

    def add(self, datagram: bytes, now_s: float) -> None:
        """Keep one more, and drop some of the old where there are too many."""
        self.count += 1
        self._bytes += len(datagram)
        self.datagrams.append(datagram)
        self.times_s.append(now_s)
        if len(self.datagrams) > MOST_KEPT or self._bytes > MOST_KEPT_BYTES:
            half = len(self.datagrams) // 2 // 2 * 2
            self.datagrams[:half] = self.datagrams[:half:2]
            self.times_s[:half] = self.times_s[:half:2]
            self._bytes = sum(map(len, self.datagrams))

    def keep(self, time_s: float) -> None:
        """Keep what was sent in the last seconds, up to this time, in which anything was."""
        if self.times_s:
            recent = self.datagrams[bisect_left(self.times_s, self.times_s[-1] - WINDOW_S) :]
            self.kept[time_s] = spread(recent, _WINDOW_SAMPLES if self.length else _MORE_SAMPLES)

    def shapes(self) -> list[Shape]:
        """The ways in which these datagrams may be taken apart."""
        samples = spread(self.datagrams, _FEW)
        kind = self.head.get("kind")
        if kind == "mavlink":
            return [MavlinkShape(self.head, samples)]
        if kind == "json":
            return [JsonShape(samples)]
        if kind == "keyvalue":
            return [KeyValueShape(self.head, samples)]
        if kind == "delimited":
            header, labels = labels_for(self.head, self.lines)
            return [DelimitedShape(self.head | ({"header": header} if header else {}), labels)]
        begins = self.head.get("begins", "")
        shapes: list[Shape] = [*groups_shapes(samples, begins)]
        if self.length:
            shapes += [PackedShape(order, self.length, begins) for order in ("little", "big")]
        return shapes

    def __str__(self) -> str:
        kind = self.head.get("kind")
        begins = self.head.get("begins")
        size = f"binary, {self.length or 'several lengths of'} bytes"
        return f"{self.sender}, {kind or size}" + (f", begins {begins!r}" if begins else "")


class History:
    """The families that have been heard."""

    def __init__(self) -> None:
        self.families: list[Family] = []
        self.skipped = 0
        """Datagrams for which there was no place, see MOST_FAMILIES."""
        self._known: dict[tuple[object, ...], Family] = {}
        self._lines: dict[str, list[bytes]] = {}
        self._frames: dict[tuple[str, int, int], dict[int, bytes]] = {}

    def add(self, sender: str, datagram: bytes, now_s: float) -> None:
        """Takes one datagram."""
        lines = self._lines.get(sender)
        if lines is None:
            if len(self._lines) >= MOST_FAMILIES:
                self.skipped += 1
                return
            lines = self._lines[sender] = []
        head: dict[str, Any] | None
        if self._add_frames(sender, datagram, now_s):
            return
        text = is_text(datagram)
        head, length = (text_head(datagram) if text else None), 0
        if text and head is None and len(datagram.rstrip(b"\0")) >= _SHORTEST_LINE_BYTES:
            lines.append(datagram)
            del lines[:-MOST_LINES]
            return
        if head is None:
            head, length = {}, len(datagram)
            # Numbers at the start may look like letters now and then: once some have not, none count as such.
            if (magic := _MAGIC.match(datagram)) and (sender, length) not in self._known:
                head = {"begins": magic[0].decode()}
        self._add(sender, head, length, datagram, now_s)
        if length:
            # Groups come in any number: the datagrams of all lengths together may be one family of them.
            lengths = {f.length for f in self.families if f.sender == sender and f.head == head and f.length}
            if len(lengths) > 1:
                self._add(sender, head, 0, datagram, now_s)

    def keep(self, time_s: float) -> None:
        """Keep what each family sent just before a reading that is entered at this time, now."""
        for family in self.families:
            family.keep(time_s)

    def _add_frames(self, sender: str, datagram: bytes, now_s: float) -> bool:
        """Whether it was frames of MAVLink; the latest of each message is kept: they come one by one."""
        changed: dict[tuple[int, int], dict[int, bytes]] = {}
        for data, frame in known_frames(datagram):
            assert frame.message is not None
            who = (sender, frame.system, frame.component)
            if who not in self._frames and len(self._frames) >= MOST_FAMILIES:
                continue
            latest = self._frames.setdefault(who, {})
            latest[frame.message.number] = data
            changed[who[1:]] = latest
        for (system, component), latest in changed.items():
            head = {"kind": "mavlink", "system": system, "component": component}
            self._add(sender, head, 0, b"".join(latest.values()), now_s)
        return bool(changed)

    def _add(self, sender: str, head: dict[str, Any], length: int, datagram: bytes, now_s: float) -> None:
        key = (sender, length, *head.items())
        family = self._known.get(key)
        if family is None:
            if len(self._known) >= MOST_FAMILIES:
                self.skipped += 1
                return
            family = self._known[key] = Family(sender, head, length, self._lines[sender])
            self.families.append(family)
        family.add(datagram, now_s)


def spread(items: Sequence[bytes], most: int) -> list[bytes]:
    """At most so many of them, from the first to the last."""
    if len(items) <= most:
        return list(items)
    return [items[i * (len(items) - 1) // (most - 1)] for i in range(most)]
