"""Prediction: where the target is by now.

Prediction. A target is old when it arrives, and the next is 17 to 100 ms away. So a straight line is
fitted by least squares through the targets of the last `WINDOW_S` seconds, and read off at now:
    rate = (n sum(t x) - sum(t) sum(x)) / (n sum(t t) - sum(t)^2),  goal = mean(x) + rate (now - mean(t))
It is used with three targets over at least `BASE_S` and for `HORIZON_S` after the last one; before
and after that the goal is the last target, at rest. Nor is it used where more than `SUDDEN` of the
whole way lies between two targets: that is a step (a knob's click, the simulator repositioned), and no
pointer shall swing past it.

Why prediction, and these numbers (tests/bench/motion_study.py; hundreds pointer, climb of 1,500 ft/min in
ripples, 20 Hz, 0 to 30 ms late, 2 % lost, times of arrival; error RMS and max in ft, twitching in ft/s):
    hold last 1.60, 4.3, 17.1;  play-out by 0.08 s 2.43, 4.1, 6.1, by 0.15 s 4.17, 5.8, 5.7
    window 0.15 s 0.67, 4.4, 6.6;  0.20 s 0.57, 2.5, 4.2;  0.30 s 0.58, 1.9, 2.3;  0.40 s 0.64, 1.8, 1.7
All but the long play-out keep 3 ft RMS and 10 ft. Prediction is nearly three times nearer than holding and
seven times smoother; a longer window is smoother still, but lags a quick roll (bank RMS 0.72 deg at 0.30 s,
0.89 deg at 0.40 s, holding 0.73). `SETTLE_S` 0.02 s twitches by a third more, 0.05 s lags a quarter more in
that roll. With the source's own times in place of those of arrival: 0.43, 1.2, 1.4. Gusts that change from
one target to the next can't be predicted: airspeed of the gusty flight 0.64 kt, as by play-out; holding 0.47.
"""

from __future__ import annotations

from math import inf

WINDOW_S = 0.3
BASE_S = 0.08
SUDDEN = 0.7
HORIZON_S = 0.25
_MOST_TARGETS = 32


class Prediction:
    """Where the target is by now: a straight line through the last `window_s` seconds of targets."""

    __slots__ = ("_line", "_rate", "_targets", "_window_s", "last", "time_s")

    def __init__(self, position: float, window_s: float = WINDOW_S) -> None:
        self._window_s = window_s
        self.forget(position)

    def forget(self, position: float) -> None:
        """Stay at this position (steps) until the next target."""
        self._targets: list[tuple[float, float]] = []
        self.time_s = -inf
        self.last = self._line = position
        self._rate = 0.0

    def shift(self, by_steps: float) -> None:
        """Renumber: every target lies `by_steps` further, at the same rate."""
        self._targets = [(then_s, there + by_steps) for then_s, there in self._targets]
        self.last += by_steps
        self._line += by_steps

    def add(self, time_s: float, position: float) -> None:
        """Take a target newer than the last one."""
        targets = self._targets
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

    def at(self, time_s: float) -> tuple[float, float]:
        """Goal (steps) and its rate (steps/s) at this time."""
        since_s = time_s - self.time_s
        if -HORIZON_S <= since_s <= HORIZON_S:
            return self._line + self._rate * since_s, self._rate
        return self.last, 0.0
