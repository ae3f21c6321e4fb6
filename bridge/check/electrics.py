"""Electrics: current per driver, supply, heat in held coils, pins. Currents are those of the wiring sheet."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal

from bridge.check.findings import Finding, at_least, at_most, measured, number
from bridge.hardware.microcontrollers import PARTS, Microcontroller
from bridge.panel.board_checks import check_drive, pins_taken
from bridge.panel.hardware import BoardDescription, DriveDescription, Motor
from bridge.wiring.devices import MARGIN, USB_A, suffices, suitable_v, with_margin_a
from bridge.wiring.sheet import BoardSheet, coil_current_a, pin_currents_a

DRIVER_A = {"four_wire": 0.5, "step_dir": 1.0}
"""What an output's driver bears: a Darlington array's (sheets of the kind, from memory), a small chopper
driver's without a heat sink (common practice, no source). A gauge stepper hangs on the board's pins."""

HOT_W = 1.0
"""Heat from which a motor as small as a pointer's gets too hot to touch (common practice, no source)."""

MOST_OFF = 0.5
"""Fed with half more than its voltage a motor burns, with half less it stalls (common practice)."""

_BY_VOLTAGE = ("four_wire", "gauge_stepper")
"""Outputs that put the supply's voltage on a coil; a chopper driver sets the current instead."""


def coil_heat_w(current_a: float, resistance_ohm: float, coils: int = 2) -> float:
    """Joule's law: P = I^2 R in each coil that is on; a stepper held between full steps has two on."""
    return coils * current_a**2 * resistance_ohm


def check_output(subject: str, drive: DriveDescription, output: str) -> Iterator[Finding]:
    """What a board's firmware can't do with this drive on this output."""
    limits = (drive.microsteps, drive.speed_steps_s, drive.acceleration_steps_s2)
    for key, found, expected, cure in check_drive(output, *limits):
        text = f"{key} is {found}; a board does {expected}."
        yield Finding(subject, f"board {key}", "failure", text=text, cure=f"{cure}.")


def check_motor_electrics(
    subject: str, motor: Motor, output: str, supply_v: float | None, part: Microcontroller
) -> Iterator[Finding]:
    """Current, voltage and heat of one motor on one output; without `supply_v` the motor's own voltage.

    A gauge stepper on the board's pins gets the pins' voltage, whatever the supply.
    """
    volts = part.logic_v if output == "gauge_stepper" else supply_v or motor.voltage_v
    if not coil_current_a(motor):
        text = (
            "The motor has no current in its description: driver, fuse and supply are calculated without it."
        )
        cure = "Measure it and add current_a, or voltage_v and coil_resistance_ohm."
        yield Finding(subject, "current", "warning", text=text, cure=cure)
    elif motor.is_servo:
        yield from _servo(subject, motor)
    else:
        yield from _coil(subject, motor, output, volts, DRIVER_A.get(output, part.pin_a))
    yield from _voltage(subject, motor, volts)


def _coil(subject: str, motor: Motor, output: str, volts: float | None, limit: float) -> Iterator[Finding]:
    ohm, rated = motor.coil_resistance_ohm, coil_current_a(motor)
    if output in _BY_VOLTAGE and volts and ohm:
        current, formula = volts / ohm, f"{number(volts)} V / {number(ohm)} ohm"
    else:
        current, formula = rated, "as set at the driver"
    severity = at_most(current, limit, 2 * limit)
    cure = ""
    if severity != "ok":
        cure = (
            "Put a driver between."
            if output == "gauge_stepper"
            else "Cool the driver or take a stronger one."
        )
    yield measured(
        subject,
        "driver current",
        severity,
        current,
        limit,
        "A",
        formula=f"{formula} = {number(current)} A",
        text=f"Each coil takes {number(current)} A; an output of this kind bears {number(limit)} A.",
        cure=cure,
    )
    if ohm:
        yield _heat(subject, motor, current, rated, ohm)


def _heat(subject: str, motor: Motor, current: float, rated: float, ohm: float) -> Finding:
    heat, limit = coil_heat_w(current, ohm), coil_heat_w(rated, ohm)
    severity = at_most(heat, 1.1 * limit, 1.5 * limit)
    text = f"Held, its two coils turn {number(heat)} W into heat; it is made for {number(limit)} W."
    cure = ""
    if severity != "ok":
        cure = "Lower the voltage or the driver's current: it may burn you, and itself."
    elif motor.holds_without_current:
        text += " Its gears hold the pointer without current, so the coils may rest."
    elif heat > HOT_W:
        severity = "note"
        cure = "Too hot to touch: bolt it to metal, or halve the held current (a quarter of the heat)."
    formula = f"2 coils x ({number(current)} A)^2 x {number(ohm)} ohm = {number(heat)} W"
    return measured(subject, "coil heat", severity, heat, limit, "W", formula=formula, text=text, cure=cure)


def _servo(subject: str, motor: Motor) -> Iterator[Finding]:
    stalled = coil_current_a(motor)
    alone = stalled > USB_A
    cure = "Feed the servo from the motor supply, never from the board's 5 V pin; join the grounds."
    yield measured(
        subject,
        "servo current",
        "note" if alone else "ok",
        stalled,
        USB_A,
        "A",
        formula=f"stalled, from its description = {number(stalled)} A",
        text=f"Stalled it takes {number(stalled)} A; a board fed by USB has {number(USB_A)} A"
        " for everything.",
        cure=cure if alone else "",
    )


def _voltage(subject: str, motor: Motor, volts: float | None) -> Iterator[Finding]:
    rated, suitable = motor.voltage_v, suitable_v(motor)
    if rated is None or suitable is None or volts is None:
        return
    least, most = suitable
    if most == math.inf:
        severity = at_least(volts, least, 0.0)
        text = f"A chopper driver wants well above the coils' {number(rated)} V: it has {number(volts)} V."
        cure = f"Use {number(math.ceil(least))} V or more; torque fades early without."
        formula = f"2 x {number(rated)} V = {number(least)} V"
        bound: Literal["at most", "at least"] = "at least"
    else:
        off = volts / rated - 1
        severity = "ok" if least <= volts <= most else at_most(abs(off), 0.0, MOST_OFF)
        text = f"Made for {number(rated)} V, fed with {number(volts)} V."
        effect = "heat grows with the square, and a servo dies" if off > 0 else "torque falls with it"
        cure = f"Feed it {number(rated)} V: {effect}."
        formula = f"{number(volts)} V / {number(rated)} V - 1 = {number(100 * off)} %"
        bound = "at most" if off > 0 else "at least"
    yield Finding(
        subject,
        "voltage",
        severity,
        value=volts,
        unit="V",
        limit=most if bound == "at most" else least,
        bound=bound,
        formula=formula,
        text=text,
        cure="" if severity == "ok" else cure,
    )


def check_board(name: str, board: BoardDescription, sheet: BoardSheet) -> Iterator[Finding]:
    """The supply's total with margin, and how much of the board is used."""
    yield from _supply(name, board, sheet)
    yield _usb(name, sheet)
    yield from _groups(name, board, sheet)
    yield from _pins(name, board)


def _supply(name: str, board: BoardDescription, sheet: BoardSheet) -> Iterator[Finding]:
    total = sheet.total_a("motors")
    if not total:
        return
    loads = [load for load in sheet.loads if load.supply == "motors"]
    formula = " + ".join(f"{load.name} {number(load.current_a)} A" for load in loads)
    needed = with_margin_a(total)
    formula = f"({formula}) x {MARGIN:g} = {number(needed)} A"
    what = "motors and lamps" if any(lamp.supply == "motors" for lamp in board.lamps.values()) else "motors"
    text = f"All {what} at once, servos stalled, take {number(total)} A; with a quarter to spare"
    text += f" {number(needed)} A."
    if board.supply_a is None:
        cure = (
            f"Take a supply of {number(board.supply_v)} V and {number(sheet.needed_a)} A, and write supply_a."
        )
        yield Finding(
            f"board {name}",
            "supply",
            "note",
            value=needed,
            unit="A",
            formula=formula,
            text=text,
            cure=cure,
        )
        return
    severity = "ok" if suffices(board.supply_a, total) else at_most(total, 0.0, board.supply_a)
    cure = f"Take a supply of {number(sheet.needed_a)} A, or share the motors out."
    limit = board.supply_a
    yield measured(
        f"board {name}", "supply", severity, needed, limit, "A", formula=formula, text=text, cure=cure
    )


def _usb(name: str, sheet: BoardSheet) -> Finding:
    total = sheet.total_a("board")
    severity = at_most(total, USB_A / MARGIN, USB_A)
    formula = " + ".join(
        f"{load.name} {number(load.current_a)} A" for load in sheet.loads if load.supply == "board"
    )
    text = f"The board, and what it feeds, take {number(total)} A; a USB 2.0 port supplies {number(USB_A)} A."
    cure = "Feed the board from a supply of its own, or move loads to the motor supply."
    return measured(
        f"board {name}",
        "board current",
        severity,
        total,
        USB_A / MARGIN,
        "A",
        formula=f"{formula} = {number(total)} A; {number(USB_A)} A / {MARGIN:g}",
        text=text,
        cure=cure,
    )


def _groups(name: str, board: BoardDescription, sheet: BoardSheet) -> Iterator[Finding]:
    """What pins of neighbouring ports supply together: the fullest group."""
    part = PARTS[board.part]
    supplied = {"".join(map(str, part.pins[pin])): amps for pin, amps in pin_currents_a(sheet.wires).items()}
    if not supplied:
        return
    group = max(part.groups, key=lambda bits: sum(supplied.get(bit, 0.0) for bit in bits))
    used = {bit: supplied[bit] for bit in group if bit in supplied}
    total = sum(used.values())
    severity = at_most(total, part.group_a / MARGIN, part.group_a)
    ports = ", ".join(dict.fromkeys(bit[0] for bit in group))
    yield measured(
        f"board {name}",
        "port current",
        severity,
        total,
        part.group_a / MARGIN,
        "A",
        formula=" + ".join(f"P{bit} {number(amps)} A" for bit, amps in used.items())
        + f" = {number(total)} A; {number(part.group_a)} A / {MARGIN:g}",
        text=f"Its fullest ports ({ports}) supply {number(total)} A together; "
        f"an {part.name} bears {number(part.group_a)} A there.",
        cure="" if severity == "ok" else "Feed some lamps by a transistor, or move them to other ports.",
    )


def _pins(name: str, board: BoardDescription) -> Iterator[Finding]:
    """Pins and servo timers that the board must have, named or not, against those of its part."""
    part = PARTS[board.part]
    taken, servos = pins_taken(board)
    have = len(part.pins) - len(part.serial_pins)
    channels = f"{len(board.channels)} of {part.most_channels} channels"
    yield _counted(
        name,
        "pins",
        taken,
        have,
        f"outputs, sensors, knobs {taken}; {len(part.pins)} - {len(part.serial_pins)} for the line = {have}",
        f"{taken} pins of the {part.name}'s {have} are in use, and {channels}.",
        "Put some channels on another board, or take a larger part.",
    )
    if servos:
        places = ", ".join(part.servo_pins)
        yield _counted(
            name,
            "servo timers",
            servos,
            len(part.servo_pins),
            f"servos {servos}; pins on a 16-bit timer: {places}",
            f"{servos} servos want pins whose pulse a 16-bit timer makes; the {part.name} has"
            f" {len(part.servo_pins)} ({places}).",
            "Put some servos on another board, or take a part with more timers.",
        )


def _counted(name: str, check: str, count: int, limit: int, formula: str, text: str, cure: str) -> Finding:
    severity = at_most(count, limit, limit)
    return measured(
        f"board {name}",
        check,
        severity,
        float(count),
        float(limit),
        "pins",
        formula=formula,
        text=text,
        cure=cure,
    )
