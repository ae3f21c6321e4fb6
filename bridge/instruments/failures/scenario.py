"""When failures come and go in a flight: a schedule in the flight's own time, and buttons that switch."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from random import Random

from bridge.instruments.failures.kinds import Failure


@dataclass(frozen=True, slots=True)
class Event:
    """One failure in force from `at_s` until `until_s` (s of the flight), or switched by a button of a board.

    Without a failure it is a tap on the glass of `tapped` (gauge.pointer; "" for every needle that sticks).
    """

    failure: Failure | None
    at_s: float = 0.0
    until_s: float = math.inf
    button: tuple[str, int] | None = None
    tapped: str = ""

    def in_force(self, time_s: float) -> bool:
        """Whether the schedule has it in force at this time; of a tap, whether it is over."""
        return self.button is None and self.at_s <= time_s < self.until_s


@dataclass(frozen=True, slots=True)
class Scenario:
    """All events of a flight; one name and time, one schedule."""

    name: str = ""
    events: tuple[Event, ...] = ()

    def at(self, time_s: float) -> frozenset[int]:
        """The numbers of the scheduled events in force at this time."""
        return frozenset(i for i, event in enumerate(self.events) if event.in_force(time_s))

    def of_button(self, board: str, button: int) -> Iterable[Event]:
        """The events that this button switches."""
        return (event for event in self.events if event.button == (board, button))


def drawn_s(seed: int, number: int, per_hour: float) -> float:
    """How long a failure that comes by chance, so often in an hour on the average, waits; s.

    The same for the same seed and number of the event, on every machine: a Poisson process's first event.
    """
    return -math.log(1.0 - Random(f"{seed} {number}").random()) * 3600.0 / per_hour
