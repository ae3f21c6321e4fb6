"""Speed and acceleration: the fastest change of the aircraft against the drive and its motor."""

from __future__ import annotations

import math
from collections.abc import Iterator

from bridge.check.case import Case
from bridge.check.findings import Finding, Severity, at_least, at_most, measured, number, with_unit

SPEED_MARGIN = 1.25
"""Speed to have over speed needed, so that the pointer catches up (common practice, no source)."""

SEEN_LAG = 3.0
"""In motion one sees a lag from so many times the error allowed at rest (common practice, no source)."""


def lag_steps(speed_steps_s: float, acceleration_steps_s2: float) -> float:
    """How far a pointer from rest falls behind a reading that sets off at this speed at once: v^2 / (2 a).

    While it speeds up, for v / a, the reading goes v^2 / a and the pointer half of that.
    """
    return speed_steps_s**2 / (2 * acceleration_steps_s2)


def first_step_rate(acceleration_steps_s2: float) -> float:
    """Speed at the end of the first step from rest, v = sqrt(2 a s) with s one step."""
    return math.sqrt(2 * acceleration_steps_s2)


def check_speed(case: Case) -> Iterator[Finding]:
    """Speed and acceleration that the fastest change needs, against what drive and board can do."""
    yield _speed(case)
    yield _lag(case)
    if case.motor.is_servo:
        yield from _servo_speed(case)
    else:
        yield from _pull_out(case)
        yield from _pull_in(case)


def _rate(case: Case) -> str:
    return (
        f"{with_unit(case.fastest, case.unit)} per s x {number(case.deg_per_unit)} deg per {case.unit}"
        f" / {number(case.step_deg)} deg"
    )


def _speed(case: Case) -> Finding:
    needed, limit = case.needed_steps_s, case.drive.speed_steps_s
    severity = at_least(limit / needed, SPEED_MARGIN, 1.0)
    unit = f"{case.step_unit}/s"
    text = f"The fastest change, {with_unit(case.fastest, case.unit)} per s ({case.fastest_from}), needs"
    text += f" {with_unit(needed, unit)}; the drive may do {with_unit(limit, unit)}."
    cure = ""
    if severity != "ok":
        cure = f"Set speed_steps_s to {number(math.ceil(needed * SPEED_MARGIN), 6)} if the motor bears it; "
        cure += "otherwise use fewer microsteps, less gearing down or a faster motor."
        cure += case.fastest_cure
    formula = f"{_rate(case)} = {with_unit(needed, unit)}"
    return measured(
        case.subject, "speed", severity, needed, limit, unit, formula=formula, text=text, cure=cure
    )


def _lag(case: Case) -> Finding:
    needed, limit = case.needed_steps_s, case.drive.speed_steps_s
    acceleration = case.drive.acceleration_steps_s2
    worth = case.step_deg * case.unit_per_deg
    unit = f"{case.step_unit}/s"
    if needed > limit:
        behind = (1 - limit / needed) * case.span
        formula = f"(1 - {number(limit)} / {number(needed)}) x {with_unit(case.span, case.unit)}"
        whole = "one turn" if case.endless else "the whole scale"
        text = f"After {whole} at the fastest change the pointer is {with_unit(behind, case.unit)} behind."
        cure = "Correct the speed first."
    else:
        behind = lag_steps(needed, acceleration) * worth
        formula = f"({number(needed)} {unit})^2 / (2 x {number(acceleration)} {unit}2) x"
        formula += f" {with_unit(worth, case.unit)}"
        text = f"When the fastest change sets in at once, the pointer lags by {with_unit(behind, case.unit)}."
        least = math.ceil(needed**2 / (2 * case.tolerance / worth) - 1e-6)
        cure = f"Set acceleration_steps_s2 to {number(least, 6)} or more if the motor's torque allows."
    severity: Severity = "ok"
    if behind > case.tolerance * (1 + 1e-9):  # an acceleration just as asked for is enough
        severity = "note" if behind <= SEEN_LAG * case.tolerance else "warning"
    formula += f" = {with_unit(behind, case.unit)}"
    return measured(
        case.subject,
        "lag",
        severity,
        behind,
        case.tolerance,
        case.unit,
        formula=formula,
        text=text,
        cure=cure,
    )


def _pull_out(case: Case) -> Iterator[Finding]:
    """The drive's limit against the rate at which the motor pulls out of step, unloaded."""
    if not case.motor.torque_curve:
        text = f"The motor {case.motor_name} has no torque curve, so its fastest rate can't be checked."
        cure = "Add torque_curve from its sheet."
        yield Finding(case.subject, "pull-out", "note", text=text, cure=cure)
        return
    rate, most = case.full_steps_s, case.motor.torque_curve[-1][0]
    severity = at_most(rate, 0.9 * most, most)
    text = f"At the drive's limit the rotor makes {number(rate)} full steps/s; it runs up to {number(most)}."
    cure = ""
    if severity != "ok":
        best = math.floor(0.9 * most * case.drive.microsteps)
        cure = f"Set speed_steps_s to {number(best, 6)} or less, or the motor loses steps."
        if case.needed_steps_s > best:
            cure = "The fastest change itself is too fast for it: gear down less, or take a faster motor."
    formula = f"{number(case.drive.speed_steps_s)} steps/s / {case.drive.microsteps} microsteps"
    formula += f" = {number(rate)} full steps/s"
    yield measured(
        case.subject, "pull-out", severity, rate, most, "full steps/s", formula=formula, text=text, cure=cure
    )


def _pull_in(case: Case) -> Iterator[Finding]:
    """The first step of the ramp against the rate at which the motor starts from rest."""
    most = case.motor.pull_in_steps_s
    if most is None:
        return
    acceleration = case.drive.acceleration_steps_s2 / case.drive.microsteps
    rate = min(first_step_rate(acceleration), case.full_steps_s)
    severity = at_most(rate, most, most)
    text = (
        f"The ramp begins at {number(rate)} full steps/s; from rest the motor follows up to {number(most)}."
    )
    cure = ""
    if severity != "ok":
        best = math.floor(most**2 / 2 * case.drive.microsteps)
        cure = f"Set acceleration_steps_s2 to {number(best, 6)} or less, or the motor misses the first steps."
    formula = (
        f"sqrt(2 x {number(acceleration)} full steps/s2), at most the limit = {number(rate)} full steps/s"
    )
    yield measured(
        case.subject, "pull-in", severity, rate, most, "full steps/s", formula=formula, text=text, cure=cure
    )


def _servo_speed(case: Case) -> Iterator[Finding]:
    """A servo follows at its own pace: the board can't tell when it falls behind."""
    most = case.motor.speed_deg_s
    if most is None or case.motor.kind == "continuous_servo":
        return
    needed = case.needed_deg_s * float(case.ratio)
    severity = at_least(most / needed, SPEED_MARGIN, 1.0)
    text = f"The fastest change turns the servo at {number(needed)} deg/s; unloaded it does {number(most)}."
    cure = "Take a faster servo, or let it turn less for the same scale."
    formula = f"{number(case.needed_deg_s)} deg/s x {case.ratio} = {number(needed)} deg/s"
    yield measured(
        case.subject, "servo speed", severity, needed, most, "deg/s", formula=formula, text=text, cure=cure
    )
    if case.shaft_deg_s > most:
        text = f"The drive may ask {number(case.shaft_deg_s)} deg/s of a servo that does {number(most)}."
        best = math.floor(most / float(case.ratio) / case.step_deg)
        cure = f"Set speed_steps_s to {number(best, 6)} or less, so that the status view shows where the"
        cure += " needle is."
        formula = f"{number(case.drive.speed_steps_s)} us/s x {number(case.step_deg)} deg/us x {case.ratio}"
        formula += f" = {number(case.shaft_deg_s)} deg/s"
        yield measured(
            case.subject,
            "servo limit",
            "warning",
            case.shaft_deg_s,
            most,
            "deg/s",
            formula=formula,
            text=text,
            cure=cure,
        )
