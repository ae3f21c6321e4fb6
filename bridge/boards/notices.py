"""What a board session reports to its caller."""

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
class ButtonReleased:
    """The button is open again; boards whose firmware is older than RELEASES_SINCE never tell."""

    source: int


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


@dataclass(frozen=True, slots=True)
class LampsUnusable:
    """The board's lamps are not lit, its pointers go on; `why` with the cure."""

    why: str


Notice = (
    StateChanged
    | KnobTurned
    | ButtonPressed
    | ButtonReleased
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
    | LampsUnusable
)
