"""Index audit: every mark that a pointer passes shows whether its count is still right.

The home mark is position 0 and the marks are at exact multiples of the steps per turn. A count that
differs from the nearest multiple has run ahead of the pointer by the difference: those steps were missed.
They are corrected by adding them, slowly, to every position sent. Pure.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor

from bridge.timing import LONGEST_TICK_S

LOST_SENSOR_MARKS = 3  # unseen marks in a row after which the sensor, not a lost frame, is to blame


class IndexAudit:
    """The audit of one channel; all in steps, clockwise positive.

    `missed` is what was found since homing, `offset` what of it is corrected by now.
    """

    __slots__ = (
        "_offset_s",
        "_rate",
        "_seen",
        "_steps_per_turn",
        "_tolerance",
        "_turn",
        "limit",
        "missed",
        "offset",
        "unseen",
        "unseen_in_a_row",
    )

    def __init__(
        self, steps_per_turn: Fraction, tolerance_steps: float, limit_steps: float | None, rate_steps_s: float
    ) -> None:
        self._steps_per_turn = steps_per_turn
        self._tolerance = tolerance_steps
        self._rate = rate_steps_s
        self.limit = float(steps_per_turn / 8) if limit_steps is None else limit_steps
        self.unseen = 0
        self.start()

    def start(self) -> None:
        """The home position is searched again: all that is known of missed steps is void."""
        self.missed = 0
        self.offset = 0.0
        self._offset_s: float | None = None
        self._turn: int | None = None
        self._seen = 0
        self.unseen_in_a_row = 0

    def settle(self) -> None:
        """The path starts again where the pointer really is: nothing is left to correct."""
        self.offset = float(self.missed)
        self._offset_s = None

    @property
    def past_limit(self) -> bool:
        """Whether more steps are missed than can be corrected without losing a turn."""
        return abs(self.missed) > self.limit

    def mark(self, position: int) -> int:
        """Take a mark seen at this count; returns the newly missed steps (0 if there are none)."""
        self._seen += 1
        self.unseen_in_a_row = 0
        count = Fraction(position - self.missed)
        off = count - round(count / self._steps_per_turn) * self._steps_per_turn
        if abs(off) <= self._tolerance:
            return 0
        found = round(off)
        self.missed += found
        return found

    def watch(self, position: int) -> int:
        """Take the channel's present count; returns the marks that it has passed without seeing them.

        Within a twentieth of a turn of a mark nothing is counted yet.
        """
        turns = (position - self.missed) / float(self._steps_per_turn)
        turn = floor(turns)
        if not 0.05 <= turns - turn <= 0.95:
            return 0
        unseen = 0 if self._turn is None else max(0, abs(turn - self._turn) - self._seen)
        self._turn, self._seen = turn, 0
        self.unseen += unseen
        self.unseen_in_a_row += unseen
        return unseen

    @property
    def correcting(self) -> bool:
        """Whether `correction` adds anything."""
        return self.offset != self.missed or self.offset != 0.0

    def correction(self, time_s: float) -> tuple[float, float]:
        """What to add to position (steps) and velocity (steps/s) at this time; advances towards `missed`."""
        last_s, self._offset_s = self._offset_s, time_s
        left = self.missed - self.offset
        if left == 0.0 or last_s is None:
            return self.offset, 0.0
        step = self._rate * max(0.0, min(time_s - last_s, LONGEST_TICK_S))
        if abs(left) <= step:
            self.offset = float(self.missed)
            return self.offset, 0.0
        rate = self._rate if left > 0 else -self._rate
        self.offset += step if left > 0 else -step
        return self.offset, rate
