"""Resolution: what one step is worth on the face, and what friction hides of it."""

from __future__ import annotations

import math
from collections.abc import Iterator

from bridge.check.case import Case
from bridge.check.findings import Finding, Severity, at_most, measured, number, with_unit

SEEN_JUMP_MM = 0.2
"""The finest jump of a pointer's tip that one sees: one minute of arc at 0.7 m (normal eyesight)."""


def step_worth(case: Case) -> float:
    """The most that one step is worth, in the gauge's unit: 360 / (steps per turn) degrees of the scale.

    A servo does not answer to less than its dead band.
    """
    steps = max(1.0, case.motor.dead_band_us) if case.motor.is_servo else 1.0
    return steps * case.step_deg * case.unit_per_deg


def friction_angle_deg(full_step_deg: float, friction_mnm: float, holding_mnm: float) -> float:
    """How far friction can hold a stepper's rotor from its place: (S / (pi/2)) arcsin(f / h), either way.

    S full step angle, f friction, h holding torque; NaN when friction is the greater. Source: D. W. Jones,
    Control of Stepping Motors, 'Friction and the dead zone' (its width there is both ways together).
    """
    if friction_mnm > holding_mnm:
        return math.nan
    return full_step_deg / (math.pi / 2) * math.asin(friction_mnm / holding_mnm)


def friction_error(case: Case) -> float:
    """The reading that friction can hide, in the gauge's unit; 0 where the motor's torque isn't known."""
    holding = case.motor.holding_torque_mnm
    if case.motor.is_servo or not holding:
        return 0.0
    full_step_deg = float(360 / case.motor.full_steps_per_turn)
    shaft_deg = friction_angle_deg(full_step_deg, case.load.behind(case.ratio).friction_mnm, holding)
    return shaft_deg / float(case.ratio) * case.unit_per_deg


def check_resolution(case: Case) -> Iterator[Finding]:
    """The worth of one step against tolerance and marks, the jump that one sees, and friction's error."""
    yield _step(case)
    yield from _against_marks(case)
    yield from _jump(case)
    yield from _friction(case)


def _step(case: Case) -> Finding:
    worth = step_worth(case)
    severity = at_most(worth, case.tolerance / 2, case.tolerance)
    per_turn = number(float(case.steps_per_turn), 6)
    formula = f"360 deg / {per_turn} {case.step_unit} x {with_unit(case.unit_per_deg, case.unit)} per deg"
    if case.motor.is_servo and case.motor.dead_band_us > 1:
        formula += f" x {number(case.motor.dead_band_us)} us dead band"
        text = f"The servo does not stir for less than {with_unit(worth, case.unit)} of reading."
        cure = (
            "Take a servo with a narrower dead band, or gear it so that it turns further for the same scale."
        )
    else:
        text = f"One step moves the pointer by {with_unit(worth, case.unit)}."
        cure = "Use more microsteps or a gear train with more motor turns for a turn of the pointer."
    if severity == "ok":
        cure = ""
    else:
        text += f" The error allowed is {with_unit(case.tolerance, case.unit)} ({case.tolerance_from})."
    formula += f" = {with_unit(worth, case.unit)}"
    limit = case.tolerance / 2
    return measured(
        case.subject, "resolution", severity, worth, limit, case.unit, formula=formula, text=text, cure=cure
    )


def _against_marks(case: Case) -> Iterator[Finding]:
    """A step against half of the face's finest mark: what an eye can read between marks."""
    if case.smallest_mark is None:
        return
    worth, limit = step_worth(case), case.smallest_mark / 2
    severity = at_most(worth, limit, math.inf)
    text = f"The face shows marks of {with_unit(case.smallest_mark, case.unit)}; one reads half of that."
    cure = "Draw coarser marks, or take finer steps: the face promises too much."
    formula = f"{with_unit(worth, case.unit)} a step, {with_unit(case.smallest_mark, case.unit)} a mark / 2"
    yield measured(
        case.subject, "marks", severity, worth, limit, case.unit, formula=formula, text=text, cure=cure
    )


def _jump(case: Case) -> Iterator[Finding]:
    if case.motor.is_servo:
        return
    jump_mm = case.length_mm * math.radians(case.step_deg)
    seen = jump_mm > SEEN_JUMP_MM
    cure = (
        "Use more microsteps if it should glide; they smooth it, they do not make it truer." if seen else ""
    )
    yield measured(
        case.subject,
        "smoothness",
        "note" if seen else "ok",
        jump_mm,
        SEEN_JUMP_MM,
        "mm",
        formula=f"{number(case.length_mm)} mm x {number(case.step_deg)} deg x pi/180"
        f" = {with_unit(jump_mm, 'mm')}",
        text=f"The tip jumps {with_unit(jump_mm, 'mm')} at each step"
        + (", which one sees." if seen else "."),
        cure=cure,
    )


def _friction(case: Case) -> Iterator[Finding]:
    holding = case.motor.holding_torque_mnm
    if case.motor.is_servo or not holding:
        return
    severity: Severity
    error = friction_error(case)
    friction = case.load.behind(case.ratio).friction_mnm
    full_step = float(360 / case.motor.full_steps_per_turn)
    formula = (
        f"{number(full_step)} deg / (pi/2) x arcsin({number(friction)} / {number(holding)} mN.m)"
        f" / {number(float(case.ratio))} x {with_unit(case.unit_per_deg, case.unit)} per deg"
    )
    if math.isnan(error):
        value, unit, limit, severity = friction, "mN.m", holding, "failure"
        text = (
            f"Friction of {number(friction)} mN.m at the motor is more than the {number(holding)} it holds."
        )
    else:
        value, unit, limit = error, case.unit, case.tolerance / 2
        severity = at_most(error, limit, math.inf)
        text = f"Friction can hold the pointer {with_unit(error, unit)} from its place, either way."
        formula += f" = {with_unit(error, unit)}"
    yield measured(
        case.subject,
        "friction",
        severity,
        value,
        limit,
        unit,
        formula=formula,
        text=text,
        cure="Free the bearings, or take a stronger motor.",
    )
