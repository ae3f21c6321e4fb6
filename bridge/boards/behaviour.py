"""Numbers by which every board behaves, real or virtual. One source: the virtual board uses them as they are,
the firmware by `bridge.firmware.contract`. Those of homing are in `homing`."""

from __future__ import annotations

CARRY_MS = 100
"""After its last MOVE a channel's target moves on for this long, then it stops."""

HOLD_MS = 10_000
"""A board that hears no host holds its pointers for this long, then switches their coils off."""

CATCH_UP_SHARE = 0.25
"""From behind on a moving target, which may be braking itself, a channel closes in with this share of its
acceleration (the study is at the head of motion/path.py)."""
