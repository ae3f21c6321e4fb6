"""The one contract of every way to a board: serial, virtual, and any other."""

from __future__ import annotations

from typing import Protocol


class Link(Protocol):
    """Carries whole payloads both ways; knows nothing of what they say.

    May be opened again after it was closed or lost. `bad_frames` counts what arrived hurt.
    """

    @property
    def bad_frames(self) -> int: ...

    async def open(self) -> None:
        """Raises BoardError, with the cure, when the board can't be reached."""

    def send(self, payload: bytes) -> None:
        """Pass a payload on, in order. Never waits and never raises.

        On a slow line a MOVE that still waits gives way to a newer one; nothing else is left out.
        """

    async def receive(self) -> bytes:
        """The next payload. May be cancelled without losing one. Raises BoardError when the link is lost."""
        ...

    async def close(self) -> None:
        """Safe at any time, also twice and after a loss."""
