"""Lamps at the emulated chips' pins: as bright as they should be, without flicker, at no step's cost."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from statistics import mean

import pytest

from bridge.boards.messages import FULL_LEVEL, LampLevel, Light
from bridge.firmware.generate import config_h
from bridge.hardware.microcontrollers import PARTS as MICROCONTROLLERS
from bridge.panel.expected import expected_channels
from bridge.panel.load import load_panel
from tests.boards import conformance
from tests.boards.host import Host
from tests.boards.lamp_conformance import LAMP_CHECKS
from tests.firmware.avr.emulator import CLOCK_HZ, PULSE, STEP, Emulator, Record, pin, read_log
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
    """The share of the time that each lamp's pin is high, over whole periods.

    While the line is busy the emulator's clock goes on by itself, and no more periods are whole: once more.
    """
    for _ in range(20):
        before = await emulator.counts()
        await emulator.elapse(PERIODS_S)
        after = await emulator.counts()
        span = after.cycle - before.cycle
        if abs(span - PERIODS_S * CLOCK_HZ) < SLOT_CYCLES // 8:
            return [
                (after.motors[_FIRST + n].lit - before.motors[_FIRST + n].lit) / span for n in range(lamps)
            ]
    raise AssertionError("the line is never quiet")


class LampBoard(AvrSubject):
    channels = CHANNELS
    steps_per_turn = (None,)
    watchdog_ms = 2000
    lamp_tolerance = FULL_LEVEL // 200  # half a percent

    def __init__(self, board: str, folder: Path) -> None:
        super().__init__(PARTS[board], lamp_config(board, folder), hung(board), folder)

    async def lamp_levels(self) -> list[int]:
        return [round(duty * FULL_LEVEL) for duty in await duties(self.emulator, 5)]


@pytest.mark.parametrize("board", ["small", "large"])
@pytest.mark.parametrize("check", LAMP_CHECKS, ids=lambda check: check.__name__)
async def test_the_firmware_on_each_part_has_lamps(
    check: conformance.Check, board: str, tmp_path: Path
) -> None:
    await conformance.run(check, LampBoard(board, tmp_path))


async def _light(host: Host, levels: Sequence[int], fade_ms: int = 0) -> None:
    host.send(Light(tuple(LampLevel(lamp, level, fade_ms) for lamp, level in enumerate(levels))))
    await host.status()


@pytest.mark.parametrize("board", ["small", "large"])
async def test_dimmed_pins_are_high_for_their_share_of_the_time_and_do_not_flicker(
    board: str, tmp_path: Path
) -> None:
    """To half a step of each timer (8 and 15 bits); at half the light above 200 Hz and without jitter.

    From a fifth of the light on that is within 1 % of the level, too.
    """
    subject = LampBoard(board, tmp_path)
    host = Host(subject, await subject.start())
    outputs = LAMPS_PANEL.description.boards[board].lamps
    coarse = [n for n, output in outputs.items() if output.pin in MICROCONTROLLERS[PARTS[board]].coarse_pins]
    assert coarse
    try:
        for level in (0, 200, 655, 12_071, 14_000, 32_768, 41_000, 60_000, 65_000, FULL_LEVEL):
            await _light(host, [level] * 3)
            await subject.elapse(0.01)
            for lamp, duty in enumerate((await duties(subject.emulator, 5))[:3]):
                off = abs(duty - level / FULL_LEVEL)
                assert off <= (0.0021 if lamp in coarse else 0.0001), (level, lamp)
                assert off <= 0.01 * level / FULL_LEVEL or level < FULL_LEVEL / 5
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


class MovingBoard(AvrSubject):
    """A motor of every kind, and lamps at the timers that are left."""

    steps_per_turn = (None,) * 4
    watchdog_ms = 2000

    def __init__(self, board: str, folder: Path) -> None:
        self.channels = tuple(channel.limits for channel in expected_channels(MOVING_PANEL, board))
        (folder / "config.h").write_text(config_h(MOVING_PANEL, board), encoding="utf-8")
        part, described = PARTS[board], MOVING_PANEL.description.boards[board]
        hung = [
            f"{_KINDS[channel.output]} {' '.join(pin(part, name) for name in channel.pins)}".replace(
                "#", str(number)
            )
            for number, channel in described.channels.items()
        ]
        hung += [f"lamp {_FIRST + n} {pin(part, lamp.pin)}" for n, lamp in described.lamps.items()]
        hung[0] += " -"
        super().__init__(part, folder, "\n".join(hung), folder)


MOVING_PANEL = load_panel(Path(__file__).parents[1] / "lamps_and_motors.toml")
_KINDS = {
    "step_dir": "rotor # step_dir",
    "four_wire": "rotor # four_wire",
    "gauge_stepper": "rotor # gauge_stepper",
    "servo": "servo #",
}
_MOVED = (700.0, 500.0, 400.0)
"""Steps that the three stepping motors go, each at its full speed."""


@pytest.mark.parametrize("board", ["small", "large"])
async def test_fading_lamps_change_no_step_and_no_pulse_of_any_pointer(board: str, tmp_path: Path) -> None:
    """Every motor makes the same steps, evenly, with all lamps fading all the time as with none."""
    walked: dict[bool, list[int]] = {}
    off: dict[bool, list[list[int]]] = {}
    widths: dict[bool, list[int]] = {}
    for fading in (False, True):
        folder = tmp_path / str(fading)
        folder.mkdir()
        subject = MovingBoard(board, folder)
        host = Host(subject, await subject.start())
        try:
            await host.make_known(0, 1, 2, 3)
            begin = [channel.position for channel in (await host.status()).channels]
            goals = [at + way for at, way in zip(begin, (*_MOVED, 0.0), strict=True)]
            before = await subject.emulator.counts()
            log = folder / "pins.log"
            await subject.emulator.tell(f"log {log}")
            for tick in range(110):
                host.move(**{f"c{number}": (goal, 0.0) for number, goal in enumerate(goals)})
                await _light(host, [FULL_LEVEL * (fading and tick % 2)] * 4, 10)
                await subject.elapse(0.01)
            await subject.emulator.tell("log -")
            status = await host.status()
            after = await subject.emulator.counts()
        finally:
            await subject.stop()
        assert status.slots_lost == 0
        assert [channel.position for channel in status.channels] == pytest.approx(goals, abs=1)
        assert all(motor.jumps == motor.cuts == 0 for motor in after.motors.values())
        walked[fading] = [after.motors[n].walk - before.motors[n].walk for n in range(3)]
        records = list(read_log(log))
        off[fading] = [_unevenness(records, number, subject.channels[number].speed) for number in range(3)]
        edges = [record for record in records if record.kind == PULSE + 3][2:]  # the first pulse may be cut
        widths[fading] = [fall.cycle - rise.cycle for rise, fall in pairwise(edges) if rise.value]
    assert walked[True] == walked[False] == [pytest.approx(way, abs=1) for way in _MOVED]
    # What is off at all, frames that arrive make so: 3 to 10 us in the mean, with lamps and without.
    for uneven in (*off[True], *off[False]):
        assert len(uneven) >= 199
        assert mean(uneven) < SLOT_CYCLES // 8  # 16 us
        assert max(uneven) < SLOT_CYCLES // 2
    assert len(widths[True]) > 30
    assert max(map(max, widths.values())) - min(map(min, widths.values())) <= 8


def _unevenness(records: Sequence[Record], channel: int, speed: int) -> list[int]:
    """How far the interval between two steps is off, in cycles, in the half of the way at full speed."""
    cycles = [record.cycle for record in records if record.kind == STEP + channel]
    intervals = [after - before for before, after in pairwise(cycles)]
    even = CLOCK_HZ // speed
    quarter = len(intervals) // 4
    return [abs(interval - even) for interval in intervals[quarter:-quarter]]
