"""Electrics: current per driver, supply, heat in held coils, pins. Currents are those of the wiring sheet."""

from __future__ import annotations

import math
from collections.abc import Iterator

from bridge.check.findings import Finding, at_least, at_most, number
from bridge.panel.hardware import BoardDescription, Motor
from bridge.wiring.devices import MARGIN, USB_A
from bridge.wiring.sheet import BoardSheet, coil_current_a

DRIVER_A = {"four_wire": 0.5, "step_dir": 1.0, "gauge_stepper": 0.02}
"""What an output bears: a Darlington array's (sheets of the kind, from memory), a small chopper driver's
without a heat sink (common practice, no source), a microcontroller's pin (sheets recommend half of the
40 mA absolute maximum, from memory)."""

HOT_W = 1.0
"""Heat from which a motor as small as a pointer's gets too hot to touch (common practice, no source)."""

_BY_VOLTAGE = ("four_wire", "gauge_stepper")
"""Outputs that put the supply's voltage on a coil; a chopper driver sets the current instead."""


def coil_heat_w(current_a: float, resistance_ohm: float, coils: int = 2) -> float:
    """Joule's law: P = I^2 R in each coil that is on; a stepper held between full steps has two on."""
    return coils * current_a**2 * resistance_ohm


def check_motor_electrics(
    subject: str, motor: Motor, output: str, supply_v: float | None
) -> Iterator[Finding]:
    """Current, voltage and heat of one motor on one output; without `supply_v` the motor's own voltage."""
    volts = supply_v or motor.voltage_v
    if motor.is_servo:
        yield from _servo(subject, motor)
    else:
        yield from _coil(subject, motor, output, volts)
    yield from _voltage(subject, motor, output, volts)


def _coil(subject: str, motor: Motor, output: str, volts: float | None) -> Iterator[Finding]:
    ohm, rated = motor.coil_resistance_ohm, coil_current_a(motor)
    if output in _BY_VOLTAGE and volts and ohm:
        current, formula = volts / ohm, f"{number(volts)} V / {number(ohm)} ohm"
    else:
        current, formula = rated, "as set at the driver"
    limit = DRIVER_A[output]
    severity = at_most(current, limit, 2 * limit)
    cure = ""
    if severity != "ok":
        cure = (
            "Put a driver between."
            if output == "gauge_stepper"
            else "Cool the driver or take a stronger one."
        )
    yield Finding(
        subject,
        "driver current",
        severity,
        current,
        "A",
        limit,
        "at most",
        f"{formula} = {number(current)} A",
        f"Each coil takes {number(current)} A; an output of this kind bears {number(limit)} A.",
        cure,
    )
    if ohm:
        yield _heat(subject, motor, current, rated, ohm)


def _heat(subject: str, motor: Motor, current: float, rated: float, ohm: float) -> Finding:
    heat, limit = coil_heat_w(current, ohm), coil_heat_w(rated, ohm)
    severity = at_most(heat, 1.1 * limit, 1.5 * limit)
    says = f"Held, its two coils turn {number(heat)} W into heat; it is made for {number(limit)} W."
    cure = ""
    if severity != "ok":
        cure = "Lower the voltage or the driver's current: it may burn you, and itself."
    elif motor.holds_without_current:
        says += " Its gears hold the pointer without current, so the coils may rest."
    elif heat > HOT_W:
        severity = "note"
        cure = "Too hot to touch: bolt it to metal, or halve the held current (a quarter of the heat)."
    formula = f"2 coils x ({number(current)} A)^2 x {number(ohm)} ohm = {number(heat)} W"
    return Finding(subject, "coil heat", severity, heat, "W", limit, "at most", formula, says, cure)


def _servo(subject: str, motor: Motor) -> Iterator[Finding]:
    stalled = motor.current_a
    if stalled is None:
        return
    alone = stalled > USB_A
    cure = "Feed the servo from the motor supply, never from the board's 5 V pin; join the grounds."
    yield Finding(
        subject,
        "servo current",
        "note" if alone else "ok",
        stalled,
        "A",
        USB_A,
        "at most",
        f"stalled, from its description = {number(stalled)} A",
        f"Stalled it takes {number(stalled)} A; a board fed by USB has {number(USB_A)} A for everything.",
        cure if alone else "",
    )


def _voltage(subject: str, motor: Motor, output: str, volts: float | None) -> Iterator[Finding]:
    rated = motor.voltage_v
    if rated is None or volts is None:
        return
    if output == "step_dir" and motor.kind == "bipolar":
        least = 2 * rated
        severity = at_least(volts, least, 0.0)
        says = f"A chopper driver wants well above the coils' {number(rated)} V: it has {number(volts)} V."
        cure = (
            ""
            if severity == "ok"
            else f"Use {number(math.ceil(least))} V or more; torque fades early without."
        )
        formula = f"2 x {number(rated)} V = {number(least)} V"
        yield Finding(subject, "voltage", severity, volts, "V", least, "at least", formula, says, cure)
        return
    off = volts / rated - 1
    severity = at_most(abs(off), 0.1, math.inf)
    says = f"Made for {number(rated)} V, fed with {number(volts)} V."
    cure = ""
    if severity != "ok":
        effect = "heat grows with the square" if off > 0 else "torque falls with it"
        cure = f"Feed it {number(rated)} V: {effect}."
    formula = f"{number(volts)} V / {number(rated)} V - 1 = {number(100 * off)} %"
    yield Finding(subject, "voltage", severity, volts, "V", None, "", formula, says, cure)


def check_board(name: str, board: BoardDescription, sheet: BoardSheet) -> Iterator[Finding]:
    """The supply's total with margin, and how much of the board is used."""
    yield from _supply(name, board, sheet)
    yield _usb(name, sheet)
    yield _pins(name, board)


def _supply(name: str, board: BoardDescription, sheet: BoardSheet) -> Iterator[Finding]:
    total = sheet.total_a("motors")
    if not total:
        return
    loads = [load for load in sheet.loads if load.supply == "motors"]
    formula = " + ".join(f"{load.name} {number(load.current_a)} A" for load in loads)
    formula = f"({formula}) x {MARGIN:g} = {number(total * MARGIN)} A"
    says = f"All motors at once, servos stalled, take {number(total)} A; with a quarter to spare"
    says += f" {number(total * MARGIN)} A."
    if board.supply_a is None:
        cure = (
            f"Take a supply of {number(board.supply_v)} V and {number(sheet.needed_a)} A, and write supply_a."
        )
        yield Finding(f"board {name}", "supply", "note", total * MARGIN, "A", None, "", formula, says, cure)
        return
    severity = at_most(total * MARGIN, board.supply_a, board.supply_a * MARGIN)
    cure = (
        "" if severity == "ok" else f"Take a supply of {number(sheet.needed_a)} A, or share the motors out."
    )
    limit = board.supply_a
    yield Finding(
        f"board {name}", "supply", severity, total * MARGIN, "A", limit, "at most", formula, says, cure
    )


def _usb(name: str, sheet: BoardSheet) -> Finding:
    total = sheet.total_a("board")
    severity = at_most(total, USB_A / MARGIN, USB_A)
    formula = " + ".join(
        f"{load.name} {number(load.current_a)} A" for load in sheet.loads if load.supply == "board"
    )
    says = f"The board, and what it feeds, take {number(total)} A; a USB 2.0 port gives {number(USB_A)} A."
    cure = (
        ""
        if severity == "ok"
        else "Feed the board from a supply of its own, or move loads to the motor supply."
    )
    return Finding(
        f"board {name}",
        "board current",
        severity,
        total,
        "A",
        USB_A / MARGIN,
        "at most",
        f"{formula} = {number(total)} A; {number(USB_A)} A / {MARGIN:g}",
        says,
        cure,
    )


def _pins(name: str, board: BoardDescription) -> Finding:
    """A count for the bench; whether the part has such pins and timers is checked when the panel loads."""
    outputs = sum(len(channel.pins) for channel in board.channels.values())
    sensors = sum((c.index is not None) + (c.stop is not None) for c in board.channels.values())
    knobs = sum(len(entry.pins) for entry in board.inputs.values())
    servos = sum(channel.output == "servo" for channel in board.channels.values())
    steppers = len(board.channels) - servos
    total = outputs + sensors + knobs
    return Finding(
        f"board {name}",
        "pins",
        "ok",
        float(total),
        "pins",
        None,
        "",
        f"outputs {outputs} + sensors {sensors} + knobs {knobs} = {total}",
        f"{total} pins of the {board.part} in use, for {steppers} steppers and {servos} servos.",
    )
