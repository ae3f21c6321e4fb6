"""The lamps of one board, as its session sees them: whether it has them, and what to send it. Pure.

A board whose firmware is older than the lamps is never asked for them, nor sent a LIGHT: its pointers go on.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from bridge.boards.messages import (
    LAMPS_SINCE,
    Capabilities,
    Inquire,
    Introduction,
    LampCapability,
    LampLevel,
    LampOutput,
    Light,
)
from bridge.boards.notices import LampsUnusable, Notice

SEND_S = 0.05
"""A changed level is sent this often at most; the board fades to it in this time."""
REPEAT_S = 1.0
"""All levels are sent again this often: a lost frame is made good then."""
ASK_S = 1.0
"""A board that has not answered is asked again."""


class LampBank:
    """The lamps that the description expects of one board; times are seconds, levels those of the format.

    `usable` while the board has them; `why` not, with the cure, where that is known.
    """

    def __init__(self, expected: Sequence[LampCapability], cure: str) -> None:
        self.usable = False
        self.why = ""
        self._expected = tuple(expected)
        self._cure = cure
        self._asks = False
        self._asked_s = self._sent_s = self._whole_s = -inf
        self._sent: list[int] = []

    def forget(self) -> None:
        """Nothing is known of the board any more."""
        self.usable = self._asks = False
        self.why = ""

    def introduced(self, introduction: Introduction) -> list[Notice]:
        """The board fits: ask for its lamps, if it can have any."""
        self.forget()
        if not self._expected:
            return []
        version = introduction.firmware_major, introduction.firmware_minor
        if version < LAMPS_SINCE:
            found, needed = (".".join(map(str, each)) for each in (version, LAMPS_SINCE))
            return self._unusable(f"has firmware {found}, which knows no lamps; they need {needed}")
        self._asks, self._asked_s = True, -inf
        return []

    def question(self, time_s: float) -> Inquire | None:
        """What to ask the board now."""
        if not self._asks or time_s < self._asked_s + ASK_S:
            return None
        self._asked_s = time_s
        return Inquire()

    def answered(self, found: Capabilities) -> list[Notice]:
        """The board has these lamps."""
        if not self._asks:
            return []
        self._asks = False
        if len(found.lamps) != len(self._expected):
            return self._unusable(f"has {len(found.lamps)} lamps, expected {len(self._expected)}")
        faults = [
            f"lamp {number} is {_words(has)}, expected {_words(wanted)}"
            for number, (has, wanted) in enumerate(zip(found.lamps, self._expected, strict=True))
            if has != wanted
        ]
        if faults:
            return self._unusable("; ".join(faults))
        self.usable, self.why = True, ""
        self._sent_s = self._whole_s = -inf
        return []

    def light(self, time_s: float, levels: Sequence[int]) -> Light | None:
        """What to send so that the board's lamps have these levels; None while nothing is due."""
        if not self.usable:
            return None
        whole = time_s >= self._whole_s + REPEAT_S
        if not whole and (time_s < self._sent_s + SEND_S or levels == self._sent):
            return None
        changed = tuple(
            LampLevel(number, level, round(1000 * SEND_S) if self._dimmed(number) else 0)
            for number, level in enumerate(levels)
            if whole or level != self._sent[number]
        )
        self._sent, self._sent_s = list(levels), time_s
        if whole:
            self._whole_s = time_s
        return Light(changed)

    def _dimmed(self, number: int) -> bool:
        return self._expected[number].output == LampOutput.DIMMED

    def _unusable(self, why: str) -> list[Notice]:
        self.why = f"{why}. {self._cure}"
        return [LampsUnusable(self.why)]


def _words(lamp: LampCapability) -> str:
    known = lamp.output in set(LampOutput)
    output = LampOutput(lamp.output).name.lower() if known else f"output {lamp.output}"
    return f"{output} with level {lamp.when_lost} when no host is heard"
