"""Lamps at the emulated chips' pins: as bright as they should be, without flicker, at no step's cost."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from statistics import mean

import pytest

from bridge.boards.messages import FULL_LEVEL, LampLevel, Light
from tests.boards import conformance
from tests.boards.host import Host
from tests.boards.lamp_conformance import LAMP_CHECKS
from tests.firmware.avr.emulator import CLOCK_HZ, PULSE, STEP, Emulator, pin, read_log
from tests.firmware.avr.subjects import AvrSubject
from tests.firmware.test_lamps import CHANNELS, LAMPS_PANEL, lamp_config

PARTS = {"small": "atmega328p", "large": "atmega2560"}
_FIRST = 8  # the mechanics' number of the first lamp
PERIODS_S = 0.036_864  # eighteen periods of the slower timers, thirty-six of timer 0
SLOT_CYCLES = 2048
FLICKER_HZ = 200.0
"""No eye sees flicker above of a lamp at rest (common practice, no source)."""


def hung(board: str) -> str:
    """A motor and lamps at the pins of this board."""
    described = LAMPS_PANEL.description.boards[board]
    step, direction = (pin(PARTS[board], name) for name in described.channels[0].pins)
    lamps = [f"lamp {_FIRST + n} {pin(PARTS[board], lamp.pin)}" for n, lamp in described.lamps.items()]
    return "\n".join([f"rotor 0 step_dir {step} {direction} -", *lamps])


async def duties(emulator: Emulator, lamps: int) -> list[float]:
    """The share of the time that each lamp's pin is high, over whole periods."""
    before = await emulator.counts()
    await emulator.elapse(PERIODS_S)
    after = await emulator.counts()
    span = after.cycle - before.cycle
    return [(after.motors[_FIRST + n].lit - before.motors[_FIRST + n].lit) / span for n in range(lamps)]


class LampBoard(AvrSubject):
    channels = CHANNELS
    steps_per_turn = (None,)
    watchdog_ms = 2000
    lamp_tolerance = FULL_LEVEL // 200  # half a percent

    def __init__(self, board: str, folder: Path) -> None:
        super().__init__(PARTS[board], lamp_config(board, folder), hung(board), folder)

    async def lamp_levels(self) -> list[int]:
        return [round(duty * FULL_LEVEL) for duty in await duties(self.emulator, 5)]


@pytest.mark.parametrize("check", LAMP_CHECKS, ids=lambda check: check.__name__)
async def test_the_firmware_on_an_atmega328p_has_lamps(check: conformance.Check, tmp_path: Path) -> None:
    await conformance.run(check, LampBoard("small", tmp_path))


async def _light(host: Host, levels: Sequence[int], fade_ms: int = 0) -> None:
    host.send(Light(tuple(LampLevel(lamp, level, fade_ms) for lamp, level in enumerate(levels))))
    await host.status()


@pytest.mark.parametrize("board", ["small", "large"])
async def test_dimmed_pins_are_high_for_their_share_of_the_time_and_do_not_flicker(
    board: str, tmp_path: Path
) -> None:
    """Within 1 % of the whole, for every timer; at half the light above 200 Hz and without jitter."""
    subject = LampBoard(board, tmp_path)
    host = Host(subject, await subject.start())
    try:
        for level in (0, 655, 12_071, 32_768, 60_000, 65_000, FULL_LEVEL):
            await _light(host, [level] * 3)
            await subject.elapse(0.01)
            for duty in (await duties(subject.emulator, 5))[:3]:
                assert abs(duty - level / FULL_LEVEL) <= 0.01, level
        await _light(host, [32_768] * 3)
        log = tmp_path / "edges.log"
        await subject.elapse(0.01)
        await subject.emulator.tell(f"log {log}")
        await subject.elapse(PERIODS_S)
        await subject.emulator.tell("log -")
        for lamp in range(3):
            rises = [r.cycle for r in read_log(log) if r.kind == PULSE + _FIRST + lamp and r.value]
            periods = [after - before for before, after in pairwise(rises)]
            assert len(periods) > 10
            assert CLOCK_HZ / max(periods) > FLICKER_HZ
            assert max(periods) - min(periods) <= 8  # cycles: the emulator sees an edge after an instruction
    finally:
        await subject.stop()


async def test_fading_lamps_change_no_step_of_a_pointer(tmp_path: Path) -> None:
    """A motor at full speed: its steps are as even with five lamps that fade all the time as without."""
    intervals: dict[bool, list[int]] = {}
    for fading in (False, True):
        folder = tmp_path / str(fading)
        folder.mkdir()
        subject = LampBoard("small", folder)
        host = Host(subject, await subject.start())
        try:
            await host.make_known(0)
            log = folder / "steps.log"
            for tick in range(70):
                if tick == 20:
                    await subject.emulator.tell(f"log {log}")
                host.move(c0=(1_000_000.0, 0.0))
                await _light(host, [FULL_LEVEL * (fading and tick % 2)] * 5, 10)
                await subject.elapse(0.01)
            await subject.emulator.tell("log -")
            status = await host.status()
            assert status.slots_lost == 0
        finally:
            await subject.stop()
        cycles = [r.cycle for r in read_log(log) if r.kind == STEP]
        intervals[fading] = [after - before for before, after in pairwise(cycles)]
    even = CLOCK_HZ // CHANNELS[0].speed
    off = {fading: [abs(interval - even) for interval in found] for fading, found in intervals.items()}
    assert min(map(len, off.values())) > 400
    assert mean(off[True]) <= 1.1 * mean(off[False])  # what is off at all, frames that arrive make so
    assert max(off[True]) < SLOT_CYCLES // 4
