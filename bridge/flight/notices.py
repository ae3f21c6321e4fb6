"""What the running panel reports: notices of its boards, and its own. Logged by `notice_log`."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.boards.notices import Notice


@dataclass(frozen=True, slots=True)
class BoardReported:
    """A notice of the session with this board."""

    board: str
    notice: Notice


@dataclass(frozen=True, slots=True)
class TelemetryChanged:
    """The state of telemetry went from `was` to `state`."""

    state: str
    was: str


@dataclass(frozen=True, slots=True)
class GaugeLacksTelemetry:
    """The gauge can't show all of its indications; `why` names what is missing."""

    gauge: str
    why: str


@dataclass(frozen=True, slots=True)
class LampLacksTelemetry:
    """The lamp follows what can't be had, and stays as it is without; `why` names what is missing."""

    lamp: str
    why: str


@dataclass(frozen=True, slots=True)
class Assumed:
    """A quantity is derived under this assumption."""

    assumption: str


@dataclass(frozen=True, slots=True)
class PositionAdopted:
    """The position (steps) that the user confirmed was sent to the board."""

    board: str
    channel: int
    steps: int


@dataclass(frozen=True, slots=True)
class PositionUnknown:
    """Nobody has confirmed where this pointer is, or `why` what was confirmed can't be: it is not driven."""

    board: str
    channel: int
    why: str


@dataclass(frozen=True, slots=True)
class PointersLost:
    """Quantities that these pointers (gauge.pointer) follow have stopped arriving while others go on.

    `age_s` is the age of the oldest. `then` is how what they show is derived now; or else they hold, and do
    what it names after the described time.
    """

    pointers: tuple[str, ...]
    quantities: tuple[str, ...]
    age_s: float
    then: str


@dataclass(frozen=True, slots=True)
class PointersBack:
    """The quantities that these pointers had lost arrive again."""

    pointers: tuple[str, ...]
    quantities: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OffScale:
    """For the first time, the scale of this pointer does not reach as far as its indication.

    Both are in its unit, the scale from `low` to `high`; it is at that end until its indication is back.
    """

    pointer: str
    indication: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True)
class TelemetrySlow:
    """Readings of these pointers come so seldom that they are predicted from one to the next.

    `interval_s` is the longest; the pointers show a change up to so much late.
    """

    pointers: tuple[str, ...]
    interval_s: float


@dataclass(frozen=True, slots=True)
class AltimeterSet:
    """The altimeter setting that is fixed, or to which a knob has been turned; where it comes from."""

    setting_inhg: float
    source: str


@dataclass(frozen=True, slots=True)
class ReadingSet:
    """A hand has set this reading of the panel's own, in `unit`."""

    quantity: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class ControlNotDone:
    """What this knob or button asks for can't be done now."""

    control: str
    why: str


@dataclass(frozen=True, slots=True)
class GaugeTaken:
    """This gauge is at the bench: it follows no readings, its holder moves it."""

    gauge: str
    holder: str


@dataclass(frozen=True, slots=True)
class GaugeGivenBack:
    """This gauge follows its readings again; `why` when its holder did not give it back."""

    gauge: str
    holder: str
    why: str


@dataclass(frozen=True, slots=True)
class AllStopped:
    """All pointers brake and are held."""

    by: str


@dataclass(frozen=True, slots=True)
class AllGoOn:
    """All pointers may move again."""

    by: str


@dataclass(frozen=True, slots=True)
class FailureSwitched:
    """A failure of an instrument came, or was undone; `lacks` is why it can have no effect here."""

    name: str
    on: bool
    by: str
    lacks: str


PanelNotice = (
    BoardReported
    | TelemetryChanged
    | GaugeLacksTelemetry
    | LampLacksTelemetry
    | Assumed
    | PositionAdopted
    | PositionUnknown
    | PointersLost
    | PointersBack
    | TelemetrySlow
    | OffScale
    | AltimeterSet
    | ReadingSet
    | ControlNotDone
    | GaugeTaken
    | GaugeGivenBack
    | AllStopped
    | AllGoOn
    | FailureSwitched
)
