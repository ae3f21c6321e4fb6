"""When telemetry and each of its quantities last arrived, and which pointers have lost a quantity.

Pure: times are seconds of the caller's one clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import inf

SILENT_S = 0.5
"""Nothing is overdue before this age: about ten datagrams at 20 Hz. A slower sender has two intervals."""

_LOOK_S = 0.1
"""A quantity is lost once two looks in a row have found it overdue: a host that was paused reads first."""


def patience_s(interval_s: float) -> float:
    """The age at which something is overdue whose longest recent interval between arrivals is this."""
    return max(SILENT_S, 2.0 * interval_s)


def longest_recent(interval_s: float, before_s: float) -> float:
    """The longest recent interval, after one more: a longer one counts at once, and is forgotten slowly."""
    return max(interval_s, 0.9 * before_s)


def age_of(time_s: float, arrived_s: Mapping[str, float], quantities: Iterable[str]) -> float | None:
    """Age of the oldest of these quantities; None when one has not arrived, or there is none."""
    oldest_s = min((arrived_s.get(name, -inf) for name in quantities), default=-inf)
    return max(0.0, time_s - oldest_s) if oldest_s > -inf else None


class Losses:
    """The pointers that rest on a quantity which has stopped arriving while others go on.

    `rests_on` names, for each pointer's board and channel, the given quantities that it follows. A quantity
    that has arrived only once is not waited for: its sender may send it on change. What is derived is lost
    with what it rests on: no other way to derive it is looked for in flight. With `before`, that of the
    description before, ages and losses go on.
    """

    def __init__(
        self, rests_on: Mapping[tuple[str, int], frozenset[str]], before: Losses | None = None
    ) -> None:
        self.arrived_s: dict[str, float] = before.arrived_s if before else {}
        """When each quantity last arrived."""
        self._rests_on = rests_on
        self._awaited = frozenset[str]().union(*rests_on.values())
        self._seen_s: dict[str, float] = before._seen_s if before else {}
        self._intervals_s: dict[str, float] = before._intervals_s if before else {}
        self._overdue: frozenset[str] = before._overdue if before else frozenset()
        self._lost: frozenset[str] = before._lost if before else frozenset()
        self._looked_s: float = before._looked_s if before else float("-inf")
        self.pointers: Mapping[tuple[str, int], tuple[str, ...]] = self._pointers()
        """Board and channel of each pointer that has lost quantities, and their names; replaced on change."""

    def arrived(self, time_s: float, quantities: Iterable[str]) -> bool:
        """Take an arrival of these quantities; returns whether a lost one is back."""
        self.arrived_s |= dict.fromkeys(quantities, time_s)
        return bool(self._lost) and self._set_lost(self._lost - set(quantities))

    def look(self, time_s: float, since_s: float) -> bool:
        """Look for quantities that are overdue; returns whether some are newly lost.

        To be called while telemetry arrives. None counts as older than `since_s`, when it began to.
        """
        if 0.0 <= time_s - self._looked_s < _LOOK_S:
            return False
        self._looked_s = time_s
        before, self._overdue = (
            self._overdue,
            frozenset(name for name in self._awaited if self._is_overdue(name, time_s, since_s)),
        )
        return self._set_lost(self._lost | (before & self._overdue))

    def _is_overdue(self, name: str, time_s: float, since_s: float) -> bool:
        arrived_s = self.arrived_s.get(name)
        if arrived_s is None:
            return False
        seen_s = self._seen_s.get(name, arrived_s)
        self._seen_s[name] = arrived_s
        if arrived_s > seen_s:
            interval_s = arrived_s - max(seen_s, since_s)
            self._intervals_s[name] = longest_recent(interval_s, self._intervals_s.get(name, 0.0))
        interval_s = self._intervals_s.get(name, inf)  # a quantity that has arrived once has none
        return time_s - max(arrived_s, since_s) >= patience_s(interval_s)

    def _set_lost(self, lost: frozenset[str]) -> bool:
        if lost == self._lost:
            return False
        self._lost = lost
        self.pointers = self._pointers()
        return True

    def _pointers(self) -> dict[tuple[str, int], tuple[str, ...]]:
        return {
            address: tuple(sorted(quantities & self._lost))
            for address, quantities in self._rests_on.items()
            if quantities & self._lost
        }
