"""A session and a virtual board that talk without a link, on a clock of the test's own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Self

from bridge.boards import codec, messages
from bridge.boards.compatibility import ExpectedChannel
from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, Homing, Output
from bridge.boards.notices import Notice
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec
from tests.boards.subjects import CHANNELS

TICK_S = 0.01
HOMING_BY_ITSELF = CHANNELS[:4]
INDEXED = VirtualChannelSpec(
    ChannelLimits(Output.STEP_DIR, Homing.INDEX, 2000, 20_000, ENDLESS_LOW, ENDLESS_HIGH),
    Fraction(3200),
    pointer_at=-100.0,
)
LAST = CHANNELS[4]


def expected(channels: Sequence[VirtualChannelSpec]) -> list[ExpectedChannel]:
    return [ExpectedChannel(channel.limits, channel.steps_per_turn) for channel in channels]


class Pair:
    """`to_board` and `to_host` may lose (give nothing), double or change payloads on the way."""

    def __init__(
        self, channels: Sequence[VirtualChannelSpec] = CHANNELS, board: VirtualBoard | None = None
    ) -> None:
        self.time_s = 0.0
        self.board = board or VirtualBoard(channels)
        self.session = BoardSession("left", expected(channels))
        self.notices: list[Notice] = []
        self.sent: list[messages.Message] = []
        self.to_board: Callable[[bytes], list[bytes]] = lambda payload: [payload]
        self.to_host: Callable[[bytes], list[bytes]] = lambda payload: [payload]

    def start(self) -> Self:
        answers = [] if self.board.running else self.board.reset(self.time_s)
        self.session.link_opened(self.time_s)
        self._hear(answers)
        return self

    def reset(self, *, heard: bool = True) -> None:
        """Reset the board; its INTRODUCTION may be lost."""
        answers = self.board.reset(self.time_s)
        self._hear(answers if heard else [])

    def hold_up(self, pause_s: float) -> None:
        """Nothing reaches the host or is sent by it for so long."""
        self.time_s += pause_s
        self._hear(self.board.advance(self.time_s))

    def send(self, payload: bytes) -> None:
        self.sent.append(codec.decode(payload)[1])
        for arriving in self.to_board(payload):
            self._hear(self.board.receive(self.time_s, arriving))

    def tick(self, positions: Sequence[float] | None = None) -> None:
        self.time_s += TICK_S
        self._hear(self.board.advance(self.time_s))
        for payload in self.session.outgoing(self.time_s):
            self.send(payload)
        if positions is not None:
            payload = self.session.move(self.time_s, positions, [0.0] * len(positions))
            if payload:
                self.send(payload)
        self.notices += self.session.take_notices()

    def run(self, seconds_s: float, positions: Sequence[float] | None = None) -> Self:
        for _ in range(round(seconds_s / TICK_S)):
            self.tick(positions)
        return self

    def state(self) -> State:
        return self.session.state

    def told(self, kind: type[Notice]) -> list[Notice]:
        return [notice for notice in self.notices if isinstance(notice, kind)]

    def asked(self, kind: type[messages.Message]) -> int:
        return sum(isinstance(message, kind) for message in self.sent)

    def _hear(self, answers: list[bytes]) -> None:
        for payload in answers:
            for arriving in self.to_host(payload):
                self.session.receive(self.time_s, arriving)


def ready(channels: tuple[VirtualChannelSpec, ...] = HOMING_BY_ITSELF) -> Pair:
    pair = Pair(channels).start().run(20.0)
    assert pair.state() is State.READY, pair.session.detail
    return pair
