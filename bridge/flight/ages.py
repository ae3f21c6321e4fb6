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
    """The longest recent interval (s), after one more: a longer one counts at once, is forgotten slowly."""
    return max(interval_s, 0.9 * before_s)


def age_of(time_s: float, arrived_s: Mapping[str, float], quantities: Iterable[str]) -> float | None:
    """Age (s) of the oldest of these quantities; None when one has not arrived, or there is none."""
    oldest_s = min((arrived_s.get(name, -inf) for name in quantities), default=-inf)
    return max(0.0, time_s - oldest_s) if oldest_s > -inf else None


class Losses:
    """The pointers that rest on a quantity which has stopped arriving while others go on.

    A quantity that has arrived only once is not waited for: its sender may send it on change. What is derived
    is lost with what it rests on. With `before`, that of the description before, ages and losses go on.
    """

    def __init__(self, before: Losses | None = None) -> None:
        self.arrived_s: dict[str, float] = before.arrived_s if before else {}
        """When each quantity last arrived."""
        self.quantities: frozenset[str] = before.quantities if before else frozenset()
        """What is lost, whether a pointer rests on it or not."""
        self.pointers: Mapping[tuple[str, int], tuple[str, ...]] = {}
        """Board and channel of each pointer that has lost quantities, and their names; replaced on change."""
        self._on_path_s: dict[str, float] = before._on_path_s if before else {}
        self._awaited: frozenset[str] = frozenset()
        self._seen_s: dict[str, float] = before._seen_s if before else {}
        self._intervals_s: dict[str, float] = before._intervals_s if before else {}
        self._overdue: frozenset[str] = before._overdue if before else frozenset()
        self._looked_s: float = before._looked_s if before else float("-inf")

    def rest_on(
        self, rests_on: Mapping[tuple[str, int], frozenset[str]], others: frozenset[str] = frozenset()
    ) -> None:
        """Take, for each pointer's board and channel, the given quantities that it follows from now on, and
        `others` that are awaited as well."""
        self._awaited = others.union(*rests_on.values())
        self.pointers = {
            address: tuple(sorted(quantities & self.quantities))
            for address, quantities in rests_on.items()
            if quantities & self.quantities
        }

    def arrived(self, time_s: float, quantities: Iterable[str]) -> bool:
        """Take an arrival of these quantities; returns whether a lost one is back."""
        self.arrived_s |= dict.fromkeys(quantities, time_s)
        return bool(self.quantities) and self._set_lost(self.quantities - set(quantities))

    def on_path(self, time_s: float, quantities: Iterable[str]) -> None:
        """These quantities are between two rows of a recording: the next is known to come."""
        self._on_path_s |= dict.fromkeys(quantities, time_s)

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
        return self._set_lost(self.quantities | (before & self._overdue))

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
        latest_s = max(arrived_s, since_s, self._on_path_s.get(name, since_s))
        return time_s - latest_s >= patience_s(interval_s)

    def _set_lost(self, lost: frozenset[str]) -> bool:
        changed, self.quantities = lost != self.quantities, lost
        return changed
