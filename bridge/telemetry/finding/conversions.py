"""Everything that a number of a datagram may be multiplied by to become a reading, and how usual that is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache

from bridge.quantities.catalogue import Quantity
from bridge.quantities.units import UNITS, make_conversion


@dataclass(frozen=True, slots=True)
class Conversion:
    """`number * factor + shift` is the reading in the canonical unit; `unit` and `scale` are the layout's.

    `prior` is how usual it is, beside the 1 of the plainest way to send the quantity.
    """

    unit: str
    scale: float
    factor: float
    shift: float
    prior: float

    def __str__(self) -> str:
        return self.unit if self.scale == 1.0 else f"{self.unit} x {self.scale:.7g}"


_FLOAT_SCALES = {1.0: 1.0, 0.1: 0.02, 0.01: 0.02, 0.001: 0.02, 10.0: 0.01, 100.0: 0.01, 1000.0: 0.01}
_WHOLE_SCALES = {
    1.0: 1.0, 0.1: 0.5, 0.01: 0.5, 0.001: 0.3, 1e-4: 0.05, 1e-6: 0.05, 1e-7: 0.05, 2**-8: 0.1, 2**-16: 0.1,
    10.0: 0.1, 100.0: 0.05,
}  # fmt: skip
_TURNS = 0.5
_WHOLE_TYPES = {f"{sign}int{bits}": bits for sign in ("", "u") for bits in (8, 16, 32, 64)}
# Common practice, no source: what simulators and avionics send.
_USUAL_UNITS = {
    "ft", "m", "kt", "m/s", "km/h", "ft/s", "deg", "rad", "deg/s", "rad/s", "rpm", "g", "inHg",
    "hPa", "psi", "degC", "degF", "L", "gal", "L/h", "1", "V", "A", "Pa", "dot", "%",
}  # fmt: skip
_CLIMB_UNITS = {"ft/min", "ft/s", "m/s"}
_RARE_UNIT = 0.03
_TURNED_SIGN = 0.2
_NO_SIGN = 0.05
_RAREST = 0.01
"""What is less usual is not looked for."""


@cache
def conversions(quantity: Quantity, number_type: str) -> tuple[Conversion, ...]:
    """All of them for a number of this type ("" for one in a text)."""
    return tuple(found for found in _all(quantity, number_type) if found.prior >= _RAREST)


def _all(quantity: Quantity, number_type: str) -> Iterator[Conversion]:
    whole = number_type in _WHOLE_TYPES
    signed = quantity.low < 0.0 and -quantity.low >= quantity.high / 2
    for unit, described in UNITS.items():
        if described.dimension != UNITS[quantity.unit].dimension or unit == "nmi":
            continue
        scales: Mapping[float, float] = _WHOLE_SCALES if whole else _FLOAT_SCALES
        usual = 1.0 if _is_usual(quantity, unit) else _RARE_UNIT
        if unit == "turn" and whole:
            # All the values of the type are one turn.
            scales, usual = {2.0 ** -_WHOLE_TYPES[number_type]: _TURNS}, 1.0
        elif unit == "turn":
            scales, usual = {1.0: _RARE_UNIT, 2.0**-16: _RARE_UNIT}, 1.0
        convert = make_conversion(unit, quantity.unit)
        for scale, prior in scales.items():
            prior *= usual * _type_prior(number_type)
            if signed and number_type.startswith("u"):
                prior *= _NO_SIGN
            yield Conversion(unit, scale, scale * convert.scale, convert.shift, prior)
            if signed and not number_type.startswith("u"):
                yield Conversion(unit, -scale, -scale * convert.scale, convert.shift, prior * _TURNED_SIGN)


def _is_usual(quantity: Quantity, unit: str) -> bool:
    if quantity.unit == "ft/min":
        return unit in _CLIMB_UNITS
    return unit in _USUAL_UNITS


def _type_prior(number_type: str) -> float:
    return {"": 1.0, "float32": 1.0, "float64": 1.0, "int8": 0.03, "uint8": 0.03}.get(
        number_type, 0.1 if number_type.endswith("64") else 0.3
    )
