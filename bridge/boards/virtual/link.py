"""A link to a virtual board: the board gets a clock and becomes a link like any other."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from bridge.boards.virtual.board import VirtualBoard

_SLICE_S = 0.05  # how often a board that hears nothing looks whether anything happened


class VirtualLink:
    """A link to a virtual board. A board that runs already keeps its count when the link is opened again."""

    bad_frames = 0  # nothing can be corrupted on the way

    def __init__(self, board: VirtualBoard, clock: Callable[[], float] = time.monotonic) -> None:
        self.board = board
        self._clock = clock
        self._inbox: list[bytes] = []
        self._arrived = asyncio.Event()

    async def open(self) -> None:
        """Start the board if it is not running."""
        self._inbox = []
        self._arrived = asyncio.Event()
        if not self.board.running:
            self._deliver(self.board.reset(self._clock()))

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        """As `Link.send`; nothing ever waits here."""
        self._deliver(self.board.receive(self._clock(), payload))

    async def receive(self) -> list[bytes]:
        """As `Link.receive`."""
        while True:
            self._deliver(self.board.advance(self._clock()))
            if self._inbox:
                inbox, self._inbox = self._inbox, []
                return inbox
            self._arrived.clear()
            try:
                async with asyncio.timeout(_SLICE_S):
                    await self._arrived.wait()
            except TimeoutError:
                pass

    async def close(self) -> None:
        """Nothing is held open."""

    def reset(self) -> None:
        """Press the board's reset button."""
        self._deliver(self.board.reset(self._clock()))

    def _deliver(self, payloads: list[bytes]) -> None:
        if payloads:
            self._inbox += payloads
            self._arrived.set()
