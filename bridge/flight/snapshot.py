"""The running panel as it is at one moment: all that a view, a trace or a page may know of it.

`RunningPanel.snapshot(time_s)` is the one way to these; `bridge.flight.observer` takes them. They are plain
values that do not change when the panel flies on. What every tick of a trace needs is taken at once; the
tables of readings and gauges are worked out when asked for.
Positions are motor steps from home, ages seconds, face angles degrees clockwise from 12 o'clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bridge.flight.ages import age_of
from bridge.quantities.units import make_conversion

_HPA = make_conversion("inHg", "hPa")


@dataclass(frozen=True, slots=True)
class ReadingSnapshot:
    """One quantity in its canonical unit. `value` is None until it is known.

    `age_s` is the time since the oldest quantity of telemetry that it rests on arrived: None before that,
    and for what rests on no telemetry (a fixed value, a knob). `lost`: telemetry goes on without it.
    """

    name: str
    value: float | None
    unit: str
    age_s: float | None
    derived: bool
    lost: bool


@dataclass(frozen=True, slots=True)
class SettingSnapshot:
    """The altimeter setting in force, None until one is known, and where it comes from.

    `source`: "telemetry", "fixed", "knob", "flight log", "default" where a log lacks it, or
    "derived" from the sea-level setting.
    """

    inhg: float | None
    source: str

    @property
    def hpa(self) -> float | None:
        """The setting in hPa."""
        return None if self.inhg is None else _HPA(self.inhg)


@dataclass(frozen=True, slots=True)
class PointerSnapshot:
    """One driven pointer. None means not known (yet).

    `indication` is what it should show, `off_scale` when its scale does not reach so far: it is at the end
    then, and has been `times_off_scale` times. `target_steps` is where that is, `commanded_steps` and
    `commanded_steps_s` (steps/s) what its board was sent last.
    `reported_steps` is what the board reported `report_age_s` ago; `shows` (in `unit`) and `face_deg` are
    where the pointer then was, known while its channel is ready. An endless pointer is read in the turn
    nearest to its indication. `error` is `shows` less `indication`, None as well off the scale and while
    it is parked or held. `lost` names the quantities that have stopped arriving while others go on. `held`:
    it follows no readings, because its gauge is at the bench or all pointers are stopped. `missed_steps` were
    found at index marks since homing, None where none are passed; `held_s` is how long coils have held it
    still with current, None where they do not. `interval_s` is that of its readings where they come so seldom
    that it is predicted from one to the next: a change may show so much late; None where they come often.
    `true_indication` is what it should show without the failures in force, None while there are none.
    """

    key: str
    gauge: str
    board: str
    channel: int
    unit: str
    indication: float | None
    off_scale: bool
    times_off_scale: int
    target_steps: float | None
    commanded_steps: float
    commanded_steps_s: float
    reported_steps: int
    report_age_s: float | None
    shows: float | None
    error: float | None
    face_deg: float | None
    state: str
    detail: str
    lost: tuple[str, ...]
    parked: bool
    held: bool
    missed_steps: int | None
    held_s: float | None
    interval_s: float | None
    true_indication: float | None = None


@dataclass(frozen=True, slots=True)
class GearedSnapshot:
    """One pointer that wheels turn from the driven pointer `driven_by`; see `PointerSnapshot`."""

    key: str
    gauge: str
    driven_by: str
    unit: str
    indication: float | None
    shows: float | None
    error: float | None
    face_deg: float | None


@dataclass(frozen=True, slots=True)
class FlagSnapshot:
    """One flag of a gauge. `why` is why it is in sight, in a few words; empty while it is not."""

    key: str
    gauge: str
    name: str
    why: str


@dataclass(frozen=True, slots=True)
class GaugeSnapshot:
    """One gauge. `indications` maps what it shows to its value, None until it shows it.

    `state` is "live", "awaited" (an indication has not come yet), "lost" (a quantity has stopped arriving
    while others go on) or "lacking" (telemetry does not have what it needs); `why` names which. Of a live one
    whose indication is derived in another way, since a quantity is lost, it names the way.
    """

    name: str
    indications: Mapping[str, float | None]
    state: str
    why: str


@dataclass(frozen=True, slots=True)
class LampSnapshot:
    """One lamp, or the magnet of a flag. `brightness` is what its board is sent, to the eye, 0 to 1.

    `state` is "lit" or "dark"; "awaited" while a reading that it follows is not there, and it is as is stated
    for that; "off" when its board does not light it. `detail` tells why then.
    """

    name: str
    board: str
    number: int
    dimmed: bool
    brightness: float
    state: str
    detail: str


@dataclass(frozen=True, slots=True)
class BoardSnapshot:
    """One board, its link and its figures since the session began.

    `lost` counts the frames to the board that it missed, `corrupted` those that reached it with a wrong
    checksum and `corrupted_here` those that reached us so, `disbelieved` what it sent that can't be true.
    """

    name: str
    virtual: bool
    state: str
    detail: str
    sent: int
    lost: int
    corrupted: int
    corrupted_here: int
    disbelieved: int
    undecodable: int
    unanswered: int
    refused: int
    resets: int
    watchdog_trips: int
    round_trip_s: float
    worst_round_trip_s: float


@dataclass(frozen=True, slots=True)
class PlanSnapshot:
    """What changes with the description, or with what arrives, and seldom.

    `switched` tells, for each gauge that is shown in another way because a quantity is lost, in which.
    """

    units: Mapping[str, str]
    rests_on: Mapping[str, frozenset[str]]
    given: frozenset[str]
    indications: Mapping[str, tuple[str, ...]]
    missing: Mapping[str, str]
    switched: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class PanelSnapshot:
    """The whole panel at `time_s`. `telemetry` is its state in a word, `values` holds every known reading.

    `rows` holds what arrived last of those quantities whose value is on the path between two rows of a log.
    `failures` names those in force, `scenario` the flight's, None without one; `felt` has the readings that
    instruments feel otherwise than they are in `values`, which are true.
    """

    time_s: float
    name: str
    telemetry: str
    telemetry_age_s: float | None
    setting: SettingSnapshot
    values: Mapping[str, float]
    rows: Mapping[str, float]
    pointers: tuple[PointerSnapshot, ...]
    geared: tuple[GearedSnapshot, ...]
    flags: tuple[FlagSnapshot, ...]
    lamps: tuple[LampSnapshot, ...]
    boards: tuple[BoardSnapshot, ...]
    _arrived_s: Mapping[str, float]
    _plan: PlanSnapshot
    failures: tuple[str, ...] = ()
    scenario: str | None = None
    felt: Mapping[str, float] = field(default_factory=dict)

    @property
    def shown(self) -> Mapping[str, PointerSnapshot]:
        """For each quantity that driven pointers show, the first of them."""
        shown: dict[str, PointerSnapshot] = {}
        for gauge, names in self._plan.indications.items():
            pointers = (pointer for pointer in self.pointers if pointer.gauge == gauge)
            for name, pointer in zip(names, pointers, strict=True):
                shown.setdefault(name, pointer)
        return shown

    @property
    def readings(self) -> tuple[ReadingSnapshot, ...]:
        """Every quantity that arrives or is derived: the arriving ones first, each kind by name."""
        lost = {name for pointer in self.pointers for name in pointer.lost}
        plan = self._plan
        known = plan.rests_on.keys() | self.values.keys()
        return tuple(
            ReadingSnapshot(
                name,
                self.values.get(name),
                plan.units[name],
                age_of(self.time_s, self._arrived_s, rests_on := plan.rests_on.get(name, frozenset((name,)))),
                derived=self.is_derived(name),
                lost=not lost.isdisjoint(rests_on),
            )
            for name in sorted(known, key=lambda name: (self.is_derived(name), name))
        )

    def arrived_ago_s(self, name: str) -> float | None:
        """The time since this quantity of telemetry arrived last; None before that."""
        return age_of(self.time_s, self._arrived_s, (name,))

    def is_derived(self, name: str) -> bool:
        """Whether this reading is derived, and not one that arrives, is fixed or set by a knob."""
        return name not in self._plan.given

    @property
    def gauges(self) -> tuple[GaugeSnapshot, ...]:
        """Every gauge, as the description orders them."""
        return tuple(self._gauge(name) for name in self._plan.indications)

    def _gauge(self, name: str) -> GaugeSnapshot:
        pointers = [pointer for pointer in self.pointers if pointer.gauge == name]
        indications = dict(
            zip(self._plan.indications[name], (pointer.indication for pointer in pointers), strict=True)
        )
        lost = dict.fromkeys(quantity for pointer in pointers for quantity in pointer.lost)
        if lost:
            whys = [f"{quantity} {self.time_s - self._arrived_s[quantity]:.1f} s old" for quantity in lost]
            return GaugeSnapshot(name, indications, "lost", ", ".join(whys))
        if name in self._plan.missing:
            return GaugeSnapshot(name, indications, "lacking", self._plan.missing[name])
        awaited = [quantity for quantity, value in indications.items() if value is None]
        if awaited:
            return GaugeSnapshot(name, indications, "awaited", f"no {', '.join(awaited)} yet")
        return GaugeSnapshot(name, indications, "live", self._plan.switched.get(name, ""))


@dataclass(frozen=True, slots=True)
class CaptureSnapshot:
    """One capture: reading in the pointer's unit, drive angle and residual in degrees."""

    reading: float
    falling: bool
    drive_deg: float
    residual_deg: float


@dataclass(frozen=True, slots=True)
class CurveSnapshot:
    """A curve in the making: points (reading, drive angle in degrees), rising in the reading.

    `falling` is empty where one curve serves both ways.
    """

    rising: tuple[tuple[float, float], ...]
    falling: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class BenchSnapshot:
    """One gauge at the bench. `pointer` is the key of the one that is moved; `state` and `detail` are its
    channel's.

    `steps`, `drive_deg`, `reading` and `face_deg` (deg) are where it is, by the curves in force; None while
    its position is not known. `mark` is the reading that the needle is to cover, `falling` whether it comes
    from above, `done` whether every mark is captured both ways. `backlash_deg` has (reading, degrees) where
    a mark is captured both ways. `mistakes` tell why the new curve can't be saved yet, `suggestions` where
    another capture would make it nearer. `unsaved`: there are captures that are not in the file.
    """

    gauge: str
    holder: str
    pointer: str
    unit: str
    state: str
    detail: str
    known: bool
    moving: bool
    steps: float | None
    drive_deg: float | None
    reading: float | None
    face_deg: float | None
    mark: float
    marks: tuple[float, ...]
    falling: bool
    done: bool
    captures: tuple[CaptureSnapshot, ...]
    backlash_deg: tuple[tuple[float, float], ...]
    curve: CurveSnapshot
    mistakes: tuple[str, ...]
    suggestions: tuple[str, ...]
    unsaved: bool
    note: str
