"""The search: which numbers fit what the builder read, and what of that is chance.

A number fits when, converted, it was within the tolerance of every reading, held still meanwhile, kept within
the quantity's range ever since it was first heard, and never jumped about.

Its weight is how usual such a number is (`conversions`) times how near the readings it came. What fits by
chance is measured, not assumed: the same search for readings that nobody made, spread as the real ones are. A
quantity whose readings were all alike so has many chance fits, a constant is none that can be sure, and a
datagram full of slowly changing numbers asks for more readings than a small one.
"""

from __future__ import annotations

import math
import random
from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from bridge.quantities.catalogue import Catalogue, Quantity
from bridge.telemetry.finding.conversions import Conversion, conversions
from bridge.telemetry.finding.history import Family
from bridge.telemetry.finding.readings import Reading
from bridge.telemetry.finding.shapes import Place, Shape

_HISTORY_PAIRS = 40
_STEADY = 1.0
"""Tolerances by which a number may be off its middle while it is read."""
_FASTEST = 50.0
"""Tolerances a second: no needle goes faster but at a jump of the simulator."""
_JUMPS = 0.1
"""Part of the pairs of datagrams between which a number may jump (the aircraft is put somewhere else)."""
_UNALIGNED = 0.3
MOST_COMPARED = 60
"""Candidates whose history is compared: all others count as rivals."""
_TRIALS, _FEWEST_TRIALS = 24, 6
_ENOUGH = 500
"""Fits in the trials that tell how many there are: one or two readings leave thousands."""
_WIDER = 3.0
"""Trials have wider tolerances, and count the less: so fewer of them are enough."""
_LEAST_CHANCE = 0.002
"""However few fit the trials, after three readings; each further one makes it so many times less:"""
_LESS_CHANCE = 5.0


@dataclass(frozen=True, slots=True)
class Moment:
    """One typed line: what was read, and when it was entered."""

    readings: tuple[Reading, ...]
    time_s: float


@dataclass(slots=True)
class Candidate:
    """A number that fits. `series` are its readings through the history, None where it was not there; only
    the best MOST_COMPARED have them."""

    index: int
    """Of its place, among those of the shape."""
    place: Place
    conversion: Conversion
    weight: float
    """How usual such a number is, times how near the readings it came."""
    series: list[float | None] = field(default_factory=list)


@dataclass(slots=True)
class Fits:
    """What fits one quantity in one shape: the best first, and the weight that chance would have."""

    quantity: str
    candidates: list[Candidate]
    chance: float

    @property
    def evidence(self) -> float:
        """How much more weight fits than chance explains, at least 1."""
        return 1.0 + sum(candidate.weight for candidate in self.candidates) / self.chance


class Search:
    """All numbers of one family in one shape, beside what was read."""

    def __init__(self, family: Family, shape: Shape, moments: Sequence[Moment], catalogue: Catalogue) -> None:
        self.family = family
        self.shape = shape
        self._catalogue = catalogue
        self._readings: dict[str, list[tuple[int, Reading]]] = defaultdict(list)
        windows: list[list[bytes]] = []
        for moment in moments:
            window = family.kept.get(moment.time_s)
            if not window:
                continue
            for reading in moment.readings:
                self._readings[reading.quantity].append((len(windows), reading))
            windows.append(window)
        self._middles, self._halves = _held(shape, windows)
        self._sorted: dict[tuple[int, str], tuple[list[float], list[int]]] = {}
        self._pairs = _pairs(family)
        self._kinds = tuple(dict.fromkeys(place.type for place in shape.places))
        self._numbers = shape.through([datagram for pair in self._pairs for _, datagram in pair])
        self._past: dict[int, _Past] = {}

    def find(self) -> list[Fits]:
        """What fits each quantity that was read."""
        return [
            self._find(self._catalogue[name], readings) for name, readings in sorted(self._readings.items())
        ]

    def _find(self, quantity: Quantity, readings: list[tuple[int, Reading]]) -> Fits:
        at = [window for window, _ in readings]
        values = [reading.value for _, reading in readings]
        tolerances = [reading.tolerance for _, reading in readings]
        found = [
            Candidate(index, self.shape.places[index], conversion, weight)
            for index, conversion, weight in self._fits(quantity, at, values, tolerances)
            if self._believable(quantity, index, conversion, max(tolerances))
        ]
        found.sort(key=lambda candidate: -candidate.weight)
        for candidate in found[:MOST_COMPARED]:
            candidate.series = self._series(candidate.index, candidate.conversion)
        return Fits(quantity.name, found, self._chance(quantity, at, values, tolerances))

    def _chance(
        self, quantity: Quantity, at: list[int], values: list[float], tolerances: list[float]
    ) -> float:
        """The weight of what fits readings that nobody made, on average."""
        draw = random.Random(0)
        wide = [tolerance * _WIDER for tolerance in tolerances]
        low, high = min(values), max(values)
        margin = max(high - low, 4 * max(tolerances), 0.1 * max(abs(low), abs(high)))
        low, high = (quantity.low, quantity.high) if quantity.circular else (low - margin, high + margin)
        total, hits, trials = 0.0, 0, 0
        while trials < _FEWEST_TRIALS or (trials < _TRIALS and hits < _ENOUGH):
            trials += 1
            made = [draw.uniform(low, high) for _ in values]
            off = [abs(_apart(quantity, a, b)) for a, b in zip(made, values, strict=True)]
            if all(o <= 2 * w for o, w in zip(off, wide, strict=True)):
                # What is right would fit as well: read so, hardly anything tells it from chance.
                if len(values) > 1:
                    continue
                made = [value + 3 * w for value, w in zip(values, wide, strict=True)]
            for index, conversion, weight in self._fits(quantity, at, made, wide):
                if self._believable(quantity, index, conversion, max(tolerances)):
                    total += weight
                    hits += 1
        least = _LEAST_CHANCE / _LESS_CHANCE ** max(0, len(values) - 3)
        return total / trials / _WIDER ** len(values) + least

    def _fits(
        self, quantity: Quantity, at: list[int], values: list[float], tolerances: list[float]
    ) -> Iterator[tuple[int, Conversion, float]]:
        """Index, conversion and weight of the numbers that were within the tolerances of these values."""
        turn = quantity.high - quantity.low if quantity.circular else 0.0
        # The values that are largest beside their tolerances leave the fewest.
        order = sorted(range(len(at)), key=lambda i: -abs(values[i]) / tolerances[i])
        first, second = order[0], order[min(1, len(order) - 1)]
        reach = (1.0 + _STEADY) * tolerances[first]
        middles, value, most = self._middles[at[second]], values[second], (1.0 + _STEADY) * tolerances[second]
        for kind in self._kinds:
            numbers, indices = self._by_size(at[first], kind)
            for conversion in conversions(quantity, kind):
                factor, shift = conversion.factor, conversion.shift
                for turned in (0.0, -turn, turn) if turn else (0.0,):
                    middle = values[first] + turned - shift
                    low, high = sorted(((middle - reach) / factor, (middle + reach) / factor))
                    for index in indices[bisect_left(numbers, low) : bisect_right(numbers, high)]:
                        # Most fail at the second reading: that one is written out here, the rest is a call.
                        number = middles[index]
                        if number is None:
                            continue
                        off = number * factor + shift - value
                        if turn:
                            off = (off + turn / 2.0) % turn - turn / 2.0
                        if -most <= off <= most and (
                            near := self._nearness(quantity, index, conversion, at, values, tolerances)
                        ):
                            yield index, conversion, conversion.prior * self._alignment(index) * near

    def _nearness(
        self,
        quantity: Quantity,
        index: int,
        conversion: Conversion,
        at: list[int],
        values: list[float],
        tolerances: list[float],
    ) -> float:
        """How near all values the number came, 1 for exact, 0 where it does not fit."""
        squares = 0.0
        for window, value, tolerance in zip(at, values, tolerances, strict=True):
            middle = self._middles[window][index]
            if middle is None:
                return 0.0
            half = abs(self._halves[window][index] * conversion.factor)
            off = abs(_apart(quantity, middle * conversion.factor + conversion.shift, value))
            if half > _STEADY * tolerance or off > tolerance + half:
                return 0.0
            squares += (2.0 * max(0.0, off - half) / tolerance) ** 2
        return math.exp(-squares / 2.0)

    def _alignment(self, index: int) -> float:
        place = self.shape.places[index]
        size = place.end - place.begin
        return 1.0 if not size or place.begin % min(size, 4) == 0 else _UNALIGNED

    def _by_size(self, window: int, kind: str) -> tuple[list[float], list[int]]:
        """The numbers of a type at a reading, smallest first, and where they are."""
        known = self._sorted.get((window, kind))
        if known is None:
            middles, places = self._middles[window], self.shape.places
            pairs = sorted(
                (middle, index)
                for index, middle in enumerate(middles)
                if middle is not None and places[index].type == kind
            )
            known = self._sorted[window, kind] = ([m for m, _ in pairs], [i for _, i in pairs])
        return known

    def _believable(self, quantity: Quantity, index: int, conversion: Conversion, tolerance: float) -> bool:
        """Whether the number kept within the quantity's range and never jumped about."""
        past = self._past.get(index)
        if past is None:
            past = self._past[index] = _past(self._numbers(index), self._pairs)
        width = quantity.high - quantity.low
        slack = tolerance + 0.01 * width
        low, high = quantity.low - slack, quantity.high + slack
        if quantity.circular:
            low, high = -2.0 * width, 2.0 * width
        one = past.low * conversion.factor + conversion.shift
        other = past.high * conversion.factor + conversion.shift
        if min(one, other) < low or max(one, other) > high:
            return False
        if past.restless * abs(conversion.factor) <= tolerance:
            return True
        # What turned through north has jumped, but by a whole turn.
        return quantity.circular and self._turned(quantity, index, conversion, tolerance)

    def _turned(self, quantity: Quantity, index: int, conversion: Conversion, tolerance: float) -> bool:
        series = self._series(index, conversion)
        jumps = 0
        for i, ((begin_s, _), (end_s, _)) in enumerate(self._pairs):
            before, after = series[2 * i : 2 * i + 2]
            if before is not None and after is not None:
                jumps += abs(_apart(quantity, after, before)) > tolerance * _reach(end_s - begin_s)
        return jumps <= _most_jumps(self._pairs)

    def _series(self, index: int, conversion: Conversion) -> list[float | None]:
        numbers = self._numbers(index)
        return [None if n is None else n * conversion.factor + conversion.shift for n in numbers]


@dataclass(frozen=True, slots=True)
class _Past:
    """Of one number, through the history: its range, and the step it made that is just not forgiven, in
    units of what a reading's tolerance allows in that time."""

    low: float
    high: float
    restless: float


Pairs = Sequence[tuple[tuple[float, bytes], tuple[float, bytes]]]


def _past(numbers: Sequence[float | None], pairs: Pairs) -> _Past:
    there = [number for number in numbers if number is not None]
    steps = sorted(
        (
            abs(after - before) / _reach(end_s - begin_s)
            for (before, after), ((begin_s, _), (end_s, _)) in zip(
                zip(numbers[::2], numbers[1::2], strict=True), pairs, strict=True
            )
            if before is not None and after is not None
        ),
        reverse=True,
    )
    forgiven = _most_jumps(pairs)
    restless = steps[forgiven] if len(steps) > forgiven else 0.0
    return _Past(min(there, default=0.0), max(there, default=0.0), restless)


def _most_jumps(pairs: Pairs) -> int:
    return 1 + int(_JUMPS * len(pairs))


def _reach(duration_s: float) -> float:
    """How many tolerances a number may move in this time."""
    return 2.0 * _STEADY + _FASTEST * duration_s


def _apart(quantity: Quantity, one: float, other: float) -> float:
    """The first less the second, a circular one the short way round."""
    off = one - other
    if quantity.circular:
        turn = quantity.high - quantity.low
        off = (off + turn / 2) % turn - turn / 2
    return off


def apart(quantity: Quantity, one: Candidate, other: Candidate) -> float:
    """The most by which the two have ever differed, in the canonical unit; infinite where unknown."""
    if len(one.series) != len(other.series):
        return math.inf
    most = 0.0
    for a, b in zip(one.series, other.series, strict=True):
        if a is None or b is None:
            if a is not b:
                return math.inf
            continue
        most = max(most, abs(_apart(quantity, a, b)))
    return most


def _held(shape: Shape, windows: list[list[bytes]]) -> tuple[list[list[float | None]], list[list[float]]]:
    """The middle of what each number was at each reading, and half of what it varied by."""
    middles: list[list[float | None]] = []
    halves: list[list[float]] = []
    for window in windows:
        rows = [shape.numbers(datagram) for datagram in window]
        middle: list[float | None] = []
        half: list[float] = []
        for numbers in zip(*rows, strict=True):
            there = [number for number in numbers if number is not None]
            # Of a number that comes in some datagrams only, those count; packed ones come in all.
            if not there or (shape.head["kind"] == "binary" and len(there) < len(numbers)):
                middle.append(None)
                half.append(0.0)
                continue
            low, high = min(there), max(there)
            middle.append((low + high) / 2.0)
            half.append((high - low) / 2.0)
        middles.append(middle)
        halves.append(half)
    return middles, halves


def _pairs(family: Family) -> Pairs:
    """Datagrams that came one after the other, with their times, from the whole history."""
    heard = list(zip(family.times_s, family.datagrams, strict=True))
    count = len(heard) - 1
    if count < 1:
        return []
    most = min(count, _HISTORY_PAIRS)
    starts = sorted({i * (count - 1) // max(1, most - 1) for i in range(most)})
    return [(heard[i], heard[i + 1]) for i in starts]
