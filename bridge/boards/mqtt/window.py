"""How many MOVE frames may be on their way to a board: those that it has not confirmed. Pure.

What a network or a broker takes at once it delivers late: a board that reads nothing for ten seconds would
find a thousand old positions. So at most `MOST_UNCONFIRMED` MOVEs go out beyond the last one that a STATUS
confirmed; then the newest waits here, and takes the place of the one before. A STATUS confirms all MOVEs that
were sent before its QUERY: the host asks so often (`query_s`) that a board which answers never waits.
"""

from __future__ import annotations

from collections import deque

from bridge.boards.messages import FrameType

MOST_UNCONFIRMED = 10
MOVES_PER_QUERY = 4
"""With the answer on its way for less than six ticks the window never closes."""
_AFTER_A_MOVE = 0.5
"""Ticks: the QUERY is due between two MOVEs, so that the one before takes it along, see `runner.Board`."""
_MOST_QUERIES = 16
_OVERTAKE = (FrameType.HOME, FrameType.ADOPT, FrameType.REST, FrameType.IDENTIFY)
"""A MOVE that waits must not come after these: it would undo the first three, and a host that asks who is
there drives the board no more, so that a late STATUS would let an old position go."""


def query_s(tick_hz: float) -> float:
    """How often to ask a board that gets a MOVE at this rate, in seconds."""
    return (MOVES_PER_QUERY + _AFTER_A_MOVE) / tick_hz


class MoveWindow:
    """`superseded` counts MOVEs that were replaced by a newer one."""

    def __init__(self) -> None:
        self._held: bytes | None = None
        self._sent = 0
        self._confirmed = 0
        self._queries: deque[tuple[int, int]] = deque(maxlen=_MOST_QUERIES)  # sequence, MOVEs sent before it
        self.superseded = 0

    def restart(self) -> None:
        """The link is new: nothing is on its way."""
        self._held = None
        self._confirmed = self._sent
        self._queries.clear()

    def send(self, payload: bytes) -> bytes | None:
        """What to send now for this frame from the host: itself, or nothing while it waits."""
        kind = payload[1]
        if kind == FrameType.MOVE:
            if self._held is not None:
                self.superseded += 1
                self._held = None
            if self._sent - self._confirmed >= MOST_UNCONFIRMED:
                self._held = payload
                return None
            self._sent += 1
        elif kind == FrameType.QUERY:
            self._queries.append((payload[2], self._sent))
        elif kind in _OVERTAKE and self._held is not None:
            self.superseded += 1
            self._held = None
        return payload

    def received(self, payload: bytes) -> bytes | None:
        """What to send now that this frame came from the board: the MOVE that waited, if it may go."""
        if len(payload) > 2 and payload[1] == FrameType.STATUS:
            found = next((sent for sequence, sent in self._queries if sequence == payload[2]), None)
            if found is not None:
                while self._queries.popleft()[0] != payload[2]:
                    pass
                self._confirmed = found
        if self._held is None or self._sent - self._confirmed >= MOST_UNCONFIRMED:
            return None
        held, self._held = self._held, None
        self._sent += 1
        return held
