"""A slew as a board makes it: the host's motion, frames that jitter and get lost, the board's follower."""

from __future__ import annotations

import random
from dataclasses import dataclass
from math import inf, sqrt

from bridge.boards.virtual.follower import Follower
from bridge.motion.motion import Motion
from bridge.motion.path import Limits

TICK_S = 0.01
JITTER_S = 0.002
LOST = 0.02
MOST_LOST_IN_A_ROW = 3  # four in a row come once in 6 million frames, and are no matter of overshoot
_LOOKS = 5  # at the board's position, between two frames


@dataclass(frozen=True, slots=True)
class Slew:
    """`overshoot_steps`: the greatest way beyond the goal; `took_s`: until it is within a step for good."""

    overshoot_steps: float
    took_s: float


def quickest_s(way_steps: float, limits: Limits) -> float:
    """Time of the quickest move from rest to rest: full acceleration, speed, full braking (kinematics)."""
    speed, acceleration = limits.speed_steps_s, limits.acceleration_steps_s2
    if way_steps < speed * speed / acceleration:
        return 2 * sqrt(way_steps / acceleration)
    return way_steps / speed + speed / acceleration


def slew(limits: Limits, goals: list[tuple[float, float]], seed: int) -> Slew:
    """Glide to each goal (steps) at its time (s); the last one counts. The pointer starts at 0."""
    chance = random.Random(seed)
    motion = Motion(limits, 0.0)
    low = -inf if limits.low_steps is None else limits.low_steps
    high = inf if limits.high_steps is None else limits.high_steps
    board = Follower(limits.speed_steps_s, limits.acceleration_steps_s2, low, high, 0.0, 0.0)
    motion.step(0.0)
    waiting = list(goals)
    begun_s, goal = goals[-1]
    overshoot, arrived_s = 0.0, inf
    tick, side, lost = 0, 0.0, 0
    while board.time_s < arrived_s + 0.4:
        tick += 1
        assert tick < 3_000, "the board never arrived"
        while waiting and waiting[0][0] <= tick * TICK_S:
            motion.glide_to(waiting.pop(0)[1])
            if not waiting:
                side = 1.0 if goal > board.position else -1.0
        sent_s = tick * TICK_S + chance.uniform(0.0, JITTER_S)
        position, velocity = motion.step(sent_s)
        lost = lost + 1 if chance.random() < LOST and lost < MOST_LOST_IN_A_ROW else 0
        if not lost:
            heard_s = sent_s + chance.uniform(0.0, JITTER_S)
            overshoot = max(overshoot, _watched(board, heard_s, goal, side))
            board.follow(round(position * 256) / 256, round(velocity * 256) / 256)
        overshoot = max(overshoot, _watched(board, (tick + 1) * TICK_S, goal, side))
        if waiting or abs(board.position - goal) >= 1.0:
            arrived_s = inf
        elif arrived_s == inf:
            arrived_s = board.time_s
    return Slew(overshoot, arrived_s - begun_s)


def _watched(board: Follower, until_s: float, goal: float, side: float) -> float:
    """Advance the board in small spans; the greatest way beyond the goal, seen from where the slew began."""
    start_s, most = board.time_s, 0.0
    for look in range(1, _LOOKS + 1):
        board.advance(start_s + (until_s - start_s) * look / _LOOKS)
        most = max(most, (board.position - goal) * side)
    return most
