"""The figures that a board session keeps. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.boards.messages import Status
from bridge.boards.notices import FramesCorrupted, Notice, SlotsLost
from bridge.boards.query_clock import Answer


@dataclass(slots=True)
class Statistics:
    """Counted since the session began; the last five are the board's own, as its STATUS reports them."""

    sent: int = 0
    received: int = 0
    corrupted: int = 0  # frames that arrived here with a wrong checksum
    undecodable: int = 0
    unanswered: int = 0  # QUERY frames
    missed: int = 0  # gaps in the board's own count
    refused: int = 0
    resets: int = 0
    disbelieved: int = 0
    notices_dropped: int = 0  # nobody took them, see `session.MOST_NOTICES`
    round_trip_s: float = 0.0
    worst_round_trip_s: float = 0.0
    board_good: int = 0
    board_bad: int = 0
    board_missed: int = 0
    slots_lost: int = 0
    watchdog_trips: int = 0

    def answered(self, answer: Answer, status: Status) -> list[Notice]:
        """Take what a STATUS counts; returns what has got worse since the one before."""
        self.unanswered += answer.unanswered
        self.round_trip_s = answer.round_trip_s
        self.worst_round_trip_s = max(self.worst_round_trip_s, answer.round_trip_s)
        more_bad = status.frames_bad > self.board_bad
        more_lost = status.slots_lost > self.slots_lost
        self.board_good, self.board_bad = status.frames_good, status.frames_bad
        self.board_missed, self.watchdog_trips = status.frames_missed, status.watchdog_trips
        self.slots_lost = status.slots_lost
        lost: list[Notice] = [SlotsLost(self.slots_lost)] if more_lost else []
        bad: list[Notice] = [FramesCorrupted(self.board_bad, self.corrupted)] if more_bad else []
        return lost + bad
