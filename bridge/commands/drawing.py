"""Drawing a view from a thread of its own: a terminal that blocks, or is gone, delays nothing else."""

from __future__ import annotations

import threading
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Generic, Protocol, Self, TypeVar

if TYPE_CHECKING:
    from rich.live import Live

T_contra = TypeVar("T_contra", contravariant=True)
T = TypeVar("T")


class Drawable(Protocol[T_contra]):
    """Anything that draws a value into a terminal."""

    live: Live

    def draw(self, value: T_contra, /) -> None:
        """Draw it, in place of the one before."""


LAST_DRAWING_S = 0.3
"""How long the end of a command waits for the terminal to take the last drawing."""


class Drawing(Generic[T]):
    """Shows the newest value while the `with` lasts; what the terminal is too slow for is skipped."""

    def __init__(self, view: Drawable[T]) -> None:
        self._view = view
        self._change = threading.Condition()  # guards the two below
        self._next: T | None = None
        self._ending = False
        self._thread = threading.Thread(target=self._draw_all, name="view", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._change:
            self._ending = True
            self._change.notify_all()
        self._thread.join(LAST_DRAWING_S)

    def show(self, value: T) -> None:
        """Draw this one next; returns at once."""
        with self._change:
            self._next = value
            self._change.notify_all()

    def _draw_all(self) -> None:
        with suppress(OSError, ValueError), self._view.live:  # a terminal that is gone shows nothing more
            while True:
                with self._change:
                    self._change.wait_for(lambda: self._next is not None or self._ending)
                    value, self._next = self._next, None
                if value is None:
                    return
                self._view.draw(value)
