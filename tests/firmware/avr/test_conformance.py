"""The firmware's machine code passes the suite that every board passes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.boards import conformance
from tests.firmware.avr.conftest import built
from tests.firmware.avr.emulator import build_firmware
from tests.firmware.avr.subjects import ExampleBoard, larger_config


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_the_firmware_on_an_atmega328p_conforms(
    check: conformance.Check, runner: Path, example: Path, tmp_path: Path
) -> None:
    await conformance.run(check, ExampleBoard(runner, example, "atmega328p", tmp_path))


async def test_a_larger_part_homes_moves_and_stops(runner: Path, tmp_path: Path) -> None:
    """The same sources on an atmega2560, whose ports, timers and vectors are others."""
    elf = built(build_firmware, tmp_path, "atmega2560", larger_config(tmp_path))
    for check in (
        conformance.introduces_itself_with_its_table,
        conformance.homes_every_channel_by_its_own_way,
        conformance.goes_where_it_is_told_and_stands_there,
    ):
        await conformance.run(check, ExampleBoard(runner, elf, "atmega2560", tmp_path))
