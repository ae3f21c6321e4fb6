"""One test under way: where the gauge is to be taken next, and when its needle is to be read. Pure.

Whoever drives it ticks it with the state of the pointer, feeds the gauge with `place`, and takes a reading
when it is `due`. Times are seconds of one clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, inf

from bridge.boards.pointer_channel import Phase
from bridge.flight.chain import PointerAddress
from bridge.flight.running_panel import RunningPanel
from bridge.proof.feed import Place
from bridge.proof.plan import Plan, Step

_STILL_S = 0.5
"""An indication that changes by next to nothing for so long has come to its end."""
_STILL_SHARE = 1e-5  # of the way over the scale
_FASTEST_SHARE = 0.6  # of the drive's speed
_EASE_S, _LAST_STEPS_S = 0.5, 5.0
"""The rate falls with the way that is left, by this time, down to so many steps a second: a needle that is
sent past a mark and back again would be read from the wrong side of its play."""
_FT_PER_INHG = 925.0  # that a setting moves an altimeter: 14 CFR 43 App. E, Table IV
_SHAKES, _SHAKE_S, _SHAKE_STEPS = 10, 0.2, 0.45


@dataclass(frozen=True, slots=True)
class Needle:
    """The pointer as the program knows it: what it should show, and whether its motor is where it belongs."""

    indication: float | None
    """In the pointer's unit; None until it is known."""
    arrived: bool
    passed: tuple[int, float] = (0, 0.0)
    """How many index marks it has passed, and where on its path (steps) the last one was."""
    hindered: str = ""
    """Why it is not driven at all; "" where it is, or looks for its home position."""


def needle_of(running: RunningPanel, address: PointerAddress) -> Needle:
    """The state of this pointer."""
    driven = running.chain.pointers[address]
    channel = running.sessions[address[0]].channels[address[1]]
    arrived = (
        channel.phase is Phase.READY
        and driven.motion.at_rest
        and not driven.held
        and driven.target is not None
        and abs(driven.target - driven.position) < 0.5
        and abs(channel.position - driven.position) <= 1.0
    )
    hindered = ""
    if channel.phase in (Phase.FAULTED, Phase.WAITING):
        hindered = channel.detail
    elif channel.phase is Phase.UNKNOWN:
        hindered = f"its board is {running.sessions[address[0]].state.value}"
    return Needle(driven.indication, arrived, channel.passed, hindered)


class ProofRun:
    """Goes through the plan from the first step that has no reading yet.

    `unit_per_step` is the change of the reading for a motor step, `fastest` the highest rate (units/s) at
    which the drive can follow; `asks_setting` when a person sets the altimeter with a knob.
    """

    def __init__(
        self,
        plan: Plan,
        taken: Sequence[float | None],
        unit_per_step: float,
        fastest: float,
        asks_setting: bool = False,
    ) -> None:
        self.plan = plan
        self.taken: list[float | None] = list(taken)
        """What was read at each step so far, in their order; None where the needle could not be read."""
        self._unit_per_step = unit_per_step
        self._fastest = _FASTEST_SHARE * fastest
        self._asks_setting = asks_setting
        self.hindered = ""
        """Why the needle is not driven, "" where it is."""
        self.passed_steps: float | None = None
        """Where on its path (steps) its index mark passed on the last part of the way, if it did."""
        self._passes: int | None = None
        self._confirmed: float | None = None  # the setting that the person has set
        self._time_s: float | None = None
        self._still: tuple[float, float] = (inf, 0.0)  # an indication, and since when it is that
        self._arrived_s: float | None = None
        self._shaken_s: float | None = None
        self._fed, self._setting_inhg = 0.0, plan.steps[-1].setting_inhg
        self._span = max(abs(step.wanted) for step in plan.steps) or 1.0
        if self.step is not None and self.step.tapped:
            self.taken.pop()  # what is tapped was read before, in the same place
        self._begin()
        if self._places:
            if len(self._places) == 1 and self.taken:  # goes on in the middle of a pass: from the side of it
                self._places.insert(0, plan.steps[len(self.taken) - 1].places[-1])
            self._fed, self._setting_inhg = self._places[0].fed, self._places[0].setting_inhg

    @property
    def step(self) -> Step | None:
        """The step under way, None once all are done."""
        return self.plan.steps[len(self.taken)] if len(self.taken) < len(self.plan.steps) else None

    @property
    def place(self) -> Place:
        """What to feed the gauge with now."""
        if not self._places:
            return Place(self._fed, self._setting_inhg)
        return Place(self._fed + self._shake(), self._setting_inhg)

    @property
    def asked_setting(self) -> float | None:
        """The setting (inHg) that the person is to set now, and confirm; None while there is none."""
        if not self._asks_setting or not self.plan.is_altimeter or not self._places:
            return None
        setting = self._places[-1].setting_inhg
        return None if self._confirmed == setting else setting

    def confirm_setting(self) -> None:
        """The altimeter's own scale shows the setting that was asked for."""
        self._confirmed = self.asked_setting or self._confirmed
        self._arrived_s = None
        self._still = (inf, 0.0 if self._time_s is None else self._time_s)

    @property
    def due(self) -> bool:
        """Whether the needle is to be read now."""
        return (
            self._arrived_s is not None
            and self._time_s is not None
            and len(self._places) == 1
            and self.asked_setting is None
            and self._time_s - self._arrived_s >= self.plan.hold_s
        )

    def take(self, reading: float | None) -> None:
        """The needle was read here (in the pointer's unit); None where it could not be."""
        self.taken.append(reading)
        self._begin()

    def take_back(self) -> None:
        """Read the step before again; without one nothing changes."""
        if self.taken:
            self.taken.pop()
            step = self.step
            while step is not None and step.tapped and self.taken:  # what is tapped was read before
                self.taken.pop()
                step = self.step
            self._begin()

    def tick(self, time_s: float, needle: Needle) -> None:
        """Advance to this time."""
        since_s = 0.0 if self._time_s is None else min(max(0.0, time_s - self._time_s), 0.5)
        self._time_s = time_s
        self.hindered = needle.hindered
        if self._passes is None or len(self._places) > 1:  # what was passed on the way there does not count
            self._passes = needle.passed[0]
        self.passed_steps = needle.passed[1] if needle.passed[0] != self._passes else None
        if not self._places:
            return
        goal = self._places[0]
        way = goal.fed - self._fed
        self._fed = goal.fed - self._left(way, goal.rate or inf, since_s)
        set_way = (goal.setting_inhg - self._setting_inhg) * _FT_PER_INHG
        self._setting_inhg = goal.setting_inhg - self._left(set_way, inf, since_s) / _FT_PER_INHG
        shaking = self._is_shaking(time_s)
        on_its_way = self._fed != goal.fed or self._setting_inhg != goal.setting_inhg
        if on_its_way or shaking or not self._has_settled(time_s, needle):
            self._arrived_s = None
            return
        if self._arrived_s is None:
            self._arrived_s = time_s
        if len(self._places) > 1:
            self._places.pop(0)
            self._arrived_s = None
            self._still = (inf, time_s)

    def _left(self, way: float, at_most: float, since_s: float) -> float:
        """What is left of a way after so long, with the rate falling as the end comes nearer."""
        slow = _LAST_STEPS_S * self._unit_per_step
        by = min(at_most, self._fastest, max(slow, abs(way) / _EASE_S)) * since_s
        return 0.0 if abs(way) <= by else way - copysign(by, way)

    def _begin(self) -> None:
        step = self.step
        self._places = list(step.places) if step else []
        if self._asks_setting and step and step.purpose == "setting":  # a person is not asked to run past it
            self._places = self._places[-1:]
        self._arrived_s = None
        self._shaken_s = None
        self._still = (inf, 0.0 if self._time_s is None else self._time_s)

    def _has_settled(self, time_s: float, needle: Needle) -> bool:
        if needle.indication is None or not needle.arrived:
            return False
        before, since_s = self._still
        if abs(needle.indication - before) > _STILL_SHARE * self._span:
            self._still = (needle.indication, time_s)
            return False
        return time_s - since_s >= _STILL_S

    def _is_shaking(self, time_s: float) -> bool:
        step = self.step
        if step is None or not step.tapped:
            return False
        if self._shaken_s is None:
            self._shaken_s = time_s
        return time_s - self._shaken_s < _SHAKES * _SHAKE_S

    def _shake(self) -> float:
        """To and fro by less than a step together, so that the curve for the way back stays out of it."""
        if self._shaken_s is None or self._time_s is None:
            return 0.0
        n = int((self._time_s - self._shaken_s) / _SHAKE_S)
        if n >= _SHAKES:
            return 0.0
        return (_SHAKE_STEPS if n % 2 == 0 else -_SHAKE_STEPS) * self._unit_per_step
