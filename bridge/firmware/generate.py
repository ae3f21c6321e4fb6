"""Writing the firmware folder of one board: the sources, and the board's own config.h and config.mk.

The description was checked when the panel was loaded; what only matters to firmware (that every channel has
its pins, that a drive suits its output) is checked here.
"""

from __future__ import annotations

from collections.abc import Iterator
from hashlib import sha256
from math import ceil
from pathlib import Path

from bridge.boards.compatibility import ExpectedChannel
from bridge.boards.homing import search_steps
from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, Homing, LampOutput
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.gauges.pointer import Pointer
from bridge.hardware.microcontrollers import PARTS
from bridge.outputs import MARK, put_files, refuse_taken
from bridge.panel.board_checks import Complaint, check_drive, check_rates
from bridge.panel.expected import expected_channels
from bridge.panel.hardware import BoardDescription, Channel, Motor, Sensor
from bridge.panel.load import Panel

_SOURCES = Path(__file__).parent


def write_firmware(panel: Panel, board: str, folder: Path) -> None:
    """Write the ready-to-build folder; files of an earlier run are replaced, others left alone.

    Raises `DescriptionErrors` with everything that firmware can't be made of, and when files of the user's
    are in the way; DescriptionError when the folder can't be written.
    """
    description = panel.description.boards[board]
    errors = [
        DescriptionError(str(panel.path), key, found, expected, cure)
        for key, found, expected, cure in _complaints(panel, board)
    ]
    if errors:
        raise DescriptionErrors(errors)
    files: dict[Path, str | bytes] = {
        folder / source.relative_to(_SOURCES): source.read_bytes() for source in _sources()
    }
    files[folder / "config.h"] = config_h(panel, board)
    files[folder / "config.mk"] = _config_mk(description)
    # An earlier firmware of ours is replaced whole: its config.h carries the mark for all.
    refuse_taken([folder / "config.h"], panel.files)
    if not (folder / "config.h").exists():
        refuse_taken(files, panel.files)
    put_files(files, folder)


def _sources() -> list[Path]:
    """The files that every board has in common."""
    return [
        source
        for source in sorted(_SOURCES.rglob("*"))
        if source.is_file()
        and source.suffix != ".py"
        and source.name not in ("config.h", "config.mk")
        and not {"__pycache__", "build"} & set(source.relative_to(_SOURCES).parts)
    ]


def board_id(panel: Panel, board: str) -> bytes:
    """The described id, or eight bytes of our own making that stay the same for this panel and board."""
    given = panel.description.boards[board].id
    return (
        bytes.fromhex(given) if given else sha256(f"{panel.description.name}/{board}".encode()).digest()[:8]
    )


def config_h(panel: Panel, board: str) -> str:
    """The board as the C sources read it."""
    described = panel.description.boards[board]
    pointers = {pointer.channel: pointer for pointer in panel.board_pointers(board)}
    expected = expected_channels(panel, board)
    channels = "\n".join(
        _channel(panel, described, number, pointers[number], expected[number]) + ("," if last else ", \\")
        for number in sorted(described.channels)
        for last in [number == len(described.channels) - 1]
    )
    inputs = " \\\n".join(
        f"    {{{given.kind.upper()}, {{{_c_pins(described, given.pins, 2)}}}}},"
        f" /* {number}: {', '.join(given.pins)} */"
        for number, given in sorted(described.inputs.items())
    )
    lamps = " \\\n".join(_lamp(panel, board, number) for number in sorted(described.lamps))
    numbers = ", ".join(f"0x{byte:02x}" for byte in board_id(panel, board))
    return f"""\
/* Board {_comment(board)} of the panel "{_comment(panel.description.name)}", an {described.part}.
 * {MARK} firmware: change the panel description, not this file. */
#ifndef CONFIG_H
#define CONFIG_H

#define BAUD_RATE {described.baud}
#define WATCHDOG_MS {described.watchdog_ms}
#define BOARD_ID {numbers}

#define CHANNELS {len(described.channels)}
#define CHANNEL_CONFIGS \\
{channels}

#define INPUTS {len(described.inputs)}
#define INPUT_CONFIGS{_below(inputs)}

#define LAMPS {len(described.lamps)}
#define LAMP_CONFIGS{_below(lamps)}

#endif
"""


def _channel(
    panel: Panel, board: BoardDescription, number: int, pointer: Pointer, expected: ExpectedChannel
) -> str:
    channel, limits = board.channels[number], expected.limits
    motor = _motor(panel, pointer)
    mirror = 0
    if motor.is_servo and channel.reversed:
        assert motor.pulse_low_us and motor.pulse_high_us
        mirror = round(motor.pulse_low_us + motor.pulse_high_us)
    homing = Homing(limits.homing).name
    saves = motor.holds_without_current and not motor.is_servo
    low = "INT32_MIN" if limits.low == ENDLESS_LOW else str(limits.low)
    high = "INT32_MAX" if limits.high == ENDLESS_HIGH else str(limits.high)
    lines = (
        f"    {{ /* {number}: {_comment(pointer.key)}; {_words(channel)} */",
        f"        .output = {channel.output.upper()}, .homing = {homing}, "
        f".reversed = {_c(channel.reversed)}, .saves_current = {_c(saves)},",
        f"        .speed = {limits.speed}, .acceleration = {limits.acceleration}, "
        f".low = {low}, .high = {high},",
        f"        .search = {ceil(search_steps(limits, pointer.mark_steps))}, .mirror_us = {mirror},",
        f"        .pins = {{{_c_pins(board, channel.pins, 4)}}},",
        f"        .index = {_c_sensor(board, channel.index)}, .stop = {_c_sensor(board, channel.stop)},",
        "    }",
    )
    return " \\\n".join(lines)


def _below(rows: str) -> str:
    """The rows of a macro on lines of their own, nothing where there are none."""
    return f" \\\n{rows}" if rows else ""


def _lamp(panel: Panel, board: str, number: int) -> str:
    described = panel.description.boards[board]
    lamp = panel.board_lamps(board)[number]
    output = described.lamps[number]
    return (
        f"    {{{LampOutput(lamp.capability.output).name}, {_c_pin(described, output.pin)}, "
        f"{lamp.capability.when_lost}}}, /* {number}: {_comment(lamp.name)} at {_comment(output.pin)} */"
    )


def _motor(panel: Panel, pointer: Pointer) -> Motor:
    drive = panel.description.gauges[pointer.gauge].pointers[pointer.name].drive
    return panel.motors[panel.description.drives[drive].motor]


def _complaints(panel: Panel, board: str) -> Iterator[Complaint]:
    described = panel.description.boards[board]
    for number, channel in described.channels.items():
        if not channel.pins:
            key = f"boards.{board}.channels.{number}.pins"
            yield key, "no pins", f"the pins of a {channel.output}", "Name them as printed on the board"
    for number, given in described.inputs.items():
        if not given.pins:
            key = f"boards.{board}.inputs.{number}.pins"
            yield key, "no pins", f"the pins of the {given.kind}", "Name them as printed on the board"
    pointers = panel.board_pointers(board)
    speeds = {pointer.channel: pointer.drive.speed_steps_s for pointer in pointers}
    servos = [number for number, channel in described.channels.items() if channel.output == "servo"]
    for key, found, expected, cure in check_rates(speeds, servos):
        yield f"boards.{board}.{key}", found, expected, cure
    for pointer in pointers:
        name = panel.description.gauges[pointer.gauge].pointers[pointer.name].drive
        drive = panel.description.drives[name]
        channel = described.channels[pointer.channel]
        for key, found, expected, cure in check_drive(
            channel.output, drive.microsteps, drive.speed_steps_s, drive.acceleration_steps_s2
        ):
            yield f"drives.{name}.{key}", found, expected, cure
        if pointer.endless and channel.homing in ("stop", "sweep"):
            key = f"boards.{board}.channels.{pointer.channel}.homing"
            yield key, f"{channel.homing} for a pointer that turns without end", "index or last", "Change it"


def _words(channel: Channel) -> str:
    """The pins as printed on the board."""
    text = f"{channel.output} at {', '.join(channel.pins)}"
    for name, sensor in (("index sensor", channel.index), ("end stop", channel.stop)):
        text += f"; {name} at {sensor.pin}" if sensor else ""
    return text


def _comment(text: str) -> str:
    """Words of the builder's in a C comment: what could end it, open another or join lines is left out."""
    return "".join(letter if letter.isprintable() and letter not in "*\\?" else "_" for letter in text)


def _c(value: bool) -> str:
    return "true" if value else "false"


def _c_pin(board: BoardDescription, pin: str) -> str:
    bank, bit = PARTS[board.part].pins[pin]
    return f"PIN({bank}, {bit})"


def _c_pins(board: BoardDescription, pins: tuple[str, ...], count: int) -> str:
    named = [_c_pin(board, pin) for pin in pins]
    return ", ".join(named + ["NO_PIN"] * (count - len(named)))


def _c_sensor(board: BoardDescription, sensor: Sensor | None) -> str:
    if sensor is None:
        return "{NO_PIN, false}"
    return f"{{{_c_pin(board, sensor.pin)}, {_c(sensor.active == 'high')}}}"


def _config_mk(board: BoardDescription) -> str:
    port = f"PORT = {_make_value(board.port)}\n" if board.port else ""
    return f"# {MARK} firmware.\nHASH := \\#\nEND :=\nPART ?= {board.part}\n{port}"


def _make_value(text: str) -> str:
    """The text as a value in a makefile: no `$` expands, and its ends are kept as they are."""
    return "$(END)" + text.replace("$", "$$").replace("#", "$(HASH)") + "$(END)"
