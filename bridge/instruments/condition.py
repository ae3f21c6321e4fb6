"""A condition on a reading, as a flag or a lamp shows it: `suction < 4.5 inHg`, with hysteresis and delay.

A condition is parsed once, into the quantity's own unit; a `Watch` on it takes the reading with its time and
returns whether it holds. What happens while there is no reading is its owner's to decide.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.description import MistakeError, near
from bridge.quantities.catalogue import CATALOGUE, Catalogue
from bridge.quantities.units import UNITS, make_conversion
from bridge.timing import LATE_S

_FORM = re.compile(
    r"\s*(?P<quantity>[A-Za-z]\w*)\s*(?P<sign>[<>])\s*(?P<limit>[+-]?\d+(\.\d+)?)(\s*(?P<unit>[A-Za-z%]\S*))?\s*",
    re.ASCII,
)
_EXPECTED = 'a quantity, < or >, and a number with or without its unit, as in "suction < 4.5 inHg"'


@dataclass(frozen=True, slots=True)
class Condition:
    """`quantity` above `limit`, or below it; both numbers in the unit of the quantity.

    Once it holds, it does so until the reading is back over the limit by `hysteresis`. What `Watch` returns
    changes when that has been so for `delay_s`, either way.
    """

    quantity: str
    above: bool
    limit: float
    hysteresis: float = 0.0
    delay_s: float = 0.0

    def holds(self, reading: float, held: bool) -> bool:
        """Whether it holds at this reading, after it `held` or not; a delay is not looked at."""
        beyond = reading - self.limit if self.above else self.limit - reading
        return beyond > -self.hysteresis if held else beyond > 0.0


def parse_condition(
    text: str, hysteresis: float = 0.0, delay_s: float = 0.0, catalogue: Catalogue = CATALOGUE
) -> Condition:
    """The condition that this text states; `hysteresis` (not negative) is in the unit that it names.

    Without a unit both are in the quantity's own. Raises `MistakeError` for another form, for an unknown
    quantity or unit, one that measures something else, and a limit that no reading could ever cross.
    """
    found = _FORM.fullmatch(text)
    if found is None:
        cure = "A switch that is 0 or 1 is on above 0.5; write two conditions apart"
        raise MistakeError(repr(text), _EXPECTED, cure)
    name, unit = found["quantity"], found["unit"]
    if name not in catalogue:
        raise MistakeError(f"an unknown quantity {name!r}", "a known quantity", near(name, catalogue))
    quantity = catalogue[name]
    dimension = UNITS[quantity.unit].dimension
    alike = [each.name for each in UNITS.values() if each.dimension == dimension]
    if unit is not None and unit not in alike:
        raise MistakeError(f"{name} in {unit!r}", f"a unit of {dimension}, or none", near(unit, alike))
    conversion = make_conversion(unit or quantity.unit, quantity.unit)
    limit = conversion(float(found["limit"]))
    above = found["sign"] == ">"
    if not (quantity.low <= limit < quantity.high if above else quantity.low < limit <= quantity.high):
        known = f"{quantity.low:g} to {quantity.high:g} {quantity.unit}"
        cure = "Correct the number or its unit: no reading could ever cross it"
        raise MistakeError(f"{name} {found['sign']} {limit:g} {quantity.unit}", f"a limit in {known}", cure)
    return Condition(name, above, limit, hysteresis * conversion.scale, delay_s)


class Watch:
    """Whether a condition holds, from reading to reading.

    The first reading counts at once; so does the next after a jump back in time, as when a replay is sought.
    """

    __slots__ = ("_changed_s", "_now", "_time_s", "condition", "held")

    def __init__(self, condition: Condition) -> None:
        self.condition = condition
        self.held: bool | None = None
        """What was returned last; None before the first reading."""
        self._now = False  # without the delay
        self._changed_s = 0.0  # since when it is so
        self._time_s = 0.0

    def update(self, time_s: float, reading: float) -> bool:
        """Whether the condition holds, after this reading at this time (s)."""
        if self.held is None or time_s < self._time_s - LATE_S:
            self._time_s, self._changed_s = time_s, time_s
            self._now = self.held = self.condition.holds(reading, False)
            return self.held
        self._time_s = max(time_s, self._time_s)
        now = self.condition.holds(reading, self._now)
        if now is not self._now:
            self._now, self._changed_s = now, self._time_s
        if now is not self.held and self._time_s - self._changed_s >= self.condition.delay_s:
            self.held = now
        return self.held
