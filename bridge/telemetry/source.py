"""The contract of every telemetry source, and what each tells about its senders.

`open` is where what a person got wrong shows (a port in use, a log without its time). `run` then delivers
arrivals until it is cancelled or has no more, and may be run again; `close` ends it all.

`deliver` is called in the event loop and must not block; there is no queue between a datagram and it, so that
nothing grows stale in one. What it raises ends `run`.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

# A sender's rate is counted over this long; one that is silent for as long has none.
_RATE_WINDOW_S = 3.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """Readings that came in together, in canonical units.

    `arrival_s` is on the clock given to the source and never goes back. `source_time_s` is the sender's own
    time where it sends one. `jumped` states that this does not follow from what came before (a
    replay began again, the simulator's clock went back): instruments with a memory start afresh. `age_s` is
    how long before their arrival the readings were true, 0 where that is not known. `flight_s` is the time in
    the flight itself where that runs at another pace than the clock (a replay): instruments go by it.
    `between` holds what did not arrive, but lies on the path between two rows of a recorded flight
    (`bridge.telemetry.smoothing`): it is shown, and neither recorded nor counted.
    """

    arrival_s: float
    readings: dict[str, float]
    source_time_s: float | None = None
    jumped: bool = False
    age_s: float = 0.0
    flight_s: float | None = None
    between: Mapping[str, float] = field(default_factory=dict)

    @property
    def arrived(self) -> bool:
        """False for what lies between two rows and nothing else."""
        return bool(self.readings) or not self.between


Deliver = Callable[[Arrival], None]


@dataclass(slots=True)
class Sender:
    """What is known of one sender: counts since the start, its latest datagram and readings.

    `read_s` is when each quantity of `readings` last came. `sample` is the beginning of the latest datagram
    that no layout could use. `follows` is what of it is followed, where it sends for several. `trouble` is
    fit for a terminal; `sample` is as it was sent.
    """

    address: str
    datagrams: int = 0
    size_bytes: int = 0
    unused: int = 0
    causes: Counter[str] = field(default_factory=Counter)
    latest_bytes: int = 0
    latest_s: float = 0.0
    layout: str = ""
    follows: str = ""
    readings: dict[str, float] = field(default_factory=dict)
    read_s: dict[str, float] = field(default_factory=dict)
    trouble: str = ""
    sample: bytes = b""
    _times_s: deque[float] = field(default_factory=lambda: deque(maxlen=256))

    def arrived(self, now_s: float, size_bytes: int) -> None:
        """Counts one datagram."""
        self.datagrams += 1
        self.size_bytes += size_bytes
        self.latest_bytes = size_bytes
        self.latest_s = now_s
        self._times_s.append(now_s)

    def read(self, now_s: float, readings: Mapping[str, float]) -> None:
        """Take the readings of one datagram."""
        self.readings.update(readings)
        self.read_s.update(dict.fromkeys(readings, now_s))

    def rate_hz(self, now_s: float) -> float:
        """Datagrams a second, over the last few seconds."""
        recent = [time_s for time_s in self._times_s if now_s - time_s <= _RATE_WINDOW_S]
        if len(recent) < 2 or recent[-1] == recent[0]:
            return 0.0
        return (len(recent) - 1) / (recent[-1] - recent[0])


class Source(Protocol):
    """Anything that delivers readings."""

    @property
    def name(self) -> str:
        """Where its readings come from, in words for logs and the page."""
        ...

    @property
    def given(self) -> frozenset[str]:
        """The quantities that it can give."""
        ...

    @property
    def senders(self) -> tuple[Sender, ...]:
        """Those known by now, each with its counts and latest readings; mostly none at first."""
        ...

    @property
    def refused(self) -> Mapping[str, int]:
        """For each host that is not allowed: how many of its datagrams were skipped."""
        ...

    async def open(self) -> None:
        """Raises DescriptionError, with the cure, when it can't be; may be opened again after `close`."""

    async def close(self) -> None:
        """Safe at any time, also twice."""

    async def run(self, deliver: Deliver) -> None:
        """Deliver arrivals until cancelled, or until there are no more; call it once it is open.

        Raises what `deliver` raises. May be run again.
        """


class LiveSource(Source, Protocol):
    """A source that others send to, and that is watched while they are set up."""

    @property
    def carries(self) -> str:
        """What they send, as a plural."""
        ...

    @property
    def notes(self) -> tuple[str, ...]:
        """A sentence each for what keeps it from hearing, and for what its bounds have cost; mostly none."""
        ...

    def unseen(self, sender: Sender) -> frozenset[str]:
        """The quantities that are described for what this sender sends, and have not come yet."""
        ...
