"""Path: position and velocity of one pointer, within the limits of its drive.

Path. In every tick (length h) the velocity changes evenly by
    change = -(1 - z) ((1 - z)/h error + (3 + z)/2 closing),    z = exp(-h / SETTLE_S)
with error and closing the position and velocity relative to the goal. That puts both poles of the
sampled double integrator at z (critical damping, for any h): no steady lag behind a goal that moves
evenly, no overshoot. Far from the goal, where that would ask for more than the drive can do, the
velocity is held to speed and acceleration, and to what can still be braked: the parabola
    closing^2 = 2 a (way - a SETTLE_S^2 / 2),
which touches the line closing = way / SETTLE_S of the law above where that line needs exactly `a`.

Stops. After every tick velocity^2 <= 2 a (way to the stop ahead). If that holds before a tick, braking
with `a` makes it hold after, whatever the tick's length; so by induction no stop is ever passed.
A goal at rest is reached exactly, and then the needle is exactly still.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, sqrt

SETTLE_S = 0.03
_MEET_STEPS = 0.01


@dataclass(frozen=True, slots=True)
class Limits:
    """What one drive can do: speed (steps/s), acceleration (steps/s²), stops (steps; None for endless)."""

    speed_steps_s: float
    acceleration_steps_s2: float
    low_steps: float | None = None
    high_steps: float | None = None


class Path:
    """Position (steps) and velocity (steps/s) of one needle, always within its drive's limits.

    A velocity given at the start is kept, also one above the speed limit: it is braked.
    """

    __slots__ = (
        "_acceleration",
        "_gentle",
        "_high",
        "_low",
        "_settle_s",
        "_slack",
        "_speed",
        "position",
        "velocity",
    )

    def __init__(
        self, limits: Limits, position: float, velocity: float = 0.0, settle_s: float = SETTLE_S
    ) -> None:
        self._speed = limits.speed_steps_s
        self._acceleration = limits.acceleration_steps_s2
        self._low = -inf if limits.low_steps is None else limits.low_steps
        self._high = inf if limits.high_steps is None else limits.high_steps
        self._settle_s = settle_s
        self._gentle = self._acceleration * settle_s
        self._slack = self._gentle * settle_s / 2.0
        self.position = position
        self.velocity = velocity

    def advance(self, tick_s: float, goal: float, rate: float) -> None:
        """Live on for `tick_s` (above 0), after a goal that is at `goal` by then and moves at `rate`."""
        low, high = self._low, self._high
        if goal > high:
            goal, rate = high, 0.0
        elif goal < low:
            goal, rate = low, 0.0
        position, velocity = self.position, self.velocity
        if rate == 0.0:
            if position == goal and velocity == 0.0:
                return
            if -_MEET_STEPS < position - goal < _MEET_STEPS and self._reaches(goal, tick_s):
                self.position = goal
                self.velocity = 0.0
                return
        speed = self._speed
        if rate > speed:
            rate = speed
        elif rate < -speed:
            rate = -speed
        error = position - goal + rate * tick_s
        closing = velocity - rate
        kept = exp(-tick_s / self._settle_s)
        gone = 1.0 - kept
        change = -gone * (gone / tick_s * error + 0.5 * (3.0 + kept) * closing)
        room = self._acceleration * tick_s
        wanted = velocity + change
        if not (
            -room <= change <= room and -speed <= wanted <= speed and -self._gentle <= closing <= self._gentle
        ):
            wanted = self._held(tick_s, error, rate, wanted)
        moved = position + 0.5 * (velocity + wanted) * tick_s
        way = high - moved if wanted > 0.0 else moved - low
        if wanted * wanted > 2.0 * self._acceleration * way or not low <= moved <= high:
            self._brake(tick_s, wanted, moved)
        else:
            self.position = moved
            self.velocity = wanted

    def _reaches(self, goal: float, tick_s: float) -> bool:
        """Whether the limits allow to stand still at `goal` at the end of this tick.

        From velocity v to rest in time h the ways v h/2, give or take ((a h)^2 - v^2) / (4 a), are open:
        full acceleration one way first, then the other.
        """
        velocity = self.velocity
        room = self._acceleration * tick_s
        spare = (room * room - velocity * velocity) / (4.0 * self._acceleration)
        return -spare <= goal - self.position - 0.5 * velocity * tick_s <= spare

    def _held(self, tick_s: float, error: float, rate: float, wanted: float) -> float:
        """The wanted velocity, held within speed and acceleration and to what can be braked at the goal."""
        velocity = self.velocity
        if error < -2.0 * self._slack:
            wanted = min(wanted, rate + self._brakable(-error - self._slack, velocity - rate, tick_s))
        elif error > 2.0 * self._slack:
            wanted = max(wanted, rate - self._brakable(error - self._slack, rate - velocity, tick_s))
        wanted = max(-self._speed, min(self._speed, wanted))
        room = self._acceleration * tick_s
        return max(velocity - room, min(velocity + room, wanted))

    def _brakable(self, way: float, closing: float, tick_s: float) -> float:
        """The highest velocity after a tick begun at `closing`, from which braking ends `way` ahead.

        The solution s of s h/2 + s^2 / (2 a) = way - closing h/2; 0 where there is none.
        """
        half = 0.5 * self._acceleration * tick_s
        left = way - 0.5 * closing * tick_s
        return sqrt(half * half + 2.0 * self._acceleration * left) - half if left > 0.0 else 0.0

    def _brake(self, tick_s: float, wanted: float, moved: float) -> None:
        """Live on so that the needle can still stop in front of the stop that it would else pass."""
        position = self.position
        up = moved > self._high or (wanted > 0.0 and moved >= self._low)
        sign = 1.0 if up else -1.0
        way = self._high - position if up else position - self._low
        going = self.velocity * sign
        room = self._acceleration * tick_s
        if going > room or way > 0.5 * going * tick_s:
            slower = max(self._brakable(way, going, tick_s), going - room)
            covered = 0.5 * (going + slower) * tick_s
        else:  # it comes to rest within this tick
            slower = 0.0
            covered = going * going / (2.0 * self._acceleration)
        if covered > way > covered - _MEET_STEPS:
            covered = way  # by rounding only
        self.position = position + sign * covered
        self.velocity = sign * slower
