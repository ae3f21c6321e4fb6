"""The absolute counts of a board's knobs and buttons, and what has changed. Pure."""

from __future__ import annotations

from bridge.boards.messages import Event, EventKind
from bridge.boards.notices import ButtonPressed, ButtonReleased, ImplausibleReport, KnobTurned, Notice

MOST_CLICKS = 1000
"""More than this between two events can't come from a hand at a knob, and is discarded."""


class InputCounts:
    """Counts (signed, 32 bits, wrapping) by kind and source: a lost event is made up for by the next."""

    def __init__(self) -> None:
        self._counts: dict[tuple[int, int], int] = {}
        self._since_start = False  # whether the counts are known from the board's start on

    def forget(self) -> None:
        """Nothing is known of the board any more."""
        self._counts.clear()
        self._since_start = False

    def board_started(self) -> None:
        """The board has just started: all its counts are 0."""
        self._counts.clear()
        self._since_start = True

    def event(self, event: Event) -> list[Notice]:
        """Take a KNOB, BUTTON or RELEASED event: what was turned, pressed or released since the last one.

        The first count of a board that was running before us is no turn of a knob, and one press of a button.
        """
        button = event.kind == EventKind.BUTTON
        change = self._change(event, 0 if event.kind == EventKind.KNOB else 1)
        if abs(change) > MOST_CLICKS:
            what = f"input {event.source} counts {event.value}, {change} more than before: not used"
            return [ImplausibleReport(what)]
        if button:
            return [ButtonPressed(event.source, change)] if change > 0 else []
        if event.kind == EventKind.RELEASED:
            return [ButtonReleased(event.source)] if change > 0 else []
        return [KnobTurned(event.source, change)] if change else []

    def _change(self, event: Event, when_unknown: int) -> int:
        first = 0 if self._since_start else event.value - when_unknown
        before = self._counts.get((event.kind, event.source), first)
        self._counts[event.kind, event.source] = event.value
        return (event.value - before + 2**31) % 2**32 - 2**31
