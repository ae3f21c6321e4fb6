"""What waits to be sent on one line: in order, at the line's pace, a replaceable frame only once. Pure.

A driver's buffer takes seconds of frames at once and delivers them late. So no more is handed to it than
the line carries in `AHEAD_S`; everything else waits here, where a newer frame can still replace an older.
"""

from __future__ import annotations

from collections import deque
from math import inf

AHEAD_S = 0.005
"""A new frame waits at most for this much of earlier ones in the driver's buffer."""
MOST_WAITING = 256
"""Frames that wait before newer ones are dropped: the line has taken nothing for a long time."""
_BITS_PER_BYTE = 10  # start, eight, stop


class OutgoingQueue:
    """Times are seconds of any clock that never goes back. `baud` is bits per second, inf for no pace.

    `superseded` counts replaceable frames replaced by a newer one, `dropped` those that found the
    queue full.
    """

    def __init__(self, baud: float = inf) -> None:
        self._byte_s = _BITS_PER_BYTE / baud
        self._waiting: deque[tuple[bool, bytes]] = deque()  # is it replaceable, the frame
        self._begun = b""  # the rest of a frame of which a part is written
        self._free_s = -inf  # when the line will have carried all that was written
        self.superseded = 0
        self.dropped = 0

    @property
    def empty(self) -> bool:
        """Whether nothing waits."""
        return not (self._begun or self._waiting)

    def put(self, frame: bytes, replaceable: bool = False) -> None:
        """Add a frame at the end; a replaceable one that waits already is taken out."""
        if replaceable and (stale := next((entry for entry in self._waiting if entry[0]), None)):
            self._waiting.remove(stale)
            self.superseded += 1
        if len(self._waiting) >= MOST_WAITING:
            self.dropped += 1
        else:
            self._waiting.append((replaceable, frame))

    def wait_s(self, now_s: float) -> float:
        """How long until `next` has something; 0 when it has, inf when nothing waits."""
        return inf if self.empty else max(0.0, self._free_s - AHEAD_S - now_s)

    def next(self, now_s: float) -> bytes:
        """The bytes to write now, of one frame; empty when nothing waits or the line is not free.

        They stay here until `written` takes them away.
        """
        if self.wait_s(now_s) > 0.0:
            return b""
        if not self._begun:
            self._begun = self._waiting.popleft()[1]
        return self._begun

    def written(self, count: int, now_s: float) -> None:
        """So many bytes of what `next` returned were written."""
        self._begun = self._begun[count:]
        self._free_s = max(now_s, self._free_s) + count * self._byte_s
