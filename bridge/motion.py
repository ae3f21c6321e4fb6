"""Motion: from sparse, jittery targets to a smooth path that the drive can follow.

Pure: every time is an argument, the same calls give the same path, bit for bit.

1. Prediction. A target is old when it arrives, and the next is 17 to 100 ms away. So a straight line is
   fitted by least squares through the targets of the last `WINDOW_S` seconds, and read off at now:
       rate = (n sum(t x) - sum(t) sum(x)) / (n sum(t t) - sum(t)^2),  goal = mean(x) + rate (now - mean(t))
   It is believed with three targets over at least `BASE_S` and for `HORIZON_S` after the last one; before
   and after that the goal is the last target, at rest. Nor is it believed where more than `SUDDEN` of the
   whole way lies between two targets: that is a step (a knob's click, the simulator repositioned), and no
   needle shall swing past it.
2. Path. In every tick (length h) the velocity changes evenly by
       change = -(1 - z) ((1 - z)/h error + (3 + z)/2 closing),    z = exp(-h / SETTLE_S)
   with error and closing the position and velocity relative to the goal. That puts both poles of the
   sampled double integrator at z (critical damping, for any h): no steady lag behind a goal that moves
   evenly, no overshoot. Far from the goal, where that would ask for more than the drive can do, the
   velocity is held to speed and acceleration, and to what can still be braked: the parabola
       closing^2 = 2 a (way - a SETTLE_S^2 / 2),
   which touches the line closing = way / SETTLE_S of the law above where that line needs exactly `a`.
3. Stops. After every tick velocity^2 <= 2 a (way to the stop ahead). If that holds before a tick, braking
   with `a` makes it hold after, whatever the tick's length; so by induction no stop is ever passed.
A goal at rest is reached exactly, and then the needle is exactly still.

Why prediction, and these numbers (tests/bench/motion_study.py; hundreds pointer, climb of 1,500 ft/min in
ripples, 20 Hz, 0 to 30 ms late, 2 % lost, times of arrival; error RMS and max in ft, twitching in ft/s):
    hold last 1.60, 4.3, 17.1;  play-out by 0.08 s 2.43, 4.1, 6.1, by 0.15 s 4.17, 5.8, 5.7
    window 0.15 s 0.67, 4.4, 6.6;  0.20 s 0.57, 2.5, 4.2;  0.30 s 0.58, 1.9, 2.3;  0.40 s 0.64, 1.8, 1.7
All but the long play-out keep 3 ft RMS and 10 ft. Prediction is nearly three times nearer than holding and
seven times smoother; a longer window is smoother still, but lags a quick roll (bank RMS 0.72 deg at 0.30 s,
0.89 deg at 0.40 s, holding 0.73). `SETTLE_S` 0.02 s twitches by a third more, 0.05 s lags a quarter more in
that roll. With the source's own times in place of those of arrival: 0.43, 1.2, 1.4. Gusts that change from
one target to the next can't be predicted: airspeed of the gusty flight 0.64 kt, as by play-out; holding 0.47.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf, sqrt

WINDOW_S = 0.3
BASE_S = 0.08
SUDDEN = 0.7
HORIZON_S = 0.25
SETTLE_S = 0.03
LATE_S = 1.0  # a time that lies farther back is not late or out of order: the time base was set back
LONGEST_TICK_S = 0.1  # after a longer gap between two ticks the needle goes on as after this one
_MOST_TARGETS = 32
_FARTHEST_STEPS = 2.0**31  # what a frame can carry
_MEET_STEPS = 0.01


@dataclass(frozen=True, slots=True)
class Limits:
    """What one drive can do: speed (steps/s), acceleration (steps/s²), stops (steps; None for endless)."""

    speed_steps_s: float
    acceleration_steps_s2: float
    low_steps: float | None = None
    high_steps: float | None = None


class Prediction:
    """Where the target is by now: a straight line through the last `window_s` seconds of targets."""

    __slots__ = ("_line", "_rate", "_targets", "_window_s", "last", "time_s")

    def __init__(self, position: float, window_s: float = WINDOW_S) -> None:
        self._window_s = window_s
        self.forget(position)

    def forget(self, position: float) -> None:
        """Stay at this position (steps) until the next target."""
        self._targets: list[tuple[float, float]] = []
        self.time_s = -inf
        self.last = self._line = position
        self._rate = 0.0

    def add(self, time_s: float, position: float) -> None:
        """Take a target newer than the last one."""
        targets = self._targets
        targets.append((time_s, position))
        oldest_s = time_s - self._window_s
        while targets[0][0] < oldest_s or len(targets) > _MOST_TARGETS:
            del targets[0]
        self.time_s = time_s
        self.last = self._line = position
        self._rate = 0.0
        count = len(targets)
        if count < 3 or targets[0][0] > time_s - BASE_S:
            return
        before = targets[0][1] - position
        most = SUDDEN * abs(before)
        t = x = tt = tx = 0.0  # sums, counted from the newest target: equal targets give exactly no rate
        for then_s, there in targets:
            then_s -= time_s
            there -= position
            if not -most <= there - before <= most:
                return
            before = there
            t += then_s
            x += there
            tt += then_s * then_s
            tx += then_s * there
        self._rate = rate = (count * tx - t * x) / (count * tt - t * t)
        self._line = position + (x - rate * t) / count

    def at(self, time_s: float) -> tuple[float, float]:
        """Goal (steps) and its rate (steps/s) at this time."""
        since_s = time_s - self.time_s
        if -HORIZON_S <= since_s <= HORIZON_S:
            return self._line + self._rate * since_s, self._rate
        return self.last, 0.0


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


class Motion:
    """The motion of one pointer, a channel's worth: targets in, position and velocity out.

    It follows while targets come, and comes to rest at the last one `HORIZON_S` after they stop; what
    to do then is the caller's choice (`glide_to`). Coming back needs nothing: the needle glides to the
    next target. Times are seconds on one time base for targets and steps of all pointers; pointers that
    get their targets with the same times are predicted to the same moment, and so stay in step.
    """

    __slots__ = ("_path", "_prediction", "_time_s")

    def __init__(self, limits: Limits, position_steps: float, velocity_steps_s: float = 0.0) -> None:
        self._path = Path(limits, position_steps, velocity_steps_s)
        self._prediction = Prediction(position_steps)
        self._time_s = inf  # the first step sets it

    @property
    def at_rest(self) -> bool:
        """Whether the needle stood still after the last step."""
        return self._path.velocity == 0.0

    def target(self, time_s: float, position_steps: float) -> None:
        """Where the pointer belongs at this time.

        Doubles, late ones and numbers that no frame can carry (not a number, too) change nothing.
        """
        prediction = self._prediction
        since_s = time_s - prediction.time_s
        if -LATE_S <= since_s <= 0.0 or not (
            -_FARTHEST_STEPS <= position_steps <= _FARTHEST_STEPS and -inf < time_s < inf
        ):
            return
        if since_s < 0.0:
            prediction.forget(position_steps)
        prediction.add(time_s, position_steps)

    def glide_to(self, position_steps: float) -> None:
        """Go to this position within the limits and stay there until the next target."""
        self._prediction.forget(position_steps)

    def step(self, time_s: float) -> tuple[float, float]:
        """Position (steps) and velocity (steps/s) at this time; the first call only sets the clock."""
        path = self._path
        tick_s = time_s - self._time_s
        if tick_s > 0.0:
            self._time_s = time_s
            goal, rate = self._prediction.at(time_s)
            path.advance(tick_s if tick_s < LONGEST_TICK_S else LONGEST_TICK_S, goal, rate)
        elif not tick_s >= -LATE_S:
            self._time_s = time_s
        return path.position, path.velocity
