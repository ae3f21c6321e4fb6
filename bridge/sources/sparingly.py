"""Logging the same trouble again and again, but sparingly."""

from __future__ import annotations

from collections.abc import Hashable

LOG_EVERY_S = 10.0

# Far more different troubles than this is noise; forgetting them bounds the memory.
_MOST_KEYS = 1000


class Sparingly:
    """Says how often a thing may be logged: at once, and then not again before `every_s` is over."""

    def __init__(self, every_s: float = LOG_EVERY_S) -> None:
        self._every_s = every_s
        self._said: dict[Hashable, tuple[float, int]] = {}

    def say(self, key: Hashable, now_s: float) -> dict[str, int] | None:
        """None to be silent; else what to add to the line: how many were kept silent before it."""
        said_s, silent = self._said.get(key, (-float("inf"), 0))
        if now_s - said_s < self._every_s:
            self._said[key] = (said_s, silent + 1)
            return None
        if len(self._said) >= _MOST_KEYS:
            self._said.clear()
        self._said[key] = (now_s, 0)
        return {"more": silent} if silent else {}
