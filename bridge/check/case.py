"""A case: one drive and what its gauge asks of it. Panels and typed questions both come down to cases."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from bridge.panel.gauge_description import PointerBody
from bridge.panel.hardware import DriveDescription, Motor


@dataclass(frozen=True, slots=True)
class Load:
    """What hangs on the pointer's arbor."""

    inertia_g_mm2: float
    unbalance_g_mm: float
    friction_mnm: float

    def behind(self, ratio: Fraction) -> Load:
        """This load as felt by a shaft that makes `ratio` turns for one of its own.

        Inertia by the ratio's square, torques by the ratio (Budynas and Nisbett, Shigley's Mechanical
        Engineering Design, ch. 16: energy is the same on both sides).
        """
        r = float(ratio)
        return Load(self.inertia_g_mm2 / r**2, self.unbalance_g_mm / r, self.friction_mnm / r)

    def __add__(self, other: Load) -> Load:
        return Load(
            self.inertia_g_mm2 + other.inertia_g_mm2,
            self.unbalance_g_mm + other.unbalance_g_mm,
            self.friction_mnm + other.friction_mnm,
        )


def load_of(body: PointerBody) -> Load:
    """The load of a described pointer; without an inertia, that of a thin rod about its end: m L^2 / 3.

    Source: any handbook's table of moments of inertia (Marks', Machinery's Handbook), from memory.
    """
    inertia = body.inertia_g_mm2
    if inertia is None:
        inertia = body.mass_g * body.length_mm**2 / 3
    return Load(inertia, body.unbalance_g_mm, body.friction_mnm)


@dataclass(frozen=True, slots=True)
class Case:
    """One drive and what is asked of it.

    `unit_per_deg` is the most that a degree of the drive is worth anywhere on the scale, in the gauge's
    unit; `deg_per_unit` the most degrees that a unit takes. `span` and `span_deg` are the whole scale, or
    one turn of an `endless` pointer. `fastest` is in unit/s; the `_from` texts tell where a number comes
    from, `fastest_cure` how to change an assumed one. `two_way`: there is a calibration curve for falling
    readings.
    """

    subject: str
    motor_name: str
    motor: Motor
    drive: DriveDescription
    load: Load
    unit: str
    endless: bool
    span: float
    span_deg: float
    unit_per_deg: float
    deg_per_unit: float
    fastest: float
    fastest_from: str
    tolerance: float
    """How far off the pointer may be, in `unit`."""
    tolerance_from: str
    length_mm: float
    altitude: bool = False
    two_way: bool = False
    smallest_mark: float | None = None
    """From one to the next of the finest marks that its face has, in `unit`; None without marks."""
    index_mark: bool = False
    fastest_cure: str = ""

    @property
    def ratio(self) -> Fraction:
        """Turns of the motor's output shaft for one turn of the pointer."""
        return math.prod(self.drive.gear_train, start=Fraction(1))

    @property
    def steps_per_turn(self) -> Fraction:
        """Commanded steps (microseconds of pulse for a servo) for one turn of the pointer, exactly."""
        return self.motor.full_steps_per_turn * self.drive.microsteps * self.ratio

    @property
    def step_deg(self) -> float:
        """The pointer's angle for one commanded step."""
        return float(360 / self.steps_per_turn)

    @property
    def step_unit(self) -> str:
        """What a commanded step is called: step, or microsecond."""
        return "us" if self.motor.is_servo else "steps"

    @property
    def needed_deg_s(self) -> float:
        """How fast the pointer turns in the fastest change."""
        return self.fastest * self.deg_per_unit

    @property
    def needed_steps_s(self) -> float:
        """How fast steps come in the fastest change."""
        return self.needed_deg_s / self.step_deg

    @property
    def shaft_deg_s(self) -> float:
        """The motor's output shaft at the drive's speed limit, degrees a second."""
        return self.drive.speed_steps_s * self.step_deg * float(self.ratio)

    @property
    def shaft_rad_s2(self) -> float:
        """The motor's output shaft at the drive's acceleration limit, radians a second squared."""
        return math.radians(self.drive.acceleration_steps_s2 * self.step_deg) * float(self.ratio)

    @property
    def full_steps_s(self) -> float:
        """The rotor at the drive's speed limit, full steps a second."""
        return self.drive.speed_steps_s / self.drive.microsteps
