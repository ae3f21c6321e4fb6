"""Which number is the sender's own clock: the one that runs as fast as ours, and changes in every datagram.

Between times a second or more apart it has run with our clock, or been still or slower for a while (a paused
simulator), and never gone back. Whole seconds are no clock for needles: they change too rarely.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from bridge.quantities.units import convert
from bridge.telemetry.finding.history import Family
from bridge.telemetry.finding.shapes import Place, Shape

_MICROSECONDS = 1e-6
_UNITS = [
    (unit, scale, convert(scale, unit, "s"))
    for unit, scale in (("s", 1.0), ("ms", 1.0), ("s", _MICROSECONDS), ("min", 1.0), ("h", 1.0))
]
"""Units and scales of clocks, the most usual first (common practice, no source), each with its seconds."""
_TYPES = ("", "float64", "float32", "uint32", "int32", "uint64", "int64")
"""The most usual first; what has fewer bits starts anew too soon."""
_POINTS, _PAIRS = 24, 240
_SHORTEST_S = 1.0
_STEADY, _LATE_S = 0.01, 0.05
"""The share by which it may run faster or slower, and how late the datagrams at both ends may be."""
_FEWEST_STRETCHES = 3
_CHANGES = 0.9
"""Part of the datagrams one after the other between which it must change while it runs."""


@dataclass(frozen=True, slots=True)
class Clock:
    """Where it is; `number * scale` is in `unit`."""

    place: Place
    unit: str
    scale: float

    def __str__(self) -> str:
        return f"{self.place}, {self.unit}" + ("" if self.scale == 1.0 else f" x {self.scale:g}")


def sender_clock(family: Family, shape: Shape, taken: Sequence[Place]) -> Clock | None:
    """The clock among the numbers that share no bytes with those taken; None where none is one."""
    heard = list(zip(family.times_s, family.datagrams, strict=True))
    pairs = list(pairwise(heard))
    pairs = pairs[:: len(pairs) // _PAIRS + 1]
    apart_s = max(_SHORTEST_S, (heard[-1][0] - heard[0][0]) / _POINTS)
    points = heard[:1]
    for time_s, datagram in heard:
        if time_s - points[-1][0] >= apart_s:
            points.append((time_s, datagram))
    if len(points) <= _FEWEST_STRETCHES:
        return None
    times_s = [time_s for time_s, _ in points]
    through = shape.through([datagram for pair in pairs for _, datagram in pair])
    found: list[tuple[tuple[int, ...], Clock]] = []
    for index, numbers in enumerate(zip(*(shape.numbers(datagram) for _, datagram in points), strict=True)):
        place = shape.places[index]
        if place.type not in _TYPES:
            continue
        there = [number for number in numbers if number is not None]
        if len(there) < len(numbers) or there[0] >= there[-1] or any(map(place.overlaps, taken)):
            continue
        for rank, (unit, scale, unit_s) in enumerate(_UNITS):
            running = _running(times_s, there, unit_s)
            if running and _changes([end_s for _, (end_s, _) in pairs], through(index), running):
                aligned = place.begin % max(1, min(4, place.end - place.begin)) == 0
                # The lower half of 64 bits is as good a clock until it starts anew: microseconds do so soon.
                soon = scale == _MICROSECONDS and place.type.endswith("32")
                order = (not aligned, soon, _TYPES.index(place.type), rank)
                found.append((order, Clock(place, unit, scale)))
    return min(found, key=lambda one: one[0])[1] if found else None


def _running(times_s: Sequence[float], numbers: Sequence[float], unit_s: float) -> list[tuple[float, float]]:
    """The stretches (s) in which the number ran as a clock of this unit (s); none where it is no clock."""
    if (numbers[-1] - numbers[0]) * unit_s > 2.0 * (times_s[-1] - times_s[0]):
        return []
    running = []
    for i in range(len(times_s) - 1):
        took_s, ran_s = times_s[i + 1] - times_s[i], (numbers[i + 1] - numbers[i]) * unit_s
        slack_s = _LATE_S + _STEADY * took_s
        if not 0.0 <= ran_s <= took_s + slack_s:
            return []
        if ran_s >= took_s - slack_s:
            running.append((times_s[i], times_s[i + 1]))
    return running if len(running) >= max(_FEWEST_STRETCHES, len(times_s) // 4) else []


def _changes(
    ends_s: Sequence[float], numbers: Sequence[float | None], running: Sequence[tuple[float, float]]
) -> bool:
    """Whether it changed with nearly every datagram while it ran, and never went back."""
    steps = [
        after - before
        for end_s, before, after in zip(ends_s, numbers[::2], numbers[1::2], strict=True)
        if before is not None and after is not None and any(b < end_s <= e for b, e in running)
    ]
    return bool(steps) and min(steps) >= 0.0 and sum(map(bool, steps)) >= _CHANGES * len(steps)
