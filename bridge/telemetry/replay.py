"""Replaying a flight log: the log's moments as arrivals, as fast as the flight was, or faster, or at once."""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable, Iterator

from bridge.errors import DescriptionError
from bridge.telemetry.flightlog import FlightLog
from bridge.telemetry.source import Arrival, Deliver, Sender

# Without pacing, other tasks get their turn after this many arrivals.
_BREATHE_EVERY = 20


def parse_speed(text: str) -> float:
    """A speed factor, or infinity for 'max'; raises `DescriptionError`."""
    try:
        speed = math.inf if text == "max" else float(text)
    except ValueError:
        speed = math.nan
    if not speed > 0.0:
        raise DescriptionError("--speed", "", repr(text), "a factor above 0, or max", "Try --speed 2")
    return speed


def arrivals(
    log: FlightLog, start_s: float = -math.inf, end_s: float = math.inf, loop: bool = False
) -> Iterator[Arrival]:
    """The log's moments from `start_s` to `end_s`, both in the log's own time and included.

    The first has all that was known by then, not that line alone. With `loop` it begins again without end:
    `arrival_s` goes on rising, by the log's mean interval from one round to the next, and each later round's
    first arrival has `jumped`. `source_time_s` is the log's time. Raises `DescriptionError` when there is
    nothing in between, or at a line that can't be read.
    """
    offset_s = 0.0
    jumped = False
    while True:
        first_s = latest_s = None
        count = 0
        known: dict[str, float] = {}
        for time_s, readings in log:
            if time_s < start_s:
                known |= readings
                continue
            if time_s > end_s:
                break
            if first_s is None:
                first_s = time_s
                readings = known | readings
            yield Arrival(time_s + offset_s, readings, time_s, jumped and count == 0)
            latest_s = time_s
            count += 1
        if first_s is None or latest_s is None:
            whole = start_s == -math.inf and end_s == math.inf
            found = "no line" if whole else f"no line from {start_s:g} s to {end_s:g} s"
            raise DescriptionError(
                str(log.path), "", found, "at least one", "Change --from or --to, or the log"
            )
        if not loop:
            return
        interval_s = (latest_s - first_s) / (count - 1) if latest_s > first_s else 1.0
        offset_s += latest_s - first_s + interval_s
        jumped = True


class ReplaySource:
    """A flight log as a telemetry source.

    `speed` is a factor, or infinity for no waiting at all. An arrival's time is the moment at which it was
    due (with infinite speed, due at the flight's own pace), so that a late timer shows as age, not as jitter.
    Opening raises `DescriptionError` where the window holds nothing.
    """

    def __init__(
        self,
        log: FlightLog,
        speed: float = 1.0,
        start_s: float = -math.inf,
        end_s: float = math.inf,
        loop: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._log = log
        self._speed = speed
        self._window = (start_s, end_s, loop)
        self._clock = clock
        self._sender = Sender(str(log.path), layout="flight log")
        self.given = log.given

    @property
    def name(self) -> str:
        return self._log.path.name

    @property
    def senders(self) -> tuple[Sender, ...]:
        return (self._sender,)

    async def open(self) -> None:
        next(arrivals(self._log, *self._window))  # raises where there is nothing to replay

    async def close(self) -> None:
        """Nothing is held open."""

    async def run(self, deliver: Deliver) -> None:
        """Delivers the log; ends with it, or when cancelled."""
        begin_s = self._clock()
        first_s: float | None = None
        pace = self._speed if math.isfinite(self._speed) else 1.0
        for count, arrival in enumerate(arrivals(self._log, *self._window)):
            if first_s is None:
                first_s = arrival.arrival_s
            due_s = begin_s + (arrival.arrival_s - first_s) / pace
            if math.isfinite(self._speed):
                await asyncio.sleep(max(0.0, due_s - self._clock()))
            elif count % _BREATHE_EVERY == 0:
                await asyncio.sleep(0)
            self._sender.arrived(due_s, 0)
            self._sender.read(due_s, arrival.readings)
            deliver(Arrival(due_s, arrival.readings, arrival.source_time_s, arrival.jumped))
