"""Pins of the microcontrollers: what exists, what they can do, and every complaint about a description.

Checked against something outside: avr-libc's <avr/io.h>, made from the manufacturer's device files, knows a
part's ports, compare registers and memory, so whatever of the table the part lacks is found.
Which printed name stands for which port bit is common practice of the boards: the firmware's tests see steps
and pulses arrive there.
"""

from __future__ import annotations

import subprocess
from fractions import Fraction

import pytest

from bridge.hardware.microcontrollers import PARTS, baud_made
from bridge.panel.board_checks import check_drive, check_pins
from bridge.panel.hardware import BoardDescription
from tests.firmware import built


def complaints(**changes: object) -> dict[str, str]:
    """By key: found, expected and cure in one line."""
    described = {"channels": {"0": {"output": "step_dir", "pins": ["D2", "D3"]}}} | changes
    board = BoardDescription.model_validate(described)
    return {key: f"{found}; {expected}; {cure}" for key, found, expected, cure in check_pins(board)}


def channels(*rows: dict[str, object]) -> dict[str, object]:
    return {str(number): row for number, row in enumerate(rows)}


@pytest.mark.parametrize("name", PARTS)
def test_every_pin_port_and_timer_output_of_the_table_is_in_avr_libc(name: str) -> None:
    built.need("avr-gcc")
    part = PARTS[name]
    lines = ["#include <avr/io.h>"]
    for port, bit in part.pins.values():
        lines.append(
            f"int p_{port}{bit} = P{port}{bit}; volatile void *r_{port}{bit}(void) {{ return &PORT{port}; }}"
        )
    lines += [f"volatile void *s_{name}(void) {{ return &{name}; }}" for name in part.servo_pins.values()]
    lines.append(f'_Static_assert(RAMEND - RAMSTART + 1 == {part.ram_bytes}, "RAM");')
    lines.append(f'_Static_assert(FLASHEND + 1UL == {part.flash_bytes}UL, "flash");')
    done = subprocess.run(
        ["avr-gcc", f"-mmcu={name}", "-fsyntax-only", "-x", "c", "-"],
        input="\n".join(lines),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert len(set(part.pins.values())) == len(part.pins), "two names for one pin"


@pytest.mark.parametrize("name", PARTS)
def test_servo_and_serial_pins_are_pins(name: str) -> None:
    part = PARTS[name]
    assert set(part.servo_pins) <= set(part.pins)
    assert set(part.serial_pins) <= set(part.pins)
    assert not set(part.servo_pins) & set(part.serial_pins)


def test_a_sound_board_draws_no_complaint() -> None:
    assert not complaints()
    assert not complaints(part="atmega2560", channels=channels({"output": "servo", "pins": ["D46"]}))
    assert not complaints(channels=channels({"output": "servo"}))  # a virtual board needs no pins


def test_an_unknown_part_is_answered_with_the_nearest() -> None:
    assert "Did you mean atmega328p" in complaints(part="atmega328")["part"]


def test_an_unknown_pin_is_answered_with_the_nearest() -> None:
    said = complaints(channels=channels({"output": "step_dir", "pins": ["D2", "D33"]}))
    assert "pin D33" in said["channels.0.pins"]
    assert "Did you mean D3" in said["channels.0.pins"]
    assert not complaints(part="atmega2560", channels=channels({"output": "step_dir", "pins": ["D2", "D33"]}))


def test_a_pin_used_twice_names_who_has_it() -> None:
    said = complaints(
        channels=channels(
            {"output": "step_dir", "pins": ["D2", "D3"]},
            {"output": "step_dir", "pins": ["D4", "D3"], "homing": "index", "index": {"pin": "D2"}},
        ),
        inputs={"0": {"kind": "button", "pins": ["D4"]}},
    )
    assert set(said) == {"channels.1.pins", "channels.1.index.pin", "inputs.0.pins"}
    assert "pin D3, which channels.0 has" in said["channels.1.pins"]
    assert "pin D2, which channels.0 has" in said["channels.1.index.pin"]
    assert "pin D4, which channels.1 has" in said["inputs.0.pins"]


def test_the_serial_line_keeps_its_pins() -> None:
    said = complaints(channels=channels({"output": "step_dir", "pins": ["D0", "D3"]}))
    assert "pin D0, which the serial line has" in said["channels.0.pins"]


def test_a_servo_wants_a_pin_that_a_timer_drives() -> None:
    said = complaints(channels=channels({"output": "servo", "pins": ["D6"]}))
    assert "Choose one of D9, D10" in said["channels.0.pins"]


@pytest.mark.parametrize(
    ("output", "right", "wrong"),
    [
        ("step_dir", (2, 3), (1, 4)),
        ("four_wire", (4,), (3, 5)),
        ("gauge_stepper", (4,), (2, 3)),
        ("servo", (1,), (2,)),
    ],
)
def test_each_output_takes_its_number_of_pins(
    output: str, right: tuple[int, ...], wrong: tuple[int, ...]
) -> None:
    names = ["D9", "D10", "D2", "D3", "D4"]
    for count in right:
        assert not complaints(channels=channels({"output": output, "pins": names[:count]}))
    for count in wrong:
        said = complaints(channels=channels({"output": output, "pins": names[:count]}))
        assert f"{count} pins" in said["channels.0.pins"]


@pytest.mark.parametrize(("kind", "wrong"), [("encoder", ["D4"]), ("button", ["D4", "D5"])])
def test_each_input_takes_its_number_of_pins(kind: str, wrong: list[str]) -> None:
    assert f"{len(wrong)} pins" in complaints(inputs={"0": {"kind": kind, "pins": wrong}})["inputs.0.pins"]


def test_more_channels_than_a_part_can_drive_are_too_many() -> None:
    most = PARTS["atmega328p"].most_channels
    rows: list[dict[str, object]] = [{"output": "step_dir"} for _ in range(most + 1)]
    assert f"at most {most}" in complaints(channels=channels(*rows))["channels"]
    assert not complaints(channels=channels(*rows[1:]))
    assert not complaints(part="atmega2560", channels=channels(*rows))


@pytest.mark.parametrize("baud", [9600, 57_600, 115_200, 250_000, 500_000, 1_000_000])
def test_a_rate_that_the_part_can_make_is_taken(baud: int) -> None:
    assert not complaints(link="serial", port="COM3", baud=baud)


def test_a_rate_that_the_part_can_not_make_is_named_with_others() -> None:
    said = complaints(link="serial", port="COM3", baud=230_400)
    assert "222222" in said["baud"]
    assert "250000" in said["baud"]
    assert not complaints(baud=230_400)  # a virtual board has no line


def test_made_rates_are_whole_fractions_of_the_clock() -> None:
    """At 16 MHz and double speed 115,200 becomes 117,647, 2.1 % off (data sheet, table of UBRR values)."""
    assert baud_made(PARTS["atmega328p"], 115_200) == pytest.approx(float(Fraction(16_000_000, 8 * 17)))


def test_what_firmware_can_not_drive_is_reported_of_the_drive() -> None:
    assert not list(check_drive("step_dir", 16, 3900, 200_000))
    assert [key for key, *_ in check_drive("step_dir", 16, 3901, 200_001)] == [
        "speed_steps_s",
        "acceleration_steps_s2",
    ]
    assert [cure for *_, cure in check_drive("step_dir", 16, 100, 7)] == ["Raise the acceleration"]
    assert [key for key, *_ in check_drive("four_wire", 1, 500, 1000)] == ["microsteps"]
    assert [key for key, *_ in check_drive("gauge_stepper", 4, 500, 1000)] == ["microsteps"]
