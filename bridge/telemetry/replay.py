"""Replaying a flight log: the log's moments as arrivals, as fast as the flight was, or faster, or at once.

A replay can be paused, sought and given another speed while it runs, from the event loop that runs it.
"""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import chain

from bridge.errors import DescriptionError
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.flightlog import Moment
from bridge.telemetry.recorded import RecordedFlight
from bridge.telemetry.smoothing import smoothed
from bridge.telemetry.source import Arrival, Deliver, Sender

# Other tasks get their turn after this many moments that are not waited for.
_BREATHE_EVERY = 20
_ALTITUDES = ("pressure_altitude", "indicated_altitude", "geometric_altitude")
SLOWEST, FASTEST = 0.1, 100.0
"""The speeds that a replay can be set to while it runs."""
MOST_POINTS = 600
"""Of the altitude in a survey."""


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
    log: RecordedFlight, start_s: float = -math.inf, end_s: float = math.inf, loop: bool = False
) -> Iterator[Arrival]:
    """The log's moments from `start_s` to `end_s`, both in the log's own time and included.

    Where they are far apart a smooth path lies between them (`bridge.telemetry.smoothing`). The first has all
    that was known by then, not that line alone. With `loop` it begins again without end:
    `arrival_s` goes on rising, by the log's mean interval from one round to the next, and each later round's
    first arrival has `jumped`. `source_time_s` is the log's time. Raises `DescriptionError` when there is
    nothing in between.
    """
    offset_s = 0.0
    jumped = False
    while True:
        first_s = latest_s = None
        count = 0
        for arrival in _path(log, start_s, end_s):
            if arrival is None:
                continue
            latest_s = arrival.arrival_s
            if first_s is None:
                first_s = latest_s
            if jumped:  # a later round
                arrival = replace(arrival, arrival_s=latest_s + offset_s, jumped=count == 0)
            yield arrival
            count += arrival.arrived
        if first_s is None or latest_s is None:
            whole = start_s == -math.inf and end_s == math.inf
            found = "no line" if whole else f"no line from {start_s:g} s to {end_s:g} s"
            raise DescriptionError(
                str(log.path), "", found, "at least one", "Change --from or --to, or the log"
            )
        if not loop:
            return
        offset_s += latest_s - first_s + _mean_interval_s(first_s, latest_s, count)
        jumped = True


def _moments(log: RecordedFlight, start_s: float, end_s: float) -> Iterator[Moment | None]:
    """The moments of a window, the first with all that was known by then; None now and then on the way."""
    known: dict[str, float] = {}
    began = False
    for count, (time_s, readings) in enumerate(log):
        if time_s > end_s:
            return
        if time_s < start_s:
            known |= readings
            if count % _BREATHE_EVERY == 0:
                yield None
            continue
        yield time_s, readings if began else known | readings
        began = True


def _path(log: RecordedFlight, start_s: float, end_s: float) -> Iterator[Arrival | None]:
    """The moments of a window in the log's own time, and what lies between them; None now and then before."""
    moments = _moments(log, start_s, end_s)
    for moment in moments:
        if moment is None:
            yield None
            continue
        rows = (row for row in chain((moment,), moments) if row is not None)
        yield from smoothed((Arrival(time_s, readings, time_s) for time_s, readings in rows), log.catalogue)


def _mean_interval_s(first_s: float, latest_s: float, count: int) -> float:
    return (latest_s - first_s) / (count - 1) if latest_s > first_s else 1.0


@dataclass(frozen=True, slots=True)
class Playback:
    """Where a replay is: the log's own time in seconds, whether it plays, and its speed."""

    time_s: float
    playing: bool
    speed: float


@dataclass(frozen=True, slots=True)
class Survey:
    """The whole of what is replayed: its first and last time, and points (s, `unit`) of its altitude."""

    start_s: float
    end_s: float
    quantity: str
    unit: str
    points: tuple[tuple[float, float], ...]


class ReplaySource:
    """A flight log as a telemetry source.

    `speed` is a factor, or infinity for no waiting at all. An arrival's time is the moment at which it was
    due (with infinite speed, due at the flight's own pace), so that a late timer shows as age, not as jitter.
    Its `flight_s` is the log's time, so that instruments behave as in the flight at any speed.
    Opening raises `DescriptionError` where the window holds nothing.

    Where another place is sought, the first arrival from there has `jumped` and comes at once, also while
    it is paused.
    """

    def __init__(
        self,
        log: RecordedFlight,
        speed: float = 1.0,
        start_s: float = -math.inf,
        end_s: float = math.inf,
        loop: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.stays: Callable[[], bool] = lambda: False
        """Asked at the log's end: whether to pause there instead of ending."""
        self.revision = 0
        """How often the log has been read otherwise since."""
        self._log = log
        self._speed = speed
        self._window = (start_s, end_s, loop)
        self._clock = clock
        self._sender = Sender(str(log.path), layout="flight log")
        self._playing = True
        self._sought_s: float | None = None
        self._changed = asyncio.Event()
        self._at_s = max(start_s, 0.0)  # this time of the log ...
        self._since_s = 0.0  # ... was due at this time of the clock
        self._next_s = self._at_s  # time in the log of the moment that is due next

    @property
    def name(self) -> str:
        """As `Source.name`: that of the log's file, without its folder."""
        return self._log.path.name

    @property
    def given(self) -> frozenset[str]:
        """The quantities that the log has."""
        return self._log.given

    @property
    def senders(self) -> tuple[Sender, ...]:
        """As `Source.senders`: the log as one sender, from the start."""
        return (self._sender,)

    @property
    def refused(self) -> dict[str, int]:
        """As `Source.refused`; always empty, since nothing comes from a network."""
        return {}

    async def open(self) -> None:
        """As `Source.open`: reads up to the first arrival, and keeps nothing open."""
        next(arrivals(self._log, *self._window))  # raises where there is nothing to replay

    async def close(self) -> None:
        """Nothing is held open."""

    async def run(self, deliver: Deliver) -> None:
        """Delivers the log; ends with it, or when cancelled."""
        start_s, _, loop = self._window
        from_s, begin_s, jumped = start_s, self._clock(), False
        while True:
            again_s = await self._round(deliver, from_s, begin_s, jumped)
            jumped = True
            if self._sought_s is None and not loop:
                if not self.stays():
                    return
                self.pause()
                while self._sought_s is None and not self._playing:
                    await self._change()
            if self._sought_s is not None:
                from_s, begin_s, self._sought_s = max(start_s, self._sought_s), self._clock(), None
            else:
                from_s, begin_s = start_s, again_s if loop and again_s is not None else self._clock()

    # -- control --------------------------------------------------------------------------------

    @property
    def playback(self) -> Playback:
        """Where it is now."""
        return Playback(self._place_s(), self._playing, self._speed)

    @property
    def pace(self) -> float:
        """Seconds of the flight in one second; 0 while it is paused."""
        return self._speed if self._playing else 0.0

    def play(self) -> None:
        """Go on, at the end from the beginning."""
        self._set(self._speed, True)

    def pause(self) -> None:
        """Stay where it is."""
        self._set(self._speed, False)

    def seek(self, time_s: float) -> None:
        """Go on from this time of the log (s), or from its first moment after it."""
        self._sought_s = time_s
        self._changed.set()

    def read_again(self) -> None:
        """The log reads otherwise from now on: go on from here by that."""
        self.revision += 1
        self._sender = Sender(str(self._log.path), layout="flight log")
        self.seek(self._place_s())

    def set_speed(self, speed: float) -> None:
        """Go on at this speed, above 0."""
        self._set(speed, self._playing)

    async def survey(self) -> Survey:
        """Read the whole window once, giving way to others."""
        start_s, end_s, _ = self._window
        times_s: list[float] = []
        altitudes: list[tuple[float, float]] = []
        quantity = next((name for name in _ALTITUDES if name in self.given), "")
        for moment in _moments(self._log, start_s, end_s):
            if moment is not None:
                times_s.append(moment[0])
                if quantity in moment[1]:
                    altitudes.append((round(moment[0], 2), round(moment[1][quantity], 1)))
            if moment is None or len(times_s) % _BREATHE_EVERY == 0:
                await asyncio.sleep(0)
        if not times_s:
            return Survey(0.0, 0.0, "", "", ())
        every = max(1, math.ceil((len(altitudes) - 1) / (MOST_POINTS - 1)))
        points = altitudes[:-1:every] + altitudes[-1:]
        unit = CATALOGUE[quantity].unit if quantity else ""
        return Survey(times_s[0], times_s[-1], quantity, unit, tuple(points))

    # -- pace -----------------------------------------------------------------------------------

    def _set(self, speed: float, playing: bool) -> None:
        self._at_s, self._since_s = self._place_s(), self._clock()
        self._speed, self._playing = speed, playing
        self._changed.set()

    def _place_s(self) -> float:
        """The log's time now: never past what has not been delivered."""
        if not self._playing or math.isinf(self._speed):
            return self._at_s
        return min(self._at_s + (self._clock() - self._since_s) * self._speed, self._next_s)

    async def _round(self, deliver: Deliver, from_s: float, begin_s: float, jumped: bool) -> float | None:
        """Deliver from there on, the first moment at `begin_s`; to the end, or until another place is sought.

        Returns when the first moment of a next round would be due; None where there is nothing from there on.
        """
        due_s = begin_s
        first_s = time_s = None
        count = 0
        for arrival in _path(self._log, from_s, self._window[1]):
            if arrival is None:
                await asyncio.sleep(0)
                if self._sought_s is not None:
                    return None
                continue
            self._next_s = time_s = arrival.arrival_s
            if first_s is None:
                first_s = self._at_s = time_s
                self._since_s = max(begin_s, self._clock()) if jumped else begin_s
            if not await self._due(time_s, count, at_once=count == 0 and begin_s <= self._clock()):
                return None
            due_s = max(due_s, self._due_s(time_s) if self._playing else self._clock())
            if arrival.arrived:
                self._sender.arrived(due_s, 0)
                self._sender.read(due_s, arrival.readings)
            deliver(replace(arrival, arrival_s=due_s, jumped=jumped and count == 0, flight_s=time_s))
            count += arrival.arrived
        if first_s is None or time_s is None:
            return None
        return due_s + _mean_interval_s(first_s, time_s, count) / self._finite_speed

    @property
    def _finite_speed(self) -> float:
        return self._speed if math.isfinite(self._speed) else 1.0

    def _due_s(self, time_s: float) -> float:
        return self._since_s + (time_s - self._at_s) / self._finite_speed

    async def _due(self, time_s: float, count: int, at_once: bool) -> bool:
        """Wait until this moment of the log is due; returns whether it still is wanted then."""
        if math.isinf(self._speed) or at_once:
            if count % _BREATHE_EVERY == 0:
                await asyncio.sleep(0)
            return self._sought_s is None
        while self._sought_s is None:
            left_s = self._due_s(time_s) - self._clock() if self._playing else None
            if left_s is not None and left_s <= 0.0:
                await asyncio.sleep(0)
                break
            await self._change(left_s)
        return self._sought_s is None

    async def _change(self, at_most_s: float | None = None) -> None:
        """Wait until it is controlled, or so long."""
        self._changed.clear()
        try:
            async with asyncio.timeout(at_most_s):
                await self._changed.wait()
        except TimeoutError:
            pass
