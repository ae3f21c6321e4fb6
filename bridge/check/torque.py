"""Torque: what the pointer asks of the motor through its gears, and what the motor has at that rate."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

from bridge.check.case import Case
from bridge.check.defaults import TORQUE_MARGIN
from bridge.check.findings import Finding, at_least, at_most, measured, number

GRAVITY_M_S2 = 9.80665
MESH_EFFICIENCY = 0.9
"""What one pair of small plastic wheels passes on (common practice, no source; cut metal: 0.95 or more)."""


def inertia_torque_mnm(inertia_g_mm2: float, acceleration_rad_s2: float) -> float:
    """T = J alpha. A g.mm^2 is 1e-9 kg.m^2, so a millionth of a mN.m for each rad/s^2."""
    return inertia_g_mm2 * acceleration_rad_s2 * 1e-6


def unbalance_torque_mnm(unbalance_g_mm: float) -> float:
    """The most that gravity turns an unbalanced pointer: mass times arm times g, the arm level."""
    return unbalance_g_mm * GRAVITY_M_S2 * 1e-3


def stepper_torque_mnm(curve: Sequence[tuple[float, float]], rate_steps_s: float) -> float:
    """Pull-out torque at this rate, straight between the curve's points; level before the first, 0 beyond."""
    if rate_steps_s <= curve[0][0]:
        return curve[0][1]
    for (r0, t0), (r1, t1) in pairwise(curve):
        if rate_steps_s <= r1:
            return t0 + (t1 - t0) * (rate_steps_s - r0) / (r1 - r0)
    return 0.0


def servo_torque_mnm(stall_mnm: float, free_deg_s: float | None, rate_deg_s: float) -> float:
    """T = Ts (1 - w / wf): a direct-current motor's torque falls straight from stall to free speed."""
    if free_deg_s is None:
        return stall_mnm
    return max(0.0, stall_mnm * (1 - rate_deg_s / free_deg_s))


def check_torque(case: Case) -> Iterator[Finding]:
    """Torque at the motor's shaft (mN.m), needed and available, in motion and at rest."""
    yield from _moving(case)
    yield from _resting(case)


def _moving(case: Case) -> Iterator[Finding]:
    available = _available(case)
    if available is None:
        text = f"The motor {case.motor_name} has no torque in its description, so torque can't be checked."
        cure = "Add torque_mnm from its sheet." if case.motor.is_servo else "Add torque_curve from its sheet."
        yield Finding(case.subject, "torque", "note", text=text, cure=cure)
        return
    have, rate = available
    felt = case.load.behind(case.ratio)
    internal = float(math.prod(case.motor.gear_train, start=1))
    rotor_g_mm2 = case.motor.rotor_inertia_g_cm2 * 100 * internal**2
    efficiency = MESH_EFFICIENCY ** len(case.drive.gear_train)
    spin = inertia_torque_mnm(felt.inertia_g_mm2 / efficiency + rotor_g_mm2, case.shaft_rad_s2)
    weight = unbalance_torque_mnm(felt.unbalance_g_mm) / efficiency
    rub = felt.friction_mnm / efficiency
    needed = spin + weight + rub
    margin = have / needed if needed else math.inf
    severity = at_least(margin, TORQUE_MARGIN, 1.0)
    formula = (
        f"(J {number(case.load.inertia_g_mm2)} g.mm2 / {number(float(case.ratio))}^2 / {number(efficiency)}"
        f" + rotor {number(rotor_g_mm2)} g.mm2) x {number(case.shaft_rad_s2)} rad/s2 = {number(spin)} mN.m;"
        f" + unbalance {number(case.load.unbalance_g_mm)} g.mm x g / {number(float(case.ratio))}"
        f" / {number(efficiency)} = {number(weight)} mN.m; + friction {number(rub)} mN.m"
        f" = {number(needed)} mN.m; motor {number(have)} mN.m at {rate}"
    )
    text = f"The pointer asks {number(needed)} mN.m of the motor, which has {number(have)} at {rate}:"
    text += f" {number(margin, 3)} times that."
    yield measured(
        case.subject,
        "torque",
        severity,
        needed,
        have / TORQUE_MARGIN,
        "mN.m",
        formula=formula,
        text=text,
        cure=_cure(case, have, spin, weight, rub),
    )


def _available(case: Case) -> tuple[float, str] | None:
    """Torque at the motor's shaft (mN.m) and the rate at which it holds; None if not described."""
    if case.motor.is_servo:
        if case.motor.torque_mnm is None:
            return None
        rate = case.needed_deg_s * float(case.ratio)
        return servo_torque_mnm(case.motor.torque_mnm, case.motor.speed_deg_s, rate), f"{number(rate)} deg/s"
    if not case.motor.torque_curve:
        return None
    rate = case.full_steps_s
    return stepper_torque_mnm(case.motor.torque_curve, rate), f"{number(rate)} full steps/s"


def _cure(case: Case, have: float, spin: float, weight: float, rub: float) -> str:
    """What helps most against the greatest part of the load."""
    if not have:
        return "It has no torque left at that rate: correct the speed first."
    if weight >= max(spin, rub):
        cure = "Balance the pointer: a small weight on its tail takes the unbalance away"
    elif spin >= rub:
        cure = "Lower acceleration_steps_s2, or make the pointer lighter"
    else:
        cure = "Free the bearings"
    if case.ratio < 1:
        return f"{cure}; the gears multiply the load by {number(float(1 / case.ratio))}: gear up less."
    return f"{cure}; or lower the drive's speed, gear down more, or take a stronger motor."


def _resting(case: Case) -> Iterator[Finding]:
    """An unbalanced pointer must not sink when the board rests the coils."""
    if case.motor.is_servo or not case.load.unbalance_g_mm:
        return
    have = case.motor.detent_torque_mnm
    pull = unbalance_torque_mnm(case.load.behind(case.ratio).unbalance_g_mm)
    severity = at_most(pull, have / TORQUE_MARGIN, math.inf)
    text = f"With its coils at rest the motor holds {number(have)} mN.m; the pointer's weight pulls"
    text += f" {number(pull)}."
    cure = "Balance the pointer, or it sinks when the coils rest."
    formula = f"{number(case.load.unbalance_g_mm)} g.mm x 9.80665 m/s2 / {number(float(case.ratio))}"
    formula += f" = {number(pull)} mN.m"
    limit = have / TORQUE_MARGIN
    yield measured(case.subject, "rest", severity, pull, limit, "mN.m", formula=formula, text=text, cure=cure)
