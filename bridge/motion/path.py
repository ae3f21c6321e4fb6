"""Path: position and velocity of one pointer, within the limits of its drive.

Following. In every tick (length h) the velocity changes evenly by
    change = -(1 - z) ((1 - z)/h error + (3 + z)/2 closing),    z = exp(-h / SETTLE_S)
with error and closing the position and velocity relative to the goal: the exact solution of a critically
damped second-order system, sampled (both poles of the double integrator at z, for any h). So there is no
steady lag behind a goal that moves evenly, and no overshoot.

Slewing. Far from the goal, where that law would ask for more than the drive can do, the velocity is clamped
to speed and acceleration, and to what can still be braked with b = BRAKE_SHARE x acceleration: the parabola
    closing^2 = 2 b (way - b SETTLE_S^2 / 2),
which touches the line closing = way / SETTLE_S of the law above where that line needs exactly b.

Room for the board. A board follows with the same motor limits, but it learns of each change a frame later,
and some frames never come. If the path braked as hard as the board can, the board would run over the goal.
So the path accelerates with ACCELERATE_SHARE and brakes with BRAKE_SHARE of what the board can, and does not
gather more speed than could be braked after another UNHEARD_S. Measured over 900 slews of 1 to 1,500 steps
of three drives with 2 ms of jitter and one frame in fifty lost (tests/motion/test_slews.py), greatest
overshoot in steps and time against the quickest move of a long slew:
    full acceleration, full braking       44      1.63
    0.7, 0.7                              14      1.20
    1, 0.6                                17      1.21
    0.8, 0.6, without UNHEARD_S           12      1.17
    0.8, 0.6, UNHEARD_S = 0.045            0      1.18

Stops. After every tick velocity^2 <= 2 a (way to the stop ahead). If that holds before a tick, braking
with a makes it hold after, whatever the tick's length; so by induction no stop is ever passed. A pointer
that is outside its stops (a board reported it there, or a reload narrowed the travel) may go inward only: its
stop is where it is, or where it can be halted, until it is back between the described ones.
A goal at rest is reached exactly, and then the pointer is exactly still.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, sqrt

SETTLE_S = 0.03
ACCELERATE_SHARE, BRAKE_SHARE = 0.8, 0.6
UNHEARD_S = 0.045
"""A board may hear nothing for this long and still stop at the goal: three frames at 100 Hz, and jitter."""
_MEET_STEPS = 0.01


@dataclass(frozen=True, slots=True)
class Limits:
    """What one drive can do: speed (steps/s), acceleration (steps/s²), stops (steps; None for endless)."""

    speed_steps_s: float
    acceleration_steps_s2: float
    low_steps: float | None = None
    high_steps: float | None = None


class Path:
    """Position (steps) and velocity (steps/s) of one pointer, always within its drive's limits.

    A velocity given at the start is kept, also one above the speed limit: it is braked.
    """

    __slots__ = (
        "_acceleration",
        "_brake",
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
        self._acceleration = ACCELERATE_SHARE * limits.acceleration_steps_s2
        self._brake = BRAKE_SHARE * limits.acceleration_steps_s2
        self._low = -inf if limits.low_steps is None else limits.low_steps
        self._high = inf if limits.high_steps is None else limits.high_steps
        self._settle_s = settle_s
        self._gentle = self._brake * settle_s
        self._slack = self._gentle * settle_s / 2.0
        self.position = position
        self.velocity = velocity

    def advance(self, tick_s: float, goal: float, rate: float) -> None:
        """Advance by `tick_s` s (> 0) to a goal that will be at `goal` (steps), moving at `rate` steps/s."""
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
        if not low <= position <= high:
            low, high = self._outer_stops(low, high)
        speed = self._speed
        if rate > speed:
            rate = speed
        elif rate < -speed:
            rate = -speed
        error = position - goal + rate * tick_s
        closing = velocity - rate
        decay = exp(-tick_s / self._settle_s)
        settled = 1.0 - decay
        change = -settled * (settled / tick_s * error + 0.5 * (3.0 + decay) * closing)
        room = self._acceleration * tick_s
        wanted = velocity + change
        if not (
            -room <= change <= room and -speed <= wanted <= speed and -self._gentle <= closing <= self._gentle
        ):
            wanted = self._clamped(tick_s, error, rate, wanted)
        moved = position + 0.5 * (velocity + wanted) * tick_s
        way = high - moved if wanted > 0.0 else moved - low
        if wanted * wanted > 2.0 * self._acceleration * way or not low <= moved <= high:
            self._halt(tick_s, wanted, moved, low, high)
        else:
            self.position = moved
            self.velocity = wanted

    def _reaches(self, goal: float, tick_s: float) -> bool:
        """Whether the drive can be at rest at `goal` by the end of the tick.

        From velocity v to rest in time h the reachable displacements are v h/2 ± ((a h)² - v²) / (4 a):
        full acceleration one way first, then the other (elementary kinematics).
        """
        velocity = self.velocity
        room = self._acceleration * tick_s
        spare = (room * room - velocity * velocity) / (4.0 * self._acceleration)
        return -spare <= goal - self.position - 0.5 * velocity * tick_s <= spare

    def _outer_stops(self, low: float, high: float) -> tuple[float, float]:
        """The stops of a pointer outside its own: where it is, or where it can be halted on its way out."""
        halted = self.position + self.velocity * abs(self.velocity) / (2.0 * self._acceleration)
        return min(low, self.position, halted), max(high, self.position, halted)

    def _clamped(self, tick_s: float, error: float, rate: float, wanted: float) -> float:
        """The wanted velocity, clamped to speed and acceleration and to what can be braked at the goal."""
        velocity = self.velocity
        if error < -2.0 * self._slack:
            wanted = min(wanted, rate + self._closing(-error - self._slack, velocity - rate, tick_s))
        elif error > 2.0 * self._slack:
            wanted = max(wanted, rate - self._closing(error - self._slack, rate - velocity, tick_s))
        wanted = max(-self._speed, min(self._speed, wanted))
        room = self._acceleration * tick_s
        return max(velocity - room, min(velocity + room, wanted))

    def _closing(self, way: float, closing: float, tick_s: float) -> float:
        """The highest velocity after a tick begun at `closing`, both towards a goal `way` ahead.

        It can be braked from there, and where it is above `closing`, from UNHEARD_S later as well.
        """
        brake = self._brake
        brakable = _brakable(way, closing, tick_s, brake)
        left = way - 0.5 * closing * tick_s
        return min(brakable, max(closing, brakable_after(UNHEARD_S, left, brake)))

    def _halt(self, tick_s: float, wanted: float, moved: float, low: float, high: float) -> None:
        """Brake: the slowest halt that does not overrun the stop ahead."""
        position = self.position
        up = moved > high or (wanted > 0.0 and moved >= low)
        sign = 1.0 if up else -1.0
        way = high - position if up else position - low
        going = self.velocity * sign
        room = self._acceleration * tick_s
        if going > room or way > 0.5 * going * tick_s:
            slower = max(_brakable(way, going, tick_s, self._acceleration), going - room)
            covered = 0.5 * (going + slower) * tick_s
        else:  # it comes to rest within this tick
            slower = 0.0
            covered = going * going / (2.0 * self._acceleration)
        if covered > way > covered - _MEET_STEPS:
            covered = way  # by rounding only
        self.position = position + sign * covered
        self.velocity = sign * slower


def brakable_after(delay_s: float, way: float, brake_steps_s2: float) -> float:
    """The highest velocity (steps/s) that kept for `delay_s` and then braked ends `way` steps ahead.

    The solution s of s delay + s² / (2 b) = way; 0 where there is none.
    """
    lead = brake_steps_s2 * delay_s
    return sqrt(lead * lead + 2.0 * brake_steps_s2 * way) - lead if way > 0.0 else 0.0


def _brakable(way: float, closing: float, tick_s: float, brake_steps_s2: float) -> float:
    """The highest velocity after a tick begun at `closing`, from which braking ends `way` steps ahead."""
    return brakable_after(0.5 * tick_s, way - 0.5 * closing * tick_s, brake_steps_s2)
