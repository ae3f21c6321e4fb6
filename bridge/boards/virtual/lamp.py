"""A lamp of a virtual board: fades evenly to where it is sent."""

from __future__ import annotations

from math import inf

from bridge.boards.messages import LampCapability


class VirtualLamp:
    """At first, and whenever no host is heard, at its stated level. Times are seconds."""

    def __init__(self, described: LampCapability) -> None:
        self.described = described
        self.go_out()

    def go_out(self) -> None:
        """No host is heard: the stated level, at once."""
        self._from = self._goal = self.described.when_lost
        self._from_s = self._until_s = -inf

    def light(self, time_s: float, level: int, fade_ms: int) -> None:
        """Reach this level evenly; a level that it goes to already changes nothing."""
        if level != self._goal:
            self._from, self._goal = self.level(time_s), level
            self._from_s, self._until_s = time_s, time_s + fade_ms / 1000

    def level(self, time_s: float) -> int:
        """Its level at this time."""
        if time_s >= self._until_s:
            return self._goal
        share = (time_s - self._from_s) / (self._until_s - self._from_s)
        return round(self._from + (self._goal - self._from) * share)
