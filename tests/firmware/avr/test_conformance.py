"""The firmware's machine code passes the suite that every board passes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.boards import conformance
from tests.firmware.avr.subjects import ExampleBoard


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_the_firmware_on_an_atmega328p_conforms(check: conformance.Check, tmp_path: Path) -> None:
    await conformance.run(check, ExampleBoard("atmega328p", tmp_path))


@pytest.mark.parametrize(
    "check",
    [
        conformance.introduces_itself_with_its_table,
        conformance.homes_every_channel_by_its_own_way,
        conformance.reports_how_far_a_knob_was_turned,
    ],
    ids=lambda check: check.__name__,
)
async def test_the_same_sources_serve_a_larger_part(check: conformance.Check, tmp_path: Path) -> None:
    """An atmega2560, whose ports, timers and interrupts are others: identity, motion and inputs."""
    await conformance.run(check, ExampleBoard("atmega2560", tmp_path))
