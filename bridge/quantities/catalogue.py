"""The catalogue of quantities: what can be measured, in which unit, sign and range.

A quantity's canonical unit is the one on the face. Everything after telemetry
works in these units; conversion happens once, where a datagram or a log is decoded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from bridge.description import near
from bridge.errors import BridgeError
from bridge.quantities.units import make_conversion, parse_unit


class UnknownQuantityError(BridgeError, ValueError):
    """A quantity that neither the catalogue nor the panel description declares."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity: canonical unit, plausible range in that unit (both ends allowed), meaning.

    A `circular` quantity wraps: `high` is the same direction as `low`. A `stepped` one (a setting, a switch)
    is right until it changes at once: nothing lies between two values, and many senders send it on change.
    """

    name: str
    unit: str
    low: float
    high: float
    meaning: str
    circular: bool = False
    stepped: bool = False

    def __post_init__(self) -> None:
        parse_unit(self.unit)
        if not self.low < self.high:
            raise ValueError(f"quantity {self.name}: low {self.low} is not below high {self.high}")

    def wrap(self, value: float) -> float:
        """A circular quantity's value brought to [low, high); any other's as it is."""
        return (value - self.low) % (self.high - self.low) + self.low if self.circular else value

    def in_unit(self, unit: str) -> Quantity:
        """The same quantity in another unit; raises `UnknownUnitError` or `DimensionError`."""
        to_unit = make_conversion(self.unit, unit)
        return (
            self
            if unit == self.unit
            else replace(self, unit=unit, low=to_unit(self.low), high=to_unit(self.high))
        )


Catalogue = Mapping[str, Quantity]

# name, unit, low, high, meaning. Ranges are wide: they stop nonsense, not aerobatics.
_CATALOGUE = (
    Quantity("static_pressure", "hPa", 1.0, 1200.0, "pressure of the air around the aircraft"),
    Quantity("impact_pressure", "hPa", -50.0, 1500.0, "total minus static pressure"),
    Quantity("pressure_altitude", "ft", -5000.0, 120_000.0, "geopotential, in the standard atmosphere"),
    Quantity("geometric_altitude", "ft", -5000.0, 400_000.0, "height above mean sea level"),
    Quantity("altimeter_setting", "inHg", 25.0, 33.0, "pressure set on the altimeter's scale", stepped=True),
    Quantity(
        "sea_level_setting", "inHg", 25.0, 33.0, "setting at which an altimeter here would read height",
        stepped=True,
    ),
    Quantity("indicated_altitude", "ft", -8000.0, 120_000.0, "pressure altitude moved by the setting"),
    Quantity("calibrated_airspeed", "kt", -60.0, 1500.0, "from impact pressure at sea-level standard"),
    Quantity("indicated_airspeed", "kt", -60.0, 1500.0, "calibrated airspeed less position error"),
    Quantity("true_airspeed", "kt", -60.0, 4000.0, "speed through the air"),
    Quantity("mach", "1", 0.0, 10.0, "true airspeed over the speed of sound"),
    Quantity("speed_of_sound", "kt", 100.0, 1000.0, "in the air around the aircraft"),
    Quantity("vertical_speed", "ft/min", -60_000.0, 60_000.0, "rate of climb, up positive"),
    Quantity("heading_true", "deg", 0.0, 360.0, "clockwise from true north", circular=True),
    Quantity("heading_magnetic", "deg", 0.0, 360.0, "clockwise from magnetic north", circular=True),
    Quantity("compass_heading", "deg", 0.0, 360.0, "shown by the magnetic compass", circular=True),
    Quantity(
        "magnetic_variation", "deg", -180.0, 180.0, "of the compass from true north, east positive",
        stepped=True,
    ),
    Quantity("track_true", "deg", 0.0, 360.0, "path over ground, clockwise from true north", circular=True),
    Quantity("pitch", "deg", -90.0, 90.0, "nose up positive"),
    Quantity("bank", "deg", -180.0, 180.0, "right wing down positive", circular=True),
    Quantity("roll_rate", "deg/s", -1000.0, 1000.0, "body axis, right wing going down positive (ISO 1151)"),
    Quantity("pitch_rate", "deg/s", -1000.0, 1000.0, "body axis, nose going up positive (ISO 1151)"),
    Quantity("yaw_rate", "deg/s", -1000.0, 1000.0, "body axis, nose going right positive (ISO 1151)"),
    Quantity("turn_rate", "deg/s", -1000.0, 1000.0, "rate of change of heading, right positive"),
    Quantity("lateral_acceleration", "g", -20.0, 20.0, "specific force along the right wing"),
    Quantity("normal_acceleration", "g", -20.0, 20.0, "specific force through the roof, 1 in level flight"),
    Quantity("slip", "deg", -90.0, 90.0, "deflection of the ball from the middle, right positive"),
    Quantity("outside_air_temperature", "degC", -110.0, 70.0, "static air temperature"),
    Quantity("fuel_quantity", "L", 0.0, 500_000.0, "usable fuel on board"),
    Quantity("fuel_quantity_left", "L", 0.0, 200_000.0, "usable fuel in the left tank"),
    Quantity("fuel_quantity_right", "L", 0.0, 200_000.0, "usable fuel in the right tank"),
    Quantity("fuel_quantity_centre", "L", 0.0, 200_000.0, "usable fuel in the tank between them"),
    Quantity("flag", "1", 0.0, 1.0, "0 out of sight, 1 in sight, as an instrument shows it", stepped=True),
    Quantity("suction", "inHg", -1.0, 30.0, "of the gyros' air, below the pressure of the cabin"),
    Quantity("bus_voltage", "V", -50.0, 500.0, "of the main bus"),
    Quantity("electrical_power", "%", 0.0, 100.0, "of what lamps and flags get", stepped=True),
    Quantity("panel_lighting", "%", 0.0, 100.0, "brightness to the eye that the panel is lit with"),
    Quantity("battery_current", "A", -1000.0, 1000.0, "into the battery positive: it charges"),
    Quantity("time_of_day", "h", 0.0, 24.0, "since midnight, on the clock of the panel", circular=True),
    Quantity("radio_altitude", "ft", -100.0, 20_000.0, "height of the wheels above the ground"),
    Quantity("course_deviation", "dot", -20.0, 20.0, "of the pointer; the course is to the right: positive"),
    Quantity("glideslope_deviation", "dot", -20.0, 20.0, "of the pointer; the glide path is above: positive"),
    Quantity("relative_bearing", "deg", 0.0, 360.0, "of a beacon, clockwise from the nose", circular=True),
    Quantity("flap_position", "deg", -20.0, 90.0, "down positive"),
    Quantity("pitch_trim", "%", -100.0, 100.0, "of its travel, nose up positive"),
)  # fmt: skip

# Of each engine, the first without a number.
_ENGINE = (
    Quantity("engine_speed", "rpm", 0.0, 100_000.0, "crankshaft speed"),
    Quantity("manifold_pressure", "inHg", 0.0, 120.0, "absolute pressure in the intake"),
    Quantity("oil_pressure", "psi", 0.0, 500.0, "gauge pressure of the oil"),
    Quantity("oil_temperature", "degC", -70.0, 400.0, "temperature of the oil"),
    Quantity("fuel_flow", "L/h", 0.0, 100_000.0, "fuel used in an hour"),
    Quantity("fuel_pressure", "psi", -20.0, 2000.0, "gauge pressure of the fuel"),
    Quantity("exhaust_gas_temperature", "degC", -70.0, 1500.0, "temperature of the exhaust gas"),
    Quantity("cylinder_head_temperature", "degC", -70.0, 600.0, "temperature of the hottest cylinder head"),
)
_SECOND_ENGINE = tuple(
    replace(each, name=f"{each.name}_2", meaning=f"{each.meaning}, second engine") for each in _ENGINE
)

CATALOGUE: Catalogue = {quantity.name: quantity for quantity in (*_CATALOGUE, *_ENGINE, *_SECOND_ENGINE)}


def extend_catalogue(declared: Iterable[Quantity]) -> Catalogue:
    """The catalogue with a panel's own quantities added; a built-in one can't be redefined.

    Raises `ValueError` when a declared name is already taken.
    """
    catalogue = dict(CATALOGUE)
    for quantity in declared:
        if quantity.name in catalogue:
            raise ValueError(f"quantity '{quantity.name}' is already in the catalogue")
        catalogue[quantity.name] = quantity
    return catalogue


def find_quantity(name: str, catalogue: Catalogue = CATALOGUE) -> Quantity:
    """The quantity of that name; raises `UnknownQuantityError` with the nearest names and all."""
    found = catalogue.get(name)
    if found is None:
        raise UnknownQuantityError(f"unknown quantity '{name}'. {near(name, catalogue)}")
    return found
