"""Travel: a motor that ends against a pointer's scale; a servo that turns without end and knows no place."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.check.case import Case
from bridge.check.findings import Finding, at_most, measured, number, with_unit

_MINUTE_S = 60.0


def drift_deg_s(full_speed_deg_s: float, speed_tolerance: float, ratio: float) -> float:
    """How fast a pointer wanders when its motor's speed is off by this share of full speed."""
    return full_speed_deg_s * speed_tolerance / ratio


def check_travel(case: Case) -> Iterator[Finding]:
    """Whether the motor turns far enough (deg) for the whole scale; a continuous servo can't hold a place."""
    if case.motor.kind == "continuous_servo":
        yield from _continuous(case)
    elif case.motor.travel_deg is not None:
        yield _travel(case, case.motor.travel_deg)


def _travel(case: Case, have_deg: float) -> Finding:
    needed = case.span_deg * float(case.ratio)
    if case.endless:
        text = f"This pointer turns without end, but {case.motor_name} turns {number(have_deg)} deg only."
        cure = "Take a stepper without stops for it, with an index mark to find its place."
        formula = f"no end > {number(have_deg)} deg"
        return measured(
            case.subject, "travel", "failure", needed, have_deg, "deg", formula=formula, text=text, cure=cure
        )
    severity = at_most(needed, have_deg, have_deg)
    text = f"The scale of {number(case.span_deg)} deg turns the motor {number(needed)} deg;"
    text += f" it can turn {number(have_deg)}."
    cure = ""
    if severity != "ok":
        most = have_deg / case.span_deg
        cure = f"Use at most {number(most, 3)} motor turns for a turn of the pointer, or shorten the scale."
        if most < 1:
            cure += " Gearing up costs torque and resolution by the same factor."
    formula = f"{number(case.span_deg)} deg x {case.ratio} = {number(needed)} deg"
    return measured(
        case.subject, "travel", severity, needed, have_deg, "deg", formula=formula, text=text, cure=cure
    )


def _continuous(case: Case) -> Iterator[Finding]:
    """A pulse that sets a speed: the position is its integral, errors included, and nothing corrects it."""
    cure = (
        "Use a stepper (with an index mark for an endless pointer), or put feedback on the pointer's arbor."
    )
    if case.motor.speed_deg_s is None or not case.motor.speed_tolerance:
        text = "A continuous-rotation servo's pulse sets a speed, not a place: it can't hold a reading."
        yield Finding(case.subject, "place", "failure", text=text, cure=cure)
        return
    drift = drift_deg_s(case.motor.speed_deg_s, case.motor.speed_tolerance, float(case.ratio))
    per_minute = drift * _MINUTE_S * case.unit_per_deg
    seconds = case.tolerance / (drift * case.unit_per_deg)
    formula = (
        f"{number(case.motor.speed_deg_s)} deg/s x {number(case.motor.speed_tolerance)} / {case.ratio}"
        f" x {with_unit(case.unit_per_deg, case.unit)} per deg x 60 s = {with_unit(per_minute, case.unit)}"
    )
    text = (
        "A continuous-rotation servo's pulse sets a speed, not a place; it can't measure where it is."
        f" A speed that is off by {number(100 * case.motor.speed_tolerance)} % of full speed is"
        f" {number(drift)} deg/s at the pointer, {with_unit(per_minute, case.unit)} in a minute: beyond the"
        f" {with_unit(case.tolerance, case.unit)} allowed after {number(seconds, 2)} s."
    )
    if case.index_mark:
        share = case.motor.speed_tolerance * 360 * case.unit_per_deg
        text += (
            f" An index mark helps once in a turn only: up to {with_unit(share, case.unit)} off between two"
        )
        text += " of them at full speed, and more at a slower one."
    yield measured(
        case.subject,
        "place",
        "failure",
        per_minute,
        case.tolerance,
        case.unit,
        formula=formula,
        text=text,
        cure=cure,
    )
