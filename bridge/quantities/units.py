"""Units and their exact factors.

Every factor is a `Fraction` of the dimension's base unit, from the defining
relation, so that a conversion there and back is exact but for the last float.

Sources of the factors: NIST SP 811 (2008) Appendix B: international foot 0.3048 m, nautical
mile 1852 m, statute mile 1609.344 m, pound 0.45359237 kg, standard gravity
9.80665 m/s2, US liquid gallon 231 cubic inches, imperial gallon 4.54609 L, conventional inch of
mercury 3386.389 Pa.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from bridge.description import near
from bridge.errors import BridgeError


class UnknownUnitError(BridgeError, ValueError):
    """A unit name that the table does not hold; the message names near ones."""


class DimensionError(BridgeError, ValueError):
    """A conversion between units that do not measure the same thing."""


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: value in base units = value * factor + offset."""

    name: str
    dimension: str
    factor: Fraction
    offset: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Conversion:
    """A conversion worked out once: `make_conversion(value)` is `value * scale + shift`."""

    scale: float
    shift: float

    def __call__(self, value: float) -> float:
        return value * self.scale + self.shift


_FOOT = Fraction("0.3048")
_MILE = Fraction("1609.344")
_NAUTICAL_MILE = Fraction(1852)
_POUND = Fraction("0.45359237")
_GRAVITY = Fraction("9.80665")
_US_GALLON_L = 231 * Fraction("0.254") ** 3
# A turn is the base of angle, so that degrees stay exact; a radian never is.
_RADIAN = Fraction(1 / (2 * math.pi))

_TABLE: dict[str, dict[str, Fraction]] = {
    "number": {"1": Fraction(1), "%": Fraction(1, 100)},
    "length": {
        "m": Fraction(1), "km": Fraction(1000), "ft": _FOOT, "NM": _NAUTICAL_MILE,
        "nmi": _NAUTICAL_MILE, "mi": _MILE,
    },
    "speed": {
        "m/s": Fraction(1),
        "km/h": Fraction(1000, 3600),
        "kt": _NAUTICAL_MILE / 3600,
        "mph": _MILE / 3600,
        "ft/s": _FOOT,
        "ft/min": _FOOT / 60,
    },
    "acceleration": {"m/s2": Fraction(1), "ft/s2": _FOOT, "g": _GRAVITY},
    "pressure": {
        "Pa": Fraction(1),
        "hPa": Fraction(100),
        "kPa": Fraction(1000),
        "bar": Fraction(100_000),
        "inHg": Fraction("3386.389"),
        "psi": _POUND * _GRAVITY / Fraction("0.0254") ** 2,
        "psf": _POUND * _GRAVITY / _FOOT**2,
    },
    "angle": {"turn": Fraction(1), "deg": Fraction(1, 360), "rad": _RADIAN},
    "angular rate": {
        "deg/s": Fraction(1, 360),
        "rad/s": _RADIAN,
        "deg/min": Fraction(1, 360 * 60),
        "rpm": Fraction(1, 60),
    },
    "time": {"s": Fraction(1), "ms": Fraction(1, 1000), "min": Fraction(60), "h": Fraction(3600)},
    "volume": {"L": Fraction(1), "gal": _US_GALLON_L, "USgal": _US_GALLON_L, "impgal": Fraction("4.54609")},
    "volume flow": {"L/h": Fraction(1), "gal/h": _US_GALLON_L, "USgal/h": _US_GALLON_L},
    "mass": {"kg": Fraction(1), "lb": _POUND},
    "voltage": {"V": Fraction(1)},
    "current": {"A": Fraction(1)},
    # Of a deviation pointer: how many degrees or miles a dot is depends on the aid that is received.
    "deviation": {"dot": Fraction(1)},
}  # fmt: skip

_OFFSETS = {
    "K": (Fraction(1), Fraction(0)),
    "degC": (Fraction(1), Fraction("273.15")),
    "degF": (Fraction(5, 9), Fraction("459.67") * Fraction(5, 9)),
    "degR": (Fraction(5, 9), Fraction(0)),
}

UNITS: dict[str, Unit] = {
    name: Unit(name, dimension, factor)
    for dimension, factors in _TABLE.items()
    for name, factor in factors.items()
} | {name: Unit(name, "temperature", factor, offset) for name, (factor, offset) in _OFFSETS.items()}


def parse_unit(name: str) -> Unit:
    """The unit of that name; raises `UnknownUnitError` with the nearest names and all."""
    found = UNITS.get(name)
    if found is None:
        raise UnknownUnitError(f"unknown unit '{name}'. {near(name, UNITS)}")
    return found


def make_conversion(source: str, target: str) -> Conversion:
    """How a value in `source` becomes one in `target`.

    Raises `UnknownUnitError`, or `DimensionError` when the two measure different things.
    """
    a, b = parse_unit(source), parse_unit(target)
    if a.dimension != b.dimension:
        alike = ", ".join(u.name for u in UNITS.values() if u.dimension == b.dimension)
        raise DimensionError(
            f"'{source}' is a unit of {a.dimension}, '{target}' of {b.dimension}; "
            f"units of {b.dimension}: {alike}"
        )
    return Conversion(float(a.factor / b.factor), float((a.offset - b.offset) / b.factor))


def convert(value: float, source: str, target: str) -> float:
    """`value` in `source` units, expressed in `target` units."""
    return make_conversion(source, target)(value)
