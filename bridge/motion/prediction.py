"""Prediction: where the target is by now.

Prediction. A target is old when it arrives, and the next is usually 17 to 100 ms away. So a straight line is
fitted by least squares through the targets of the last `WINDOW_S` seconds, and read off at now:
    rate = (n sum(t x) - sum(t) sum(x)) / (n sum(t t) - sum(t)^2),  goal = mean(x) + rate (now - mean(t))
It is used with three targets over at least `BASE_S` and for `HORIZON_S` after the last one; before
and after that the goal is the last target, at rest. Nor is it used where more than `SUDDEN` of the
whole way lies between two targets: that is a step (a knob's click, the simulator repositioned), and no
pointer shall swing past it. Of targets within `TOGETHER_S` the newest alone counts.

Why prediction, and these numbers (tests/benchmarks/motion_study.py; hundreds pointer, climb of 1,500 ft/min
in ripples, 20 Hz, 0 to 30 ms late, 2 % lost, times of arrival; error RMS and max in ft, twitching in ft/s):
    hold last 1.59, 4.3, 17.6;  play-out by 0.08 s 2.44, 4.3, 6.3, by 0.15 s 4.17, 5.8, 5.7
    window 0.15 s 0.65, 4.3, 7.0;  0.20 s 0.57, 3.1, 4.5;  0.30 s 0.58, 1.9, 2.3;  0.40 s 0.64, 1.8, 1.7
All but the long play-out keep 3 ft RMS and 10 ft. Prediction is nearly three times nearer than holding and
seven times smoother; a longer window is smoother still, but lags a quick roll (bank RMS 0.72 deg at 0.30 s,
0.89 deg at 0.40 s, holding 0.73). `SETTLE_S` 0.02 s twitches by a third more, 0.05 s lags a quarter more in
that roll. With the source's own times in place of those of arrival: 0.43, 1.2, 1.4. Gusts that change from
one target to the next can't be predicted: airspeed of the gusty flight 0.64 kt, as by play-out; holding 0.47.

Slow targets, of 1 to 7 a second, have no such line. From the last one on the goal goes at the rate of the
last interval, held to `STEEPER` times that of the one before and none where it differs in sign: so nothing
swings past a step. What the goal was off when the target came fades out over one interval, so that it never
jumps. Why prediction, and not play-out (tests/benchmarks/slow_study.py; the same climb; error RMS in ft,
twitching in ft/s; play-out of one interval on a monotone cubic path, which is as late as that interval):
              1 Hz          2 Hz          3 Hz          5 Hz
    hold last 17.6, 18.6    9.8, 21.5     7.0, 22.4     4.7, 23.4
    play-out  27.2, 2.6     14.4, 3.6     9.9, 4.4      6.4, 5.2
    this      2.5, 0.4      1.7, 0.9      1.9, 3.4      1.4, 5.2
At every interval it is nearer, five to ten times, and as smooth, and it does not lag; what it costs is that a
change shows up to one interval late. Of what turns round within two samples neither is right: bank rolled
within 1.5 s is 10 deg RMS off at 1 Hz, by play-out 11.
"""

from __future__ import annotations

from math import inf

WINDOW_S = 0.3
BASE_S = 0.08
TOGETHER_S = 0.01
"""Targets that come together are one: those of a gauge whose quantities come in several datagrams, and those
that have waited while this program or the network was held up. If each counted, slow targets would count as
fast ones, and be held; and the line of fast ones would be too low and too steep: held up for 0.6 s at 20 Hz,
in a climb of 2,000 ft/min, the pointer swung 9 ft past and was right after 0.4 s; now it is after 0.2 s, and
swings nowhere. At 60 Hz this costs 0.3 ft/s of twitching."""
SUDDEN = 0.7
HORIZON_S = 0.25
SLOW_S, STILL_SLOW_S = 0.14, 0.115
"""Targets are slow once their last two intervals are longer than `SLOW_S` in the mean, until they are shorter
than `STILL_SLOW_S`: one limit for both would be crossed to and fro by targets that come as often, each time
with a jolt (7 Hz: 12.7 ft/s of twitching, so 7.0)."""
SHORT_S, SLOWEST_S = 0.1, 2.5
"""An interval that is shorter or longer does not count as one of slow targets."""
STEEPER = 2.5
HORIZON = 2.2
"""Slow targets are predicted for so many intervals after the last one: a lost one may be between."""
_MOST_TARGETS = 32
_EARLY = 0.75
"""A slow target that repeats the last one sooner than this share of the interval is no news."""


class Prediction:
    """Where the target is by now: a straight line through the last `window_s` seconds of targets."""

    __slots__ = (
        "_before", "_interval_s", "_line", "_off", "_rate", "_rise", "_targets", "_together_s", "_window_s",
        "last", "slow_s", "time_s",
    )  # fmt: skip

    def __init__(self, position: float, window_s: float = WINDOW_S) -> None:
        self._window_s = window_s
        self.forget(position)

    def forget(self, position: float) -> None:
        """Stay at this position (steps) until the next target."""
        self._targets: list[tuple[float, float]] = []
        self._together_s = -inf
        self.time_s = -inf
        self.last = self._line = position
        self._rate = self._rise = self._off = 0.0
        self._interval_s = inf
        self._before = -inf, position, inf, 0.0  # time, place, interval and rise before those together now
        self.slow_s = 0.0
        """The last interval between targets where they are slow; else 0."""

    def shift(self, by_steps: float) -> None:
        """Renumber: every target lies `by_steps` further, at the same rate."""
        self._targets = [(then_s, there + by_steps) for then_s, there in self._targets]
        self.last += by_steps
        self._line += by_steps
        then_s, there, interval_s, rise = self._before
        self._before = then_s, there + by_steps, interval_s, rise

    def add(self, time_s: float, position: float) -> None:
        """Take a target newer than the last one."""
        if self.slow_s and position == self.last and time_s - self.time_s < _EARLY * self.slow_s:
            return  # doubled, or of a gauge that was shown because another quantity arrived
        together = time_s - self._together_s < TOGETHER_S
        if not together:
            self._together_s = time_s
            self._before = self.time_s, self.last, self._interval_s, self._rise
        then_s, there, before_s, before = self._before
        self._interval_s = interval_s = time_s - then_s
        self._rise = (position - there) / interval_s
        usable = SHORT_S < interval_s <= SLOWEST_S and SHORT_S < before_s <= SLOWEST_S
        if usable and interval_s + before_s > 2.0 * (STILL_SLOW_S if self.slow_s else SLOW_S):
            # After a pause what was off fades out as quickly as it would have without.
            self._add_slow(time_s, position, before, min(interval_s, before_s) if together else interval_s)
        else:
            self.slow_s = 0.0
            self._add_fast(time_s, position, together)

    def _add_slow(self, time_s: float, position: float, before: float, interval_s: float) -> None:
        """Go on from the last two intervals, for `interval_s`; `before` is the rate of the older one."""
        self._off = self.at(time_s)[0] - position
        self._targets = [(time_s, position)]
        self.time_s = time_s
        self.last = self._line = position
        self.slow_s = interval_s
        most = STEEPER * abs(before)
        self._rate = max(-most, min(self._rise, most)) if self._rise * before > 0.0 else 0.0

    def _add_fast(self, time_s: float, position: float, together: bool) -> None:
        """Fit the line through the last `window_s`; of targets that come `together` the newest is in it."""
        targets = self._targets
        if together:
            targets[-1] = time_s, position
        else:
            targets.append((time_s, position))
        oldest_s = time_s - self._window_s
        while targets[0][0] < oldest_s or len(targets) > _MOST_TARGETS:
            del targets[0]
        self.time_s = time_s
        self.last = self._line = position
        self._rate = 0.0
        count = len(targets)
        if count < 3 or targets[0][0] > time_s - BASE_S:
            return
        before = targets[0][1] - position
        most = SUDDEN * abs(before)
        t = x = tt = tx = 0.0  # sums, counted from the newest target: equal targets yield exactly no rate
        for then_s, there in targets:
            then_s -= time_s
            there -= position
            if not -most <= there - before <= most:
                return
            before = there
            t += then_s
            x += there
            tt += then_s * then_s
            tx += then_s * there
        self._rate = rate = (count * tx - t * x) / (count * tt - t * t)
        self._line = position + (x - rate * t) / count

    def _slow_at(self, since_s: float) -> tuple[float, float]:
        """As `at`, of slow targets: on the line from the last one, and what the line was off fades out."""
        if since_s > HORIZON * self.slow_s:
            return self.last, 0.0
        part = max(0.0, min(since_s / self.slow_s, 1.0))
        left = 1.0 - part * part * (3.0 - 2.0 * part)
        fading = -6.0 * part * (1.0 - part) / self.slow_s
        return self._line + self._rate * since_s + self._off * left, self._rate + self._off * fading

    def at(self, time_s: float) -> tuple[float, float]:
        """Goal (steps) and its rate (steps/s) at this time."""
        since_s = time_s - self.time_s
        if self.slow_s:
            return self._slow_at(since_s)
        if -HORIZON_S <= since_s <= HORIZON_S:
            return self._line + self._rate * since_s, self._rate
        return self.last, 0.0
