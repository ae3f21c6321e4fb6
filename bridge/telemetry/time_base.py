"""One time base for telemetry: the sender's own time, placed on this machine's clock.

A datagram's arrival is late by a delay that changes from one to the next; the sender's own time
does not jitter. The least delayed datagram of late tells how the two clocks stand.
"""

from __future__ import annotations

_WINDOW_S = 5.0
"""The two clocks are compared over this long."""
_STEADY = 0.01
"""A sender whose clock runs faster or slower than ours by more than this share is not in real time."""
_APART_S = 0.5
"""Clocks that came apart by this much were set, or belong to two senders."""
_LEAK = 0.003
"""How much of a longer delay is believed per datagram, so that clocks may drift apart."""


class TimeBase:
    """Places one sender's times on the receiver's clock; both in seconds.

    A simulator that is paused, runs at another pace or was set back has no use for its own time here:
    then, and for the first seconds, the arrival counts.
    """

    __slots__ = ("_ahead_s", "_anchor", "_steady")

    def __init__(self) -> None:
        self._ahead_s = 0.0
        self._anchor: tuple[float, float] | None = None
        self._steady = False

    def to_local(self, arrival_s: float, source_time_s: float | None) -> float:
        """When the readings were true, never after they arrived; the arrival where no time is sent."""
        if source_time_s is None:
            return arrival_s
        ahead_s = arrival_s - source_time_s
        if self._anchor is None or abs(ahead_s - self._ahead_s) > _APART_S:
            self._anchor = arrival_s, source_time_s
            self._ahead_s = ahead_s
            self._steady = False
        waited_s = arrival_s - self._anchor[0]
        if waited_s >= _WINDOW_S:
            steady = abs((source_time_s - self._anchor[1]) / waited_s - 1.0) <= _STEADY
            if not (steady and self._steady):
                self._ahead_s = ahead_s
            self._steady = steady
            self._anchor = arrival_s, source_time_s
        if ahead_s < self._ahead_s:
            self._ahead_s = ahead_s
        else:
            self._ahead_s += (ahead_s - self._ahead_s) * _LEAK
        return source_time_s + self._ahead_s if self._steady else arrival_s
