"""The messages of the frame format, as values.

Numbers are integers as on the wire: steps, 1/256 step, 1/256 step/s. `codec` has their places on the wire.
The numbers of this file reach the firmware through `bridge.firmware.contract`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

VERSION = 2
"""Of the frame format."""
FIRMWARE_VERSION = (2, 3)
"""Major and minor, as boards introduce themselves."""
LAMPS_SINCE = (2, 2)
"""The first firmware that knows LIGHT and INQUIRE; an older one is sent neither."""
RELEASES_SINCE = (2, 3)
"""The first firmware that tells when a button is let go."""
MAX_PAYLOAD = 250
LATE_GAP = 128
"""Half the count of sequences: a frame that seems so far ahead, or further, is a late or doubled one."""
MAX_CHANNELS = 12
MAX_LAMPS = 16
FULL_LEVEL = 65_535
"""A lamp at its full current all the time; a level is that share of it."""
SWITCHED_ON = 32_768
"""A lamp that can only be switched is on from this level."""
ENDLESS_LOW, ENDLESS_HIGH = -(2**31), 2**31 - 1  # the stops of a pointer that has none


class FrameType(IntEnum):
    """Type byte of a frame: below 0x80 from host to board, above from board to host."""

    IDENTIFY = 0x01
    MOVE = 0x02
    HOME = 0x03
    ADOPT = 0x04
    REST = 0x05
    QUERY = 0x06
    LIGHT = 0x07
    INQUIRE = 0x08
    INTRODUCTION = 0x81
    STATUS = 0x82
    EVENT = 0x83
    REFUSAL = 0x84
    CAPABILITIES = 0x85


class Output(IntEnum):
    """What a channel drives."""

    STEP_DIR = 0
    FOUR_WIRE = 1
    GAUGE_STEPPER = 2
    SERVO = 3


class Homing(IntEnum):
    """How a channel finds its home position."""

    LAST_POSITION = 0
    INDEX = 1
    STOP = 2
    SWEEP = 3


class LampOutput(IntEnum):
    """How a lamp's pin is driven."""

    SWITCHED = 0
    DIMMED = 1


class ChannelState(IntEnum):
    """What a channel does, as a STATUS reports it."""

    UNKNOWN = 0
    HOMING = 1
    READY = 2
    HOLDING = 3
    RESTING = 4
    FAULT = 5


class EventKind(IntEnum):
    """What an EVENT reports."""

    INDEX = 1
    STOP = 2
    HOMED = 3
    KNOB = 4
    BUTTON = 5
    FAULT = 6
    WATCHDOG = 7
    RELEASED = 8


class Fault(IntEnum):
    """The value of a FAULT event."""

    NO_INDEX_MARK = 1
    NO_STOP = 2


class Reason(IntEnum):
    """Why a board refuses a frame."""

    VERSION_NOT_SPOKEN = 1
    UNKNOWN_TYPE = 2
    WRONG_LENGTH = 3
    NO_SUCH_CHANNEL = 4
    POSITION_NOT_KNOWN = 5


@dataclass(frozen=True, slots=True)
class Identify:
    """Asks the board for its INTRODUCTION."""


@dataclass(frozen=True, slots=True)
class Query:
    """Asks the board for its STATUS."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where a channel is to be: `position` steps and `fraction`/256 up; `velocity` in 1/256 step/s."""

    channel: int
    position: int
    fraction: int
    velocity: int


@dataclass(frozen=True, slots=True)
class Move:
    """New targets, for some or all channels."""

    targets: tuple[Target, ...]


@dataclass(frozen=True, slots=True)
class Home:
    """Asks these channels to find their home position."""

    channels: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ChannelPosition:
    """The position of a channel in steps, as the user confirms it."""

    channel: int
    position: int


@dataclass(frozen=True, slots=True)
class Adopt:
    """Sets the positions of channels without moving them."""

    places: tuple[ChannelPosition, ...]


@dataclass(frozen=True, slots=True)
class Rest:
    """Asks these channels to brake, then rest."""

    channels: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class LampLevel:
    """A lamp's level, which it is to reach evenly in `fade_ms`."""

    lamp: int
    level: int
    """Share of its full current, 65,535 for all of it."""
    fade_ms: int


@dataclass(frozen=True, slots=True)
class Light:
    """New levels, for some or all lamps."""

    levels: tuple[LampLevel, ...]


@dataclass(frozen=True, slots=True)
class Inquire:
    """Asks the board for its CAPABILITIES."""


@dataclass(frozen=True, slots=True)
class LampCapability:
    """One lamp as the board has it: a LampOutput, and its level when no host is heard."""

    output: int
    when_lost: int
    """As `LampLevel.level`."""


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What a board has beside its channels."""

    lamps: tuple[LampCapability, ...]


@dataclass(frozen=True, slots=True)
class ChannelLimits:
    """One channel as the board has it: speed in steps/s, acceleration in steps/s², stops in steps."""

    output: int
    homing: int
    speed: int
    acceleration: int
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Introduction:
    """What a board is: its identity, firmware, watchdog time (ms) and channels."""

    board_id: bytes
    firmware_major: int
    firmware_minor: int
    watchdog_ms: int
    channels: tuple[ChannelLimits, ...]


@dataclass(frozen=True, slots=True)
class ChannelStatus:
    """`state` as in ChannelState, `position` in steps, `velocity` in 1/256 step/s."""

    state: int
    position: int
    velocity: int


@dataclass(frozen=True, slots=True)
class Status:
    """Counters since the board started, modulo 65,536 (`watchdog_trips` modulo 256).

    `slots_lost`: time slots that an overloaded board could not serve; its pointers lag by each of them.
    """

    frames_good: int
    frames_bad: int
    frames_missed: int
    slots_lost: int
    watchdog_trips: int
    channels: tuple[ChannelStatus, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at channel or input `source`; `value` depends on `kind`, an EventKind."""

    kind: int
    source: int
    value: int


@dataclass(frozen=True, slots=True)
class Refusal:
    """`refused` is the type of the frame refused; `version` is the one that the board speaks."""

    refused: int
    reason: int
    version: int = VERSION


Message = (
    Identify
    | Move
    | Home
    | Adopt
    | Rest
    | Query
    | Light
    | Inquire
    | Introduction
    | Status
    | Event
    | Refusal
    | Capabilities
)
