"""How a virtual channel follows its target: within speed and acceleration, never past its stops.

The target is a point moving at constant rate, carried on for at most `CARRY_S` after it was set. One
advance goes in closed form when the target can be met exactly at its end; otherwise in short steps, each
taking the highest velocity from which braking still ends at the target, and at the stop. Behind a moving
target it closes in with CATCH_UP_SHARE of the acceleration only, since the target may be braking.

Meeting exactly: from velocity v to w in time h with acceleration at most a, the distances that can be
covered are (v + w)/2 h +- ((a h)^2 - (w - v)^2) / (4 a): full acceleration one way first, then
the other (elementary kinematics).
Braking: after one more step of length h the velocity v' must satisfy v' h/2 + v'^2 / (2 a) <= r, r being
what is left after the present velocity's half of the step.
"""

from __future__ import annotations

from math import ceil, inf, sqrt

from bridge.boards.behaviour import CARRY_MS, CATCH_UP_SHARE

CARRY_S = CARRY_MS / 1000
_STEP_S = 0.005
_LONGEST_LEAP_S = 0.05  # beyond this a closed form could hide a velocity above the limit


class Follower:
    """Position (steps) and velocity (steps/s) of one channel. Limits: steps/s, steps/s², stops in steps."""

    __slots__ = (
        "_carry_s",
        "_goal",
        "_rate",
        "_set_s",
        "acceleration",
        "high",
        "low",
        "position",
        "speed",
        "time_s",
        "velocity",
    )

    def __init__(
        self, speed: float, acceleration: float, low: float, high: float, position: float, time_s: float
    ) -> None:
        self.speed = speed
        self.acceleration = acceleration
        self.low = low
        self.high = high
        self.time_s = time_s
        self.place(position)

    def place(self, position: float) -> None:
        """Set the position (steps), at rest."""
        self.position = position
        self.velocity = 0.0
        self.follow(position, 0.0)

    def follow(self, goal: float, rate: float, carry_s: float = CARRY_S) -> None:
        """From now on go to `goal` (steps), which moves at `rate` (steps/s) for `carry_s` and then stops."""
        self._goal = goal
        speed = self.speed
        self._rate = rate if -speed <= rate <= speed else speed if rate > 0.0 else -speed
        self._set_s = self.time_s
        self._carry_s = carry_s

    def run(self, rate: float) -> None:
        """Turn at this rate without end and without stops, to find the home position."""
        self.low, self.high = -inf, inf
        self.follow(self.position, rate, inf)

    def halt(self) -> None:
        """Stop as quickly as the acceleration allows, and stay there."""
        self.follow(self.position + self.velocity * abs(self.velocity) / (2.0 * self.acceleration), 0.0)

    def shift(self, by: float) -> None:
        """Renumber the same place: position and goal change by `by` steps, nothing turns."""
        self.position += by
        self._goal += by

    def advance(self, time_s: float) -> None:
        """Advance to `time_s`; an earlier time changes nothing."""
        span_s = time_s - self.time_s
        if span_s <= 0.0:
            return
        if not self._meet(span_s):
            steps = ceil(span_s / _STEP_S)
            start_s = self.time_s
            for step in range(1, steps + 1):
                step_s = start_s + span_s * step / steps - self.time_s
                if not self._meet(step_s):
                    self._chase(step_s)
                elif self.velocity == 0.0 and self._meet(time_s - self.time_s):
                    break  # arrived for good
        self.time_s = time_s

    def _target(self, time_s: float) -> tuple[float, float]:
        """Where the target is at that time and how fast it moves, held within the stops."""
        since_s = time_s - self._set_s
        if since_s <= self._carry_s:
            goal, rate = self._goal + self._rate * since_s, self._rate
        else:
            goal, rate = self._goal + self._rate * self._carry_s, 0.0
        if goal > self.high:
            return self.high, 0.0
        if goal < self.low:
            return self.low, 0.0
        return goal, rate

    def _meet(self, span_s: float) -> bool:
        """Be exactly on the target at the end of this span, if the limits allow it: the quick way."""
        time_s = self.time_s + span_s
        since_s = time_s - self._set_s
        rate = self._rate
        goal = self._goal + rate * since_s
        if since_s > self._carry_s or not self.low <= goal <= self.high:
            goal, rate = self._target(time_s)
        velocity = self.velocity
        way = goal - self.position
        if span_s > _LONGEST_LEAP_S and (way or velocity or rate):
            return False
        acceleration = self.acceleration
        room = acceleration * span_s
        change = rate - velocity
        if not -room <= change <= room:
            return False
        spare = (room * room - change * change) / (4.0 * acceleration)
        reach = self.speed * span_s
        if not -spare <= way - (velocity + rate) * 0.5 * span_s <= spare or not -reach <= way <= reach:
            return False
        if rate and rate * rate > 2.0 * acceleration * (self.high - goal if rate > 0.0 else goal - self.low):
            return False  # could not stop any more in front of the stop
        self.position = goal
        self.velocity = rate
        self.time_s = time_s
        return True

    def _chase(self, step_s: float) -> None:
        time_s = self.time_s + step_s
        goal, rate = self._target(time_s)
        position, velocity = self.position, self.velocity
        half_s = 0.5 * step_s
        acceleration = self.acceleration
        way = goal - position - (velocity + rate) * half_s
        closing = CATCH_UP_SHARE * acceleration if way * rate > 0.0 else acceleration
        wanted = rate + _braking(way, step_s, closing)
        wanted = min(wanted, _braking(self.high - position - velocity * half_s, step_s, acceleration))
        wanted = max(wanted, -_braking(position - self.low + velocity * half_s, step_s, acceleration))
        wanted = max(-self.speed, min(self.speed, wanted))
        room = acceleration * step_s
        wanted = max(velocity - room, min(velocity + room, wanted))
        moved = position + (velocity + wanted) * half_s
        if max(abs(velocity), abs(wanted)) <= room:
            # It can stop within this step, so it does at its stop. Where spans differ in length the braking
            # above, planned for the present one, would end up to 0.022 a h² past it (by trial).
            if position <= self.high < moved:
                moved, wanted = self.high, min(wanted, 0.0)
            elif position >= self.low > moved:
                moved, wanted = self.low, max(wanted, 0.0)
        self.position, self.velocity, self.time_s = moved, wanted, time_s


def _braking(room: float, step_s: float, acceleration: float) -> float:
    """The velocity towards something `room` steps away that can still be braked; odd in `room`."""
    half = 0.5 * acceleration * step_s
    if room == inf:
        return inf
    if room < 0.0:
        return half - sqrt(half * half - 2.0 * acceleration * room)
    return sqrt(half * half + 2.0 * acceleration * room) - half
