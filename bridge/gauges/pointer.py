"""Pointer: from a reading to an absolute motor position, by its kind.

A bounded pointer runs between its stops. An endless one is at the same face position once in every
turn, so it goes to the nearest of them: whatever the reading does between two targets, the pointer never
winds back through turns that nobody would see. Where wheels turn other pointers from its arbor, what
repeats is the whole train: the faces of a 10:1 pair are the same again after ten turns of the quick one,
and the pointer goes to the nearest of those.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from bridge.gauges.curve import Curve
from bridge.gauges.drive import Drive
from bridge.quantities.units import Conversion


@dataclass(frozen=True, slots=True)
class Pointer:
    """One pointer of one gauge, with all that turns a reading into steps.

    `face` is the angle of the pointer for a reading; `rising` and `falling` the angle of the drive for it
    (the same curve but for a crooked linkage or backlash). `home_deg` is the drive angle of the home
    position. Angles are degrees clockwise from 12 o'clock, positions steps. `low_steps` and `high_steps`
    are the ends of the scale, which the host keeps; `reach_low_steps` and `reach_high_steps` those that the
    board keeps: the motor's own stops, or some way beyond the scale. None for an endless pointer.

    Readings are in `unit`; `conversion` brings the indication of the instrument to it, None where it is in
    that unit already.

    After `wrap_turns` of the pointer, it and every pointer that wheels turn from it are at the same face
    positions again; an index mark passes its sensor once in `mark_turns`.
    """

    gauge: str
    name: str
    indication: str
    unit: str
    endless: bool
    face: Curve
    rising: Curve
    falling: Curve
    drive: Drive
    board: str
    channel: int
    home_deg: float
    low_steps: float | None
    high_steps: float | None
    park: float
    """The reading at which it rests."""
    reach_low_steps: float | None = None
    reach_high_steps: float | None = None
    wrap_turns: Fraction = Fraction(1)
    mark_turns: Fraction = Fraction(1)
    conversion: Conversion | None = None

    wrap_steps: Fraction = field(init=False)
    """Steps after which every face of the train repeats, exact. Kept: a product of fractions is slow."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "wrap_steps", self.drive.steps_per_turn * self.wrap_turns)

    @property
    def mark_steps(self) -> Fraction:
        """Steps between two index marks, exact."""
        return self.drive.steps_per_turn * self.mark_turns

    @property
    def unit_share(self) -> float:
        """How much one of the quantity's own unit is in `unit`; a difference, whatever the zeros."""
        return 1.0 if self.conversion is None else self.conversion.scale

    def measures_as(self, other: Pointer) -> bool:
        """Whether the other pointer's motor is at the same positions for the same readings in their unit."""
        return (self.rising, self.falling, self.drive, self.home_deg) == (
            other.rising,
            other.falling,
            other.drive,
            other.home_deg,
        )

    @property
    def key(self) -> str:
        """The pointer's name on the panel: gauge.pointer."""
        return f"{self.gauge}.{self.name}"

    def position(self, reading: float, falling: bool = False) -> float:
        """Steps for this reading, counted from home; an endless pointer's whole turns included."""
        curve = self.falling if falling else self.rising
        steps = self.drive.steps(curve(reading) - self.home_deg) + self.drive.zero_steps
        if self.low_steps is not None:
            steps = max(steps, self.low_steps)
        if self.high_steps is not None:
            steps = min(steps, self.high_steps)
        return steps

    def own_reading(self, reading: float) -> float:
        """A reading in `unit`, in the unit of the quantity: the inverse of `conversion`."""
        conversion = self.conversion
        return reading if conversion is None else (reading - conversion.shift) / conversion.scale

    def nearest(self, position_steps: float, reference_steps: float) -> float:
        """The same face positions as at `position_steps`, of those the nearest to `reference_steps`."""
        if not self.endless:
            return position_steps
        turn = self.wrap_steps
        turns = round((reference_steps - position_steps) * turn.denominator / turn.numerator)
        return position_steps + turns * turn.numerator / turn.denominator if turns else position_steps

    def drive_deg(self, position_steps: float) -> float:
        """The drive's angle (deg, clockwise from 12 o'clock) when its motor is at this position."""
        return self.drive.angle_deg(position_steps - self.drive.zero_steps) + self.home_deg

    def drive_position(self, drive_deg: float) -> float:
        """The motor's position in steps when the drive is at this angle (deg); the inverse of `drive_deg`."""
        return self.drive.steps(drive_deg - self.home_deg) + self.drive.zero_steps

    def face_deg(self, position_steps: float, falling: bool = False) -> float:
        """Where the pointer is on the face (deg) when its motor is at this position."""
        drive_deg = self.drive_deg(position_steps)
        curve = self.falling if falling else self.rising
        if curve is self.face:
            return drive_deg
        return self.face(curve.inverse(drive_deg))

    def reading(self, position_steps: float, falling: bool = False) -> float:
        """What the pointer shows when its motor is at this position (an endless one: by whole turns)."""
        return (self.falling if falling else self.rising).inverse(self.drive_deg(position_steps))


class DirectionTracker:
    """The direction of one pointer: which way its reading last went, and in which turn it is.

    Keeps what `Pointer` can't know from one reading alone. A reversal counts only once the motor
    would move back by more than one step, so that noise does not flip the curve.
    """

    __slots__ = ("_falling", "_sense", "_turning_steps", "pointer")

    def __init__(self, pointer: Pointer) -> None:
        self.pointer = pointer
        self._sense = 1.0 if pointer.rising.angles[-1] > pointer.rising.angles[0] else -1.0
        self._falling = False
        self._turning_steps: float | None = None

    @property
    def falling(self) -> bool:
        """True while the reading comes down (the falling curve is in use)."""
        return self._falling

    def position(self, reading: float, reference_steps: float) -> float:
        """Steps for this reading: right curve for its direction, nearest turn to the reference."""
        pointer = self.pointer
        if pointer.falling is not pointer.rising:
            self._turn(pointer.position(reading))
        return pointer.nearest(pointer.position(reading, self._falling), reference_steps)

    def continue_from(self, before: DirectionTracker, position_steps: float) -> None:
        """Take over from `before`, which led the motor to this position, perhaps by other curves.

        By the same curves the way goes on: a motor that is ahead of its reading, or on the falling curve, has
        not turned back.
        """
        self._falling = before._falling
        same = before.pointer.measures_as(self.pointer) and before._turning_steps is not None
        self._turning_steps = before._turning_steps if same else position_steps

    def moved(self, from_steps: float, to_steps: float) -> None:
        """The motor was moved from one position to another by other means than readings: it came that way."""
        on = (to_steps - from_steps) * self._sense
        if abs(on) > 1.0:
            self._falling = on < 0.0
        self._turning_steps = to_steps

    def _turn(self, steps: float) -> None:
        if self._turning_steps is None:
            self._turning_steps = steps
            return
        # Through north is no way back: only the way that the pointer itself goes counts.
        steps = self.pointer.nearest(steps, self._turning_steps)
        on = (steps - self._turning_steps) * (-self._sense if self._falling else self._sense)
        if on < -1.0:
            self._falling = not self._falling
        if on < -1.0 or on > 0.0:
            self._turning_steps = steps
