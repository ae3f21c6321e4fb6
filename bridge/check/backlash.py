"""Backlash as an error of the reading, what takes it up, and what is left of all errors together."""

from __future__ import annotations

import math
from collections.abc import Iterator

from bridge.check.case import Case
from bridge.check.defaults import CERTIFIED_ALTIMETER_FT
from bridge.check.findings import Finding, at_most, measured, number, with_unit
from bridge.check.resolution import friction_error, step_worth
from bridge.check.torque import unbalance_torque_mnm


def backlash_deg(case: Case) -> float:
    """Lost motion at the pointer: the motor's own over the gear ratio, and that of the train."""
    return case.motor.backlash_deg / float(case.ratio) + case.drive.backlash_deg


def falls_through(case: Case) -> bool:
    """Whether gravity, not friction, decides on which side of the slack the pointer lies."""
    return unbalance_torque_mnm(case.load.unbalance_g_mm) > case.load.friction_mnm


def check_backlash(case: Case) -> Iterator[Finding]:
    """Backlash, in the unit of the reading, and the error left at rest; nothing where numbers are missing."""
    yield _backlash(case)
    yield from _together(case)


def _left_over(case: Case) -> float:
    """The reading that backlash still takes after a spring, or two curves that friction lets work."""
    taken_up = case.drive.hair_spring or (case.two_way and not falls_through(case))
    return 0.0 if taken_up else backlash_deg(case) * case.unit_per_deg


def _backlash(case: Case) -> Finding:
    slack = backlash_deg(case)
    error = slack * case.unit_per_deg
    formula = (
        f"({number(case.motor.backlash_deg)} deg / {number(float(case.ratio))}"
        f" + {number(case.drive.backlash_deg)} deg) x {with_unit(case.unit_per_deg, case.unit)} per deg"
        f" = {with_unit(error, case.unit)}"
    )
    severity = at_most(error, case.tolerance, math.inf)
    text = f"When the reading turns round, {with_unit(error, case.unit)} is lost in the slack."
    cure = ""
    if case.drive.hair_spring:
        severity = "ok"
        text += " A hair spring takes it up."
    elif falls_through(case):
        text += " The pointer's weight is stronger than its friction and drops it through the slack."
        if severity == "warning":
            cure = "Balance the pointer or fit a hair spring; two-way calibration can't correct this."
    elif case.two_way:
        severity = "ok"
        text += " The calibration's falling curve takes it up, as friction keeps the pointer on one side."
    elif severity == "warning":
        cure = "Measure a falling curve as well (two-way calibration), or fit a hair spring."
    limit = case.tolerance
    return measured(
        case.subject, "backlash", severity, error, limit, case.unit, formula=formula, text=text, cure=cure
    )


def _together(case: Case) -> Iterator[Finding]:
    """Half a step, friction and the backlash left over, all at their worst and the same way."""
    half, friction, slack = step_worth(case) / 2, friction_error(case), _left_over(case)
    if math.isnan(friction):
        return
    total = half + friction + slack
    unit = case.unit
    severity = at_most(total, case.tolerance, math.inf)
    formula = f"half a step {with_unit(half, unit)} + friction {with_unit(friction, unit)}"
    formula += f" + backlash left {with_unit(slack, unit)} = {with_unit(total, unit)}"
    text = f"At rest the pointer is right to {with_unit(total, unit)}, calibration apart."
    cure = "Reduce the greatest of the three."
    limit = case.tolerance
    yield measured(
        case.subject, "at rest", severity, total, limit, unit, formula=formula, text=text, cure=cure
    )
    if case.altitude and case.unit == "ft":
        good = total <= CERTIFIED_ALTIMETER_FT
        text = "14 CFR Part 43 App. E Table I allows a certified altimeter 20 ft near sea level:"
        text += " this one is as good." if good else " this one would not pass."
        limit = CERTIFIED_ALTIMETER_FT
        severity = "ok" if good else "note"
        yield measured(case.subject, "certified", severity, total, limit, unit, formula=formula, text=text)
