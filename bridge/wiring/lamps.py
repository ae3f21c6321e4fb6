"""The circuit of a lamp: which resistor, what current, and whether a pin can carry it or a transistor must.

Preferred numbers: IEC 60063, series E24. The rest is Ohm's law, with the diodes' voltage of their sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, log10

from bridge.hardware.microcontrollers import Microcontroller
from bridge.panel.hardware import BoardDescription, LampOutput

E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
"""IEC 60063; every kit of resistors has them."""

RATINGS_W = (0.25, 0.5, 1.0, 2.0, 5.0)
"""Of resistors that are easily had; twice the heat that they turn (both common practice, no source)."""

GATE_OHM, PULL_DOWN_OHM = 100, 10_000
"""At a MOSFET's gate: for the pin's sake, and so that it is off while the board starts (common practice)."""

SWITCH = "logic-level N-channel MOSFET, fully on at 4.5 V, for 1 A or more"
FLYBACK = "diode 1N4007 class across the coil, its ring at plus"


@dataclass(frozen=True, slots=True)
class LampCircuit:
    """`supply_v` is what feeds it. `resistor_ohm` is that of each string, None where the supply is too low
    for the diodes or a coil has none; `string_a` what flows in each then, `total_a` in all. `switched` is
    whether a transistor carries it, so that the pin drives no more than a gate."""

    supply_v: float
    diodes_v: float
    strings: int
    resistor_ohm: float | None
    resistor_w: float
    string_a: float
    switched: bool
    is_coil: bool

    @property
    def total_a(self) -> float:
        """What it draws when it is fully on."""
        return self.strings * self.string_a

    @property
    def is_possible(self) -> bool:
        """Whether the supply's voltage suffices."""
        return self.is_coil or self.resistor_ohm is not None


def preferred_ohm(least_ohm: float) -> float:
    """The smallest E24 value that is no less, so that no more current flows than is wanted."""
    decade = 10.0 ** (floor(log10(least_ohm)) - 1)
    values = [number * decade for number in (*E24, 100)]
    return float(f"{next(value for value in values if value >= least_ohm * (1 - 1e-9)):.6g}")


def lamp_circuit(lamp: LampOutput, board: BoardDescription, part: Microcontroller) -> LampCircuit:
    """The circuit of this lamp. A pin feeds it where it can, else the board's 5 V by a transistor."""
    by_motors = lamp.supply == "motors"
    supply_v = board.supply_v if by_motors else part.logic_v
    if lamp.coil is not None:
        return LampCircuit(supply_v, 0.0, 1, None, 0.0, supply_v / lamp.coil.resistance_ohm, True, True)
    assert lamp.led is not None, "the description was checked"
    led = lamp.led
    diodes_v = led.in_series * led.forward_v
    switched = by_motors or led.strings * led.current_a > part.pin_a
    left_v = supply_v - diodes_v
    if left_v <= 0.0:
        return LampCircuit(supply_v, diodes_v, led.strings, None, 0.0, led.current_a, switched, False)
    ohm = preferred_ohm(left_v / led.current_a)
    amps = left_v / ohm
    watts = next((rated for rated in RATINGS_W if rated >= 2 * left_v * amps), 2 * left_v * amps)
    return LampCircuit(supply_v, diodes_v, led.strings, ohm, watts, amps, switched, False)


def ohm_words(ohm: float) -> str:
    """A resistance as it is printed in a list of parts."""
    return f"{ohm / 1000:g} kohm" if ohm >= 1000 else f"{ohm:g} ohm"
