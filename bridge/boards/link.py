"""The one contract of every way to a board: serial, virtual, and any other."""

from __future__ import annotations

from typing import Protocol


class Link(Protocol):
    """Carries whole payloads both ways; knows nothing of what they mean.

    May be opened again after it was closed or lost. `bad_frames` counts corrupted frames received, over all
    openings.
    """

    @property
    def bad_frames(self) -> int:
        """Corrupted frames received, over all openings."""
        ...

    async def open(self) -> None:
        """Raises BoardError, with the cure, when the board can't be reached."""

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        """Pass a payload on, in order. Never waits and never raises.

        Where payloads have to wait, a replaceable one is replaced by a newer replaceable one; of the others
        none is left out while the link works.
        """

    async def receive(self) -> list[bytes]:
        """All payloads that have arrived since the last call, oldest first; waits for at least one.

        Returns without waiting when there are some. May be cancelled without losing any. Raises BoardError
        when the link is lost.
        """
        ...

    async def close(self) -> None:
        """Send what still waits, for a bounded time, then close; safe at any time, also twice."""
