"""What the builder types: "altitude 3763 ft, heading 243", and how exact it is."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from bridge.description import near
from bridge.errors import BridgeError
from bridge.quantities.catalogue import Catalogue
from bridge.quantities.units import UNITS, make_conversion

ALIASES: Mapping[str, str] = MappingProxyType(
    {
        "altitude": "indicated_altitude",
        "airspeed": "indicated_airspeed",
        "speed": "indicated_airspeed",
        "heading": "heading_magnetic",
        "roll": "bank",
        "climb": "vertical_speed",
        "vs": "vertical_speed",
        "rpm": "engine_speed",
    }
)
"""What the instruments' readings are called in short."""

_DIAL: Mapping[str, float] = {
    "ft": 20.0, "kt": 1.0, "deg": 1.0, "ft/min": 100.0, "deg/s": 0.5, "inHg": 0.05, "rpm": 30.0, "g": 0.1,
}  # fmt: skip
"""By unit, how far a reading may be off: the step to which a person reads such a dial (common practice, no
source)."""
_OTHER_DIALS = 0.02
_LONGEST_LINE = 1000

_ITEM = re.compile(
    r"\s*(?P<name>[A-Za-z][A-Za-z _]*?\d?)\s*[=:]?\s+"
    r"(?P<value>[-+]?(?:\d+\.?\d*|\.\d+))\s*(?P<unit>[^\s\d]\S*)?\s*"
)


class TypedError(BridgeError):
    """A typed line that is no reading; the message tells what was found and what was expected."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One quantity as an instrument shows it: value and tolerance in its canonical unit; `typed` as typed."""

    quantity: str
    value: float
    tolerance: float
    typed: str


def typed_readings(line: str, catalogue: Catalogue) -> list[Reading]:
    """The readings in a line, with commas between them; raises `TypedError` for anything else."""
    if len(line) > _LONGEST_LINE:
        raise TypedError(f"found {len(line)} letters in a line; expected at most {_LONGEST_LINE}")
    found: list[Reading] = []
    for part in re.split(r"[,;]", line):
        if not part.strip():
            continue
        reading = _reading(part, catalogue)
        if any(other.quantity == reading.quantity for other in found):
            raise TypedError(f"found {reading.quantity} twice; expected each quantity once")
        found.append(reading)
    return found


def _reading(part: str, catalogue: Catalogue) -> Reading:
    match = _ITEM.fullmatch(part.replace("=", " = "))
    if match is None:
        expected = "a quantity, a number and its unit, as in: altitude 3763 ft, heading 243 deg"
        raise TypedError(f"found '{part.strip()}'; expected {expected}. Write 3763 without a comma")
    name = "_".join(match["name"].split()).lower()
    name = ALIASES.get(name, name)
    if name not in catalogue:
        raise TypedError(
            f"found an unknown quantity '{match['name']}'; expected a known one, or in short "
            f"{', '.join(ALIASES)}. {near(name, catalogue)}"
        )
    quantity = catalogue[name]
    unit = match["unit"] or quantity.unit
    dimension = UNITS[quantity.unit].dimension
    if unit not in UNITS or UNITS[unit].dimension != dimension:
        alike = [known for known in UNITS if UNITS[known].dimension == dimension]
        raise TypedError(
            f"found '{unit}' after {match['name']}; expected a unit of {dimension}. {near(unit, alike)}"
        )
    convert = make_conversion(unit, quantity.unit)
    value = convert(float(match["value"]))
    if not quantity.low <= value <= quantity.high:
        raise TypedError(
            f"found {match['name']} {match['value']} {unit}; expected "
            f"{quantity.low:g} to {quantity.high:g} {quantity.unit}"
        )
    last_place = 10.0 ** -len(match["value"].partition(".")[2])
    step = _DIAL.get(quantity.unit, _OTHER_DIALS * max(abs(value), 1.0))
    coarser = last_place * abs(convert.scale)
    return Reading(name, quantity.wrap(value), max(step, coarser), part.strip())
