"""From tracks to figures: errors over time, how they are spread, and how smoothly a pointer moved. Pure.

An error is what the board's report shows less what should have been shown at that moment, on the line between
the arrivals about it. A velocity's roughness is the root mean square of what it differs from its mean over a
second: what an eye sees as twitching.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import inf, sqrt

from bridge.report.tracks import EXCUSED, OFF_SCALE, Flight, Track

SMOOTH_S = 1.0
BINS = 41
WORST = 5
"""So many worst moments of a pointer, at least `APART_S` apart."""
APART_S = 10.0


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors (the pointer's unit) at times (s): on the scale those that count, off it those apart."""

    times_s: array[float]
    values: array[float]
    off_scale_s: array[float]
    off_scale: array[float]


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment at which a pointer was off by `error`."""

    time_s: float
    error: float
    """Shown less wanted, in the pointer's unit."""


@dataclass(frozen=True, slots=True)
class Histogram:
    """How often errors fell into bins of one width, from `low` on; `beyond` lie outside all of them."""

    low: float
    width: float
    """Of one bin, like `low` in the unit of the errors."""
    counts: tuple[int, ...]
    beyond: int


@dataclass(frozen=True, slots=True)
class Figures:
    """Of one pointer: None or 0 where nothing was measured.

    `within` is the share of reports within its own tolerance, `rough_deg_s` the roughness of what its
    motor was sent (deg/s of the needle), `hardest` the greatest acceleration as a share of the drive's.
    """

    reports: int
    rms: float
    """Root of the mean square of the errors, in the pointer's unit."""
    mean: float
    """Of the errors, in the pointer's unit, positive where too much is shown."""
    worst: Moment | None
    within: float | None
    off_scale_reports: int
    rough_deg_s: float
    hardest: float


def errors_of(track: Track) -> Errors:
    """The error at each report that can be compared."""
    found = Errors(array("d"), array("d"), array("d"), array("d"))
    wanted_s, wanted = track.wanted_s, track.wanted
    if not wanted_s:
        return found
    period = track.pointer.face.period or track.wraps
    last, i = len(wanted_s) - 1, 0
    for at_s, shows, marks in zip(track.report_s, track.shows, track.marks, strict=True):
        if marks & EXCUSED or not wanted_s[0] <= at_s <= wanted_s[last] + 0.5:
            continue
        while i < last and wanted_s[i + 1] < at_s:
            i += 1
        if i < last:
            share = (at_s - wanted_s[i]) / (wanted_s[i + 1] - wanted_s[i])
            error = shows - (wanted[i] + min(max(share, 0.0), 1.0) * (wanted[i + 1] - wanted[i]))
        else:
            error = shows - wanted[last]
        if period:
            error -= round(error / period) * period
        if marks & OFF_SCALE:
            found.off_scale_s.append(at_s)
            found.off_scale.append(error)
        else:
            found.times_s.append(at_s)
            found.values.append(error)
    return found


def figures_of(flight: Flight, track: Track, errors: Errors) -> Figures:
    """The figures of one pointer."""
    values = errors.values
    count = len(values)
    rough, hardest = _motion(flight.ticks_s, track)
    worst = worst_moments(errors.times_s, values, 1)
    tolerance = track.tolerance
    return Figures(
        count,
        sqrt(sum(v * v for v in values) / count) if count else 0.0,
        sum(values) / count if count else 0.0,
        worst[0] if worst else None,
        None if tolerance is None or not count else sum(-tolerance <= v <= tolerance for v in values) / count,
        len(errors.off_scale),
        rough,
        hardest,
    )


def worst_moments(times_s: Sequence[float], values: Sequence[float], most: int) -> list[Moment]:
    """The moments of the largest errors, each at least `APART_S` from the others, the worst first."""
    chosen: list[Moment] = []
    for i in sorted(range(len(values)), key=lambda i: -abs(values[i])):
        if len(chosen) == most:
            break
        if all(abs(times_s[i] - moment.time_s) >= APART_S for moment in chosen):
            chosen.append(Moment(times_s[i], values[i]))
    return chosen


def histogram(values: Sequence[float]) -> Histogram:
    """Errors in bins about zero; the width leaves out what one in five hundred is beyond."""
    ordered = sorted(map(abs, values))
    reach = ordered[min(len(ordered) - 1, int(0.998 * len(ordered)))] if ordered else 0.0
    reach = max(reach, 1e-9)
    width = 2.0 * reach / BINS
    counts = [0] * BINS
    beyond = 0
    for value in values:
        n = int((value + reach) / width) if -reach <= value <= reach else -1
        if n < 0:
            beyond += 1
        else:
            counts[min(n, BINS - 1)] += 1
    return Histogram(-reach, width, tuple(counts), beyond)


def _motion(ticks_s: Sequence[float], track: Track) -> tuple[float, float]:
    """Roughness (deg/s of the needle), and the greatest acceleration as a share of the drive's."""
    commanded = track.commanded
    count = min(len(ticks_s), len(commanded))
    if count < 3:
        return 0.0, 0.0
    tick_s = (ticks_s[count - 1] - ticks_s[0]) / (count - 1)
    most = 4.0 * track.pointer.drive.speed_steps_s * tick_s  # beyond: renumbered, not moved
    velocities = [(b - a) / tick_s if -most <= b - a <= most else 0.0 for a, b in pairwise(commanded[:count])]
    half = max(1, round(SMOOTH_S / 2.0 / tick_s))
    sums = [0.0, *accumulate(velocities)]
    last = len(velocities)
    total = 0.0
    for i, velocity in enumerate(velocities):
        low, high = (i - half if i > half else 0), (i + half + 1 if i + half + 1 < last else last)
        off = velocity - (sums[high] - sums[low]) / (high - low)
        total += off * off
    hardest = max(map(abs, (b - a for a, b in pairwise(velocities))), default=0.0)
    drive = track.pointer.drive
    return drive.angle_deg(1.0) * sqrt(total / last), hardest / tick_s / drive.acceleration_steps_s2


def within(times_s: Sequence[float], start_s: float, end_s: float) -> range:
    """The indices of the times from `start_s` to `end_s`, both included."""
    return range(bisect_left(times_s, start_s), bisect_right(times_s, end_s))


def lowest_and_highest(
    times_s: Sequence[float], values: array[float], start_s: float, end_s: float, columns: int
) -> list[tuple[int, float, float]]:
    """For each of so many columns from `start_s` to `end_s` that has values: its number, lowest, highest."""
    found = []
    width_s = (end_s - start_s) / columns or inf
    begin = bisect_left(times_s, start_s)
    for column in range(columns):
        end = (
            bisect_left(times_s, start_s + (column + 1) * width_s, begin)
            if column < columns - 1
            else len(values)
        )
        if end > begin:
            part = values[begin:end]
            found.append((column, min(part), max(part)))
        begin = end
    return found
