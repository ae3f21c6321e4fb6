"""Drivers, and what the small parts draw: the trade's usual ones, each with its source or none.

Values without a source are common practice; a builder measures the parts in hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf

from bridge.hardware.microcontrollers import Microcontroller
from bridge.panel.hardware import Motor

LOGIC_A = 0.002
"""What a logic wire carries at most (a Darlington input at 5 V takes 1.4 mA: data sheets, from memory)."""

SENSOR_A = 0.02
"""An index sensor with its lamp (common practice, no source)."""

KNOB_A = 0.001
"""Two pull-ups of a knob or button (common practice, no source)."""

USB_A = 0.5
"""What a USB 2.0 port supplies to a configured device (USB 2.0 specification, 7.2.1, from memory)."""

MARGIN = 1.25
"""Supplies and fuses are chosen a quarter above the load (common practice, no source)."""

OFF_VOLTAGE = 0.1
"""A motor fed by voltage is well within this share of its own (common practice, no source)."""

RATINGS_A = (0.5, 1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0)
"""Ratings of supplies and fuses that are easily had (common practice, no source)."""

SIGNAL_COLOURS = ("yellow", "green", "blue", "white", "violet", "grey", "brown", "orange")
"""Suggested for signals, in order; red is kept for supply, black for ground, orange last."""


@dataclass(frozen=True, slots=True)
class Driver:
    """One way to drive a motor: terminals in the order of the channel's pins, and of the motor's leads.

    A driver without `outputs` is no part at all: the board's pins go to the motor itself.
    `logic` and `motor` name its terminals for the logic and the motor supply, `extras` what it needs.
    """

    part: str
    inputs: tuple[str, ...]
    outputs: tuple[str, ...] = ()
    leads: tuple[str, ...] = ()
    logic: str = ""
    motor: str = ""
    common: str = ""
    extras: Mapping[str, int] | None = None


_COILS = ("coil 1", "coil 2", "coil 3", "coil 4")
_STEP_DIR = ("STEP", "DIR", "ENABLE")
_BIPOLAR = ("A1", "A2", "B1", "B2")
_ENDS = ("coil A+", "coil A-", "coil B+", "coil B-")  # not A1 and A2, as a board's own pins are called
_CAPACITOR = {"capacitor 100 uF, 35 V, across the driver's motor supply": 1}
_DIODES = {"small Schottky diode, pin to logic supply and ground to pin": 8}

DRIVERS: dict[tuple[str, str], Driver] = {
    ("four_wire", "unipolar"): Driver(
        "Darlington array with clamp diodes (ULN2003 class)",
        ("IN1", "IN2", "IN3", "IN4"),
        ("OUT1", "OUT2", "OUT3", "OUT4"),
        _COILS,
        motor="COM",
        common="common",
    ),
    ("step_dir", "unipolar"): Driver(
        "step/direction driver for unipolar motors, with clamp diodes",
        _STEP_DIR,
        ("OUT1", "OUT2", "OUT3", "OUT4"),
        _COILS,
        logic="VDD",
        motor="VMOT",
        common="common",
        extras=_CAPACITOR,
    ),
    ("step_dir", "bipolar"): Driver(
        "step/direction chopper driver, current limit set to the motor's",
        _STEP_DIR,
        _BIPOLAR,
        _ENDS,
        logic="VDD",
        motor="VMOT",
        extras=_CAPACITOR,
    ),
    ("gauge_stepper", "gauge_stepper"): Driver("the board's own pins", _ENDS, extras=_DIODES),
    ("step_dir", "gauge_stepper"): Driver(
        "gauge-stepper driver with step and direction inputs",
        _STEP_DIR,
        ("OUT1", "OUT2", "OUT3", "OUT4"),
        _ENDS,
        logic="VDD",
        motor="VMOT",
    ),
    ("servo", "servo"): Driver(
        "the servo's own electronics",
        ("signal",),
        motor="V+",
        extras={"capacitor 470 uF, 10 V, across the servo's supply": 1},
    ),
}
DRIVERS[("servo", "continuous_servo")] = DRIVERS[("servo", "servo")]


def suitable_v(motor: Motor) -> tuple[float, float] | None:
    """The least and the highest supply voltage that suit this motor; None where it has none of its own.

    One fed by voltage needs its own, to a tenth; a chopper driver any from twice the coils' up, so that its
    current rises quickly enough (both common practice, no source).
    """
    if motor.voltage_v is None:
        return None
    if motor.kind == "bipolar":
        return 2 * motor.voltage_v, inf
    return (1 - OFF_VOLTAGE) * motor.voltage_v, (1 + OFF_VOLTAGE) * motor.voltage_v


def with_margin_a(load_a: float) -> float:
    """What a supply must have for this load."""
    return load_a * MARGIN


def suffices(supply_a: float, load_a: float) -> bool:
    """Whether a supply feeds this load with the margin."""
    return supply_a >= with_margin_a(load_a) - 1e-9


def rating_a(load_a: float) -> float:
    """The smallest usual rating a quarter above the load; the load with its margin beyond the list."""
    wanted = with_margin_a(load_a)
    return next((rating for rating in RATINGS_A if rating >= wanted - 1e-9), wanted)


def logic_pin(part: Microcontroller) -> str:
    """The board pin that feeds sensors and the logic side of drivers, as it is printed on the board."""
    return "5V" if part.logic_v == 5.0 else "3V3"


def wire_size(current_a: float) -> str:
    """A short wire's size for this current (common practice, no source; local codes come first)."""
    if current_a <= 1.0:
        return "0.25 mm² (24 AWG)"
    return (
        "0.5 mm² (20 AWG)" if current_a <= 3.0 else "1 mm² (18 AWG)" if current_a <= 7.0 else "by local code"
    )
