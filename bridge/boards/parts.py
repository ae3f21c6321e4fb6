"""The microcontrollers that the firmware runs on: pins as printed on common boards, and what they can do.

`check_pins` and `check_drive` say what a described board asks of its part in vain; the firmware generator
reads the same table. Pin names, ports and compare outputs: data sheets of the two parts and the printing on
common boards, from memory; the firmware's tests see pulses and steps arrive at these very pins. Currents of
pins: the same data sheets (20 mA is their test condition, 200 mA through the supply pins their absolute
maximum), from memory; what a bare board draws: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

from bridge.description import near

Complaint = tuple[str, str, str, str]
"""The dotted key below the board, then found, expected and cure."""

FASTEST_STEPS_S = 3900
"""A channel makes at most one step in each second slot of 128 µs."""

WEAKEST_STEPS_S2, STRONGEST_STEPS_S2 = 8, 200_000
"""The accelerations that the firmware's arithmetic holds."""

_MOST_STEPS_S = 12_000
"""All channels of a board together, at a hundred frames a second: measured by tests/bench/firmware.py."""

_EASY_CHANNELS = 8
_STEPS_LESS = 1200  # for each channel beyond those: every one takes its time, moving or not

_BAUD_TOLERANCE = 0.025  # of the rate; both ends together may be about 5 % apart (common practice, no source)


class SensorLike(Protocol):
    @property
    def pin(self) -> str: ...


class ChannelLike(Protocol):
    @property
    def output(self) -> str: ...
    @property
    def pins(self) -> tuple[str, ...]: ...
    @property
    def index(self) -> SensorLike | None: ...
    @property
    def stop(self) -> SensorLike | None: ...


class InputLike(Protocol):
    @property
    def kind(self) -> str: ...
    @property
    def pins(self) -> tuple[str, ...]: ...


class BoardLike(Protocol):
    """What is read of a board of the panel description."""

    @property
    def part(self) -> str: ...
    @property
    def link(self) -> str: ...
    @property
    def baud(self) -> int: ...
    @property
    def channels(self) -> Mapping[int, ChannelLike]: ...
    @property
    def inputs(self) -> Mapping[int, InputLike]: ...


@dataclass(frozen=True, slots=True)
class Part:
    """One microcontroller. `pins`: printed name to port letter and bit; `servo_pins`: those that a compare
    output of a 16-bit timer drives, with its register; `serial_pins` belong to the serial line. `pin_a` is
    what one pin drives well, `pins_a` what all may carry together, `board_a` what its usual board draws,
    `logic_v` that board's logic supply."""

    name: str
    clock_hz: int
    flash_bytes: int
    ram_bytes: int
    pins: Mapping[str, tuple[str, int]]
    servo_pins: Mapping[str, str]
    serial_pins: tuple[str, ...]
    most_channels: int
    logic_v: float
    pin_a: float
    pins_a: float
    board_a: float


def _row(first: str, number: int, port: str, bits: range) -> dict[str, tuple[str, int]]:
    """Pins with consecutive numbers on consecutive bits of one port."""
    return {f"{first}{number + n}": (port, bit) for n, bit in enumerate(bits)}


_FIRST_2560 = "E0 E1 E4 E5 G5 E3 H3 H4 H5 H6 B4 B5 B6 B7 J1 J0 H1 H0 D3 D2 D1 D0"  # D0 to D21

PARTS: Mapping[str, Part] = {
    part.name: part
    for part in (
        Part(
            "atmega328p",
            16_000_000,
            32_768,
            2048,
            _row("D", 0, "D", range(8)) | _row("D", 8, "B", range(6)) | _row("A", 0, "C", range(6)),
            {"D9": "OCR1A", "D10": "OCR1B"},
            ("D0", "D1"),
            6,
            logic_v=5.0,
            pin_a=0.02,
            pins_a=0.2,
            board_a=0.05,
        ),
        Part(
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
            ("D0", "D1"),
            12,
            logic_v=5.0,
            pin_a=0.02,
            pins_a=0.2,
            board_a=0.1,
        ),
    )
}

_WIRES = {  # how many pins each output and input takes
    "step_dir": ((2, 3), "step, direction and optionally enable"),
    "four_wire": ((4,), "the four coils in order"),
    "gauge_stepper": ((4,), "both ends of one coil, then of the other"),
    "servo": ((1,), "its signal"),
    "encoder": ((2,), "its two phases"),
    "button": ((1,), "its contact"),
}


DRIVEN_IN = {"four_wire": (2, "half steps"), "gauge_stepper": (1, "its six states")}
"""The microsteps in which the firmware itself switches coils; elsewhere a driver's jumpers set them."""


def check_pins(board: BoardLike) -> Iterator[Complaint]:
    """What can't be wired as described. Pins may be left out altogether, for a board that stays virtual."""
    part = PARTS.get(board.part)
    if part is None:
        yield "part", f"an unknown part '{board.part}'", "a known part", near(board.part, list(PARTS))
        return
    if len(board.channels) > part.most_channels:
        yield (
            "channels",
            f"{len(board.channels)} channels",
            f"at most {part.most_channels} on an {part.name}",
            "Put some on another board, or choose a larger part",
        )
    if board.link == "serial":
        yield from _baud(part, board.baud)
    owners: dict[str, str] = dict.fromkeys(part.serial_pins, "the serial line")
    for key, kind, pins in _wired(board):
        counts, meaning = _WIRES.get(kind, ((1,), "its signal"))
        if pins and len(pins) not in counts:
            numbers = " or ".join(map(str, counts))
            yield key, f"{len(pins)} pins", f"{numbers} for a {kind}: {meaning}", "Name each of them"
        for pin in pins:
            yield from _pin(part, key, kind, pin, owners)


def _wired(board: BoardLike) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Every place where pins are named: key, kind, pins."""
    for number, channel in board.channels.items():
        yield f"channels.{number}.pins", channel.output, channel.pins
        for name, sensor in (("index", channel.index), ("stop", channel.stop)):
            if sensor is not None:
                yield f"channels.{number}.{name}.pin", "sensor", (sensor.pin,)
    for number, given in board.inputs.items():
        yield f"inputs.{number}.pins", given.kind, given.pins


def pins_taken(board: BoardLike) -> tuple[int, int]:
    """How many pins this board's channels and inputs take, and how many of them are servos'.

    Where none are named, the fewest that such an output or input can do with.
    """
    taken = sum(len(pins) or min(_WIRES.get(kind, ((1,), ""))[0]) for _, kind, pins in _wired(board))
    return taken, sum(channel.output == "servo" for channel in board.channels.values())


def _pin(part: Part, key: str, kind: str, pin: str, owners: dict[str, str]) -> Iterator[Complaint]:
    if pin not in part.pins:
        yield key, f"pin {pin}", f"a pin of an {part.name}", near(pin, list(part.pins))
    elif pin in owners:
        yield key, f"pin {pin}, which {owners[pin]} has", "a pin of its own", "Move one of the two"
    elif kind == "servo" and pin not in part.servo_pins:
        yield (
            key,
            f"pin {pin} for a servo",
            "a pin that a 16-bit timer drives, so that the pulse does not jitter",
            f"Choose one of {', '.join(part.servo_pins)}",
        )
    owners.setdefault(pin, key.rpartition(".pin")[0])


def _baud(part: Part, baud: int) -> Iterator[Complaint]:
    """The part divides its clock by whole numbers: some rates come out too far off."""
    if abs(baud_made(part, baud) / baud - 1.0) > _BAUD_TOLERANCE:
        exact = [rate for rate in (115_200, 250_000, 500_000, 1_000_000) if rate <= 2 * baud]
        yield (
            "baud",
            f"{baud}, which an {part.name} can only make as {baud_made(part, baud):.0f}",
            f"a rate met within {_BAUD_TOLERANCE:.1%}",
            f"Choose {' or '.join(map(str, exact[-2:])) or '115200'}",
        )


def baud_made(part: Part, baud: int) -> float:
    """The rate that the part's divider really makes (clock / 8 / whole number)."""
    return part.clock_hz / 8 / max(1, round(part.clock_hz / 8 / baud))


def check_rates(speeds_steps_s: Mapping[int, float], servos: Collection[int]) -> Iterator[Complaint]:
    """What the processor can't do though each channel's speed (steps/s, by channel) is within bounds.

    Nothing breaks beyond it: steps come late and frames are lost while all channels run at full speed.
    A servo makes no steps at pins and counts half.
    """
    most = _MOST_STEPS_S - _STEPS_LESS * max(0, len(speeds_steps_s) - _EASY_CHANNELS)
    total = sum(speed / (2 if number in servos else 1) for number, speed in speeds_steps_s.items())
    if total > most:
        yield (
            "channels",
            f"{total:,.0f} steps/s of all channels together",
            f"at most {most:,} steps/s with {len(speeds_steps_s)} channels",
            "Lower the speed of their drives, or use another board for some",
        )


def check_drive(
    output: str, microsteps: int, speed_steps_s: float, acceleration_steps_s2: float
) -> Iterator[Complaint]:
    """What the firmware can't do with a drive on this output; keys are those of the drive."""
    wanted = DRIVEN_IN.get(output)
    if wanted and microsteps != wanted[0]:
        yield (
            "microsteps",
            f"{microsteps} on a {output} output",
            f"{wanted[0]}: it is driven in {wanted[1]}",
            f"Write microsteps = {wanted[0]}, or use a step/dir driver",
        )
    if speed_steps_s > FASTEST_STEPS_S:
        yield (
            "speed_steps_s",
            f"{speed_steps_s:g}",
            f"at most {FASTEST_STEPS_S} steps/s from a board",
            "Lower the speed, or use fewer microsteps",
        )
    if not WEAKEST_STEPS_S2 <= acceleration_steps_s2 <= STRONGEST_STEPS_S2:
        yield (
            "acceleration_steps_s2",
            f"{acceleration_steps_s2:g}",
            f"{WEAKEST_STEPS_S2} to {STRONGEST_STEPS_S2} steps/s²",
            f"{'Raise' if acceleration_steps_s2 < WEAKEST_STEPS_S2 else 'Lower'} the acceleration",
        )
