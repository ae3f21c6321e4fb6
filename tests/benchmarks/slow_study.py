"""Which motion suits slow telemetry, of 1 to 10 samples a second? Measured on known flights.

Run from the project's folder: `python -m tests.benchmarks.slow_study`

Samples, truths, errors and roughness as in `motion_study`: 0 to 30 ms late, 2 % lost, times of arrival. For
each rate and flight: RMS of the error against the truth of the same moment ("now"), and against the truth as
long ago as the candidate lags ("ago"), and roughness.
"""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

from bridge.motion.motion import Motion
from bridge.motion.path import Limits
from bridge.telemetry.smoothing import _end_slope, _slope
from tests.benchmarks.motion_study import (
    SETTLED_S,
    TICK_S,
    Candidate,
    DrivenPointer,
    HoldLast,
    Truth,
    recorded,
    roughness,
    telemetry,
    truths,
)

RATES_HZ = (1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 10.0)


class Projected(Candidate):
    """On the line through the last targets, whatever was before; the rest fades out over `fade` intervals."""

    def __init__(self, limits: Limits, position: float, fade: float, count: int) -> None:
        super().__init__(limits, position, 0.03)
        self.targets = [(-10.0, position)]
        self.fade, self.count = fade, count
        self.rate = self.off = 0.0
        self.interval_s = 1.0

    def target(self, time_s: float, position_steps: float) -> None:
        if time_s - self.targets[-1][0] < 0.02:
            return
        shown = self.goal(time_s)[0]
        self.interval_s = min(2.0, time_s - self.targets[-1][0])
        self.targets = [*self.targets[-self.count + 1 :], (time_s, position_steps)]
        (a_s, a), (b_s, b) = self.targets[0], self.targets[-1]
        self.rate = (b - a) / (b_s - a_s)
        self.off = shown - position_steps

    def goal(self, time_s: float) -> tuple[float, float]:
        since_s = time_s - self.targets[-1][0]
        if since_s > 2.2 * self.interval_s:
            return self.targets[-1][1], 0.0
        fade_s = self.fade * self.interval_s
        part = min(1.0, since_s / fade_s)
        left = 1.0 - part * part * (3.0 - 2.0 * part)
        slope = -6.0 * part * (1.0 - part) / fade_s
        return self.targets[-1][1] + self.rate * since_s + self.off * left, self.rate + self.off * slope


class CubicPlayOut(Candidate):
    """What was `intervals` recent intervals and 30 ms ago, on the monotone cubic through the targets."""

    def __init__(self, limits: Limits, position: float, intervals: float) -> None:
        super().__init__(limits, position, 0.03)
        self.knots = [(-10.0, position)]
        self.intervals = intervals
        self.interval_s = 0.0

    def target(self, time_s: float, position_steps: float) -> None:
        since_s = time_s - self.knots[-1][0]
        if since_s < 0.02:
            return
        if since_s < 3.0:
            self.interval_s += (since_s - self.interval_s) * 0.2 if self.interval_s else since_s
        self.knots = [*self.knots[-6:], (time_s, position_steps)]

    def goal(self, time_s: float) -> tuple[float, float]:
        at_s = time_s - self.intervals * self.interval_s - 0.03
        knots = self.knots
        ends = [None, *knots, None]
        for before, begin, end, after in zip(ends, ends[1:], ends[2:], ends[3:], strict=False):
            assert begin and end
            if not begin[0] <= at_s < end[0]:
                continue
            central = (before and _slope(before, begin, end), after and _slope(begin, end, after))
            first = _end_slope(begin, end, after) if central[0] is None else central[0]
            last = _end_slope(end, begin, before) if central[1] is None else central[1]
            gap = end[0] - begin[0]
            mean = (end[1] - begin[1]) / gap
            square = (3 * mean - 2 * first - last) / gap
            cube = (first + last - 2 * mean) / gap**2
            s = at_s - begin[0]
            return begin[1] + s * (first + s * (square + s * cube)), first + s * (2 * square + 3 * s * cube)
        return (knots[-1][1] if at_s >= knots[-1][0] else knots[0][1]), 0.0


def candidates() -> dict[str, tuple[Callable[[Limits, float], DrivenPointer], float]]:
    """Every candidate by name, and the intervals that it lags; the last is what the product does."""
    return {
        "hold last": (HoldLast, 0.0),
        "projected, fade 0.5": (lambda limits, at: Projected(limits, at, 0.5, 2), 0.0),
        "projected, fade 1.0": (lambda limits, at: Projected(limits, at, 1.0, 2), 0.0),
        "projected, fade 1.0, of three": (lambda limits, at: Projected(limits, at, 1.0, 3), 0.0),
        "play-out 1.0": (lambda limits, at: CubicPlayOut(limits, at, 1.0), 1.0),
        "play-out 1.5": (lambda limits, at: CubicPlayOut(limits, at, 1.5), 1.5),
        "play-out 2.0": (lambda limits, at: CubicPlayOut(limits, at, 2.0), 2.0),
        "Motion": (Motion, 0.0),
    }


def fly(
    truth: Truth, make: Callable[[Limits, float], DrivenPointer], hz: float, lag_s: float
) -> tuple[float, float, float]:
    """RMS error now, RMS error against the truth `lag_s` ago, roughness."""
    scale = truth.steps_per_unit
    needle = make(truth.limits, truth.at(0.0) * scale)
    samples = telemetry(truth, hz)
    shown: list[float] = []
    now = ago = 0.0
    taken = 0
    begin_s = SETTLED_S + 6.0 / hz
    for n in range(int(truth.duration_s / TICK_S)):
        now_s = n * TICK_S
        while taken < len(samples) and samples[taken][0] <= now_s:
            arrival_s, _, value = samples[taken]
            needle.target(arrival_s, value * scale)
            taken += 1
        position = needle.step(now_s)[0] / scale
        if now_s >= begin_s:
            now += (position - truth.at(now_s)) ** 2
            ago += (position - truth.at(now_s - lag_s)) ** 2
            shown.append(position)
    return sqrt(now / len(shown)), sqrt(ago / len(shown)), roughness(shown)


def main() -> None:
    flights = [*truths(), *recorded()]
    for hz in RATES_HZ:
        print(f"\n{hz:g} Hz".ljust(31) + "".join(f"{truth.name:>24}" for truth in flights))
        print(" " * 30 + "      now    ago   rough" * len(flights))
        for name, (make, intervals) in candidates().items():
            lag_s = intervals / hz + (0.045 if intervals else 0.015)
            row = [fly(truth, make, hz, lag_s) for truth in flights]
            print(f"{name:30}" + "".join(f"{now:9.2f}{ago:7.2f}{rough:8.2f}" for now, ago, rough in row))


if __name__ == "__main__":
    main()
