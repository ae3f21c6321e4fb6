"""What a board session reports to its caller, and the figures that it keeps."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.boards.state import State, Trigger


@dataclass(frozen=True, slots=True)
class StateChanged:
    """The session went from `was` to `state`, or stays there for another reason; `why` in words."""

    state: State
    was: State
    on: Trigger
    why: str


@dataclass(frozen=True, slots=True)
class KnobTurned:
    """`change` in clicks since the last notice, clockwise positive."""

    source: int
    change: int


@dataclass(frozen=True, slots=True)
class ButtonPressed:
    """`presses` since the last notice, 1 or more."""

    source: int
    presses: int


@dataclass(frozen=True, slots=True)
class PositionNeeded:
    """The channel can't find its position by itself: confirm where its pointer is with `adopt`."""

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
    """The channel is not driven any more until it is homed."""

    channel: int
    why: str


@dataclass(frozen=True, slots=True)
class ImplausibleReport:
    """The board sent what can't be true; it was not used. `why` names what, and why not."""

    why: str
    channel: int | None = None


@dataclass(frozen=True, slots=True)
class PositionsForgotten:
    """The board was reset: these channels had a position and have none now."""

    channels: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class FrameRefused:
    """The board refused a frame; `frame_type` and `reason` are numbers of the frame format."""

    frame_type: int
    reason: int


@dataclass(frozen=True, slots=True)
class WatchdogTripped:
    """The board got no good frame for this long and stopped its pointers."""

    silence_ms: int


@dataclass(frozen=True, slots=True)
class FramesCorrupted:
    """Frames arrived corrupted: totals since the link was opened, at the board and here."""

    at_board: int
    here: int


@dataclass(frozen=True, slots=True)
class SlotsLost:
    """The board is overloaded: time slots that it could not serve since it started, modulo 65,536."""

    total: int


Notice = (
    StateChanged
    | KnobTurned
    | ButtonPressed
    | PositionNeeded
    | ChannelHomed
    | StepsMissed
    | ChannelFaulted
    | ImplausibleReport
    | PositionsForgotten
    | FrameRefused
    | WatchdogTripped
    | FramesCorrupted
    | SlotsLost
)


@dataclass(slots=True)
class Statistics:
    """Counted since the session began; the last five are the board's own, as its STATUS reports them."""

    sent: int = 0
    received: int = 0
    corrupted: int = 0  # frames that arrived here with a wrong checksum
    undecodable: int = 0
    unanswered: int = 0  # QUERY frames
    missed: int = 0  # gaps in the board's own count
    refused: int = 0
    resets: int = 0
    disbelieved: int = 0
    notices_dropped: int = 0  # nobody took them, see `session.MOST_NOTICES`
    round_trip_s: float = 0.0
    worst_round_trip_s: float = 0.0
    board_good: int = 0
    board_bad: int = 0
    board_missed: int = 0
    slots_lost: int = 0
    watchdog_trips: int = 0
