"""Drive: motor, gear train and limits, as exact arithmetic from pointer angle to motor steps."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import floor


@dataclass(frozen=True, slots=True)
class Drive:
    """How many commanded steps turn the pointer, and how hard they may come.

    `steps_per_turn` is exact, for one turn of the pointer. `zero_steps` is the position at the home
    angle: 0 for a stepper, the shortest pulse (microseconds) for a servo. `low_steps` and
    `high_steps` are the motor's own ends (a servo's pulse range), None where it has none.
    """

    steps_per_turn: Fraction
    speed_steps_s: float
    acceleration_steps_s2: float
    zero_steps: float = 0.0
    low_steps: float | None = None
    high_steps: float | None = None

    def steps(self, angle_deg: float) -> float:
        """Steps for this angle of the pointer: whole turns by integer arithmetic, so none drifts."""
        turns = floor(angle_deg / 360.0)
        numerator, denominator = self.steps_per_turn.numerator, self.steps_per_turn.denominator
        rest = (angle_deg - 360.0 * turns) * numerator / (360 * denominator)
        return turns * numerator / denominator + rest

    def angle_deg(self, steps: float) -> float:
        """The angle of the pointer after this many steps; the inverse of `steps`."""
        return steps * 360 * self.steps_per_turn.denominator / self.steps_per_turn.numerator
