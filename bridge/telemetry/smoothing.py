"""Between the rows of a recorded flight: a smooth path for every quantity.

A recorder writes once a second; a pointer that gets its target once a second stutters. A replay knows which
row comes next, so that it can show what lies between two rows, `EVERY_S` apart:

    rows  ->  smoothed()  ->  the same rows, and arrivals between them that hold `between` only

The path is piecewise cubic Hermite interpolation that keeps monotony (PCHIP): through every row, never out
of the range of the two rows that it joins. Its slope at a row is the weighted harmonic mean of the slopes on
both sides, and 0 where these differ in sign; at either end it is a three-point difference, limited so that
the path stays monotone.
Sources: F. N. Fritsch, J. Butland, A method for constructing local monotone piecewise cubic interpolants,
SIAM J. Sci. Stat. Comput. 5 (1984) 300-304; the ends as in C. Moler, Numerical Computing with MATLAB (2004).

Circular quantities go the short way round. Stepped quantities (settings, switches) stay at their row's value.
No path is drawn over a gap in the log: a silence of more than `MOST_INTERVALS` of its neighbours, or of more
than `LONGEST_S`.

Which intervals need it (altitude of the circuit by one row in n; error RMS in ft, rows alone, with paths):
    0.10 s 0.07, 0.05;  0.15 s 0.09, 0.05;  0.20 s 2.4, 0.05;  0.50 s 5.4, 0.05;  1.0 s 10, 0.05
A recorder's glider in thermals, 1 s (tests/benchmarks/recorded.py): 4.0 and 0.4.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from math import ceil

from bridge.quantities.catalogue import Catalogue, Quantity
from bridge.telemetry.source import Arrival

EVERY_S = 0.05
"""Arrivals between rows are this far apart at most, as those of 20 Hz telemetry."""
NEEDED_S = 0.15
"""Rows no further apart are left as they are: the motion's own prediction is good enough for them."""
MOST_INTERVALS = 5.0
"""A silence is a gap when it is longer than this many of the intervals before and after it."""
LONGEST_S = 30.0
"""A longer silence of a quantity is always a gap."""

# The next row of a path that may be drawn, and the one after it, which its slope needs.
_AHEAD_S = 2.0 * LONGEST_S
# Rows closer together have no slope worth the name.
_TOGETHER_S = 1e-6

_Knot = tuple[float, float]


def smoothed(rows: Iterator[Arrival], catalogue: Catalogue) -> Iterator[Arrival]:
    """The rows of one stretch of flight in order, and between those further apart than `NEEDED_S` the paths.

    Rows are read at most a minute of the flight ahead.
    """
    flight = _Flight(rows, catalogue)
    while (row := flight.next()) is not None:
        yield row
        yield from flight.until_next()


class _Flight:
    """Rows read ahead, and the path of each quantity through them."""

    def __init__(self, rows: Iterator[Arrival], catalogue: Catalogue) -> None:
        self._rows = rows
        self._catalogue = catalogue
        self._ahead: deque[Arrival] = deque()
        self._ended = False
        self._paths: dict[str, _Path] = {}
        self._row_s = 0.0

    def next(self) -> Arrival | None:
        """The next row, with the paths of the quantities that it does not have; None at the end."""
        if not self._ahead and not self._read():
            return None
        row = self._ahead.popleft()
        self._row_s = time_s = row.arrival_s
        for path in self._paths.values():
            path.pass_row(time_s)
        while self._is_short(time_s) and self._read():
            pass
        between = {name: path.at(time_s) for name, path in self._paths.items() if path.leads_past(time_s)}
        if not between:
            return row
        return replace(row, between=between)

    def until_next(self) -> Iterator[Arrival]:
        """What lies between the row just taken and the next one."""
        if not self._ahead:
            return
        begin_s, end_s = self._row_s, self._ahead[0].arrival_s
        parts = ceil((end_s - begin_s) / EVERY_S - 1e-9) if end_s - begin_s > NEEDED_S else 1
        paths = [(name, path.at) for name, path in self._paths.items() if path.is_drawn]
        if not paths:
            return
        for part in range(1, parts):
            time_s = begin_s + (end_s - begin_s) * part / parts
            yield Arrival(time_s, {}, None, between={name: at(time_s) for name, at in paths})

    def _is_short(self, time_s: float) -> bool:
        """Whether rows must be read before the paths from here to the next row can be drawn."""
        if self._ahead and self._ahead[-1].arrival_s - time_s > _AHEAD_S:
            return False
        return not self._ahead or any(len(path.coming) < 2 for path in self._paths.values())

    def _read(self) -> bool:
        """Read one row ahead; False when none follows from those before."""
        if self._ended:
            return False
        row = next(self._rows, None)
        if row is None:
            self._ended = True
            return False
        self._ahead.append(row)
        for name, value in row.readings.items():
            path = self._paths.get(name)
            if path is None:
                quantity = self._catalogue[name]
                if quantity.stepped:
                    continue
                path = self._paths[name] = _Path(quantity)
            path.add(row.arrival_s, value)
        return True


class _Path:
    """One quantity's path: the row passed last and the one before it, those to come, the cubic from here.

    A circular quantity's knots are unrolled: each is within half a turn of the one before it.
    """

    __slots__ = ("_before", "_circular", "_cubic", "_latest", "_quantity", "_row", "coming", "is_drawn")

    def __init__(self, quantity: Quantity) -> None:
        self._quantity = quantity
        self._circular = quantity.circular
        self._before: _Knot | None = None
        self._row: _Knot | None = None
        self._latest: float | None = None
        self._cubic = (0.0,) * 7
        self.coming: deque[_Knot] = deque()
        self.is_drawn = False
        """Whether a path leads from the row passed last to the next."""

    def add(self, time_s: float, value: float) -> None:
        """A row to come."""
        if self._circular and self._latest is not None:
            turn = self._quantity.high - self._quantity.low
            value = self._latest + (value - self._latest + turn / 2.0) % turn - turn / 2.0
        self._latest = value
        self.coming.append((time_s, value))

    def pass_row(self, time_s: float) -> None:
        """Go on to this time, at which there is a row, maybe without this quantity."""
        coming = self.coming
        while coming and coming[0][0] <= time_s:
            self._before, self._row = self._row, coming.popleft()
            self.is_drawn = False

    def leads_past(self, time_s: float) -> bool:
        """Draw the path from the row passed last if there is one to draw; whether it is under way by now."""
        if self._row is None or not self.coming:
            return False
        if not self.is_drawn:
            self._draw(self._row, self.coming[0])
        return self.is_drawn and self._row[0] < time_s

    def at(self, time_s: float) -> float:
        """The value on the path, at a time from the row passed last to the next."""
        begin_s, begin, slope, square, cube, low, high = self._cubic
        since_s = time_s - begin_s
        value = begin + since_s * (slope + since_s * (square + since_s * cube))
        value = low if value < low else min(value, high)
        if self._circular:
            value = self._quantity.wrap(value)
            if value >= self._quantity.high:  # the remainder of a tiny negative number is the whole turn
                value = self._quantity.low
        return value

    def _draw(self, row: _Knot, following: _Knot) -> None:
        (begin_s, begin), (end_s, end) = row, following
        after = self.coming[1] if len(self.coming) > 1 else None
        gap_s = end_s - begin_s
        others_s = [b[0] - a[0] for a, b in ((self._before, row), (following, after)) if a and b]
        longest_s = min(LONGEST_S, MOST_INTERVALS * max(others_s, default=gap_s))
        if not NEEDED_S < gap_s <= longest_s:
            return
        from_row = _slope(self._before, row, following) if self._before else None
        at_row = from_row if from_row is not None else _end_slope(row, following, after)
        from_next = _slope(row, following, after) if after else None
        at_next = from_next if from_next is not None else _end_slope(following, row, self._before)
        mean = (end - begin) / gap_s
        square = (3.0 * mean - 2.0 * at_row - at_next) / gap_s
        cube = (at_row + at_next - 2.0 * mean) / (gap_s * gap_s)
        self._cubic = (begin_s, begin, at_row, square, cube, min(begin, end), max(begin, end))
        self.is_drawn = True


def _slope(before: _Knot, knot: _Knot, after: _Knot) -> float | None:
    """The slope at a knot between two others; None where one of them is at the same time."""
    before_s, after_s = knot[0] - before[0], after[0] - knot[0]
    if before_s < _TOGETHER_S or after_s < _TOGETHER_S:
        return None
    rise, next_rise = (knot[1] - before[1]) / before_s, (after[1] - knot[1]) / after_s
    if rise * next_rise <= 0.0:
        return 0.0
    weight, next_weight = before_s + 2.0 * after_s, 2.0 * before_s + after_s
    return (weight + next_weight) / (weight / rise + next_weight / next_rise)


def _end_slope(end: _Knot, near: _Knot, far: _Knot | None) -> float:
    """The slope at an end, whose next knots are these; times may run either way."""
    near_s = near[0] - end[0]
    rise = (near[1] - end[1]) / near_s
    if far is None or abs(far[0] - near[0]) < _TOGETHER_S:
        return rise
    far_s = far[0] - near[0]
    far_rise = (far[1] - near[1]) / far_s
    slope = ((2.0 * near_s + far_s) * rise - near_s * far_rise) / (near_s + far_s)
    if slope * rise <= 0.0:
        return 0.0
    if rise * far_rise < 0.0 and abs(slope) > 3.0 * abs(rise):
        return 3.0 * rise
    return slope
