"""The panel's readings: what arrives, and what is derived from it in the cheapest way that there is now.

1. `full_plan` has every wanted reading from all that is given.
2. When given quantities are lost (`bridge.flight.ages`), `without` plans again from what still arrives, as a
   start of the program would do now: a reading that can be had in another way is switched to it.
3. A reading that can't be had keeps its last value, and rests on what is lost. When the quantity arrives
   again, the first way is back.

Pure: times are seconds on the caller's time base.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

from bridge.instruments.derivation import Derivation, Plan

NOTHING: Mapping[str, float] = MappingProxyType({})


class Readings:
    """All readings valid now, in canonical units.

    `make` makes the plan for the quantities that it is called with; `given` names those of telemetry, `own`
    holds fixed values and the knob's. With `before`, the readings until now go on.
    """

    def __init__(
        self,
        make: Callable[[Iterable[str]], Plan],
        given: frozenset[str],
        own: Mapping[str, float],
        before: Readings | None = None,
        lost: frozenset[str] = frozenset(),
    ) -> None:
        self._make = make
        self._given = given
        self._own = frozenset(own)
        self.full_plan: Plan = make(given | self._own)
        """How everything is had while all that is given arrives."""
        self.full_depends: dict[str, frozenset[str]] = self.full_plan.depends_on()
        """For every reading, the given quantities that it rests on then, the panel's own included."""
        self._derivation: Derivation | None = before._derivation if before else None
        self._time_s: float = before._time_s if before else 0.0
        self.values: dict[str, float] = dict(before.values) if before else {}
        """Given and derived; replaced at each arrival."""
        self.values |= own
        self.rows: Mapping[str, float] = before.rows if before else NOTHING
        """What arrived last of the quantities whose value is on the path between two rows; replaced."""
        self.rests_on: dict[str, frozenset[str]] = before.rests_on if before else {}
        """For every reading that can be had, the quantities of telemetry that it rests on now."""
        self.without(lost)

    def without(self, lost: frozenset[str]) -> None:
        """From now on derive without these given quantities; those that are not named arrive."""
        self.plan: Plan = self._make(self._given - lost | self._own) if lost else self.full_plan
        """How everything is had now."""
        self.depends: dict[str, frozenset[str]] = {**self.full_depends, **self.plan.depends_on()}
        """The same as it is now."""
        before, self.rests_on = (
            self.rests_on,
            {name: depends - self._own for name, depends in self.depends.items()},
        )
        self.derived: frozenset[str] = frozenset(rule.output for rule in self.plan.rules)
        """What is derived now; a lost quantity may be."""
        # What was had in another way until now is not taken along: a slope must not see the difference.
        kept = {
            name: value
            for name, value in self.values.items()
            if name in self._own
            or (name not in self.derived and name in self.depends and before.get(name) == self.rests_on[name])
        }
        self._derivation = self.plan.start(self._derivation)
        self.values = self._derivation.update(self._time_s, kept)

    def update(
        self, time_s: float, arrived: Mapping[str, float], between: Mapping[str, float] = NOTHING
    ) -> dict[str, float]:
        """Take what arrived at this time, and what is between two rows; returns all readings valid now."""
        assert self._derivation is not None
        self._time_s = time_s
        if between or self.rows:
            latest = {**self.values, **self.rows}
            self.rows = {name: latest[name] for name in between if name in latest}
            arrived = {**arrived, **between}
        self.values = self._derivation.update(time_s, arrived)
        return self.values

    def start_afresh(self) -> None:
        """What arrives next does not follow from what came before: only the panel's own values are kept."""
        own = {name: self.values[name] for name in self._own if name in self.values}
        self.rows = NOTHING
        self._derivation = self.plan.start()
        self.values = self._derivation.update(self._time_s, own)
