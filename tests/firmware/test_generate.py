"""The folder that `pointer-bridge firmware` writes: right, buildable, or refused in words."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.errors import DescriptionErrors
from bridge.firmware.contract import HEADER, contract_h
from bridge.firmware.generate import config_h, write_firmware
from bridge.panel.load import load_panel
from tests.firmware import built

DEMO = built.ROOT / "config" / "panel.toml"
EXAMPLE = Path(__file__).with_name("example.toml")


def altered(folder: Path, *changes: tuple[str, str]) -> Path:
    """The example with some words replaced; each must be there."""
    text = EXAMPLE.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "panel.toml").write_text(text, encoding="utf-8")
    return folder / "panel.toml"


def test_the_example_header_is_what_the_generator_writes() -> None:
    written = config_h(load_panel(EXAMPLE), "example")
    assert (built.FIRMWARE / "config.h").read_text(encoding="utf-8") == written


@pytest.mark.parametrize("board", ["left", "right", "centre"])
def test_each_board_of_the_demo_panel_builds_in_its_own_folder(board: str, tmp_path: Path) -> None:
    built.need("make", "avr-gcc")
    folder = tmp_path / board
    write_firmware(load_panel(DEMO), board, folder)
    made = subprocess.run(["make", "-C", folder], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr
    assert (folder / "build" / "atmega328p" / "board.elf").stat().st_size > 0


def test_a_board_of_the_larger_part_builds(tmp_path: Path) -> None:
    built.need("make", "avr-gcc")
    panel = altered(
        tmp_path, ("[boards.example]\n", '[boards.example]\npart = "atmega2560"\n'), ("D9", "D46")
    )
    write_firmware(load_panel(panel), "example", tmp_path / "out")
    made = subprocess.run(["make", "-C", tmp_path / "out"], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr
    assert "PIN(L, 3)" in (tmp_path / "out" / "config.h").read_text(encoding="utf-8")


def test_the_fullest_board_leaves_room_for_the_stack(tmp_path: Path) -> None:
    """Six channels are the most on an atmega328p; 300 bytes of stack are measured by the emulator's tests."""
    panel = load_panel(EXAMPLE)
    text = config_h(panel, "example").replace("#define CHANNELS 5", "#define CHANNELS 6")
    one = re.search(r"    \{ /\* 4:.*?\n    \},", text, re.DOTALL)
    assert one
    (tmp_path / "config.h").write_text(text.replace(one[0], f"{one[0]} \\\n{one[0]}"), encoding="utf-8")
    flash, ram = built.sizes(built.program("atmega328p", tmp_path))
    assert flash < 30_000  # a boot loader may take 2 kB
    assert ram < 2048 - 300


def test_an_id_stays_the_same_and_differs_between_boards() -> None:
    panel = load_panel(DEMO)
    ids = {board: re.search("BOARD_ID (.*)", config_h(panel, board)) for board in panel.description.boards}
    assert len({found[1] for found in ids.values() if found}) == 3
    again = re.search("BOARD_ID (.*)", config_h(load_panel(DEMO), "left"))
    assert again and ids["left"] and again[1] == ids["left"][1]


def test_a_reversed_servo_mirrors_its_pulse_about_the_middle_of_the_motors_range(tmp_path: Path) -> None:
    panel = altered(tmp_path, ('pins = ["D9"]', 'pins = ["D9"], reversed = true'))
    assert ".mirror_us = 2900" in config_h(load_panel(panel), "example")  # 500 and 2,400 of the motor


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('pins = ["D9"]', "pins = []", r"channels\.3\.pins: found no pins"),
        ('pins = ["A5"]', "pins = []", r"inputs\.1\.pins: found no pins"),
        ("microsteps = 2", "microsteps = 1", r"drives\.coils\.microsteps: found 1 on a four_wire output"),
        ("speed_steps_s = 2000", "speed_steps_s = 5000", r"at most 3900 steps/s"),
        ('"A2"], reversed', '"A2"], homing = "sweep", reversed', "turns without end"),
    ],
)
def test_what_no_firmware_can_be_made_of_is_refused(old: str, new: str, words: str, tmp_path: Path) -> None:
    panel = load_panel(altered(tmp_path, (old, new)))
    with pytest.raises(DescriptionErrors, match=words):
        write_firmware(panel, "example", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_more_steps_than_the_processor_can_make_are_refused(tmp_path: Path) -> None:
    """Each drive is within bounds; together 2 x 3,900, 3,500, 600 and, as a servo, half of 800."""
    panel = altered(
        tmp_path,
        ("speed_steps_s = 2000", "speed_steps_s = 3900"),
        ("speed_steps_s = 1000", "speed_steps_s = 3900"),
        ("speed_steps_s = 900\n", "speed_steps_s = 3500\n"),
    )
    with pytest.raises(DescriptionErrors, match="12,300 steps/s of all channels together"):
        write_firmware(load_panel(panel), "example", tmp_path / "out")


def test_the_command_prints_how_to_go_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["firmware", "left", "--panel", str(DEMO), "--out", str(tmp_path / "left")]) == 0
    words = capsys.readouterr().out
    assert f"make -C {tmp_path / 'left'} flash PORT=/dev/ttyUSB0" in words
    assert re.search('id = "[0-9a-f]{16}"', words)
    assert 'link = "serial"\n' in words
    assert main(["firmware", "lift", "--panel", str(DEMO), "--out", str(tmp_path / "lift")]) == 2
    assert "Did you mean left" in capsys.readouterr().err


def test_a_board_behind_a_relay_is_told_to_stay_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mqtt = '[broker]\n[boards.example]\nlink = "mqtt"\nport = "/dev/ttyUSB7"\n'
    panel = altered(tmp_path, ("[boards.example]\n", mqtt))
    assert main(["firmware", "example", "--panel", str(panel), "--out", str(tmp_path / "out")]) == 0
    assert 'link = "mqtt"\n    port = "/dev/ttyUSB7"\n' in capsys.readouterr().out


def test_an_earlier_firmware_is_replaced_and_a_file_of_the_users_is_not(tmp_path: Path) -> None:
    panel = load_panel(DEMO)
    write_firmware(panel, "left", tmp_path / "left")
    (tmp_path / "left" / "Makefile").write_text("older")
    write_firmware(panel, "left", tmp_path / "left")
    assert (tmp_path / "left" / "Makefile").read_bytes() == (built.FIRMWARE / "Makefile").read_bytes()
    for name in ("Makefile", "config.h"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).write_text("mine")
        with pytest.raises(
            DescriptionErrors, match=f"{name}: found a file that pointer-bridge did not write"
        ):
            write_firmware(panel, "left", tmp_path / name)
        assert [file.name for file in (tmp_path / name).iterdir()] == [name]


def test_the_header_that_boards_and_host_share_is_what_is_written_from_the_python_modules() -> None:
    """Otherwise: `python -m bridge.firmware.contract`."""
    assert HEADER.read_text(encoding="utf-8") == contract_h()
