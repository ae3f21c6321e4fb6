"""What a board description demands that its microcontroller cannot do: pins, baud rate, step rates."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from bridge.description import near
from bridge.hardware.microcontrollers import (
    DRIVEN_IN,
    FASTEST_STEPS_S,
    PARTS,
    STRONGEST_STEPS_S2,
    WEAKEST_STEPS_S2,
    Microcontroller,
    baud_made,
)
from bridge.panel.hardware import BoardDescription

Complaint = tuple[str, str, str, str]
"""The dotted key below the board, then found, expected and cure."""

_MOST_STEPS_S = 12_000
"""All channels of a board together, at 100 frames a second: measured by tests/benchmarks/firmware.py."""

_EASY_CHANNELS = 8
_STEPS_LESS = 1200  # for each channel beyond those: every one takes its time, moving or not

_BAUD_TOLERANCE = 0.025  # of the rate; both ends together may be about 5 % apart (common practice, no source)


_WIRES = {  # how many pins each output and input takes
    "step_dir": ((2, 3), "step, direction and optionally enable"),
    "four_wire": ((4,), "the four coils in order"),
    "gauge_stepper": ((4,), "both ends of one coil, then of the other"),
    "servo": ((1,), "its signal"),
    "encoder": ((2,), "its two phases"),
    "button": ((1,), "its contact"),
    "switched": ((1,), "its signal"),
    "dimmed": ((1,), "its signal"),
}


def check_pins(board: BoardDescription) -> Iterator[Complaint]:
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
    if not board.is_virtual:
        yield from _baud(part, board.baud)
    owners: dict[str, str] = dict.fromkeys(part.serial_pins, "the serial line")
    for key, kind, pins in _wired(board):
        counts, meaning = _WIRES.get(kind, ((1,), "its signal"))
        if pins and len(pins) not in counts:
            numbers = " or ".join(map(str, counts))
            yield key, f"{len(pins)} pins", f"{numbers} for a {kind}: {meaning}", "Name each of them"
        for pin in pins:
            yield from _pin(part, key, kind, pin, owners)
    yield from _shared_timers(part, board)


def _wired(board: BoardDescription) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Every place where pins are named: key, kind, pins."""
    for number, channel in board.channels.items():
        yield f"channels.{number}.pins", channel.output, channel.pins
        for name, sensor in (("index", channel.index), ("stop", channel.stop)):
            if sensor is not None:
                yield f"channels.{number}.{name}.pin", "sensor", (sensor.pin,)
    for number, given in board.inputs.items():
        yield f"inputs.{number}.pins", given.kind, given.pins
    for number, lamp in board.lamps.items():
        yield f"lamps.{number}.pin", lamp.output, (lamp.pin,)


def pins_taken(board: BoardDescription) -> tuple[int, int]:
    """How many pins this board's channels and inputs take, and how many of them are servos'.

    Where none are named, the fewest that such an output or input can do with.
    """
    taken = sum(len(pins) or min(_WIRES.get(kind, ((1,), ""))[0]) for _, kind, pins in _wired(board))
    return taken, sum(channel.output == "servo" for channel in board.channels.values())


def _pin(part: Microcontroller, key: str, kind: str, pin: str, owners: dict[str, str]) -> Iterator[Complaint]:
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
    elif kind == "dimmed" and pin not in part.dimmer_pins:
        yield (
            key,
            f"pin {pin} for a dimmed lamp",
            "a pin that a timer drives, so that nothing flickers",
            f'Choose one of {", ".join(part.dimmer_pins)}, or output = "switched"',
        )
    owners.setdefault(pin, key.rpartition(".pin")[0])


def _shared_timers(part: Microcontroller, board: BoardDescription) -> Iterator[Complaint]:
    """A timer makes servo pulses, 50 a second, or dims, without flicker: not both."""
    pins = part.dimmer_pins
    servos = [c.pins[0] for c in board.channels.values() if c.output == "servo" and c.pins]
    timers = {_timer(pins[pin]): pin for pin in servos if pin in pins}
    for number, lamp in board.lamps.items():
        if lamp.output != "dimmed" or lamp.pin not in pins:
            continue
        servo = timers.get(_timer(pins[lamp.pin]))
        if servo is not None and servo != lamp.pin:
            free = [pin for pin in pins if _timer(pins[pin]) not in timers]
            yield (
                f"lamps.{number}.pin",
                f"pin {lamp.pin}, of the timer that makes the pulses of the servo at {servo}",
                "a pin of another timer",
                f"Choose one of {', '.join(free)}",
            )


def _timer(register: str) -> str:
    """The timer of a compare register: OCR1A belongs to timer 1."""
    return register.removeprefix("OCR")[0]


def _baud(part: Microcontroller, baud: int) -> Iterator[Complaint]:
    """The part divides its clock by whole numbers: some rates come out too far off."""
    if abs(baud_made(part, baud) / baud - 1.0) > _BAUD_TOLERANCE:
        exact = [rate for rate in (115_200, 250_000, 500_000, 1_000_000) if rate <= 2 * baud]
        yield (
            "baud",
            f"{baud}, which an {part.name} can only make as {baud_made(part, baud):.0f}",
            f"a rate met within {_BAUD_TOLERANCE:.1%}",
            f"Choose {' or '.join(map(str, exact[-2:])) or '115200'}",
        )


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
