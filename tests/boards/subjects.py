"""Virtual boards as subjects of the conformance suite, and the channels that they have."""

from __future__ import annotations

from fractions import Fraction

from bridge.boards.channel import VirtualChannel
from bridge.boards.frame import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, Homing, Output
from bridge.boards.link import Link
from bridge.boards.virtual import VirtualBoard, VirtualLink
from tests.boards.conformance import Subject

CHANNELS = (
    VirtualChannel(
        ChannelLimits(Output.STEP_DIR, Homing.INDEX, 2000, 12_000, ENDLESS_LOW, ENDLESS_HIGH),
        Fraction(2400 * 7, 3) + Fraction(1, 7),  # no whole number of steps
        pointer_at=-700.0,
    ),
    VirtualChannel(ChannelLimits(Output.FOUR_WIRE, Homing.STOP, 900, 5000, -20, 4000), pointer_at=512.0),
    VirtualChannel(ChannelLimits(Output.GAUGE_STEPPER, Homing.SWEEP, 600, 6000, 0, 945), pointer_at=333.0),
    VirtualChannel(ChannelLimits(Output.SERVO, Homing.LAST_POSITION, 800, 8000, 1000, 2000)),
    VirtualChannel(
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
        self.board = VirtualBoard(CHANNELS)
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
        return 1

    async def lose_steps(self, channel: int, steps: int) -> None:
        self.board.channel(channel).lose(steps)
