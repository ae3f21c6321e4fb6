"""Whether what reaches a board from its host is new, or was kept back somewhere on its way. Pure.

Frames have no time in them, and need none: a host that has heard nothing of a board for `SILENCE_S` of its
session drives it no more and asks for its introduction; after that no old MOVE follows. So when nothing came
for `PAUSE_S`, the first frames that come then are old ones if they change anything. Whoever acts for the
board discards them, and all behind them, by connecting anew.
"""

from __future__ import annotations

from math import inf

from bridge.boards.messages import FrameType

PAUSE_S = 0.5
"""Longer than a host goes on with a board that does not answer. After a pause of the host's own it costs a
moment to connect anew, and nothing else."""
_HARMLESS = (FrameType.IDENTIFY, FrameType.INQUIRE, FrameType.QUERY)


class Freshness:
    """Times are seconds of any clock that never goes back."""

    def __init__(self) -> None:
        self._heard_s = -inf
        self._doubtful = True

    def renewed(self, time_s: float) -> None:
        """The connection is new: nothing old is on its way."""
        self._doubtful = False
        self._heard_s = time_s

    def is_old(self, time_s: float, payload: bytes) -> bool:
        """Whether this frame may be an old one, so that it must not be obeyed."""
        if time_s - self._heard_s > PAUSE_S:
            self._doubtful = True
        self._heard_s = time_s
        if payload[1] == FrameType.IDENTIFY:
            self._doubtful = False
        return self._doubtful and payload[1] not in _HARMLESS
