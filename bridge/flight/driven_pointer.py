"""One pointer at work: its indication, where that is, and the path of its motor towards it.

Pure, as the chain is that drives it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import copysign, inf

from bridge.gauges.pointer import DirectionTracker, Pointer
from bridge.motion.motion import Motion
from bridge.motion.path import Limits

_FOLLOWABLE = 0.9
"""A target that is faster than this share of the drive's speed can't be caught up with."""
_HEAD_START_TURNS = 0.125
"""What is left of the way to such a target when whole turns of it are dropped: it stays ahead."""
_ROUNDING = 1e-6
"""Of a scale: what is beyond its end by less is not off the scale."""
_SURE_S = 0.3
"""A target that has not run away for this long does not: lost datagrams may hide it for a moment."""


@dataclass(slots=True)
class DrivenPointer:
    """One pointer at work. Positions in steps from home, velocity in steps/s.

    `indication` is what it should show (None until its instrument shows something), `target` where
    that is, `position` and `velocity` what its board is sent.

    An endless pointer that is more than half a turn behind its target goes to the turn nearest to where it
    could stop relative to the target, except that behind one that runs away, faster than it can follow, it
    goes on in the same direction and drops whole turns. Each pointer of a gauge does so for itself: their
    targets come from one reading, so their places on the face agree, whatever the turns.

    A pointer that is `held` goes only where `go_to` sends it, as far as its board lets it, also beyond the
    scale. Its board is sent no velocity on the way: it is behind by what it takes to brake, and never runs
    over the place to come back, whatever frames are late, or the play of the needle would be on the wrong
    side. Its indication goes on, and it returns to it when it is let go.
    """

    pointer: Pointer
    direction: DirectionTracker
    motion: Motion
    position: float
    velocity: float = 0.0
    indication: float | None = None
    target: float | None = None
    half_turn_steps: float = field(init=False)
    off_scale: bool = False
    """Whether its scale does not reach as far as its indication: it is at the end of the scale."""
    times_off_scale: int = 0
    """How often it has gone off its scale."""
    _low: float = field(init=False)
    _high: float = field(init=False)
    ran_away_s: float = -inf
    """When the target was last seen to run away."""
    held: bool = False
    _sent: bool = False  # by `go_to`, since it is held
    true_indication: float | None = None
    """What it should show without the failures in force; None while there are none."""

    def __post_init__(self) -> None:
        pointer = self.pointer
        self.half_turn_steps = float(pointer.wrap_steps) / 2.0 if pointer.endless else inf
        slack = inf if pointer.endless else _ROUNDING * (pointer.face.high - pointer.face.low)
        self._low, self._high = pointer.face.low - slack, pointer.face.high + slack

    def in_unit(self, reading: float) -> float:
        """A reading in the unit of its quantity, in the pointer's own."""
        conversion = self.pointer.conversion
        return reading if conversion is None else conversion(reading)

    def indicate(self, reading: float) -> float:
        """Take this reading, in the unit of its quantity, as its indication; returns it in its own unit."""
        reading = self.in_unit(reading)
        self.indication = reading
        if (not self._low <= reading <= self._high) is not self.off_scale:
            self.off_scale = not self.off_scale
            self.times_off_scale += self.off_scale
        return reading

    def show(self, time_s: float, reading: float) -> None:
        """Show this reading, in the unit of its quantity, which belongs to this time."""
        reading = self.indicate(reading)
        if not self.held:
            reference = self.position if self.target is None else self.target
            self.target = self.direction.position(reading, reference)
            self.motion.target(time_s, self.target)

    def glide(self, reading: float) -> None:
        """Go to the position of this reading, in its own unit, and stay until the next; a held one stays."""
        if not self.held:
            self.target = self.direction.position(reading, self.position)
            self.motion.glide_to(self.target)

    def hold(self) -> None:
        """Brake and stay: from now on only `go_to` and `halt` move it."""
        self.held, self._sent = True, False
        self.motion.set_limits(held_limits(self.pointer))
        self.halt()

    def let_go(self) -> None:
        """Show its readings again, from the next one on; what is to be shown until then is the caller's."""
        self.held = self._sent = False
        self.direction.moved(self.position, self.position)
        self.motion.set_limits(motion_limits(self.pointer))

    def go_to(self, position_steps: float, speed_steps_s: float | None = None) -> None:
        """Send a held pointer to this position, no faster than this (steps/s, else its drive's speed)."""
        limits = held_limits(self.pointer)
        if speed_steps_s is not None:
            limits = replace(limits, speed_steps_s=min(speed_steps_s, limits.speed_steps_s))
        self.motion.set_limits(limits)
        self.direction.moved(self.position, position_steps)
        self.target, self._sent = position_steps, True
        self.motion.glide_to(position_steps)

    def halt(self) -> None:
        """Brake a held pointer, and stay there."""
        self.target = self.motion.halt()

    def step(self, time_s: float) -> None:
        """Advance `position` and `velocity` to this time."""
        self.position, self.velocity = self.motion.step(time_s)
        if self._sent:
            self.velocity = 0.0
        target = None if self.held else self.target
        if target is not None and not -self.half_turn_steps <= target - self.position <= self.half_turn_steps:
            self._go_the_short_way(time_s, target)

    def continue_from(self, before: DrivenPointer) -> None:
        """Continue from where `before` led the same drive, and move to what its reading now asks for."""
        self.position, self.velocity, self.motion = before.position, before.velocity, before.motion
        self.off_scale, self.times_off_scale = before.off_scale, before.times_off_scale
        if before.indication is not None and before.pointer.indication == self.pointer.indication:
            self.indicate(before.pointer.own_reading(before.indication))
        self.direction.continue_from(before.direction, self.position)
        if before.held and before.pointer.key == self.pointer.key:
            self.held, self._sent, self.target = True, before._sent, before.target
            if held_limits(before.pointer) != held_limits(self.pointer):  # else a slow way stays slow
                self.motion.set_limits(held_limits(self.pointer))
            return
        self.motion.set_limits(motion_limits(self.pointer))
        if self.indication is not None:
            self.target = self.direction.position(self.indication, self.position)
            if self.target != before.target:
                self.motion.glide_to(self.target)

    def set_position(self, position: float) -> None:
        """The board reports the pointer at `position` (steps); restart the path from there."""
        limits = held_limits(self.pointer) if self.held else motion_limits(self.pointer)
        self.motion = Motion(limits, position)
        self.position, self.velocity, self.target = position, 0.0, None
        self.direction.moved(position, position)

    def _go_the_short_way(self, time_s: float, target: float) -> None:
        """Drop whole turns of the way to the target, as the class describes."""
        drive = self.pointer.drive
        behind = target - self.position
        rate = self.motion.target_rate(time_s)
        if rate * behind > 0.0 and abs(rate) > _FOLLOWABLE * drive.speed_steps_s:
            self.ran_away_s = time_s
        if 0.0 <= time_s - self.ran_away_s < _SURE_S:
            kept = (0.5 + _HEAD_START_TURNS) * 2.0 * self.half_turn_steps
            if abs(behind) <= kept + self.half_turn_steps:
                return
            reference = self.position + copysign(kept, behind)
        else:
            closing = self.motion.velocity - rate
            reference = self.position + closing * abs(closing) / (2.0 * drive.acceleration_steps_s2)
        self.target = self.pointer.nearest(target, reference)
        self.motion.shift_target(self.target - target)


def motion_limits(pointer: Pointer) -> Limits:
    """What this pointer's drive can do."""
    drive = pointer.drive
    return Limits(drive.speed_steps_s, drive.acceleration_steps_s2, pointer.low_steps, pointer.high_steps)


def held_limits(pointer: Pointer) -> Limits:
    """As `motion_limits`, but free to go as far as its board lets it, beyond the ends of the scale."""
    return replace(
        motion_limits(pointer), low_steps=pointer.reach_low_steps, high_steps=pointer.reach_high_steps
    )


def driven_pointer(pointer: Pointer) -> DrivenPointer:
    """This pointer at work, at its home position."""
    home = pointer.drive.zero_steps
    if pointer.low_steps is not None and pointer.high_steps is not None:
        home = min(max(home, pointer.low_steps), pointer.high_steps)
    return DrivenPointer(pointer, DirectionTracker(pointer), Motion(motion_limits(pointer), home), home)
