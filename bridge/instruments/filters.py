"""A signal sampled at irregular times: its first-order lag, and its smoothed slope.

Both take each sample with its time and know three cases of time:
a sample up to LATE_S older than the last is a late one and is ignored; one older still (a replay
looped) or one after a gap of more than GAP_S (a simulator repositioned or paused) starts afresh;
anything else is a step forward. The steps are exact for a signal that runs straight from sample to
sample, so the result does not depend on the sampling rate, and jitter down to a zero interval is
harmless.
"""

from __future__ import annotations

import math

from bridge.quantities.catalogue import Quantity
from bridge.timing import LATE_S

GAP_S = 3.0
SETTLE_S = 0.2  # history needed before a slope is used


def difference(quantity: Quantity, now: float, before: float) -> float:
    """How far the value went, the short way round for a circular quantity."""
    if not quantity.circular:
        return now - before
    span = quantity.high - quantity.low
    return (now - before + span / 2) % span - span / 2


class Lag:
    """First-order lag: after an abrupt change, 63 % of the way in `lag_s` seconds, 95 % in three times that.

    At 0 s it lets the value through.
    """

    __slots__ = ("_behind", "_lag_s", "_quantity", "_time_s", "_value")

    def __init__(self, quantity: Quantity, lag_s: float) -> None:
        self._quantity = quantity
        self._lag_s = lag_s
        self._time_s: float | None = None
        self._value = 0.0
        self._behind = 0.0

    def __call__(self, time_s: float, value: float) -> float:
        """The lagged value after this sample."""
        lag_s = self._lag_s
        if lag_s == 0:
            return value
        elapsed_s = GAP_S + 1 if self._time_s is None else time_s - self._time_s
        if -LATE_S <= elapsed_s < 0:
            return self._quantity.wrap(self._value + self._behind)
        if 0 <= elapsed_s <= GAP_S:
            moved = difference(self._quantity, value, self._value)
            kept = math.exp(-elapsed_s / lag_s)
            ramp = lag_s * (1 - kept) / elapsed_s if elapsed_s > 1e-6 * lag_s else 1.0
            self._behind = self._behind * kept - moved * ramp
        else:
            self._behind = 0.0
        self._time_s = time_s
        self._value = value
        return self._quantity.wrap(value + self._behind)


class Slope:
    """Rate of change, smoothed by a first-order lag of `smooth_s` seconds, times `scale`.

    A change faster than `fastest` units a second is a reposition, not a motion: it starts afresh.
    """

    __slots__ = (
        "_fastest",
        "_quantity",
        "_rate",
        "_scale",
        "_since_s",
        "_smooth_s",
        "_start",
        "_time_s",
        "_value",
    )

    def __init__(self, quantity: Quantity, smooth_s: float, fastest: float, scale: float = 1.0) -> None:
        self._quantity = quantity
        self._smooth_s = smooth_s
        self._fastest = fastest
        self._scale = scale
        self._time_s: float | None = None
        self._value = 0.0
        self._since_s = 0.0
        self._start = 0.0
        self._rate: float | None = None

    def __call__(self, time_s: float, value: float) -> float | None:
        """The rate a second, times the scale, after this sample; None while history is too short."""
        elapsed_s = GAP_S + 1 if self._time_s is None else time_s - self._time_s
        if -LATE_S <= elapsed_s < 0:
            return None if self._rate is None else self._rate * self._scale
        moved = difference(self._quantity, value, self._value)
        # Jitter may squeeze two samples together, so a tenth of a second is granted before a jump is called.
        if not 0 <= elapsed_s <= GAP_S or abs(moved) > self._fastest * (elapsed_s + 0.1):
            self._since_s = time_s
            self._start = 0.0
            self._rate = None
        elif self._rate is None:
            self._start += moved
            if time_s - self._since_s >= SETTLE_S:
                self._rate = self._start / (time_s - self._since_s)
        else:
            kept = math.exp(-elapsed_s / self._smooth_s)
            gain = (1 - kept) / elapsed_s if elapsed_s > 1e-6 * self._smooth_s else 1 / self._smooth_s
            self._rate = self._rate * kept + moved * gain
        self._time_s = time_s
        self._value = value
        return None if self._rate is None else self._rate * self._scale
