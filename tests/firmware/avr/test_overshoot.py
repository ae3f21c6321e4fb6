"""The end of slews at the pins of the emulated chip: steps counted there, servo pulses measured there.

The host's motion leads a gauge stepper, a geared stepper and a servo of the demo panel at once. Ticks come
100 times a second, up to 2 ms late by the board's own clock, their frames up to 2 ms later still, and one
frame in fifty is lost.
"""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

from bridge.boards.messages import Output
from bridge.flight.driven_pointer import motion_limits
from bridge.motion.path import Limits
from bridge.panel.expected import expected_channels
from tests.boards.host import Host
from tests.firmware.avr.cockpit import cockpit, home
from tests.firmware.avr.emulator import CLOCK_HZ, PULSE, STEP, Record, read_log
from tests.firmware.avr.subjects import AvrSubject
from tests.motion.slews import JITTER_S, LOSS, TICK_S, Leader, Slew, end_s, goals

BOARD = "right"
CHANNELS = (0, 2, 3)
SLEWS = 9
REST_S = 0.2


async def test_no_slew_ends_a_step_too_far_at_the_pins(config: Path, tmp_path: Path) -> None:
    async with cockpit(config, (BOARD,)) as boards:
        subject = boards.boards[BOARD]
        limits = {
            pointer.channel: motion_limits(pointer)
            for pointer in boards.panel.pointers
            if pointer.board == BOARD and pointer.channel in CHANNELS
        }
        zero = await home(subject)
        await subject.emulator.tell("pace demand")
        host = Host(subject, await subject.reopen())
        begun = await subject.emulator.counts()
        await subject.emulator.tell(f"log {tmp_path / 'pins.log'}")
        flown: list[tuple[float, float, dict[int, Slew]]] = []
        for seed in range(SLEWS):
            routes = {channel: goals(row, 3 * seed + channel) for channel, row in limits.items()}
            flown.append(await led(subject, host, limits, routes, seed))
        await subject.emulator.tell("log -")
        pins = list(read_log(tmp_path / "pins.log"))
        for channel in CHANNELS:
            if expected_channels(boards.panel, BOARD)[channel].limits.output == Output.SERVO:
                places = pulses(pins, channel)
            else:
                places = steps(pins, channel, begun.motors[channel].walk - zero[channel])
            for seed, (begun_s, ended_s, slews) in enumerate(flown):
                slewed = slews[channel]
                before = [place for time_s, place in places if time_s <= begun_s][-1]
                part = [(time_s - begun_s, place) for time_s, place in places if begun_s < time_s <= ended_s]
                at = [(0.0, before), *part]
                assert slewed.overshoot(at) < 1.0, f"channel {channel}, slew {seed}: {slewed.goals}"
                assert abs(at[-1][1] - slewed.goal) <= 1.0, f"channel {channel}, slew {seed}"


async def led(
    subject: AvrSubject,
    host: Host,
    limits: dict[int, Limits],
    routes: dict[int, tuple[float, list[tuple[float, float]]]],
    seed: int,
) -> tuple[float, float, dict[int, Slew]]:
    """Begin and end (s of the board's clock) of one slew of each channel, after the way to its start.

    The clock does not go on before a frame is on the line, however late the host's thread has its turn.
    """
    chance = random.Random(seed)

    async def clock_s() -> float:
        return (await subject.emulator.counts()).cycle / CLOCK_HZ

    async def until(time_s: float) -> None:
        left_s = time_s - await clock_s()
        if left_s > 0.0:
            await subject.elapse(left_s)

    there_s = await clock_s() + 3.5
    while await clock_s() < there_s:  # with the board's own ramp
        host.move(**{f"c{channel}": (start, 0.0) for channel, (start, _) in routes.items()})
        await subject.elapse(0.25)
    begun_s = await clock_s()
    leaders = {channel: Leader(limits[channel], *route) for channel, route in routes.items()}
    length_s = max(end_s(limits[channel], *route) for channel, route in routes.items())
    tick = 0
    while tick * TICK_S < length_s:
        tick += 1
        await until(begun_s + tick * TICK_S + chance.uniform(0.0, JITTER_S))
        now_s = await clock_s() - begun_s
        frame = {f"c{channel}": leader.tick(now_s) for channel, leader in leaders.items()}
        if chance.random() >= LOSS:
            await subject.elapse(chance.uniform(0.0, JITTER_S))
            host.move(**frame)
    await subject.elapse(REST_S)
    slews = {
        channel: Slew(limits[channel], start, route, (), length_s, leaders[channel].direction)
        for channel, (start, route) in routes.items()
    }
    return begun_s, await clock_s(), slews


def steps(pins: list[Record], channel: int, place: int) -> list[tuple[float, float]]:
    """When (s) a motor was where (steps), beginning at `place`."""
    places = [(0.0, float(place))]
    for record in pins:
        if record.kind == STEP + channel:
            places.append((record.cycle / CLOCK_HZ, places[-1][1] + (1 if record.value else -1)))
    return places


def pulses(pins: list[Record], channel: int) -> list[tuple[float, float]]:
    """When (s) a servo's pulse ended, and its width (us)."""
    edges = [record for record in pins if record.kind == PULSE + channel]
    return [
        (fall.cycle / CLOCK_HZ, (fall.cycle - rise.cycle) * 1e6 / CLOCK_HZ)
        for rise, fall in pairwise(edges)
        if rise.value
    ]
