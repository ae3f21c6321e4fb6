"""What a board session tells its caller, and the figures that it keeps."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class KnobTurned:
    """`change` in clicks since the last notice, clockwise positive."""

    source: int
    change: int


@dataclass(frozen=True, slots=True)
class ButtonPressed:
    source: int
    presses: int


@dataclass(frozen=True, slots=True)
class PositionNeeded:
    """The channel can't find its position by itself: confirm where its pointer stands with `adopt`."""

    channel: int


@dataclass(frozen=True, slots=True)
class ChannelHomed:
    """`old_count`: steps of the old count at the place that is now zero, 0 when it was unknown."""

    channel: int
    old_count: int


@dataclass(frozen=True, slots=True)
class StepsMissed:
    """Found at an index mark: `steps` now, `total` since homing; positive when the pointer lags clockwise."""

    channel: int
    steps: int
    total: int


@dataclass(frozen=True, slots=True)
class ChannelFaulted:
    channel: int
    why: str


Notice = KnobTurned | ButtonPressed | PositionNeeded | ChannelHomed | StepsMissed | ChannelFaulted


@dataclass(slots=True)
class Statistics:
    """Counted since the session began; the last five are the board's own, as its STATUS says."""

    sent: int = 0
    received: int = 0
    undecodable: int = 0
    unanswered: int = 0  # QUERY frames
    missed: int = 0  # gaps in the board's own count
    refused: int = 0
    resets: int = 0
    round_trip_s: float = 0.0
    worst_round_trip_s: float = 0.0
    board_good: int = 0
    board_bad: int = 0
    board_missed: int = 0
    watchdog_trips: int = 0
