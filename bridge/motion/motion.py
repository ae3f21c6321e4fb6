"""Motion: from sparse, jittery targets to a smooth path that the drive can follow.

Pure: every time is an argument, the same calls yield the same path, bit for bit.
"""

from __future__ import annotations

from math import inf

from bridge.motion.path import Limits, Path
from bridge.motion.prediction import Prediction
from bridge.timing import LATE_S, LONGEST_TICK_S

_FARTHEST_STEPS = 2.0**31  # what a frame can carry


class Motion:
    """The motion of one pointer, one channel: targets in, position and velocity out.

    It follows while targets come, and comes to rest at the last one `HORIZON_S` after they stop; what
    to do then is the caller's choice (`glide_to`). Coming back needs nothing: the pointer glides to the
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
        """Whether the pointer was still after the last step."""
        return self._path.velocity == 0.0

    @property
    def position(self) -> float:
        """The path's position after the last step (steps)."""
        return self._path.position

    @property
    def velocity(self) -> float:
        """The path's own velocity after the last step (steps/s)."""
        return self._path.velocity

    @property
    def slow_s(self) -> float:
        """The interval of its targets where they are so slow that each is predicted from two; else 0."""
        return self._prediction.slow_s

    def target(self, time_s: float, position_steps: float) -> None:
        """Set where the pointer belongs (steps) at this time (s).

        Duplicates, late ones and numbers that no frame can carry (NaN, too) are ignored.
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

    def target_rate(self, time_s: float) -> float:
        """How fast the targets move at this time (steps/s): 0 when they stopped coming."""
        return self._prediction.at(time_s)[1]

    def shift_target(self, by_steps: float) -> None:
        """The target is this much further from now on, at the same rate: an endless pointer's whole turns."""
        self._prediction.shift(by_steps)

    def glide_to(self, position_steps: float) -> None:
        """Go to this position within the limits and stay there until the next target."""
        self._prediction.forget(position_steps)

    def halt(self) -> float:
        """Brake, and stay there until the next target; returns where that is (steps)."""
        self._prediction.forget(self._path.braked_at)
        return self._prediction.last

    def set_limits(self, limits: Limits) -> None:
        """Other limits from now on; the motion goes on within them, see `Path.set_limits`."""
        self._path.set_limits(limits)

    def step(self, time_s: float) -> tuple[float, float]:
        """Position (steps) and velocity (steps/s) to send at this time; the first call only sets the clock.

        The velocity is the one that the board carries the position on with: `Path.velocity_ahead`.
        """
        path = self._path
        tick_s = time_s - self._time_s
        if tick_s > 0.0:
            self._time_s = time_s
            goal, rate = self._prediction.at(time_s)
            path.advance(tick_s if tick_s < LONGEST_TICK_S else LONGEST_TICK_S, goal, rate)
        elif not tick_s >= -LATE_S:
            self._time_s = time_s
        return path.position, path.velocity_ahead
