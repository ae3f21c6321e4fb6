"""The absolute counts of a board's knobs and buttons, and what has changed. Pure."""

from __future__ import annotations

MOST_CLICKS = 1000
"""More than this between two events can't come from a hand at a knob, and is discarded."""


class InputCounts:
    """Counts (signed, 32 bits, wrapping) by kind and source: a lost event is made up for by the next."""

    def __init__(self) -> None:
        self._counts: dict[tuple[int, int], int] = {}
        self.since_start = False
        """Whether the counts are known from the board's start on."""

    def forget(self) -> None:
        """Nothing is known of the board any more."""
        self._counts.clear()
        self.since_start = False

    def board_started(self) -> None:
        """The board has just started: all its counts are 0."""
        self._counts.clear()
        self.since_start = True

    def change(self, kind: int, source: int, count: int, when_unknown: int) -> int:
        """Change since the count was last seen, more than MOST_CLICKS if that is implausible.

        The first count of a board that was running before us counts as a change of `when_unknown`.
        """
        first = 0 if self.since_start else count - when_unknown
        before = self._counts.get((kind, source), first)
        self._counts[kind, source] = count
        return (count - before + 2**31) % 2**32 - 2**31
