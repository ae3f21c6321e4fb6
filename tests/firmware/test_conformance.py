"""The conformance suite of all boards on the firmware as a process."""

from __future__ import annotations

from fractions import Fraction

import pytest

from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, Homing, Output
from tests.boards import conformance
from tests.firmware import built
from tests.firmware.process import FirmwareProcess, ProcessSubject


class ExampleBoard(ProcessSubject):
    """The board of bridge/firmware/config.h; marks are at no whole number of steps."""

    channels = (
        ChannelLimits(Output.STEP_DIR, Homing.INDEX, 2000, 12_000, ENDLESS_LOW, ENDLESS_HIGH),
        ChannelLimits(Output.FOUR_WIRE, Homing.STOP, 900, 5000, -20, 4000),
        ChannelLimits(Output.GAUGE_STEPPER, Homing.SWEEP, 600, 6000, 0, 945),
        ChannelLimits(Output.SERVO, Homing.LAST_POSITION, 800, 8000, 1000, 2000),
        ChannelLimits(Output.STEP_DIR, Homing.LAST_POSITION, 1000, 5000, ENDLESS_LOW, ENDLESS_HIGH),
    )
    steps_per_turn = (Fraction(2400 * 7, 3) + Fraction(1, 7), None, None, None, None)
    watchdog_ms = 2000


class HostPort(ExampleBoard):
    name = "firmware as a process"

    def __init__(self) -> None:
        process = FirmwareProcess([built.program("host"), "6", "waits"])
        super().__init__(process, 2_000_000, at=(-700, 512, 333))


@pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
async def test_the_firmware_as_a_process_conforms(check: conformance.Check) -> None:
    await conformance.run(check, HostPort())
