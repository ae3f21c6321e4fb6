"""From readings to the path of every pointer: the whole way between telemetry and boards.

    readings -> derivation -> instruments -> pointers -> motion

Pure: no I/O, no clock; times are seconds on one time base that the caller chooses. The same
arrivals and steps at the same times give the same positions, bit for bit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bridge.gauges.pointer import Course, Pointer
from bridge.motion import Limits, Motion
from bridge.panel.load import Panel
from bridge.readings import plan

Place = tuple[str, int]
"""Board and channel."""


@dataclass(slots=True)
class Needle:
    """One pointer at work. Positions in steps from home, velocity in steps/s.

    `indication` is what it should show (None until its instrument shows something), `target` where
    that is, `position` and `velocity` what its board is told.
    """

    pointer: Pointer
    course: Course
    motion: Motion
    position: float
    velocity: float = 0.0
    indication: float | None = None
    target: float | None = None


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
        own = {} if setting.source == "telemetry" else {"altimeter_setting": setting.inhg}
        wanted = [name for i in self._instruments.values() for name in (*i.needs, *i.uses)]
        self.plan = plan(given | own.keys(), wanted, panel.catalogue, panel.position_error)
        self._derivation = self.plan.start()
        self.readings: dict[str, float] = {}
        """All readings valid now, given and derived."""
        self.needles = {(p.board, p.channel): self._needle(p) for p in panel.pointers}
        self._own_setting = bool(own)
        if before is not None:
            self._take_over(before)
        if own:
            self.readings = self._derivation.update(0.0, own)

    def _needle(self, pointer: Pointer, position: float | None = None) -> Needle:
        start = pointer.drive.zero_steps if position is None else position
        limits = Limits(
            pointer.drive.speed_steps_s,
            pointer.drive.acceleration_steps_s2,
            pointer.low_steps,
            pointer.high_steps,
        )
        motion = Motion(limits, start)
        return Needle(pointer, Course(pointer), motion, start)

    def _take_over(self, before: Chain) -> None:
        for place, needle in before.needles.items():
            if place in self.needles:
                self.needles[place] = self._needle(self.needles[place].pointer, needle.position)
        same = {
            gauge: instrument
            for gauge, instrument in before._instruments.items()
            if before.panel.description.gauges[gauge] == self.panel.description.gauges.get(gauge)
        }
        self._instruments.update(same)
        self.readings = self._derivation.update(
            0.0, {k: v for k, v in before.readings.items() if k in self.given}
        )

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

    def set_altimeter(self, setting_inhg: float) -> None:
        """A knob was turned: the altimeter setting is this now."""
        self.readings = self._derivation.update(0.0, {"altimeter_setting": setting_inhg})

    def feed(self, time_s: float, readings: Mapping[str, float]) -> None:
        """Take readings (canonical units) that belong to this time, and aim the pointers."""
        if self._own_setting and "altimeter_setting" in readings:
            readings = {name: value for name, value in readings.items() if name != "altimeter_setting"}
        self.readings = values = self._derivation.update(time_s, readings)
        indications = {
            gauge: instrument.update(time_s, values) for gauge, instrument in self._instruments.items()
        }
        for needle in self.needles.values():
            pointer = needle.pointer
            reading = indications[pointer.gauge].get(pointer.indication)
            if reading is None:
                continue
            reference = needle.position if needle.target is None else needle.target
            needle.indication = reading
            needle.target = needle.course.position(reading, reference)
            needle.motion.target(time_s, needle.target)

    def step(self, time_s: float) -> None:
        """Move every needle's `position` and `velocity` on to this time."""
        for needle in self.needles.values():
            needle.position, needle.velocity = needle.motion.step(time_s)
