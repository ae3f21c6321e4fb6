"""From a source's callbacks, which have nobody to raise to, to whoever runs the source."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager

from bridge.telemetry.source import Arrival, Deliver


class Delivery:
    """The arrivals of one source; they go nowhere while nobody runs it."""

    def __init__(self) -> None:
        self._deliver: Deliver | None = None
        self._failed: asyncio.Future[None] | None = None

    @contextmanager
    def to(self, deliver: Deliver) -> Iterator[asyncio.Future[None]]:
        """While it lasts, arrivals go there; what `deliver` raised is the outcome of the future."""
        self._failed = asyncio.get_running_loop().create_future()
        self._deliver = deliver
        try:
            yield self._failed
        finally:
            self.end()

    def end(self) -> None:
        """From now on arrivals go nowhere."""
        self._deliver = None

    def pass_on(self, arrival: Arrival) -> None:
        """Deliver it, if somebody runs the source."""
        if self._deliver is None:
            return
        try:
            self._deliver(arrival)
        except Exception as error:
            assert self._failed is not None
            if not self._failed.done():
                self._failed.set_exception(error)
