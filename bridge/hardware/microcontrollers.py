"""The microcontrollers that the firmware runs on: pins as printed on common boards, and what they can do.

Pin names, ports and compare outputs: data sheets of the two parts and the printing on
common boards, from memory; the firmware's tests see pulses and steps arrive at these very pins. Currents of
pins: the same data sheets (20 mA is their test condition, 200 mA through the supply pins their absolute
maximum, the sums of groups of ports are notes to their DC characteristics), from memory; what a bare board
draws: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

FASTEST_STEPS_S = 3900
"""A channel makes at most one step in each second slot of 128 µs."""

WEAKEST_STEPS_S2, STRONGEST_STEPS_S2 = 8, 200_000
"""The accelerations that the firmware's arithmetic holds."""


@dataclass(frozen=True, slots=True)
class Microcontroller:
    """One microcontroller. `pins`: printed name to port letter and bit; `servo_pins`: those that a compare
    output of a 16-bit timer drives, with its register; `coarse_pins` the same for timer 0, whose 8 bits dim a
    lamp but make no servo's pulse (timer 2 makes the steps); `serial_pins` belong to the serial line. `pin_a`
    is what one pin drives well, `pins_a` what all may carry together,
    `group_a` what the pins of each of `groups` may supply together, `board_a` what its usual board draws,
    `logic_v` that board's logic supply."""

    name: str
    clock_hz: int
    flash_bytes: int
    ram_bytes: int
    pins: Mapping[str, tuple[str, int]]
    servo_pins: Mapping[str, str]
    coarse_pins: Mapping[str, str]
    serial_pins: tuple[str, ...]
    most_channels: int
    logic_v: float
    pin_a: float
    pins_a: float
    groups: tuple[tuple[str, ...], ...]
    group_a: float
    board_a: float

    @property
    def dimmer_pins(self) -> Mapping[str, str]:
        """The pins at which a timer can dim a lamp, with its register."""
        return {**self.coarse_pins, **self.servo_pins}


def _row(first: str, number: int, port: str, bits: range) -> dict[str, tuple[str, int]]:
    """Pins with consecutive numbers on consecutive bits of one port."""
    return {f"{first}{number + n}": (port, bit) for n, bit in enumerate(bits)}


def _bits(text: str) -> tuple[str, ...]:
    """Bits of ports, as in "C0-5 D0-4"."""
    spans = [(span[0], int(span[1]), int(span[3])) for span in text.split()]
    return tuple(f"{port}{bit}" for port, low, high in spans for bit in range(low, high + 1))


_FIRST_2560 = "E0 E1 E4 E5 G5 E3 H3 H4 H5 H6 B4 B5 B6 B7 J1 J0 H1 H0 D3 D2 D1 D0"  # D0 to D21

PARTS: Mapping[str, Microcontroller] = {
    part.name: part
    for part in (
        Microcontroller(
            "atmega328p",
            16_000_000,
            32_768,
            2048,
            _row("D", 0, "D", range(8)) | _row("D", 8, "B", range(6)) | _row("A", 0, "C", range(6)),
            {"D9": "OCR1A", "D10": "OCR1B"},
            {"D5": "OCR0B", "D6": "OCR0A"},
            ("D0", "D1"),
            6,
            logic_v=5.0,
            pin_a=0.02,
            pins_a=0.2,
            groups=(_bits("C0-5 D0-4"), _bits("B0-5 D5-7")),
            group_a=0.15,
            board_a=0.05,
        ),
        Microcontroller(
            "atmega2560",
            16_000_000,
            262_144,
            8192,
            {f"D{n}": (pin[0], int(pin[1])) for n, pin in enumerate(_FIRST_2560.split())}
            | _row("D", 22, "A", range(8))
            | _row("D", 30, "C", range(7, -1, -1))
            | {"D38": ("D", 7), "D39": ("G", 2), "D40": ("G", 1), "D41": ("G", 0)}
            | _row("D", 42, "L", range(7, -1, -1))
            | _row("D", 50, "B", range(3, -1, -1))
            | _row("A", 0, "F", range(8))
            | _row("A", 8, "K", range(8)),
            {
                "D11": "OCR1A",
                "D12": "OCR1B",
                "D13": "OCR1C",
                "D5": "OCR3A",
                "D2": "OCR3B",
                "D3": "OCR3C",
                "D6": "OCR4A",
                "D7": "OCR4B",
                "D8": "OCR4C",
                "D46": "OCR5A",
                "D45": "OCR5B",
                "D44": "OCR5C",
            },
            {"D4": "OCR0B"},
            ("D0", "D1"),
            12,
            logic_v=5.0,
            pin_a=0.02,
            pins_a=0.2,
            groups=(
                _bits("J0-7 G2-2 A0-7"),
                _bits("C0-7 G0-1 D0-7 L0-7"),
                _bits("G3-4 B0-7 H0-7"),
                _bits("E0-7 G5-5"),
                _bits("F0-7 K0-7"),
            ),
            group_a=0.2,
            board_a=0.1,
        ),
    )
}

DRIVEN_IN = {"four_wire": (2, "half steps"), "gauge_stepper": (1, "its six states")}
"""The microsteps in which the firmware itself switches coils; elsewhere a driver's jumpers set them."""


def baud_made(part: Microcontroller, baud: int) -> float:
    """The rate that the part's divider really makes (clock / 8 / whole number)."""
    return part.clock_hz / 8 / max(1, round(part.clock_hz / 8 / baud))
