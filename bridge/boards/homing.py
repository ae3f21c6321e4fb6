"""How far and how fast a channel looks for its home position: one source for boards, firmware, check."""

from __future__ import annotations

from fractions import Fraction

from bridge.boards.messages import ChannelLimits, Homing

SPEED_SHARE = 0.25
"""Of the channel's speed: slow enough for a sensor's edge, and for a motor that meets its stop.
One by a whole number."""
INDEX_SEARCH = 1.25
"""Ways between two index marks within which one must have come."""
STOP_SEARCH = 1.25
"""Travels within which an end stop must have closed."""
SWEEP_SEARCH = 1.05
"""Travels after which any pointer is at its stop."""


def search_steps(limits: ChannelLimits, mark_steps: Fraction) -> float:
    """The longest way to the home position in steps, 0 for a channel that does not look for one.

    `mark_steps` is the distance between two index marks, in steps.
    """
    travel = limits.high - limits.low
    match limits.homing:
        case Homing.INDEX:
            return float(mark_steps) * INDEX_SEARCH
        case Homing.STOP:
            return travel * STOP_SEARCH
        case Homing.SWEEP:
            return travel * SWEEP_SEARCH
        case _:
            return 0.0


def longest_homing_s(limits: ChannelLimits, mark_steps: Fraction) -> float:
    """How long homing takes at most, in seconds."""
    return search_steps(limits, mark_steps) / (limits.speed * SPEED_SHARE)
