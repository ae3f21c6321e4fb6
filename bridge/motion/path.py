"""Path: position and velocity of one pointer, within the limits of its drive.

Tracking a goal that moves: the critically damped second-order law, in its exact discrete form. In every tick
(length h) the velocity changes evenly by
    change = -(1 - z) ((1 - z)/h error + (3 + z)/2 closing),    z = exp(-h / settle)
with error and closing the position and velocity relative to the goal. That puts both poles of the sampled
double integrator at z, for any h: no steady lag behind a goal that moves evenly, no overshoot. `settle` is
`SETTLE_S`, but for fewer than 50 ticks a second 1.5 ticks.

Slewing, where that would ask for more than the drive can do: the velocity is held to speed and acceleration,
and to what can still be braked,
    closing^2 / (2 b) + closing lag = way,    b = BRAKING_SHARE a,    lag = 2/3 settle
From full speed the pointer brakes with nearly `b`, and ends as a first-order lag (near a goal at rest, in
this discrete form, the poles are 0 and (lag - h/2) / (lag + h/2)). A slew to a goal at rest ends so.

Why not brake with all of the acceleration `a`: the board is one frame behind. Braked with `a` it could not
make that up and overran the end of long slews by 28 to 46 steps. Now there are three parts, each of which was
needed (the demo panel's drives, slews of 1 to 900 steps, 100 frames a second, 2 ms of jitter of ticks and
of frames each, 2 % lost; overshoot at the board in steps):
    braking with a 46;  with 0.85 a 27;  with 0.7 a 17
    the same, and the velocity sent is that of one frame later (`velocity_ahead`)  36; 19; 4
    0.7 a, velocity ahead, and the board closes in from behind on a moving target with only a quarter of `a`,
    as that target may be braking itself (boards/virtual/follower.py, firmware/core/motion.c)  0; 0.75 a 2
    the same without `lag` in the curve 4.5
The drive speeds up with all of `a`, so that a slew takes 1.05 to 1.2 times the quickest, and a frame more
until the board hears of it; short ones (the quickest under 0.15 s) up to 0.2 s. Gusts that make a goal jump
look rougher by a sixth than with braking by `a`. tests/motion/test_overshoot.py checks both.

Stops. After every tick velocity^2 <= 2 a (way to the stop ahead). If that holds before a tick, braking with
`a` makes it hold after, whatever the tick's length; so by induction no stop is ever passed. A pointer that
is outside has only the far stop ahead, and comes back inside, for its goal is held inside.
A goal at rest is reached exactly, and then the pointer is exactly still.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, exp, floor, inf, sqrt

SETTLE_S = 0.03
_SETTLE_FRAMES = 1.5  # at least, for a board runs on at the last velocity when frames come late or get lost
_LAG_SHARE = 2.0 / 3.0  # of the time to settle
BRAKING_SHARE = 0.7  # of the drive's acceleration
_FRAME_FADES = 0.9  # how much of the longest tick is kept at each tick
_NEAR_STEPS = 0.01
_ROUNDING_STEPS = 1e-6


@dataclass(frozen=True, slots=True)
class Limits:
    """What one drive can do: speed (steps/s), acceleration (steps/s²), stops (steps; None for endless)."""

    speed_steps_s: float
    acceleration_steps_s2: float
    low_steps: float | None = None
    high_steps: float | None = None


class Path:
    """Position (steps) and velocity (steps/s) of one pointer, always within its drive's limits.

    `velocity_ahead` (steps/s) is the one to send to the board: while the pointer slews, its velocity one
    frame later, if the goal goes on as now; else its velocity. It, too, changes no quicker than the drive's
    acceleration allows. A frame is as long as the longest recent tick.

    A velocity given at the start is kept, also one above the speed limit: it is braked. So is a position
    outside the stops: the pointer comes back from there.
    """

    __slots__ = (
        "_acceleration",
        "_braking",
        "_frame_s",
        "_high",
        "_lag_s",
        "_low",
        "_settle_s",
        "_shortest_settle_s",
        "_slews",
        "_speed",
        "_tracking_steps_s",
        "position",
        "velocity",
        "velocity_ahead",
    )

    def __init__(
        self, limits: Limits, position: float, velocity: float = 0.0, settle_s: float = SETTLE_S
    ) -> None:
        self._shortest_settle_s = settle_s
        self._frame_s = 0.0
        self._slews = False
        self.set_limits(limits)
        self.position = position
        self.velocity = self.velocity_ahead = velocity

    def set_limits(self, limits: Limits) -> None:
        """Other limits from now on. Position and velocity go on: what exceeds the new limits is braked, and a
        pointer that is outside the new stops comes back inside."""
        self._speed = limits.speed_steps_s
        self._acceleration = limits.acceleration_steps_s2
        self._braking = BRAKING_SHARE * self._acceleration
        self._low = -inf if limits.low_steps is None else limits.low_steps
        self._high = inf if limits.high_steps is None else limits.high_steps
        self._set_frame(self._frame_s)

    @property
    def braked_at(self) -> float:
        """Where it comes to rest if it brakes from now on as at the end of a slew (steps).

        At rest it is where it is; else a whole step, since a board stops on one, and within the stops.
        """
        speed = abs(self.velocity)
        if speed == 0.0:
            return self.position
        way = speed * speed / (2.0 * self._braking) + speed * (self._lag_s + self._frame_s)
        there = ceil(self.position + way) if self.velocity > 0.0 else floor(self.position - way)
        return max(self._low, min(self._high, float(there)))

    def _set_frame(self, frame_s: float) -> None:
        self._frame_s = frame_s
        self._settle_s = max(self._shortest_settle_s, _SETTLE_FRAMES * frame_s)
        self._lag_s = _LAG_SHARE * self._settle_s
        # Closing in no faster than this, the tracking law asks for no more than the braking curve allows.
        self._tracking_steps_s = 2.0 * self._braking * (self._settle_s - self._lag_s)

    def advance(self, tick_s: float, goal: float, rate: float) -> None:
        """Advance by `tick_s` (s, above 0) towards a goal at `goal` (steps) that moves at `rate` (steps/s).

        The goal's place is that at the end of the tick. Held within the stops.
        """
        low, high = self._low, self._high
        if goal > high:
            goal, rate = high, 0.0
        elif goal < low:
            goal, rate = low, 0.0
        position, velocity = self.position, self.velocity
        if rate == 0.0:
            near = self._slews or -_NEAR_STEPS < position - goal < _NEAR_STEPS
            if (position == goal and velocity == 0.0) or (near and self._reaches(goal, tick_s)):
                self.position = goal
                self.velocity = 0.0
                self._slews = False
                if self.velocity_ahead:
                    self._look_ahead(tick_s, 0.0)
                return
        if tick_s != self._frame_s:
            self._set_frame(max(tick_s, _FRAME_FADES * self._frame_s))
        speed = self._speed
        if rate > speed:
            rate = speed
        elif rate < -speed:
            rate = -speed
        error = position - goal + rate * tick_s
        closing = velocity - rate
        change = self._tracking(tick_s, error, closing)
        wanted = velocity + change
        room = self._acceleration * tick_s
        self._slews = slews = (
            (self._slews and rate == 0.0)
            or not -room <= change <= room
            or not -speed <= wanted <= speed
            or not -self._tracking_steps_s <= closing <= self._tracking_steps_s
        )
        if slews:
            wanted = self._slewing(tick_s, error, rate, wanted)
        moved = position + 0.5 * (velocity + wanted) * tick_s
        if wanted > 0.0:
            late = position <= high and wanted * wanted > 2.0 * self._acceleration * (high - moved)
        else:
            late = position >= low and wanted * wanted > 2.0 * self._acceleration * (moved - low)
        if late or (not low <= moved <= high and low <= position <= high):
            self._stop(tick_s, wanted > 0.0 if late else moved > high)
            slews = False
        else:
            self.position = moved
            self.velocity = wanted
        self._look_ahead(tick_s, self._one_frame_on(goal, rate) if slews else self.velocity)

    def _look_ahead(self, tick_s: float, velocity: float) -> None:
        """Send this velocity, or what the acceleration allows of it since the last one that was sent."""
        room = self._acceleration * tick_s
        sent = self.velocity_ahead
        self.velocity_ahead = max(sent - room, min(sent + room, velocity))

    def _tracking(self, tick_s: float, error: float, closing: float) -> float:
        """The change of velocity by the tracking law: error in steps, closing in steps/s."""
        decay = exp(-tick_s / self._settle_s)
        settled = 1.0 - decay
        return -settled * (settled / tick_s * error + 0.5 * (3.0 + decay) * closing)

    def _slewing(self, tick_s: float, error: float, rate: float, wanted: float) -> float:
        """The wanted velocity, clamped to speed and acceleration and to what can be braked at the goal.

        Towards a goal at rest it is what can be braked, whatever the tracking law wants.
        """
        velocity = self.velocity
        if error < 0.0:
            most = rate + self._brakable(-error, velocity - rate, tick_s)
            wanted = most if rate == 0.0 or wanted > most else wanted
        elif error > 0.0:
            most = rate - self._brakable(error, rate - velocity, tick_s)
            wanted = most if rate == 0.0 or wanted < most else wanted
        elif rate == 0.0:
            wanted = 0.0
        wanted = max(-self._speed, min(self._speed, wanted))
        room = self._acceleration * tick_s
        return max(velocity - room, min(velocity + room, wanted))

    def _brakable(self, way: float, closing: float, tick_s: float) -> float:
        """The highest velocity after a tick begun at `closing`, from which braking ends `way` ahead.

        The solution s of s^2 / (2 b) + s (lag + h/2) = way - closing h/2; 0 where there is none.
        """
        left = way - 0.5 * closing * tick_s
        if left <= 0.0:
            return 0.0
        lag_s = self._lag_s + 0.5 * tick_s
        return self._braking * (sqrt(lag_s * lag_s + 2.0 * left / self._braking) - lag_s)

    def _one_frame_on(self, goal: float, rate: float) -> float:
        """The velocity one frame later, if the goal moves on at this rate (steps/s)."""
        frame_s = self._frame_s
        if rate == 0.0 and self._reaches(goal, frame_s):
            return 0.0
        error = self.position - goal
        wanted = self.velocity + self._tracking(frame_s, error, self.velocity - rate)
        return self._slewing(frame_s, error, rate, wanted)

    def _reaches(self, goal: float, tick_s: float) -> bool:
        """Whether the pointer can be at rest at `goal` by the end of the tick, braking as elsewhere.

        From velocity v to rest in time h with at most acceleration b the reachable displacements are
        v h/2 +- ((b h)^2 - v^2) / (4 b): full acceleration one way first, then the other. On the way it is
        never faster than b h, so b h is taken no higher than the speed.
        """
        velocity = self.velocity
        room = min(self._braking * tick_s, self._speed)
        spare = (room * room - velocity * velocity) * tick_s / (4.0 * room)
        return -spare <= goal - self.position - 0.5 * velocity * tick_s <= spare

    def _stop(self, tick_s: float, upward: bool) -> None:
        """Brake, with all of the acceleration if needed: the latest stop that does not pass the end stop."""
        sign = 1.0 if upward else -1.0
        way = self._high - self.position if upward else self.position - self._low
        going = self.velocity * sign
        room = self._acceleration * tick_s
        if going > room or way > 0.5 * going * tick_s:
            half = 0.5 * room
            left = way - 0.5 * going * tick_s
            fastest = sqrt(half * half + 2.0 * self._acceleration * left) - half if left > 0.0 else 0.0
            slower = max(fastest, going - room)
            covered = 0.5 * (going + slower) * tick_s
        else:  # it comes to rest within this tick
            slower = 0.0
            covered = going * going / (2.0 * self._acceleration)
        if covered > way > covered - _ROUNDING_STEPS:
            covered = way  # by rounding only
        self.position += sign * covered
        self.velocity = sign * slower
