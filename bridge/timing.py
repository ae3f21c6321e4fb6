"""Limits of time that several stages share, in seconds."""

from __future__ import annotations

LATE_S = 1.0
"""A sample or target up to this much older than the last one is a late one and is ignored; one that is older
still means that the time base was set back: a replay that begins again."""

LONGEST_TICK_S = 0.1
"""The longest tick that is simulated: after a longer pause everything goes on as if this had passed."""
