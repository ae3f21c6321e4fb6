"""Virtual boards as subjects of the conformance suite, and the channels that they have."""

from __future__ import annotations

import asyncio
import os
from fractions import Fraction
from pathlib import Path

from bridge.boards.link import Link
from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, Homing, Output
from bridge.boards.serial import SerialLink
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec
from bridge.boards.virtual.link import VirtualLink
from tests.boards.host import Subject
from tests.boards.lamp_conformance import LAMPS
from tests.boards.pty_board import PtyBoard

CHANNELS = (
    VirtualChannelSpec(
        ChannelLimits(Output.STEP_DIR, Homing.INDEX, 2000, 12_000, ENDLESS_LOW, ENDLESS_HIGH),
        Fraction(2400 * 7, 3) + Fraction(1, 7),  # no whole number of steps
        pointer_at=-700.0,
    ),
    VirtualChannelSpec(ChannelLimits(Output.FOUR_WIRE, Homing.STOP, 900, 5000, -20, 4000), pointer_at=512.0),
    VirtualChannelSpec(
        ChannelLimits(Output.GAUGE_STEPPER, Homing.SWEEP, 600, 6000, 0, 945), pointer_at=333.0
    ),
    VirtualChannelSpec(ChannelLimits(Output.SERVO, Homing.LAST_POSITION, 800, 8000, 1000, 2000)),
    VirtualChannelSpec(
        ChannelLimits(Output.STEP_DIR, Homing.LAST_POSITION, 1000, 5000, ENDLESS_LOW, ENDLESS_HIGH)
    ),
)


class VirtualSubject(Subject):
    """The virtual board in this process; its clock goes only when the suite lets time elapse."""

    name = "virtual board"
    channels = tuple(channel.limits for channel in CHANNELS)
    steps_per_turn = tuple(channel.steps_per_turn for channel in CHANNELS)

    def __init__(self) -> None:
        self.time_s = 0.0
        self.board = VirtualBoard(CHANNELS, lamps=LAMPS)
        self.link = VirtualLink(self.board, lambda: self.time_s)

    async def start(self) -> Link:
        await self.link.open()
        return self.link

    async def stop(self) -> None:
        await self.link.close()

    async def elapse(self, seconds_s: float) -> None:
        self.time_s += seconds_s

    async def reopen(self) -> Link:
        await self.link.close()
        await self.link.open()
        return self.link

    async def reset(self) -> None:
        self.link.reset()

    async def turn_knob(self, clicks: int) -> int:
        self.board.turn_knob(0, clicks)
        return 0

    async def press(self) -> int:
        self.board.press(1)
        self.board.release(1)
        return 1

    async def lamp_levels(self) -> list[int]:
        return [lamp.level(self.time_s) for lamp in self.board.lamps]

    async def lose_steps(self, channel: int, steps: int) -> None:
        self.board.channel(channel).lose(steps)


class PtySubject(Subject):
    """The virtual board behind a pty, reached by the serial link."""

    name = "virtual board over a pty"
    channels = VirtualSubject.channels
    steps_per_turn = VirtualSubject.steps_per_turn
    watchdog_ms = 60_000  # of the board's time, which runs fast here: a stall of the tests must not trip it

    def __init__(self, folder: Path) -> None:
        self.double = PtyBoard(folder, CHANNELS, self.watchdog_ms, factor=24.0)
        self.link = SerialLink("test", str(self.double.device), 2_000_000)

    async def start(self) -> Link:
        self.double.plug()
        await self.link.open()
        return self.link

    async def stop(self) -> None:
        await self.link.close()
        self.double.unplug()

    async def elapse(self, seconds_s: float) -> None:
        await asyncio.sleep(seconds_s / self.double.factor)

    async def reopen(self) -> Link:
        await self.link.close()
        self.link = SerialLink("test", str(self.double.device), 2_000_000)
        await self.link.open()
        return self.link

    async def reset(self) -> None:
        self.double.reset()

    async def raw(self, data: bytes) -> None:
        descriptor = os.open(self.double.device, os.O_WRONLY | os.O_NOCTTY)
        try:
            os.write(descriptor, data)
        finally:
            os.close(descriptor)

    async def turn_knob(self, clicks: int) -> int:
        with self.double.lock:
            self.double.board.turn_knob(0, clicks)
        return 0

    async def press(self) -> int:
        with self.double.lock:
            self.double.board.press(1)
            self.double.board.release(1)
        return 1

    async def lose_steps(self, channel: int, steps: int) -> None:
        with self.double.lock:
            self.double.board.channel(channel).lose(steps)
