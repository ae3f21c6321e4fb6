"""What is tested of one pointer, in which order: places to go to, and where the needle is read. Pure.

An altimeter is tested by 14 CFR Part 43 Appendix E: fed with the pressures that Table I prints, so that the
air data, the curve, the drive and the pointer are all in the test. Every other instrument is fed with what it
shows. Readings are in the pointer's unit, settings in inHg, rates in units a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bridge.calibration.bench import face_marks
from bridge.errors import DescriptionError
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel
from bridge.proof import published
from bridge.proof.feed import Place, shows_altitude
from bridge.proof.published import Limits
from bridge.quantities.units import convert

Purpose = Literal["before", "scale", "after", "friction", "setting"]

_OVERRUN_SHARE = 0.1  # of the scale: from so far beyond a mark it is approached
_OVERRUN_TURNS = 0.25  # of an endless pointer, if that is less
_LEAST_ROOM_DEG = 8.0  # more than any play that one would keep
_SLOW_S = 120.0  # the slow approach of the friction test would take so long over the whole scale
_SHARES = (0.25, 0.5, 0.75)  # of the scale, where no table names the marks of the friction test
_FRICTION_APPROACH_FT = 100.0


@dataclass(frozen=True, slots=True)
class Step:
    """One reading of the needle, at the last of these places; `wanted` is what it should show.

    `falling` when the place is approached from above. `tapped`: the gauge is tapped, or its motor shaken by
    less than a step, before the reading.
    """

    purpose: Purpose
    wanted: float
    """In the pointer's unit."""
    falling: bool
    cycle: int
    """Which time over the scale, from 1; 0 for a reading of no cycle."""
    places: tuple[Place, ...]
    tapped: bool = False

    @property
    def setting_inhg(self) -> float:
        """The altimeter setting at the reading."""
        return self.places[-1].setting_inhg


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole test of one pointer. `limits` and `friction` are published, None where there are none.

    `own` is the builder's tolerance in the pointer's unit, None where none is written. `cycles` times the
    scale is gone up and down; the needle is read after it has been still for `hold_s`. An altimeter is tested
    up to `top_ft`. `untested` tells what is left out, and why.
    """

    key: str
    unit: str
    steps: tuple[Step, ...]
    limits: Limits | None
    friction: Limits | None
    own: float | None
    cycles: int
    hold_s: float
    is_altimeter: bool
    top_ft: float
    untested: tuple[str, ...]


def make_plan(
    panel: Panel,
    pointer: Pointer,
    cycles: int,
    hold_s: float,
    by_index: bool = False,
    top_ft: float | None = None,
) -> Plan:
    """The tests that this pointer can be put to; `by_index` where its index mark passes its sensor alone.

    `top_ft`, one of Table I, is up to where an altimeter is tested. Raises DescriptionError for a pointer
    that follows no reading of its own, such as a flag, and for a `top_ft` of one that shows no altitude, or
    whose scale does not reach it.
    """
    described = panel.description.gauges[pointer.gauge]
    instrument = panel.instrument(pointer.gauge)
    if pointer.indication not in (*instrument.needs, *instrument.uses):
        found = f"a pointer that follows no reading of its own ({described.instrument})"
        cure = "Name another with --pointer, or watch this one in flight"
        raise DescriptionError(str(panel.path), pointer.key, found, "one with a scale to test", cure)
    untested: list[str] = []
    is_altimeter = shows_altitude(panel, pointer)
    top_ft = _top_ft(pointer, is_altimeter, top_ft)
    limits = _limits(panel, pointer)
    own = described.pointers[pointer.name].tolerance
    if own is None:
        untested.append(
            f"the builder's own tolerance: none is written (tolerance = under pointers.{pointer.name})"
        )
    if limits is None:
        why = f"no free source has one for this instrument ({described.instrument})"
        if (described.instrument, pointer.indication) == ("altimeter", "indicated_altitude"):
            why = f"App. E is in feet, and this scale in {pointer.unit}"
        untested.append(f"a published scale error: {why}")
    if by_index:
        marks = _index_marks(pointer, top_ft if is_altimeter else None)
        return _index_plan(pointer, marks, limits, own, cycles, hold_s, is_altimeter, top_ft, untested)
    scale = _Scale(pointer, _marks(panel, pointer, limits, top_ft), untested)
    friction = published.FRICTION if is_altimeter else None
    steps = [scale.first(), *scale.cycles(cycles), scale.last(), *_friction(scale, friction)]
    if is_altimeter:
        if panel.description.altimeter_setting.source == "fixed":
            untested.append("the barometric scale: the setting is fixed in the description")
        else:
            steps += _settings(scale, untested)
        untested += (
            f"above {top_ft:,.0f} ft",
            "the hold of 1 to 10 minutes before each reading: a motor has no capsule that creeps "
            f"(held for {hold_s:g} s)",
            "case leak: there is no case under pressure",
        )
    untested += _FLOWN.get(described.instrument, ())
    others = [name for name in (*described.pointers, *described.geared) if name != pointer.name]
    if others:
        untested.append(f"the gauge's other pointers: {', '.join(others)}")
    return Plan(
        pointer.key, pointer.unit, tuple(steps), limits, friction, own, cycles, hold_s, is_altimeter,
        top_ft, tuple(untested),
    )  # fmt: skip


_LAG = "the lag: the needle is read once it is still"
_RATE = "the rate against clock and compass, 30 degrees in 10 s: it is fed as a number"
_FLOWN = {
    "airspeed": ("the error of the whole system in flight, position error included: there is no port",),
    "vertical_speed": (_LAG,),
    "turn_coordinator": (_LAG, _RATE),
    "turn_indicator": (_LAG, _RATE),
    "heading": ("the drift in 10 minutes: there is no gyro",),
    "attitude": ("errors after turns, and erection: there is no gyro",),
}
"""What of a real instrument is tested besides, and not here."""


def _top_ft(pointer: Pointer, is_altimeter: bool, asked_ft: float | None) -> float:
    """Up to where an altimeter is tested: as asked, else as a light aircraft's, or its scale's end."""
    if asked_ft is not None and not is_altimeter:
        raise DescriptionError(
            "--top", "", f"{pointer.key}, which shows no altitude in feet", "an altimeter", "Leave --top out"
        )
    rows = [row for row, _ in published.SCALE_ERROR.rows if not is_altimeter or _is_within(pointer, row)]
    if asked_ft is None:
        return max((row for row in rows if row <= published.TOP_FT), default=published.TOP_FT)
    if asked_ft not in rows:
        found = f"{asked_ft:g} ft, beyond the scale of {pointer.key}"
        raise DescriptionError("--top", "", found, f"at most {max(rows, default=0):g}", "Ask for less")
    return asked_ft


def _limits(panel: Panel, pointer: Pointer) -> Limits | None:
    """The published limits of this instrument, in the pointer's unit; an altimeter's are in feet alone."""
    instrument, unit = panel.description.gauges[pointer.gauge].instrument, pointer.unit
    own_unit = panel.catalogue[pointer.indication].unit
    limits = _table(instrument, pointer.indication, convert(pointer.face.high, unit, own_unit))
    if limits is None or unit == own_unit:
        return limits
    if limits is published.SCALE_ERROR:
        return None
    rows = [tuple(convert(value, own_unit, unit) for value in row) for row in limits.rows]
    return replace(limits, rows=tuple((reading, limit) for reading, limit in rows))


def _table(instrument: str, indication: str, high: float) -> Limits | None:
    match instrument, indication:
        case "altimeter", "indicated_altitude":
            return published.SCALE_ERROR
        case "airspeed", _:
            return published.airspeed_limits(high)
        case "vertical_speed", _:
            return published.VERTICAL_SPEED
        case "heading", _:
            return published.HEADING
        case "attitude", _:
            return published.LEVEL
    return None


def _marks(panel: Panel, pointer: Pointer, limits: Limits | None, top_ft: float) -> tuple[float, ...]:
    """The readings to test at, rising: those of the table that are on the scale, else the face's own.

    Of an altimeter also those of the hysteresis test, which may lie between the rows of the table.
    """
    if limits is published.SCALE_ERROR:
        halfway = [share * top_ft for share in published.HYSTERESIS_SHARES]
        rows = [row for row, _ in limits.rows if row <= top_ft]
        rows = [mark for mark in sorted({*rows, *halfway}) if _is_within(pointer, mark)]
    else:
        rows = [] if limits is None else [row for row, _ in limits.rows if _is_on(pointer, row)]
    if limits is not None and limits.name == published.VERTICAL_SPEED.name:
        rows = sorted({*rows, 0.0})
    return tuple(rows) if len(rows) >= _FEWEST else tuple(sorted({*_drawn(panel, pointer), *rows}))


_FEWEST, _EVENLY = 5, 8


def _drawn(panel: Panel, pointer: Pointer) -> tuple[float, ...]:
    """The marks of the face, the finer ones where the others are few; without any, places evenly apart."""
    marks = face_marks(panel, pointer)
    if len(marks) >= _FEWEST:
        return marks
    gauge = panel.description.gauges[pointer.gauge]
    first = next(iter(gauge.pointers))
    for own, face in ((pointer.name, gauge.face.cards.get(pointer.name)), (first, gauge.face)):
        for scale in face.scales if face else ():
            if scale.unit is None and (scale.pointer or own) == pointer.name:
                for step in (scale.medium, scale.minor):
                    if step and (scale.high - scale.low) / step + 1 >= _FEWEST:
                        count = round((scale.high - scale.low) / step)
                        finer = (scale.low + n * step for n in range(count + 1))
                        return tuple(mark for mark in finer if _is_on(pointer, mark))
    low, high = pointer.face.low, pointer.face.high
    places = [low + (high - low) * n / _EVENLY for n in range(_EVENLY + 1)]
    return tuple(places[:-1] if pointer.endless else places)


def _is_on(pointer: Pointer, reading: float) -> bool:
    face = pointer.face
    return face.low <= reading <= face.high and (face.period is None or reading < face.high)


def _is_within(pointer: Pointer, reading: float) -> bool:
    """Whether the pointer gets there, in whichever turn."""
    return pointer.face.period is not None or _is_on(pointer, reading)


def mark_reading(pointer: Pointer) -> float:
    """The reading at which the pointer's index mark passes its sensor.

    A board looks for the mark turning clockwise, and counts from there.
    """
    clockwise_rises = pointer.rising.angles[-1] > pointer.rising.angles[0]
    return pointer.reading(pointer.drive.zero_steps, falling=not clockwise_rises)


_INDEX_TURNS = 10
_PAST_SHARE = 0.04  # of a turn: so far on either side of the mark the pointer turns round


def _index_marks(pointer: Pointer, top_ft: float | None) -> tuple[float, ...]:
    """The readings at which the mark passes, up to `top_ft`: in so many turns of it, or once on a scale with
    ends."""
    first, period = mark_reading(pointer), pointer.face.period
    if period is None:
        return (first,)
    step = period * float(pointer.mark_turns)
    marks = [first + n * step for n in range(_INDEX_TURNS + 1)]
    return tuple(mark for mark in marks if top_ft is None or mark <= top_ft)


def _index_plan(
    pointer: Pointer, marks: Sequence[float], limits: Limits | None, own: float | None, cycles: int,
    hold_s: float, is_altimeter: bool, top_ft: float, untested: Sequence[str],
) -> Plan:  # fmt: skip
    face = pointer.face
    past = _PAST_SHARE * (face.high - face.low)

    def step(purpose: Purpose, mark: float, falling: bool, cycle: int) -> Step:
        way = -past if falling else past
        ends = (Place(mark - way, published.STANDARD_INHG), Place(mark + way, published.STANDARD_INHG))
        return Step(purpose, mark, falling, cycle, ends)

    steps = [step("before", marks[0], False, 0)]
    for cycle in range(1, cycles + 1):
        steps += [step("scale", mark, False, cycle) for mark in marks]
        steps += [step("scale", mark, True, cycle) for mark in reversed(marks)]
    steps.append(step("after", marks[0], True, 0))
    seen_nowhere = (
        "every other place of the scale, friction and the setting: the sensor sees its mark alone",
        "the needle beyond the arbor with the mark, and what leads to its indication",
    )
    return Plan(
        pointer.key, pointer.unit, tuple(steps), limits, None, own, cycles, hold_s, is_altimeter,
        top_ft, (*untested, *seen_nowhere),
    )  # fmt: skip


class _Scale:
    """Ways over the scale: every mark from below, then from above."""

    def __init__(self, pointer: Pointer, marks: Sequence[float], untested: list[str]) -> None:
        self.marks = marks
        face = pointer.face
        span = marks[-1] - marks[0]
        self.overrun = _OVERRUN_SHARE * (span or 1.0)
        self._low, self._high = float("-inf"), float("inf")
        if face.period is not None:
            self.overrun = min(self.overrun, _OVERRUN_TURNS * face.period)
        else:
            self._low, self._high = face.low, face.high
        self.span = span
        self._room = {end: self._has_room(pointer, end) for end in (marks[0], marks[-1])}
        for end, side in ((marks[0], "below"), (marks[-1], "above")):
            if not self._room[end]:
                untested.append(f"{end:g} {pointer.unit} from {side}: the scale has no room beyond it")
        self.start = self.marks[0] if self._room[marks[0]] else self.marks[1]

    def _has_room(self, pointer: Pointer, end: float) -> bool:
        beyond = self.beyond(end, below=end == self.marks[0])
        return abs(pointer.face(beyond) - pointer.face(end)) >= _LEAST_ROOM_DEG

    def beyond(self, reading: float, below: bool) -> float:
        """From where this reading is approached, within the scale."""
        return max(self._low, reading - self.overrun) if below else min(self._high, reading + self.overrun)

    def has(self, reading: float) -> bool:
        """Whether it is on the scale."""
        return self._low <= reading <= self._high

    def at(self, fed: float, setting_inhg: float = published.STANDARD_INHG, rate: float = 0.0) -> Place:
        return Place(fed, setting_inhg, rate)

    def from_below(self, reading: float) -> tuple[Place, Place]:
        return self.at(self.beyond(reading, below=True)), self.at(reading)

    def first(self) -> Step:
        return Step("before", self.start, False, 0, self.from_below(self.start))

    def last(self) -> Step:
        places = self.at(self.beyond(self.start, below=False)), self.at(self.start)
        return Step("after", self.start, True, 0, places)

    def cycles(self, count: int) -> list[Step]:
        """Up over the marks and down again, so many times."""
        steps: list[Step] = []
        for cycle in range(1, count + 1):
            for falling in (False, True):
                marks = self.marks[::-1] if falling else self.marks
                before = self.at(self.beyond(marks[0], below=not falling))
                for n, mark in enumerate(marks):
                    if n == 0 and not self._room[mark]:
                        continue
                    places = (before, self.at(mark)) if n == 0 or not steps else (self.at(mark),)
                    steps.append(Step("scale", mark, falling, cycle, places))
        return steps


def _friction(scale: _Scale, limits: Limits | None) -> list[Step]:
    if limits is not None:
        marks = [row for row, _ in limits.rows if scale.marks[0] < row <= scale.marks[-1]]
        rate, approach = published.FRICTION_RATE_FT_MIN / 60.0, _FRICTION_APPROACH_FT
    else:
        inner = scale.marks[1:-1]
        marks = [min(inner, key=lambda m: abs(m - scale.marks[0] - s * scale.span)) for s in _SHARES]
        rate, approach = scale.span / _SLOW_S, 0.02 * scale.span
    steps: list[Step] = []
    for mark in dict.fromkeys(marks):
        fast, slow = scale.at(mark - approach), scale.at(mark, rate=rate)
        places = scale.at(scale.beyond(mark - approach, below=True)), fast, slow
        steps.append(Step("friction", mark, False, 0, places))
        steps.append(Step("friction", mark, False, 0, (slow,), tapped=True))
    return steps


_BELOW_INHG = 0.3  # so far below the first setting the needle comes from
_BELOW_FT = -2100.0  # about the difference that this setting makes


def _settings(scale: _Scale, untested: list[str]) -> list[Step]:
    """At the pressure of one place, the setting rising, so that the needle comes from below each time.

    The place is 0 ft, or, where the scale would end, the lowest at which all settings are on it.
    """
    most_ft = published.SETTINGS[-1][1]
    places_ft = [
        mark for mark in (0.0, *scale.marks) if scale.has(mark + _BELOW_FT) and scale.has(mark + most_ft)
    ]
    if not places_ft:
        untested.append("the barometric scale: the gauge's own is too short for its settings")
        return []
    at_ft = places_ft[0]
    steps: list[Step] = []
    for n, (setting, difference) in enumerate(published.SETTINGS):
        here = scale.at(at_ft, setting)
        below = scale.at(at_ft, setting - _BELOW_INHG)
        steps.append(Step("setting", at_ft + difference, False, 0, (below, here) if n == 0 else (here,)))
    return steps
