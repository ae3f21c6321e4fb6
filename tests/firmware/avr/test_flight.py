"""A recorded flight through the real service, over serial links, into three emulated boards."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.boards.messages import Homing, Output
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.firmware.avr.cockpit import ask, beaten_limits, cockpit, home
from tests.firmware.avr.emulator import STEP
from tests.firmware.avr.emulator import read_log as read_pins

pytestmark = pytest.mark.usefixtures("patient_host")

LOG = Path(__file__).parents[3] / "replay_logs" / "circuit.csv"
PART = (795.0, 806.0)  # from a turn to the left into a descending turn to the right
HELD_UP_S = 64e-6  # half a slot: how long interrupts may hold a step up (measured by tests/benchmarks)


async def test_the_steps_at_the_pins_are_the_steps_commanded_pointer_by_pointer(
    config: Path, tmp_path: Path
) -> None:
    async with cockpit(config, ("left", "right", "centre")) as boards:
        zero = {name: await home(subject) for name, subject in boards.boards.items()}
        before = {name: await boards.emulator(name).counts() for name in boards.boards}
        for name in boards.boards:
            await boards.emulator(name).tell(f"log {tmp_path / name}.log")
        await boards.pace("wall")
        log = read_log(LOG, boards.panel.catalogue)
        service = Service(boards.panel, sources=FixedSources(ReplaySource(log, 1.0, *PART)))
        await service.run()

        for name, subject in boards.boards.items():
            status, counts = await ask(subject)
            session = service.running.sessions[name]
            assert session.statistics.resets == 0
            assert session.statistics.board_bad == 0
            assert status.slots_lost == session.statistics.slots_lost == 0
            assert counts.overruns == 0
            for number, (limits, row) in enumerate(zip(subject.channels, status.channels, strict=True)):
                pointer = f"{name} {number}"
                needle, motor = service.running.chain.pointers[name, number], counts.motors[number]
                assert row.velocity == 0, pointer
                assert abs(row.position - needle.position) <= 0.6, pointer
                if limits.output == Output.SERVO:
                    assert abs(motor.pulse_us - needle.position) <= 1.0, pointer
                    continue
                assert motor.walk - zero[name][number] == row.position, pointer
                assert motor.jumps == motor.cuts == 0, pointer
                assert motor.snaps == before[name].motors[number].snaps, pointer
                if limits.homing == Homing.INDEX:
                    assert motor.place == row.position, pointer
            await subject.emulator.tell("log -")
            pins = list(read_pins(tmp_path / f"{name}.log"))
            steps = {
                number: (channel.speed, channel.acceleration)
                for number, channel in enumerate(subject.channels)
                if channel.output != Output.SERVO
            }
            made = {number: sum(r.kind == STEP + number for r in pins) for number in steps}
            assert made == {
                number: counts.motors[number].steps - before[name].motors[number].steps for number in steps
            }
            assert sum(made.values()) > 300, name
            assert beaten_limits(pins, steps, HELD_UP_S) == []
