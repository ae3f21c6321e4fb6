"""The intake of telemetry in flight: opens the sources, runs each as a part, swaps them at a reload."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence

import structlog

from bridge.errors import BridgeError, DescriptionError, DescriptionErrors
from bridge.flight.sources import SourceMaker
from bridge.flight.supervisor import Supervisor
from bridge.logs import LogThrottle
from bridge.panel.load import Panel
from bridge.telemetry.source import Arrival, Deliver, Source

_log = structlog.get_logger(__name__)

REOPEN_S = 2.0
"""A source that can't be opened in flight is tried again this often."""


class Intake:
    """The sources in force, each a part of `parts`; `maker` makes those of a description.

    What arrives goes to `deliver`; `ended` is called when a source ends by itself. `clock` is the time of
    arrivals, in seconds.
    """

    def __init__(
        self,
        panel: Panel,
        maker: SourceMaker,
        parts: Supervisor,
        clock: Callable[[], float],
        deliver: Deliver,
        ended: Callable[[], None],
    ) -> None:
        self._maker = maker
        self._parts = parts
        self._clock = clock
        self._deliver = deliver
        self._ended = ended
        self._throttle = LogThrottle()
        self.sources: list[Source] = list(maker.make(panel, clock))

    @property
    def given(self) -> frozenset[str]:
        """Quantities that have arrived; before the first arrival, those the sources can provide."""
        senders = [sender for source in self.sources for sender in source.senders]
        arriving = frozenset[str]().union(*(sender.readings for sender in senders))
        return arriving or frozenset[str]().union(*(source.given for source in self.sources))

    @property
    def parts(self) -> list[str]:
        """The names of the parts that the sources run as."""
        return [_part(source) for source in self.sources]

    async def open(self) -> None:
        """Open every source, or none: raises DescriptionErrors with each that can't be."""
        await _open(self.sources)

    def start(self) -> None:
        """Run the sources, which are open."""
        for source in self.sources:
            self._start(source, is_open=True)

    async def close(self) -> None:
        """Close every source; safe at any time."""
        for source in self.sources:
            await source.close()

    async def swap(self, old: Panel, new: Panel) -> BridgeError | None:
        """Run the new description's sources if they differ. When they can't be opened the old ones come back,
        and the error is returned."""
        if self._maker.same(old, new):
            return None
        before = self.sources
        await self._parts.end(*self.parts)
        for source in before:
            await source.close()
        fresh = list(self._maker.make(new, self._clock, before))
        try:
            await _open(fresh)
        except BridgeError as error:
            for source in before:
                self._start(source, is_open=False)
            return error
        self.sources = fresh
        self.start()
        return None

    def _start(self, source: Source, *, is_open: bool) -> None:
        def deliver(arrival: Arrival) -> None:
            try:
                self._deliver(arrival)
            except Exception:  # one arrival that can't be shown must not end the source
                self._throttle.exception("arrival not shown", source.name, self._clock(), source=source.name)

        async def fly() -> None:
            nonlocal is_open
            while not is_open:
                try:
                    await source.open()
                    is_open = True
                except BridgeError as error:
                    fields = {"source": source.name, "why": str(error), "again_in_s": REOPEN_S}
                    self._throttle.error("telemetry is off", source.name, self._clock(), **fields)
                    await asyncio.sleep(REOPEN_S)
            try:
                await source.run(deliver)
            except DescriptionError as error:  # a log that goes wrong halfway would do so again
                _log.error("source ended", source=source.name, why=str(error))
            self._ended()  # only a replay ends by itself

        self._parts.start(_part(source), fly)


def _part(source: Source) -> str:
    return f"source {source.name}"


async def _open(sources: Sequence[Source]) -> None:
    """Open all of them, or none: raises DescriptionErrors with every one that can't be."""
    opened: list[Source] = []
    errors: list[DescriptionError] = []
    for source in sources:
        try:
            await source.open()
            opened.append(source)
        except DescriptionErrors as several:
            errors += several.errors
        except DescriptionError as error:
            errors.append(error)
    if errors:
        for source in opened:
            await source.close()
        raise DescriptionErrors(errors)
