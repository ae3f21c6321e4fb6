"""Virtual boards at the end of slews that the host's motion leads: no step too far, and quick.

The drives are the demo panel's; frames come with 2 ms of jitter, and one in fifty is lost (slews.py). The
same on the firmware's core: tests/firmware/test_overshoot.py; at the pins of a chip: tests/firmware/avr.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from ruckig import InputParameter, Ruckig, Trajectory

from bridge.flight.driven_pointer import motion_limits
from bridge.motion.path import Limits
from bridge.panel.load import load_panel
from tests.motion.slews import JITTER_S, TICK_S, followed, goals, slew

PANEL = Path(__file__).parents[2] / "config" / "panel.toml"


def drives() -> dict[str, Limits]:
    """The limits of every pointer of the demo panel, each kind of drive once for each travel."""
    return {str(motion_limits(pointer)): motion_limits(pointer) for pointer in load_panel(PANEL).pointers}


def quickest_s(limits: Limits, start: float, goal: float) -> float:
    """The quickest move from rest to rest by ruckig (1 axis, no limit of jerk), an independent library."""
    request = InputParameter(1)
    request.current_position, request.target_position = [start], [goal]
    request.max_velocity, request.max_acceleration = [limits.speed_steps_s], [limits.acceleration_steps_s2]
    trajectory = Trajectory(1)
    Ruckig(1).calculate(request, trajectory)
    return float(trajectory.duration)


@pytest.mark.parametrize("limits", drives().values(), ids=drives().keys())
@pytest.mark.parametrize("tick_s", [0.01, 0.02, 0.005])
def test_no_slew_ends_a_step_too_far(limits: Limits, tick_s: float) -> None:
    """One slew, one reversed in mid-move, one whose goal jumps again while it brakes; 1 to 1,000 steps."""
    for seed in range(60):
        slewed = slew(limits, *goals(limits, seed), seed, tick_s)
        places = followed(slewed)
        assert slewed.overshoot(places) < 1.0, f"slew {seed}: {slewed.start}, {slewed.goals}"
        assert abs(places[-1][1] - slewed.goal) < 0.01, f"slew {seed}"


@pytest.mark.parametrize("limits", drives().values(), ids=drives().keys())
def test_a_slew_takes_at_most_a_fifth_longer_than_the_quickest(limits: Limits) -> None:
    """Until the board is within 2 % of the way, or a step, beginning with the first frame that tells it.

    That is one tick on, late, its frame late too. A move that could be over in 0.15 s may take 0.2 s.
    """
    start = limits.low_steps or 0.0
    room = (limits.high_steps or 2_000.0) - start
    for seed in range(60):
        way = room ** ((seed + 1) / 60)
        slewed = slew(limits, start, [(0.0, start + way)], seed)
        took_s = slewed.arrival_s(followed(slewed), within=max(1.0, 0.02 * way))
        quickest = quickest_s(limits, start, start + way)
        allowed_s = 0.2 if quickest < 0.15 else 1.2 * quickest + TICK_S + 2 * JITTER_S
        assert took_s < allowed_s, f"{way} steps"
