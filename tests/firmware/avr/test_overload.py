"""What a board reports when it is asked for more steps than its chip can make."""

from __future__ import annotations

from pathlib import Path

from bridge.boards import messages
from bridge.hardware.microcontrollers import FASTEST_STEPS_S
from tests.benchmarks.firmware import Chip, Load, fly
from tests.firmware.script import SLOT_S

PART, CHANNELS = "atmega2560", 12
RATED_STEPS_S = 7200
"""Of so many channels together (bridge/panel/board_checks.py)."""


async def flown(load: Load, folder: Path) -> messages.Status:
    """What the board reports after a second at full speed."""
    chip = await Chip.start(load, folder)
    try:
        await fly(chip, load, 1.0)
        await chip.emulator.elapse(0.3)
        return await chip.status()
    finally:
        await chip.stop()


async def test_time_slots_that_an_overloaded_board_loses_are_counted(tmp_path: Path) -> None:
    """Every channel at the speed that one of them can do: some six times what the chip can do for all."""
    status = await flown(Load(PART, CHANNELS, FASTEST_STEPS_S), tmp_path / "chip")
    assert 50 < status.slots_lost < 1.0 / SLOT_S


async def test_a_board_at_its_rated_speed_loses_none(tmp_path: Path) -> None:
    status = await flown(Load(PART, CHANNELS, RATED_STEPS_S // CHANNELS), tmp_path / "chip")
    assert status.slots_lost == 0
    assert status.channels[0].position > 500
