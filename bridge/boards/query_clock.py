"""When a board is asked, which answers are awaited, and when it counts as silent. Pure.

Silence is the age of an unanswered question, not of the last answer: a host that was paused has asked
nothing meanwhile. A board is silent when `LEAST_UNANSWERED` questions in a row have brought no frame at all
and the first of them is `silence_s` old. The count makes the difference after a pause, when an old question's
answer lies in a buffer that nobody has read yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

FIRST_ASK_S, SLOWEST_ASK_S = 0.05, 0.5
"""Pauses between two IDENTIFY frames: the first, which then doubles, and the longest."""
LEAST_UNANSWERED = 4
BLIND_S = 1.0
"""A board that sends frames but no usable answer for this long would be driven blind."""
_MOST_QUERIES = 16


@dataclass(frozen=True, slots=True)
class Answer:
    """A QUERY's answer: when it was asked, how long that is ago, and how many older ones have none."""

    asked_s: float
    round_trip_s: float
    unanswered: int


@dataclass(slots=True)
class _Unanswered:
    """Questions in a row without an answer."""

    since_s: float = inf
    count: int = 0

    def ask(self, time_s: float) -> None:
        self.since_s = min(self.since_s, time_s)
        self.count += 1

    def answer(self) -> None:
        self.since_s, self.count = inf, 0

    def over_s(self, patience_s: float) -> float:
        """When patience ends; inf while too few questions were asked."""
        return self.since_s + patience_s if self.count >= LEAST_UNANSWERED else inf


class QueryClock:
    """Times are seconds of any clock that never goes back. `due_s` is when the next question is due."""

    def __init__(self, query_s: float, silence_s: float) -> None:
        self._query_s = query_s
        self._silence_s = silence_s
        self._queries: dict[int, float] = {}  # sequence to time of those whose answer is awaited
        self._frames = _Unanswered()
        self._answers = _Unanswered()
        self._heard = False  # since the last answer
        self._pause_s = FIRST_ASK_S
        self.due_s = 0.0

    def start(self, time_s: float) -> None:
        """Begin to ask: at once, then with growing pauses. Nothing is awaited from before."""
        self.forget()
        self._frames.answer()
        self._pause_s = FIRST_ASK_S
        self.due_s = time_s

    def forget(self) -> None:
        """Answers to the questions until now are not awaited any more."""
        self._queries.clear()
        self._answers.answer()
        self._heard = False

    def ask_now(self, time_s: float) -> None:
        """Make the next question due at this time."""
        self.due_s = time_s

    def identified(self, time_s: float, pause_s: float | None = None) -> None:
        """IDENTIFY was sent; the next is due after `pause_s`, by default after a pause that grows."""
        self._frames.ask(time_s)
        self._answers.ask(time_s)
        if pause_s is None:
            pause_s, self._pause_s = self._pause_s, min(2 * self._pause_s, SLOWEST_ASK_S)
        self.due_s = time_s + pause_s

    def queried(self, time_s: float, sequence: int) -> int:
        """QUERY was sent with this sequence; returns how many old ones are abandoned for it (0 or 1)."""
        given_up = 0
        if len(self._queries) >= _MOST_QUERIES:
            del self._queries[next(iter(self._queries))]
            given_up = 1
        self._queries.pop(sequence, None)
        self._queries[sequence] = time_s
        self._frames.ask(time_s)
        self._answers.ask(time_s)
        self.due_s = time_s + self._query_s
        return given_up

    def commanded(self, time_s: float) -> None:
        """A command was sent: answers under way know nothing of it and are void; ask again at once."""
        self._queries.clear()
        self.due_s = time_s

    def heard(self) -> None:
        """A frame came, whatever it was."""
        self._frames.answer()
        self._heard = True

    def awaits(self, sequence: int) -> bool:
        """Whether a QUERY with this sequence is unanswered."""
        return sequence in self._queries

    def answered(self, time_s: float, sequence: int) -> Answer:
        """The QUERY with this sequence, which `awaits`, is answered; older ones will not be."""
        unanswered = 0
        while (oldest := next(iter(self._queries))) != sequence:
            del self._queries[oldest]
            unanswered += 1
        asked_s = self._queries.pop(sequence)
        self._answers.answer()
        self._heard = False
        return Answer(asked_s, time_s - asked_s, unanswered)

    @property
    def silent_s(self) -> float:
        """From when on the board counts as silent, inf while it does not look so."""
        return self._frames.over_s(self._silence_s)

    @property
    def blind_s(self) -> float:
        """From when on a board that is heard counts as blind (frames, but no usable answer), else inf."""
        return self._answers.over_s(BLIND_S) if self._heard else inf
