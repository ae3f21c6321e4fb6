"""One sender's own time beside this machine's clock: how old its readings are, and whether it was set back.

A datagram's arrival is late by a delay that changes from one to the next; the sender's own time does not
jitter. The least delayed recent datagram shows the offset between the two clocks.
"""

from __future__ import annotations

from math import inf

_WINDOW_S = 5.0
"""The two clocks are compared over this long."""
_STEADY = 0.01
"""A sender whose clock runs faster or slower than ours by more than this share is not in real time."""
_APART_S = 0.5
"""One of two clocks that came apart by this much was set; datagrams overtake each other by less."""
_LEAK = 0.003
"""Fraction of a longer delay adopted per datagram, since clocks drift apart."""


class TimeBase:
    """Compares one sender's times with the receiver's clock; both in seconds.

    The own time of a simulator that is paused, runs at another pace or was set back is of no use here:
    then, and for the first seconds, the arrival counts.
    """

    __slots__ = ("_ahead_s", "_anchor", "_latest_s", "_steady")

    def __init__(self) -> None:
        self._ahead_s = 0.0
        self._anchor: tuple[float, float] | None = None
        self._latest_s = -inf
        self._steady = False

    def arrived(self, arrival_s: float, source_time_s: float | None) -> tuple[float, bool]:
        """The age (s, at least 0) of the readings on arrival; and whether the sender's clock was set back.

        The age is 0 where it is not known, or no time is sent.
        """
        if source_time_s is None:
            return 0.0, False
        ahead_s = arrival_s - source_time_s
        apart = self._anchor is not None and abs(ahead_s - self._ahead_s) > _APART_S
        set_back = apart and source_time_s < self._latest_s
        self._latest_s = source_time_s if set_back else max(source_time_s, self._latest_s)
        if self._anchor is None or apart:
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
        return ahead_s - self._ahead_s if self._steady else 0.0, set_back
