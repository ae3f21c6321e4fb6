"""One drive asked about in a few words, without a panel: will this motor do for that pointer?"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from bridge.check import defaults
from bridge.check.case import Case, load_of
from bridge.check.electrics import check_motor_electrics, check_output
from bridge.check.findings import Finding, number
from bridge.check.gearing import check_counted_teeth
from bridge.check.panel import check_case
from bridge.check.speed import SPEED_MARGIN
from bridge.description import near, validate
from bridge.errors import DescriptionError
from bridge.hardware.microcontrollers import DRIVEN_IN, PARTS
from bridge.panel.gauge_description import PointerBody
from bridge.panel.hardware import DriveDescription, Motor
from bridge.quantities.catalogue import CATALOGUE, Quantity

OUTPUTS = {
    "unipolar": "four_wire",
    "bipolar": "step_dir",
    "gauge_stepper": "gauge_stepper",
    "servo": "servo",
    "continuous_servo": "servo",
}
"""The usual output for each kind of motor."""

_PART = PARTS["atmega328p"]
"""The board assumed, as in a panel that names none."""


@dataclass(frozen=True, slots=True)
class DriveQuestion:
    """What a builder types. An endless pointer has `span` for one turn; a bounded one has `sweep_deg` too.

    `fastest` is in unit/s, `speed` and `acceleration` in commanded steps; what is left out is taken
    from common practice, and reported. Without `microsteps` it is as a board drives such a motor.
    """

    motor: str
    unit: str
    span: float
    sweep_deg: float | None = None
    gears: tuple[Fraction, ...] = ()
    """Turns of the driving wheel for one of the driven wheel, stage by stage."""
    microsteps: int | None = None
    fastest: float | None = None
    tolerance: float | None = None
    """How far off the pointer may be, in `unit`."""
    speed: float | None = None
    acceleration: float | None = None
    backlash_deg: float = 0.0
    hair_spring: bool = False
    supply_v: float | None = None
    body: PointerBody = field(default_factory=PointerBody)


def check_drive(question: DriveQuestion, motors: dict[str, Motor]) -> list[Finding]:
    """All findings about the drive asked for; raises `DescriptionError` for a motor that isn't known."""
    return list(_drive(question, motors))


def _drive(question: DriveQuestion, motors: dict[str, Motor]) -> Iterator[Finding]:
    motor = motors.get(question.motor)
    if motor is None:
        found, cure = f"an unknown motor '{question.motor}'", near(question.motor, list(motors))
        raise DescriptionError("command line", "--motor", found, "one of the catalogue", cure)
    case = _case(question, motor)
    yield from _limits(question, case)
    yield from check_case(case)
    output = OUTPUTS[motor.kind]
    yield from check_output(case.subject, case.drive, output)
    yield from check_motor_electrics(case.subject, motor, output, question.supply_v, _PART)
    yield from check_counted_teeth(question.motor, motor, motors)


def _case(question: DriveQuestion, motor: Motor) -> Case:
    endless = question.sweep_deg is None
    span_deg = question.sweep_deg or 360.0
    quantity = _quantity(question.unit, question.span)
    fastest, fastest_from = defaults.fastest_per_s(quantity, question.span)
    tolerance, tolerance_from = defaults.tolerance(quantity, question.span, endless)
    fastest, tolerance = question.fastest or fastest, question.tolerance or tolerance
    microsteps = question.microsteps or DRIVEN_IN.get(OUTPUTS[motor.kind], (1, ""))[0]
    steps = motor.full_steps_per_turn * microsteps * math.prod(question.gears, start=Fraction(1))
    steps_per_unit = span_deg / question.span * float(steps) / 360
    needed = fastest * steps_per_unit
    speed = question.speed or math.ceil(needed * SPEED_MARGIN)
    drive = validate(
        DriveDescription,
        {
            "motor": question.motor,
            "microsteps": microsteps,
            "gear_train": question.gears,
            "speed_steps_s": speed,
            "acceleration_steps_s2": question.acceleration
            or math.ceil(needed**2 / (2 * tolerance * steps_per_unit)),
            "backlash_deg": question.backlash_deg,
            "hair_spring": question.hair_spring,
        },
        "command line",
    )
    return Case(
        subject="drive",
        motor_name=question.motor,
        motor=motor,
        drive=drive,
        load=load_of(question.body),
        unit=question.unit,
        endless=endless,
        span=question.span,
        span_deg=span_deg,
        unit_per_deg=question.span / span_deg,
        deg_per_unit=span_deg / question.span,
        fastest=fastest,
        fastest_from="as asked" if question.fastest else fastest_from,
        tolerance=tolerance,
        tolerance_from="as asked" if question.tolerance else tolerance_from,
        length_mm=question.body.length_mm,
        altitude=question.unit == "ft",
    )


def _quantity(unit: str, span: float) -> Quantity:
    """The quantity that a gauge in this unit most likely shows; one of its own where none is known."""
    for name in ("indicated_altitude", "indicated_airspeed", "heading_magnetic", *defaults.FASTEST_PER_S):
        if CATALOGUE[name].unit == unit:
            return CATALOGUE[name]
    return Quantity("", unit, 0.0, span, "asked for on the command line")


def _limits(question: DriveQuestion, case: Case) -> Iterator[Finding]:
    """The drive's limits where they were left to us: what to write into the description."""
    if question.speed and question.acceleration:
        return
    speed, acceleration = case.drive.speed_steps_s, case.drive.acceleration_steps_s2
    unit = f"{case.step_unit}/s"
    formula = f"{number(case.needed_steps_s)} {unit} x {SPEED_MARGIN:g};"
    formula += (
        f" ({number(case.needed_steps_s)} {unit})^2 / (2 x {number(case.tolerance)} {case.unit} of lag)"
    )
    text = f"Calculated with speed_steps_s = {speed:.0f} and acceleration_steps_s2 = {acceleration:.0f},"
    text += " just enough for the fastest change."
    cure = "Write them into the drive if everything else passes; --speed and --acceleration try others."
    yield Finding(
        case.subject, "limits", "note", value=speed, unit=unit, formula=formula, text=text, cure=cure
    )
