"""Lamps: whether the supply suffices for the diodes, and what their pin and their resistor must bear."""

from __future__ import annotations

from collections.abc import Iterator

from bridge.check.findings import Finding, at_least, at_most, measured, number
from bridge.hardware.microcontrollers import PARTS
from bridge.panel.hardware import BoardDescription, LampOutput
from bridge.wiring.lamps import LampCircuit, lamp_circuit, ohm_words

HEADROOM = 0.1
"""Of the supply, left for the resistor: with less, the current is what the diodes' spread makes of it (common
practice, no source)."""

SWITCH_A = 1.0
"""What the transistor of the wiring sheet bears."""


def check_lamp(name: str, lamp: LampOutput, board: BoardDescription) -> Iterator[Finding]:
    """The circuit of one lamp or flag."""
    part = PARTS[board.part]
    circuit = lamp_circuit(lamp, board, part)
    subject = f"lamp {name}"
    if not circuit.is_coil:
        yield _headroom(subject, circuit)
    if not circuit.is_possible:
        return
    yield _current(subject, circuit, SWITCH_A if circuit.switched else part.pin_a)


def _headroom(subject: str, circuit: LampCircuit) -> Finding:
    least_v = circuit.diodes_v / (1.0 - HEADROOM)
    severity = at_least(circuit.supply_v, least_v, circuit.diodes_v * (1.0 + 1e-9))
    text = f"Its diodes take {number(circuit.diodes_v)} V of {number(circuit.supply_v)} V"
    if circuit.resistor_ohm is not None:
        text += (
            f"; {ohm_words(circuit.resistor_ohm)} ({circuit.resistor_w:g} W) leave "
            f"{number(circuit.string_a)} A in each string"
        )
    cure = "Put fewer in series, or feed them from a higher supply."
    return Finding(
        subject,
        "resistor",
        severity,
        value=circuit.supply_v,
        unit="V",
        limit=least_v,
        bound="at least",
        formula=f"{number(circuit.diodes_v)} V / (1 - {HEADROOM:g}) = {number(least_v)} V",
        text=f"{text}.",
        cure="" if severity == "ok" else cure,
    )


def _current(subject: str, circuit: LampCircuit, limit_a: float) -> Finding:
    total = circuit.total_a
    severity = at_most(total, limit_a, limit_a)
    if circuit.is_coil:
        formula = f"{number(circuit.supply_v)} V by its coil = {number(total)} A"
        text = f"Its coil takes {number(total)} A by a transistor, with a diode across the coil."
    else:
        left_v = circuit.supply_v - circuit.diodes_v
        assert circuit.resistor_ohm is not None
        formula = f"{circuit.strings} x {number(left_v)} V / {number(circuit.resistor_ohm)} ohm"
        formula += f" = {number(total)} A"
        carrier = "a transistor" if circuit.switched else "its pin"
        text = f"It takes {number(total)} A by {carrier}, which bears {number(limit_a)} A."
    cure = "" if severity == "ok" else "Take fewer strings, or share them out over several outputs."
    return measured(subject, "current", severity, total, limit_a, "A", formula=formula, text=text, cure=cure)
