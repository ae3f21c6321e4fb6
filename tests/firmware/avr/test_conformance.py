"""The firmware's machine code passes the suite that every board passes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.boards import conformance
from tests.firmware.avr.subjects import AvrSubject


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_the_firmware_on_an_atmega328p_conforms(
    check: conformance.Check, runner: Path, example: Path, tmp_path: Path
) -> None:
    await conformance.run(check, AvrSubject(runner, example, "atmega328p", tmp_path))
