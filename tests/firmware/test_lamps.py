"""Boards with lamps: the firmware as a process does what every board with lamps does."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.firmware.generate import config_h
from bridge.panel.expected import expected_channels
from bridge.panel.load import load_panel
from tests.boards import conformance
from tests.boards.lamp_conformance import LAMP_CHECKS
from tests.firmware import built
from tests.firmware.process import FirmwareProcess, ProcessSubject

LAMPS_PANEL = load_panel(Path(__file__).with_name("lamps.toml"))
CHANNELS = tuple(channel.limits for channel in expected_channels(LAMPS_PANEL, "small"))


def lamp_config(board: str, folder: Path) -> Path:
    """A folder with the config.h of this board."""
    (folder / "config.h").write_text(config_h(LAMPS_PANEL, board), encoding="utf-8")
    return folder


class LampProcess(ProcessSubject):
    name = "lamps, firmware as a process"
    channels = CHANNELS
    steps_per_turn = (None,)
    watchdog_ms = 2000

    def __init__(self, folder: Path) -> None:
        program = built.program("host", lamp_config("small", folder))
        super().__init__(FirmwareProcess([program, "6", "waits"]), 2_000_000, at=())


@pytest.mark.parametrize("check", LAMP_CHECKS, ids=lambda check: check.__name__)
async def test_the_firmware_as_a_process_has_lamps(check: conformance.Check, tmp_path: Path) -> None:
    await conformance.run(check, LampProcess(tmp_path))
