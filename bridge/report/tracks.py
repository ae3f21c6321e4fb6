"""What a report keeps of a flight, in columns: a track for each pointer, and what all of them share.

Pure. Times are seconds of the flight, positions motor steps, everything else in the pointer's unit. What
a pointer should show is kept where it arrived, so that between two arrivals it can be taken from the line
between them; where the board has it is kept when the board reported it.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import floor, nan

from bridge.flight.snapshot import BoardSnapshot, PanelSnapshot
from bridge.gauges.pointer import Pointer
from bridge.panel.load import Panel

OFF_SCALE, EXCUSED, LOST = 1, 2, 4
"""Of a report: beyond the scale; held or parked, so that it follows nothing; a quantity is lost."""

ALTITUDES = ("indicated_altitude", "pressure_altitude", "geometric_altitude")
"""The altitude beside the errors is the first of these that the flight has."""


@dataclass(slots=True)
class Track:
    """One pointer. `wanted` (at `wanted_s`) is what it should show, without the leap of what wraps.

    `shows` (at `report_s`) is where its board had it, with `marks` of OFF_SCALE, EXCUSED and LOST;
    `missed` the steps found missing by then, `late` the reported position less the commanded one (steps);
    `commanded` is for every tick. `scale` is the face's own from end to end, where it has ends.
    """

    pointer: Pointer
    wraps: float | None
    """After which change of reading (the pointer's unit) it shows the same again; None where it does not."""
    tolerance: float | None
    """The builder's own, in the pointer's unit; None where none is written."""
    scale: tuple[float, float] | None
    wanted_s: array[float] = field(default_factory=lambda: array("d"))
    wanted: array[float] = field(default_factory=lambda: array("d"))
    report_s: array[float] = field(default_factory=lambda: array("d"))
    shows: array[float] = field(default_factory=lambda: array("d"))
    marks: bytearray = field(default_factory=bytearray)
    missed: array[int] = field(default_factory=lambda: array("l"))
    late: array[float] = field(default_factory=lambda: array("d"))
    commanded: array[float] = field(default_factory=lambda: array("d"))

    def take(
        self,
        time_s: float,
        arrived_s: float | None,
        indication: float | None,
        shows: float | None,
        report_s: float | None,
        reported: float,
        commanded: float,
        marks: int,
        missed: int,
    ) -> None:
        """One tick. `arrived_s` is when telemetry last arrived, `report_s` when the board last reported."""
        self.commanded.append(commanded)
        if indication is not None and not marks & LOST:
            self._want(time_s, arrived_s, indication)
        if report_s is None or shows is None:
            return
        if not self.report_s or report_s > self.report_s[-1] + 1e-6:
            self.report_s.append(report_s)
            self.shows.append(shows)
            self.marks.append(marks)
            self.missed.append(missed)
            self.late.append(reported - commanded)

    def _want(self, time_s: float, arrived_s: float | None, indication: float) -> None:
        times, values = self.wanted_s, self.wanted
        if not values:
            times.append(time_s)
            values.append(indication)
            return
        value = indication
        if self.wraps:
            value += floor((values[-1] - value) / self.wraps + 0.5) * self.wraps
        is_new = arrived_s is not None and arrived_s > times[-1] + 1e-6
        if is_new or value != values[-1]:
            at_s = arrived_s if is_new and arrived_s is not None else time_s
            if at_s > times[-1]:
                times.append(at_s)
                values.append(value)
            else:
                values[-1] = value


@dataclass(slots=True)
class Flight:
    """The tracks of a flight. `ticks_s` are its ticks, `altitude` is `altitude_name` at each (ft, or NaN).

    `states` has, for each board, when its state changed; `boards` its last figures, empty where the recording
    has none. `telemetry` has when the state of the telemetry changed.
    """

    title: str
    ticks_s: array[float] = field(default_factory=lambda: array("d"))
    altitude: array[float] = field(default_factory=lambda: array("d"))
    altitude_name: str = ""
    tracks: dict[str, Track] = field(default_factory=dict)
    telemetry: list[tuple[float, str]] = field(default_factory=list)
    states: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    boards: tuple[BoardSnapshot, ...] = ()
    failures: list[tuple[float, str]] = field(default_factory=list)
    """When other failures for training were in force, and which; needles are to follow them."""

    @property
    def span_s(self) -> tuple[float, float]:
        """Its first and last tick."""
        return (self.ticks_s[0], self.ticks_s[-1]) if self.ticks_s else (0.0, 0.0)

    def tick(self, time_s: float, telemetry: str, readings: Mapping[str, float], failures: str = "") -> None:
        """What all pointers share at this tick; `failures` names those in force."""
        self.ticks_s.append(time_s)
        if not self.altitude_name:
            self.altitude_name = next((name for name in ALTITUDES if name in readings), "")
        self.altitude.append(readings.get(self.altitude_name, nan))
        _changed(self.telemetry, time_s, telemetry)
        _changed(self.failures, time_s, failures)

    def board(self, time_s: float, name: str, state: str) -> None:
        """The state of a board at this tick."""
        _changed(self.states.setdefault(name, []), time_s, state)


def _changed(history: list[tuple[float, str]], time_s: float, state: str) -> None:
    if not history or history[-1][1] != state:
        history.append((time_s, state))


def tracks_of(panel: Panel) -> dict[str, Track]:
    """A track for every driven pointer of the panel, by its key."""
    tracks = {}
    for pointer in panel.pointers:
        quantity = panel.shown(pointer)
        described = panel.description.gauges[pointer.gauge].pointers[pointer.name]
        scale = (described.scale[0][0], described.scale[-1][0]) if described.scale else None
        wraps = quantity.high - quantity.low if quantity.circular else None
        tracks[pointer.key] = Track(pointer, wraps, described.tolerance, scale)
    return tracks


class Recorder:
    """Takes a flight from its snapshots, one for each tick."""

    def __init__(self, panel: Panel, title: str) -> None:
        self.zero_s = 0.0
        """The time of the snapshots at second 0 of the flight."""
        self.flight = Flight(title, tracks=tracks_of(panel))

    def take(self, snapshot: PanelSnapshot) -> None:
        """Add one tick; pointers that a new description adds are left out."""
        flight, time_s = self.flight, snapshot.time_s - self.zero_s
        if flight.ticks_s and time_s <= flight.ticks_s[-1]:
            return
        flight.tick(time_s, snapshot.telemetry, snapshot.values, "; ".join(snapshot.failures))
        age_s = snapshot.telemetry_age_s
        arrived_s = None if age_s is None else time_s - age_s
        tracks = flight.tracks
        for p in snapshot.pointers:
            track = tracks.get(p.key)
            if track is None:
                continue
            marks = OFF_SCALE if p.off_scale else 0
            if p.parked or p.held:
                marks |= EXCUSED
            if p.lost:
                marks |= LOST
            report_s = None if p.report_age_s is None else time_s - p.report_age_s
            track.take(
                time_s, arrived_s, p.indication, p.shows, report_s, p.reported_steps, p.commanded_steps,
                marks, p.missed_steps or 0,
            )  # fmt: skip
        for board in snapshot.boards:
            flight.board(time_s, board.name, board.state)
        flight.boards = snapshot.boards
