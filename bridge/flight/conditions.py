"""The conditions of a panel's description at work on its readings: `bridge.instruments.condition`."""

from __future__ import annotations

from collections.abc import Mapping

from bridge.instruments.condition import Condition, Watch


class Conditions:
    """Whether each condition holds, by its key in the description.

    With `before`, those of the description before, what has not changed goes on.
    """

    def __init__(self, conditions: Mapping[str, Condition], before: Conditions | None = None) -> None:
        kept = before._watches if before else {}
        self._watches: dict[str, Watch] = {
            key: kept[key] if key in kept and kept[key].condition == condition else Watch(condition)
            for key, condition in conditions.items()
        }
        self.quantities: frozenset[str] = frozenset(each.quantity for each in conditions.values())
        """All that they look at."""

    def update(self, time_s: float, readings: Mapping[str, float]) -> None:
        """Look at the readings that are valid at this time (s)."""
        for watch in self._watches.values():
            reading = readings.get(watch.condition.quantity)
            if reading is not None:
                watch.update(time_s, reading)

    def held(self, key: str) -> bool | None:
        """Whether this one held at the last reading; None before the first, KeyError for no such key."""
        return self._watches[key].held

    def start_afresh(self) -> None:
        """What arrives next does not follow from what came before."""
        self._watches = {key: Watch(watch.condition) for key, watch in self._watches.items()}
