"""From readings to the path of every pointer: the whole way between telemetry and boards.

    readings -> derivation -> instruments -> pointers -> motion

Pure: no I/O, no clock; times are seconds on one time base that the caller chooses. The same
arrivals and steps at the same times give the same positions, bit for bit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.gauges.pointer import DirectionTracker, Pointer
from bridge.instruments.derivation import make_plan
from bridge.instruments.instruments import Instrument
from bridge.motion.motion import Motion
from bridge.motion.path import Limits
from bridge.panel.load import Panel

PointerAddress = tuple[str, int]
"""Board and channel."""


@dataclass(slots=True)
class DrivenPointer:
    """One pointer at work. Positions in steps from home, velocity in steps/s.

    `indication` is what it should show (None until its instrument shows something), `target` where
    that is, `position` and `velocity` what its board is told.
    """

    pointer: Pointer
    direction: DirectionTracker
    motion: Motion
    position: float
    velocity: float = 0.0
    indication: float | None = None
    target: float | None = None

    def show(self, time_s: float, reading: float) -> None:
        """Show this reading, which belongs to this time."""
        self.indication = reading
        reference = self.position if self.target is None else self.target
        self.target = self.direction.position(reading, reference)
        self.motion.target(time_s, self.target)

    def glide(self, reading: float) -> None:
        """Go to this reading's place and stay there until the next reading."""
        self.target = self.direction.position(reading, self.position)
        self.motion.glide_to(self.target)

    def continue_from(self, before: DrivenPointer) -> None:
        """Go on from where the same drive was led until now, and glide to where its reading now stands."""
        self.position, self.velocity, self.indication = before.position, before.velocity, before.indication
        if motion_limits(before.pointer) == motion_limits(self.pointer):
            self.motion = before.motion
        else:
            self.motion = Motion(motion_limits(self.pointer), self.position, self.velocity)
        if before.indication is not None and before.pointer.indication == self.pointer.indication:
            self.target = self.direction.position(before.indication, self.position)
            if self.target != before.target:
                self.motion.glide_to(self.target)

    def set_position(self, position: float) -> None:
        """The pointer stands here, whatever was thought; its path starts anew from this place."""
        self.motion = Motion(motion_limits(self.pointer), position)
        self.position, self.velocity, self.target = position, 0.0, None


def motion_limits(pointer: Pointer) -> Limits:
    """What this pointer's drive can do."""
    drive = pointer.drive
    return Limits(drive.speed_steps_s, drive.acceleration_steps_s2, pointer.low_steps, pointer.high_steps)


def driven_pointer(pointer: Pointer) -> DrivenPointer:
    """The needle of this pointer, at its home position."""
    home = pointer.drive.zero_steps
    if pointer.low_steps is not None and pointer.high_steps is not None:
        home = min(max(home, pointer.low_steps), pointer.high_steps)
    return DrivenPointer(pointer, DirectionTracker(pointer), Motion(motion_limits(pointer), home), home)


def homes(panel: Panel) -> dict[PointerAddress, float]:
    """Where each pointer stands at its home position, in steps."""
    return {(p.board, p.channel): p.drive.zero_steps for p in panel.pointers}


@dataclass(frozen=True, slots=True)
class _Gauge:
    """One gauge at work: its instrument, its needles, and the given quantities that they rest on."""

    instrument: Instrument
    pointers: tuple[DrivenPointer, ...]
    rests_on: frozenset[str]


class Chain:
    """The panel's pointers, driven by readings.

    `given` names the quantities that will arrive. With `before`, a chain that ran until now, needles
    keep their places and gauges whose description is the same keep their dynamics: that is how a new
    description takes over while flying.
    """

    def __init__(self, panel: Panel, given: frozenset[str], before: Chain | None = None) -> None:
        described = panel.description
        self.panel = panel
        self.given = given
        self._instruments = {gauge: panel.instrument(gauge) for gauge in described.gauges}
        setting = described.altimeter_setting
        own = dict(described.fixed)
        if setting.source == "knob" and before is not None:
            own["altimeter_setting"] = before.readings.get("altimeter_setting", setting.inhg)
        elif setting.source != "telemetry":
            own["altimeter_setting"] = setting.inhg
        wanted = [name for i in self._instruments.values() for name in (*i.needs, *i.uses)]
        self.plan = make_plan(given | own.keys(), wanted, panel.catalogue, panel.position_error)
        self._derivation = self.plan.start()
        self.readings: dict[str, float] = {}
        """All readings valid now, given and derived."""
        self.pointers = {(p.board, p.channel): driven_pointer(p) for p in panel.pointers}
        self._own = frozenset(own)
        self._time_s = 0.0
        if before is not None:
            self._take_over(before)
        if own:
            self.readings = self._derivation.update(self._time_s, own)
        self._gauges = tuple(self._gauge(gauge) for gauge in described.gauges)

    def _gauge(self, name: str) -> _Gauge:
        instrument = self._instruments[name]
        depends = self.plan.depends_on()
        shown = [depends[need] for need in (*instrument.needs, *instrument.uses) if need in depends]
        pointers = tuple(driven for driven in self.pointers.values() if driven.pointer.gauge == name)
        return _Gauge(instrument, pointers, frozenset[str]().union(*shown))

    def _take_over(self, before: Chain) -> None:
        same = {
            gauge: instrument
            for gauge, instrument in before._instruments.items()
            if before.panel.description.gauges[gauge] == self.panel.description.gauges.get(gauge)
        }
        self._instruments.update(same)
        self._time_s = before._time_s
        arrived = {name: value for name, value in before.readings.items() if name in self.given}
        self.readings = self._derivation.update(self._time_s, arrived)
        for place, driven in before.pointers.items():
            if place in self.pointers:
                self.pointers[place].continue_from(driven)

    @property
    def missing(self) -> dict[str, str]:
        """For each gauge that can't show all of its indications: why not."""
        return {
            gauge: "; ".join(
                self.plan.missing[name] for name in (*i.needs, *i.uses) if name in self.plan.missing
            )
            for gauge, i in self._instruments.items()
            if any(name in self.plan.missing for name in (*i.needs, *i.uses))
        }

    def set_altimeter(self, time_s: float, setting_inhg: float) -> None:
        """A knob was turned: the altimeter setting is this from now on."""
        self._take(time_s, {"altimeter_setting": setting_inhg})

    def start_afresh(self) -> None:
        """What arrives next does not follow from what came before: derivation and instruments forget."""
        kept = {name: self.readings[name] for name in self._own if name in self.readings}
        self._derivation = self.plan.start()
        self.readings = self._derivation.update(self._time_s, kept)
        self._instruments = {gauge: self.panel.instrument(gauge) for gauge in self._instruments}
        self._gauges = tuple(self._gauge(gauge) for gauge in self._instruments)

    def feed(self, time_s: float, readings: Mapping[str, float]) -> None:
        """Take readings (canonical units) that belong to this time, and aim the pointers they move."""
        if not self._own.isdisjoint(readings):
            readings = {name: value for name, value in readings.items() if name not in self._own}
        self._take(time_s, readings)

    def _take(self, time_s: float, readings: Mapping[str, float]) -> None:
        self._time_s = time_s
        self.readings = values = self._derivation.update(time_s, readings)
        for gauge in self._gauges:
            # A gauge of which nothing arrived keeps its aim: an old reading at a new time would be a lie.
            if gauge.rests_on.isdisjoint(readings):
                continue
            indications = gauge.instrument.update(time_s, values)
            for driven in gauge.pointers:
                reading = indications.get(driven.pointer.indication)
                if reading is not None:
                    driven.show(time_s, reading)

    def step(self, time_s: float) -> None:
        """Move every needle's `position` and `velocity` on to this time."""
        for driven in self.pointers.values():
            driven.position, driven.velocity = driven.motion.step(time_s)
