"""Training: the failures in force on the running panel, and who switched them.

Joins `bridge.instruments.failures` to a flight: the scenario's schedule, buttons of boards, and an
instructor. Pure; times are seconds of the flight (of the log in a replay, else since the first telemetry).
"""

from __future__ import annotations

from collections.abc import Mapping

from bridge.flight.notices import FailureSwitched
from bridge.instruments.failures.kinds import Failure
from bridge.instruments.failures.scenario import Scenario
from bridge.instruments.failures.stage import Failures


class Training:
    """One flight's failures. They outlive a reload of the description."""

    def __init__(self, scenario: Scenario | None = None) -> None:
        self.scenario: Scenario | None = scenario
        self.failures: Failures = Failures()
        self._time_s = 0.0
        self._scheduled: frozenset[int] = frozenset()
        self._notices: list[FailureSwitched] = []

    @property
    def in_force(self) -> Mapping[str, Failure]:
        """What is in force, by name; replaced on change."""
        return self.failures.in_force

    @property
    def powered(self) -> bool:
        """Whether lamps have current."""
        return "electrical_lost" not in self.in_force

    def feel(self, time_s: float, values: Mapping[str, float]) -> Mapping[str, float]:
        """The readings as instruments feel them at this time; the same object while nothing is in force."""
        self._time_s = time_s
        if self.scenario is not None:
            self._follow(self.scenario, time_s)
        return self.failures.feel(time_s, values)

    def _follow(self, scenario: Scenario, time_s: float) -> None:
        before, self._scheduled = self._scheduled, scenario.at(time_s)
        if before == self._scheduled:
            return
        still = [scenario.events[number].failure for number in self._scheduled]
        names = {failure.name for failure in still if failure}
        for number in sorted(before - self._scheduled):
            failure = scenario.events[number].failure
            if failure is not None and failure.name not in names:
                self.undo(failure.name, "scenario")
        for number in sorted(self._scheduled - before):
            event = scenario.events[number]
            if event.failure is None:
                self.failures.tap(event.tapped)
            else:
                self._switch_on(event.at_s, event.failure, "scenario")

    def start_afresh(self) -> None:
        """The flight goes on elsewhere: what is in force stays so, and what it made is forgotten."""
        self.failures.start_afresh()

    def switch_on(self, failure: Failure, by: str) -> None:
        """Put it in force now; `by` is who does."""
        self._switch_on(self._time_s, failure, by)

    def undo(self, name: str, by: str) -> None:
        """Take the failure of this name out of force."""
        if self.failures.undo(name):
            self._notices.append(FailureSwitched(name, False, by, ""))

    def _switch_on(self, time_s: float, failure: Failure, by: str) -> None:
        if self.failures.switch_on(time_s, failure):
            self._notices.append(FailureSwitched(failure.name, True, by, self.failures.lacks(failure)))

    def pressed(self, board: str, button: int, presses: int) -> None:
        """A button of a board was pressed: what it switches is on or off by turns; a tap is a tap."""
        if self.scenario is None:
            return
        for event in self.scenario.of_button(board, button):
            if event.failure is None:
                self.failures.tap(event.tapped)
            elif presses % 2 and event.failure.name in self.in_force:
                self.undo(event.failure.name, f"button of {board}")
            elif presses % 2:
                self.switch_on(event.failure, f"button of {board}")

    def take_notices(self) -> list[FailureSwitched]:
        """What was switched since the last call."""
        notices, self._notices = self._notices, []
        return notices
