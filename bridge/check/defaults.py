"""What the check assumes where the description has no value: rates, tolerances, margins.

All of it common practice, no source, unless the line names one.
"""

from __future__ import annotations

from bridge.quantities.catalogue import Quantity

FASTEST_PER_S = {
    "pressure_altitude": 50.0,  # 3,000 ft/min: a steep descent
    "geometric_altitude": 50.0,
    "indicated_altitude": 50.0,
    "calibrated_airspeed": 10.0,
    "indicated_airspeed": 10.0,
    "true_airspeed": 10.0,
    "mach": 0.02,
    "vertical_speed": 1000.0,  # a pull of half a g: 965 ft/min more in each second
    "heading_true": 30.0,  # banked 60 degrees at 80 kt: 24 deg/s (FAA-H-8083-25, 1091 tan(bank) / TAS)
    "heading_magnetic": 30.0,
    "compass_heading": 30.0,
    "track_true": 30.0,
    "pitch": 30.0,
    "bank": 90.0,
    "turn_rate": 10.0,
    "slip": 30.0,
    "lateral_acceleration": 1.0,
    "normal_acceleration": 2.0,
    "outside_air_temperature": 1.0,
    "engine_speed": 1000.0,
    "manifold_pressure": 10.0,
    "oil_pressure": 50.0,
    "oil_temperature": 1.0,
    "fuel_quantity": 1.0,
    "fuel_quantity_left": 1.0,
    "fuel_quantity_right": 1.0,
    "fuel_quantity_centre": 1.0,
    "fuel_flow": 20.0,
    "fuel_pressure": 10.0,
    "exhaust_gas_temperature": 30.0,
    "cylinder_head_temperature": 2.0,
    "suction": 1.0,
    "bus_voltage": 5.0,
    "battery_current": 40.0,
    "time_of_day": 1.0 / 3600.0,  # a second in a second; after it is set a clock may take its time
    "radio_altitude": 100.0,  # over falling ground
    "course_deviation": 2.0,
    "glideslope_deviation": 2.0,
    "relative_bearing": 30.0,
    "flap_position": 10.0,
    "pitch_trim": 20.0,
}
"""The fastest change of each quantity in a light aeroplane, in its unit per second."""

TOLERANCE = {
    "mach": 0.01,
    "vertical_speed": 50.0,  # half the usual smallest mark
    "heading_true": 1.0,
    "heading_magnetic": 1.0,
    "compass_heading": 2.0,
    "track_true": 1.0,
    "calibrated_airspeed": 2.0,
    "indicated_airspeed": 2.0,
    "true_airspeed": 2.0,
    "pitch": 1.0,
    "bank": 2.0,
    "turn_rate": 0.25,
    "slip": 1.0,
    "engine_speed": 25.0,
    "time_of_day": 1.0 / 120.0,  # half a minute
    "relative_bearing": 2.0,
    "course_deviation": 0.25,
    "glideslope_deviation": 0.25,
    "flag": 0.1,  # in sight or not
}
"""The error that a good pointer may have, in the quantity's unit."""

TURN_SHARE = 0.01
"""Other endless pointers: a hundredth of a turn. An altimeter's hundreds pointer: 10 ft."""

SCALE_SHARE = 0.02
"""Other bounded pointers: a fiftieth of the scale."""

WHOLE_SCALE_S = 2.0
"""Other quantities: the whole scale, or one turn, in this time."""

CERTIFIED_ALTIMETER_FT = 20.0
"""The least scale error that 14 CFR Part 43 App. E Table I allows: -1,000 to 1,000 ft (value from memory)."""

TORQUE_MARGIN = 2.0
"""Torque to have over torque needed, for a motor without feedback."""


def fastest_per_s(quantity: Quantity, span: float) -> tuple[float, str]:
    """The fastest change (unit/s) and where it comes from; `span` is one turn, or the whole scale."""
    name = quantity.name.removesuffix("_2")  # of the second engine
    if name in FASTEST_PER_S:
        return FASTEST_PER_S[name], "a light aeroplane's, common practice"
    return span / WHOLE_SCALE_S, f"the whole scale in {WHOLE_SCALE_S:g} s, for want of better"


def tolerance(quantity: Quantity, span: float, endless: bool) -> tuple[float, str]:
    """The error allowed (unit) and where it comes from; `span` is one turn, or the whole scale."""
    name = quantity.name.removesuffix("_2")
    if name in TOLERANCE:
        return TOLERANCE[name], "common practice"
    if endless:
        return span * TURN_SHARE, "a hundredth of a turn, common practice"
    return span * SCALE_SHARE, "a fiftieth of the scale, common practice"
