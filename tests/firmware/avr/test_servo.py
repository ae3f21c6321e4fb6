"""Servo pulses at the pin of the emulated chip: as wide as they should be, every one of them."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from tests.boards.host import Host
from tests.firmware.avr.emulator import CLOCK_HZ, PULSE, read_log
from tests.firmware.avr.subjects import ExampleBoard

SERVO = 3
PERIOD_S = 0.02
US = CLOCK_HZ // 1_000_000
SEEN_CYCLES = (
    8  # half a microsecond: the emulator sees an edge when an instruction or a call of an interrupt is done
)


@pytest.mark.parametrize("part", ["atmega328p", "atmega2560"])
async def test_servo_pulses_are_right_to_a_microsecond_and_do_not_jitter(part: str, tmp_path: Path) -> None:
    """While the other motors home, so that every interrupt of the firmware is at work."""
    board = ExampleBoard(part, tmp_path)
    host = Host(board, await board.start())
    try:
        await host.make_known(4)
        for goal_us in (1000.0, 1357.0, 1999.0, 1600.5):
            await board.emulator.tell("log -")
            host.move(**{f"c{SERVO}": (goal_us, 0.0)})
            await host.settled(SERVO, goal_us, f"{goal_us} us")
            await board.elapse(2 * PERIOD_S)
            log = tmp_path / f"{goal_us}.log"
            await board.emulator.tell(f"log {log}")
            for tick in range(50):
                host.move(c3=(goal_us, 0.0), c4=(tick * 18.0, 900.0))
                await board.elapse(PERIOD_S)
            await board.emulator.tell("log -")
            edges = [record for record in read_log(log) if record.kind == PULSE + SERVO]
            if not edges[0].value:
                del edges[0]
            rises = [edge.cycle for edge in edges if edge.value]
            widths = [fall.cycle - rise.cycle for rise, fall in pairwise(edges) if rise.value]
            assert len(widths) >= 48
            assert max(widths) - min(widths) <= SEEN_CYCLES
            assert all(abs(width - goal_us * US) <= US for width in widths)
            assert all(
                abs(after - before - PERIOD_S * CLOCK_HZ) <= SEEN_CYCLES for before, after in pairwise(rises)
            )
    finally:
        await board.stop()


async def test_a_servo_pulse_is_never_cut_short_while_it_changes(tmp_path: Path) -> None:
    """Each pulse on the way lies between its neighbours' and is not further off than the speed allows."""
    board = ExampleBoard("atmega328p", tmp_path)
    host = Host(board, await board.start())
    try:
        host.move(c3=(1000.0, 0.0))
        await host.settled(SERVO, 1000.0, "the near end")
        await board.elapse(2 * PERIOD_S)
        log = tmp_path / "pulses.log"
        await board.emulator.tell(f"log {log}")
        await board.elapse(2 * PERIOD_S)
        host.move(c3=(2000.0, 0.0))
        await host.settled(SERVO, 2000.0, "the far end")
        await board.elapse(2 * PERIOD_S)
        await board.emulator.tell("log -")
    finally:
        await board.stop()
    edges = [record for record in read_log(log) if record.kind == PULSE + SERVO]
    widths_us = [(fall.cycle - rise.cycle) / US for rise, fall in pairwise(edges) if rise.value]
    assert abs(widths_us[0] - 1000.0) <= 1.0
    assert abs(widths_us[-1] - 2000.0) <= 1.0
    furthest_us = board.channels[SERVO].speed * PERIOD_S + 1.5  # and what halves of a microsecond round
    assert all(-0.5 <= after - before <= furthest_us for before, after in pairwise(widths_us))
