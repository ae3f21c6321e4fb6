"""The two sides of a conformance check: a board under test, and the host that talks to it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from fractions import Fraction

import pytest

from bridge.boards import codec, messages
from bridge.boards.link import Link
from bridge.boards.messages import ChannelLimits, ChannelState, EventKind, Homing, Output

PATIENCE_S = 60.0  # of the board's time, for a homing
ANSWER_S = 60.0  # of the wall clock, for one answer
POLL_S = 0.05


class Subject:
    """A board under test. What a subject can't do stays as it is here and its checks are skipped."""

    name: str
    channels: tuple[ChannelLimits, ...]
    steps_per_turn: tuple[Fraction | None, ...]  # between index marks, one entry per channel
    watchdog_ms: int = 500
    lamps: tuple[messages.LampCapability, ...] = ()
    lamp_tolerance: int = 1  # of a level

    async def start(self) -> Link:
        """An open link to a freshly reset board."""
        raise NotImplementedError

    async def stop(self) -> None:
        """Close everything that `start` opened."""
        raise NotImplementedError

    async def elapse(self, seconds_s: float) -> None:
        """Let this much of the board's own time go by."""
        raise NotImplementedError

    async def reopen(self) -> Link:
        """Close the link and open it again as a restarted host would, without resetting the board."""
        pytest.skip(f"{self.name} can't be reached a second time without a reset")

    async def reset(self) -> None:
        """Reset the board while the link stays open."""
        pytest.skip(f"{self.name} has no reset")

    async def raw(self, data: bytes) -> None:
        """Put these bytes on the line to the board."""
        pytest.skip(f"{self.name} has no line")

    async def turn_knob(self, clicks: int) -> int:
        """Turn a knob, clockwise positive; returns the number of the input."""
        pytest.skip(f"{self.name} has no knob")

    async def press(self) -> int:
        """Press and release a button; returns the number of the input."""
        pytest.skip(f"{self.name} has no button")

    async def lose_steps(self, channel: int, steps: int) -> None:
        """Leave the pointer behind its count by so many clockwise steps (counter-clockwise if negative)."""
        pytest.skip(f"{self.name} loses no steps")

    async def lamp_levels(self) -> list[int]:
        """The level of every lamp as it is at the pins."""
        pytest.skip(f"{self.name} has no lamps")


class Host:
    """The host's side of one check: counts its frames, keeps what the board sent."""

    def __init__(self, subject: Subject, link: Link) -> None:
        self.subject = subject
        self.link = link
        self.sequence = 0
        self.events: list[messages.Event] = []
        self.refusals: list[messages.Refusal] = []
        self.introductions: list[messages.Introduction] = []
        self.capabilities: list[messages.Capabilities] = []
        self.own_sequences: list[int] = []  # of all but STATUS
        self._arrived: list[bytes] = []

    def send(self, message: messages.Message) -> int:
        sequence = self.sequence
        self.link.send(codec.encode(message, sequence))
        self.sequence = codec.sequence_after(sequence)
        return sequence

    def move(self, **channels: tuple[float, float]) -> None:
        """`c0=(position, velocity)` and so on, in steps and steps/s."""
        numbers = sorted(int(name[1:]) for name in channels)
        wanted = [channels[f"c{number}"] for number in numbers]
        mask = sum(1 << number for number in numbers)
        payload = codec.encode_move(
            self.sequence, [position for position, _ in wanted], [speed for _, speed in wanted], mask
        )
        self.link.send(payload, replaceable=True)
        self.sequence = codec.sequence_after(self.sequence)

    async def status(self) -> messages.Status:
        """Ask and wait; a lost answer is asked for again."""
        for _ in range(3):
            asked = self.send(messages.Query())
            try:
                async with asyncio.timeout(ANSWER_S / 3):
                    while True:
                        while not self._arrived:
                            self._arrived = await self.link.receive()
                        sequence, message = codec.decode(self._arrived.pop(0))
                        if isinstance(message, messages.Status):
                            if sequence == asked:
                                return message
                        else:
                            self.own_sequences.append(sequence)
                            self._keep(message)
            except TimeoutError:
                continue
        raise AssertionError(f"{self.subject.name} does not answer QUERY")

    def _keep(self, message: messages.Message) -> None:
        match message:
            case messages.Event():
                self.events.append(message)
            case messages.Refusal():
                self.refusals.append(message)
            case messages.Introduction():
                self.introductions.append(message)
            case messages.Capabilities():
                self.capabilities.append(message)
            case _:
                raise AssertionError(f"a board never sends {message}")

    async def until(
        self, done: Callable[[messages.Status], bool], what: str, patience_s: float = PATIENCE_S
    ) -> messages.Status:
        """Ask every POLL_S of the board's time until the status is as wanted."""
        waited_s = 0.0
        while True:
            status = await self.status()
            self._within_limits(status)
            if done(status):
                return status
            assert waited_s < patience_s, f"{what} did not come within {patience_s} s: {status}"
            await self.subject.elapse(POLL_S)
            waited_s += POLL_S

    def _within_limits(self, status: messages.Status) -> None:
        for limits, channel in zip(self.subject.channels, status.channels, strict=True):
            assert abs(channel.velocity) <= (limits.speed + 1) * 256, (
                f"{channel} beats {limits.speed} steps/s"
            )

    async def settled(self, channel: int, position: float, what: str) -> messages.Status:
        """Wait until the channel is at rest within one step of this position."""

        def there(status: messages.Status) -> bool:
            row = status.channels[channel]
            return row.velocity == 0 and abs(row.position - position) <= 1

        return await self.until(there, what)

    async def make_known(self, *channels: int) -> None:
        """Home or adopt, by each channel's own way, and wait until all are ready.

        A board whose time is quicker than ours may miss us on a busy machine, and stop by its watchdog: it is
        told again.
        """
        limits = self.subject.channels
        homing = tuple(c for c in channels if limits[c].homing != Homing.LAST_POSITION)
        adopted = tuple(c for c in channels if c not in homing and limits[c].output != Output.SERVO)
        trips: int | None = None

        def ready(status: messages.Status) -> bool:
            nonlocal trips
            if status.watchdog_trips != trips:
                trips = status.watchdog_trips
                if homing:
                    self.send(messages.Home(homing))
                if adopted:
                    places = (messages.ChannelPosition(c, middle(limits[c])) for c in adopted)
                    self.send(messages.Adopt(tuple(places)))
                return False
            return all(status.channels[c].state == ChannelState.READY for c in channels)

        await self.until(ready, f"ready channels {channels}")

    async def wait_event(
        self, kind: EventKind, source: int, patience_s: float = PATIENCE_S
    ) -> messages.Event:
        def found(_: messages.Status) -> bool:
            return any(event.kind == kind and event.source == source for event in self.events)

        await self.until(found, f"event {kind.name} of {source}", patience_s)
        return next(event for event in self.events if event.kind == kind and event.source == source)

    def values(self, kind: EventKind, source: int) -> list[int]:
        return [event.value for event in self.events if event.kind == kind and event.source == source]


def middle(limits: ChannelLimits) -> int:
    """Halfway between the stops, 0 for an endless pointer."""
    return 0 if endless(limits) else (limits.low + limits.high) // 2


def endless(limits: ChannelLimits) -> bool:
    return limits.low == messages.ENDLESS_LOW
