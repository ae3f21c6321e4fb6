"""A test as a source of telemetry: the service flies what the test asks for."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from bridge.proof.feed import Feed
from bridge.proof.run import Needle, ProofRun
from bridge.proof.virtual import FEED_S
from bridge.telemetry.source import Arrival, Deliver, Sender


class ProofSource:
    """Feeds one gauge with the places of its test; ends when every reading is taken.

    `needle` tells how the pointer is, and `due` is called as long as a reading is due; whoever runs the
    service sets them before that.
    """

    def __init__(self, name: str, feed: Feed, run: ProofRun, clock: Callable[[], float]) -> None:
        self.needle: Callable[[], Needle] = lambda: Needle(None, False)
        self.due: Callable[[], None] = lambda: None
        self._feed = feed
        self._run = run
        self._clock = clock
        self._sender = Sender(f"test of {name}", layout="test")
        self.given = feed.given

    @property
    def name(self) -> str:
        """As `Source.name`: the test, and the name of what is tested."""
        return self._sender.address

    @property
    def senders(self) -> tuple[Sender, ...]:
        """As `Source.senders`: the test alone."""
        return (self._sender,)

    @property
    def refused(self) -> dict[str, int]:
        """As `Source.refused`; always empty, since nothing comes from a network."""
        return {}

    async def open(self) -> None:
        """There is nothing to open."""

    async def close(self) -> None:
        """Nothing is held open."""

    async def run(self, deliver: Deliver) -> None:
        """Feeds the gauge until the test is done, or until cancelled."""
        while self._run.step is not None:
            now_s = self._clock()
            self._run.tick(now_s, self.needle())
            if self._run.due:
                self.due()
            readings = self._feed.readings(self._run.place)
            self._sender.arrived(now_s, 0)
            self._sender.read(now_s, readings)
            deliver(Arrival(now_s, readings))
            await asyncio.sleep(FEED_S)
