"""A link to a virtual board: the board gets a clock and becomes a link like any other."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

from bridge.boards.virtual.board import VirtualBoard

_SLICE_S = 0.05  # how often a board that hears nothing looks whether anything happened


class VirtualLink:
    """A link to a virtual board. A board that runs already keeps its count when the link is opened again."""

    bad_frames = 0  # nothing can be hurt on the way

    def __init__(self, board: VirtualBoard, clock: Callable[[], float] = time.monotonic) -> None:
        self.board = board
        self._clock = clock
        self._inbox: asyncio.Queue[bytes] = asyncio.Queue()

    async def open(self) -> None:
        self._inbox = asyncio.Queue()
        if not self.board.running:
            self._deliver(self.board.reset(self._clock()))

    def send(self, payload: bytes) -> None:
        self._deliver(self.board.receive(self._clock(), payload))

    async def receive(self) -> bytes:
        while self._inbox.empty():
            self._deliver(self.board.advance(self._clock()))
            if self._inbox.empty():
                try:
                    async with asyncio.timeout(_SLICE_S):
                        return await self._inbox.get()
                except TimeoutError:
                    pass
        return self._inbox.get_nowait()

    async def close(self) -> None:
        pass

    def reset(self) -> None:
        """Press the board's reset button."""
        self._deliver(self.board.reset(self._clock()))

    def _deliver(self, payloads: list[bytes]) -> None:
        for payload in payloads:
            self._inbox.put_nowait(payload)
