"""How a command ends when it is asked to: cleanly within `LONGEST_S`, at once when asked again.

SIGINT, SIGTERM, SIGHUP (terminal closed, ssh dropped) and Windows' SIGBREAK (console closed) ask. What a
command does then is its own: `stopping` names it. Whatever hangs, the program ends.
"""

from __future__ import annotations

import asyncio
import os
import signal
import threading
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

LONGEST_S = 3.0
"""A clean end takes less; after it the program ends without waiting."""

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Ending:
    """Handles the signals of one program. Without a `stopping` they raise KeyboardInterrupt."""

    def __init__(self) -> None:
        self._stop: Callable[[], object] | None = None
        self._asked = False

    def install(self) -> None:
        """From now on these signals end the program."""
        for name in _SIGNALS:
            if (number := getattr(signal, name, None)) is not None:
                signal.signal(number, self._handle)

    @contextmanager
    def stopping(self, stop: Callable[[], object]) -> Iterator[None]:
        """While it lasts, the first signal calls `stop`, which returns at once (from a signal handler)."""
        before, self._stop = self._stop, stop
        try:
            yield
        finally:
            self._stop = before

    def _handle(self, number: int, frame: FrameType | None) -> None:
        if self._asked:
            _end_now(number)
        self._asked = True
        deadline = threading.Timer(LONGEST_S, _end_now, (number,))
        deadline.daemon = True
        deadline.start()
        if self._stop is None:
            raise KeyboardInterrupt
        self._stop()

    async def run(self, work: Coroutine[Any, Any, int]) -> int:
        """Run `work` in the event loop; a signal cancels it, which is a good end: 0."""
        loop = asyncio.get_running_loop()
        task = asyncio.ensure_future(work)
        with self.stopping(lambda: loop.call_soon_threadsafe(task.cancel)):
            await asyncio.wait({task})
        return 0 if task.cancelled() else task.result()


def _end_now(number: int) -> None:
    os._exit(128 + number)


ending = Ending()
"""That of this program: signals belong to the process."""
