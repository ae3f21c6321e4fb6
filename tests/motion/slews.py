"""Slews as a board receives them: frames of a moving pointer, with jitter and loss, all from one seed."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, sqrt

from bridge.boards.virtual.follower import Follower
from bridge.motion.motion import Motion
from bridge.motion.path import BRAKING_SHARE, Limits

JITTER_S = 0.002
LOSS = 0.02
TICK_S = 0.01


@dataclass(frozen=True, slots=True)
class Slew:
    """A pointer at rest at `start` (steps) that is sent to each goal (steps) at its time (s).

    `direction` (-1 or 1) is the way in which it comes to the last goal: where that came too late to stop in
    front of it, the pointer has to pass it, turn, and come back.
    """

    limits: Limits
    start: float
    goals: Sequence[tuple[float, float]]
    frames: Sequence[tuple[float, float, float]]  # time of arrival (s), position (steps), velocity (steps/s)
    end_s: float
    direction: float

    @property
    def goal(self) -> float:
        return self.goals[-1][1]

    @property
    def last_s(self) -> float:
        """When the last goal was set."""
        return self.goals[-1][0]

    def overshoot(self, places: Sequence[tuple[float, float]]) -> float:
        """Steps by which a board that was at these places (time in s, steps) passed the last goal.

        Counted from where it turned towards the goal at last.
        """
        then = [place for time_s, place in places if time_s <= self.last_s][-1]
        after = [then, *(place for time_s, place in places if time_s > self.last_s)]
        turned = min(range(len(after)), key=lambda n: self.direction * after[n])
        return max(self.direction * (place - self.goal) for place in after[turned:])

    def arrival_s(self, places: Sequence[tuple[float, float]], within: float = 1.0) -> float:
        """Seconds from the last goal's time until the board is within so many steps, and stays there."""
        away = [time_s for time_s, place in places if abs(place - self.goal) > within]
        return max(away, default=self.last_s) - self.last_s


class Leader:
    """The host's motion of one pointer that is sent to one goal after the other."""

    def __init__(self, limits: Limits, start: float, goals: Sequence[tuple[float, float]]) -> None:
        self.limits = limits
        self.direction = 0.0
        """As in `Slew`, once the last goal is set."""
        self._motion = Motion(limits, start)
        self._motion.step(0.0)
        self._pending = list(goals)

    def tick(self, time_s: float, tick_s: float = TICK_S) -> tuple[float, float]:
        """Position (steps) and velocity (steps/s) to send at this time; ticks come every `tick_s`."""
        motion = self._motion
        while self._pending and self._pending[0][0] <= time_s:
            goal = self._pending.pop(0)[1]
            motion.glide_to(goal)
            self.direction = _approach(self.limits, goal - motion.position, motion.velocity, tick_s)
        return motion.step(time_s)


def slew(
    limits: Limits,
    start: float,
    goals: Sequence[tuple[float, float]],
    seed: int,
    tick_s: float = TICK_S,
    jitter_s: float = JITTER_S,
    loss: float = LOSS,
) -> Slew:
    """What the host sends. Each tick comes up to `jitter_s` late, its frame as much later again, or never."""
    chance = random.Random(seed)
    leader = Leader(limits, start, goals)
    end = end_s(limits, start, goals)
    frames: list[tuple[float, float, float]] = []
    for tick in range(1, round(end / tick_s)):
        time_s = tick * tick_s + chance.uniform(0.0, jitter_s)
        position, velocity = leader.tick(time_s, tick_s)
        if chance.random() >= loss:
            frames.append((time_s + chance.uniform(0.0, jitter_s), position, velocity))
    frames.sort()
    return Slew(limits, start, goals, frames, end, leader.direction)


def _approach(limits: Limits, way: float, velocity: float, tick_s: float) -> float:
    """In which direction a pointer with this way to go (steps) and velocity (steps/s) comes to its goal.

    A board hears of a goal within a tick, a late frame and a lost one, and stops as the host brakes.
    """
    needed = velocity * velocity / (2.0 * BRAKING_SHARE * limits.acceleration_steps_s2)
    needed += abs(velocity) * 3.0 * (tick_s + JITTER_S)
    return copysign(1.0, -velocity if velocity * way > 0.0 and abs(way) < needed else way)


def followed(slewed: Slew) -> list[tuple[float, float]]:
    """Where a virtual channel is (time in s, steps), a thousand times a second and at every frame."""
    limits = slewed.limits
    low = -1e9 if limits.low_steps is None else limits.low_steps
    high = 1e9 if limits.high_steps is None else limits.high_steps
    follower = Follower(limits.speed_steps_s, limits.acceleration_steps_s2, low, high, slewed.start, 0.0)
    places = []
    frames = list(slewed.frames)
    for millisecond in range(round(slewed.end_s * 1000)):
        time_s = millisecond / 1000
        while frames and frames[0][0] <= time_s:
            arrival_s, position, velocity = frames.pop(0)
            follower.advance(arrival_s)
            follower.follow(round(position * 256) / 256, round(velocity * 256) / 256)
            places.append((arrival_s, follower.position))
        follower.advance(time_s)
        places.append((time_s, follower.position))
    return places


def end_s(limits: Limits, start: float, goals: Sequence[tuple[float, float]]) -> float:
    """When a pointer that is sent to these goals is surely at rest."""
    last_s, last = goals[-1]
    return last_s + 0.6 + 2.0 * quickest_s(limits, abs(last - start) + limits.speed_steps_s * last_s)


def quickest_s(limits: Limits, way: float) -> float:
    """The quickest move over this way (steps), from rest to rest: elementary kinematics."""
    speed, acceleration = limits.speed_steps_s, limits.acceleration_steps_s2
    if way < speed * speed / acceleration:
        return 2.0 * sqrt(way / acceleration)
    return way / speed + speed / acceleration


def goals(limits: Limits, seed: int) -> tuple[float, list[tuple[float, float]]]:
    """A start and goals with their times: one slew, one reversed in mid-move, or one whose goal jumps again.

    Ways are spread evenly over their orders of magnitude, from 1 step to 1,000 or as far as the stops allow.
    """
    chance = random.Random(f"goals {seed}")
    low = -1_000.0 if limits.low_steps is None else limits.low_steps
    high = 1_000.0 if limits.high_steps is None else limits.high_steps

    def place(start: float) -> float:
        way = float((high - low) ** chance.random()) * chance.choice((-1.0, 1.0))
        return start + way if low <= start + way <= high else min(max(start - way, low), high)

    start = chance.uniform(low, high)
    first = place(start)
    quickest = quickest_s(limits, abs(first - start))
    kind = seed % 3
    if kind == 0:
        return start, [(0.0, first)]
    if kind == 1:  # while it moves
        return start, [(0.0, first), (chance.uniform(0.1, 0.9) * quickest, start)]
    jumps = [(chance.uniform(0.6, 1.1) * quickest, place(first)) for _ in range(2)]  # while it brakes
    return start, [(0.0, first), *sorted(jumps)]
