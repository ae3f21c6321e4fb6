"""From a number as it was sent or written to a reading: sign, unit, range, wrap.

The only place where units are converted. A `Measure` is worked out once for a field of a datagram
layout or a column of a flight log, and then called for every number.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass

from bridge.description import MistakeError, near
from bridge.quantities.catalogue import Catalogue
from bridge.quantities.units import UNITS, make_conversion

# The sender's own clock, or a log's time column, in seconds: kept beside the catalogue.
TIME = "time"

# Rounding on the sender's side may carry a number at the end of its range past it: a quarter turn in float32
# radians is more than 90 degrees. So much of the range's width is forgiven, and the end taken.
_ROUNDING = 1e-6

# A heading that has wound up further than this many turns is nonsense, not a heading.
_MOST_TURNS = 1000.0


class FieldError(ValueError):
    """A number that is no reading of its quantity. `cause` is one of 'not finite', 'out of range'."""

    def __init__(self, cause: str, detail: str) -> None:
        self.cause = cause
        self.detail = detail
        super().__init__(f"{cause}: {detail}")


@dataclass(frozen=True, slots=True)
class Measure:
    """One quantity's way from raw number to canonical unit: `raw * scale + shift`.

    Values from `low` to `high` are taken as they are. `turn` is the width of a circular
    quantity's range, 0 for others; for a circular one `high` itself lies outside, since it is `low`.
    """

    quantity: str
    unit: str
    scale: float
    shift: float
    low: float
    high: float
    turn: float = 0.0

    def reading(self, raw: float) -> float:
        """The reading in the canonical unit, a circular one wrapped; raises `FieldError`."""
        value = raw * self.scale + self.shift
        if self.low <= value <= self.high:
            return value
        if not math.isfinite(value):
            raise FieldError("not finite", f"{raw} is not a finite number")
        if self.turn and abs(value) <= _MOST_TURNS * self.turn:
            wrapped = (value - self.low) % self.turn + self.low
            # The remainder of a tiny negative number rounds to the whole turn.
            return wrapped if wrapped <= self.high else self.low
        slack = _ROUNDING * (self.high - self.low)
        if self.low - slack <= value <= self.high + slack:
            return min(max(value, self.low), self.high)
        raise FieldError(
            "out of range", f"{value:g} {self.unit} is outside {self.low:g} to {self.high:g} {self.unit}"
        )


def make_measure(quantity: str, unit: str, catalogue: Catalogue, scale: float = 1.0) -> Measure:
    """The measure of a quantity that is given in `unit` after multiplying by `scale`.

    `quantity` may be `TIME`. Raises `MistakeError` for an unknown quantity or unit, or a unit of
    something else.
    """
    if quantity == TIME:
        canonical, low, high, turn = "s", -sys.float_info.max, sys.float_info.max, 0.0
    elif quantity in catalogue:
        known = catalogue[quantity]
        canonical, low, high = known.unit, known.low, known.high
        turn = high - low if known.circular else 0.0
    else:
        raise MistakeError(
            f"an unknown quantity '{quantity}'",
            f"a known quantity, or {TIME}",
            near(quantity, list(catalogue)),
        )
    dimension = UNITS[canonical].dimension
    alike = [name for name, known_unit in UNITS.items() if known_unit.dimension == dimension]
    if unit not in UNITS:
        raise MistakeError(f"an unknown unit '{unit}'", f"a unit of {dimension}", near(unit, alike))
    if UNITS[unit].dimension != dimension:
        raise MistakeError(
            f"'{unit}', a unit of {UNITS[unit].dimension}",
            f"a unit of {dimension} ({', '.join(alike)})",
            "Change the unit or the quantity",
        )
    to_canonical = make_conversion(unit, canonical)
    top = math.nextafter(high, low) if turn else high
    return Measure(quantity, canonical, scale * to_canonical.scale, to_canonical.shift, low, top, turn)


def wrong_part(quantity: str, catalogue: Catalogue) -> str:
    """Which key is wrong where `make_measure` raises: "unit", or "quantity" for one that is not known."""
    return "unit" if quantity == TIME or quantity in catalogue else "quantity"
