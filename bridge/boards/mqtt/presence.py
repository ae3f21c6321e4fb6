"""Whether a board is at the broker: its introduction and its state, both retained. Pure.

Below a board's topic:

    about   session u32, then the board's INTRODUCTION frame; empty when the board was taken away for good
    state   session u32, here u8 (1 or 0), then why it is not here, in UTF-8; the will is such a state
    to      one frame from the host to the board, never retained
    from    one frame from the board to the host, never retained

Numbers are little-endian. Each connection of the board has a session number of its own, in `about`, `state`
and the will: a will that comes after the board is back again belongs to another session than `about`, and
counts for nothing.
"""

from __future__ import annotations

ABOUT, STATE, TO, FROM = "about", "state", "to", "from"
MOST_WHY_BYTES = 200
_SESSION_BYTES = 4


def encode_about(session: int, introduction: bytes) -> bytes:
    """The payload of `about`."""
    return session.to_bytes(_SESSION_BYTES, "little") + introduction


def encode_state(session: int, here: bool, why: str = "") -> bytes:
    """The payload of `state`; `why` is cut to `MOST_WHY_BYTES`."""
    text = why.encode()[:MOST_WHY_BYTES]
    return session.to_bytes(_SESSION_BYTES, "little") + bytes([here]) + text


def decode_state(payload: bytes) -> tuple[int, bool] | None:
    """Session and here of a payload of `state`; None of what is too short to be one."""
    if len(payload) <= _SESSION_BYTES:
        return None
    return int.from_bytes(payload[:_SESSION_BYTES], "little"), bool(payload[_SESSION_BYTES])


class Presence:
    """What was heard of one board. `here` is whether it can be driven, `why` what is known if not.

    `late_wills` counts states of sessions that were over when they came.
    """

    def __init__(self) -> None:
        self.why = "nobody has introduced it: start its relay, or correct its topic"
        self.late_wills = 0
        self._session: int | None = None
        self._gone: int | None = None  # the session that is over

    @property
    def here(self) -> bool:
        """Whether it has introduced itself and that session is not over: only then it can be driven."""
        return self._session is not None and self._session != self._gone

    def about(self, payload: bytes) -> None:
        """Take what came at `about`; what is too short is no introduction."""
        if len(payload) <= _SESSION_BYTES:
            self._session = None
            self.why = "it was taken away: start its relay again, or correct its topic"
        else:
            self._session = int.from_bytes(payload[:_SESSION_BYTES], "little")

    def state(self, payload: bytes) -> None:
        """Take what came at `state`; what is too short is none."""
        state = decode_state(payload)
        if state is None:
            return
        session, is_here = state
        if is_here:
            if session == self._gone:
                self._gone = None
            return
        if self._session is not None and session != self._session:
            self.late_wills += 1
            return
        self._gone = session
        text = payload[_SESSION_BYTES + 1 :][:MOST_WHY_BYTES].decode(errors="replace")
        self.why = text or "its relay is gone: look at its supply and network"
