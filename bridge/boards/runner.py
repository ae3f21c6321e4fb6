"""One task per board: opens its link, lets session and link talk, opens it again when it is lost.

A board that is slow, dead or missing delays its own task and no other.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from math import inf

from bridge.boards.link import Link
from bridge.boards.session import STOPPED, BoardSession
from bridge.boards.virtual.board import VirtualBoard
from bridge.errors import BoardError

RETRY_S = 0.5


class Board:
    """A board as the service holds it: `run` is its task, `move` is called at every tick."""

    def __init__(
        self,
        session: BoardSession,
        link: Link,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.session = session
        self.link = link
        self._clock = clock
        self._moved_s = -inf

    def move(self, time_s: float, positions: Sequence[float], velocities: Sequence[float]) -> None:
        """Send all channels their positions (steps) and velocities (steps/s); returns at once.

        A QUERY that would be due before the next MOVE goes with this one: one wake-up for both.
        """
        payload = self.session.move(time_s, positions, velocities)
        if not payload:
            return
        self.link.send(payload, replaceable=True)
        interval_s, self._moved_s = time_s - self._moved_s, time_s
        if time_s + interval_s > self.session.due_s():
            for payload in self.session.outgoing(time_s, interval_s):
                self.link.send(payload)

    def light(self, time_s: float, levels: Sequence[int]) -> None:
        """Send the levels of all lamps where they have changed, or are due again; returns at once."""
        payload = self.session.light(time_s, levels)
        if payload:
            self.link.send(payload)

    def rest(self) -> None:
        """Let the pointers stop and take the current off their coils."""
        payload = self.session.rest()
        if payload:
            self.link.send(payload)

    async def run(self) -> None:
        """Until cancelled; then closes the link, which still sends what waits. May be run again."""
        try:
            while True:
                try:
                    await self.link.open()
                    self.session.link_opened(self._clock())
                    await self._talk()
                except BoardError as error:
                    self.session.link_lost(error.detail)
                await self.link.close()
                await asyncio.sleep(RETRY_S)
        finally:
            self.session.link_lost(STOPPED)
            await self.link.close()

    async def _talk(self) -> None:
        session, link, clock = self.session, self.link, self._clock
        bad_frames = link.bad_frames
        while True:
            await asyncio.sleep(0)  # whatever a board sends, others have their turn
            # First what has arrived, so that no question that is answered already counts as unanswered.
            for payload in await self._arrivals(session.due_s()):
                session.receive(clock(), payload)
            session.corrupted(link.bad_frames - bad_frames)
            bad_frames = link.bad_frames
            for payload in session.outgoing(clock()):
                link.send(payload)

    async def _arrivals(self, until_s: float) -> list[bytes]:
        """What has arrived, or arrives until then."""
        try:
            async with asyncio.timeout(max(0.0, until_s - self._clock())):
                return await self.link.receive()
        except TimeoutError:
            return []


class InstantBoard:
    """A session and a virtual board on the caller's own time, without a task: for replay without waiting."""

    def __init__(self, session: BoardSession, board: VirtualBoard) -> None:
        self.session = session
        self.board = board

    def start(self, time_s: float) -> None:
        """Start the board and open the session at this time (s)."""
        answers = self.board.reset(time_s)
        self.session.link_opened(time_s)
        self._hear(time_s, answers)

    def move(self, time_s: float, positions: Sequence[float], velocities: Sequence[float]) -> None:
        """As `Board.move`; also lets the two talk up to this time."""
        if time_s >= self.session.due_s():
            self.talk(time_s)
        payload = self.session.move(time_s, positions, velocities)
        if payload:
            answers = self.board.receive(time_s, payload)
            if answers:
                self._hear(time_s, answers)

    def light(self, time_s: float, levels: Sequence[int]) -> None:
        """As `Board.light`."""
        payload = self.session.light(time_s, levels)
        if payload:
            self._hear(time_s, self.board.receive(time_s, payload))

    def talk(self, time_s: float) -> None:
        """Exchange everything but MOVE that is due at this time."""
        for payload in self.session.outgoing(time_s):
            self._hear(time_s, self.board.receive(time_s, payload))

    def _hear(self, time_s: float, answers: list[bytes]) -> None:
        for payload in answers:
            self.session.receive(time_s, payload)
