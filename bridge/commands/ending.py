"""How a command ends when it is asked to: cleanly within `LONGEST_S`, at once when asked again.

SIGINT, SIGTERM, SIGHUP (terminal closed, ssh dropped) and Windows' SIGBREAK (console closed) ask. What a
command does then is its own: `stopping` names it. Whatever hangs, the program ends: a thread of its own reads
from a socket which signals came, also while the main thread is stuck in a call and handles none.
"""

from __future__ import annotations

import asyncio
import os
import select
import signal
import socket
import threading
from collections.abc import Callable, Coroutine, Iterator, Sequence
from contextlib import contextmanager
from types import FrameType
from typing import Any

LONGEST_S = 3.0
"""A clean end takes less; after it the program ends without waiting."""

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
_WAKES = os.name == "posix"
"""Whether the system writes each signal into our socket; the event loop of Windows takes that for itself."""


class Ending:
    """Handles the signals of one program. Without a `stopping` they raise KeyboardInterrupt."""

    def __init__(self) -> None:
        self._stop: Callable[[], object] | None = None
        self._asked = False
        self._writer: socket.socket | None = None

    @contextmanager
    def handling(self) -> Iterator[None]:
        """While it lasts, these signals end the program; once one has, until the program has ended."""
        reader, writer = socket.socketpair()
        writer.setblocking(False)
        self._writer = writer
        numbers = [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]
        watch = threading.Thread(target=_watch, args=(reader, numbers), name="signals", daemon=True)
        watch.start()
        wakes = signal.set_wakeup_fd(writer.fileno(), warn_on_full_buffer=False) if _WAKES else -1
        before = {number: signal.signal(number, self._handle) for number in numbers}
        try:
            yield
        finally:
            if not self._asked:
                for number, handler in before.items():
                    signal.signal(number, handler)
                if _WAKES:
                    signal.set_wakeup_fd(wakes)
                self._writer = None
                writer.close()
                watch.join()
                reader.close()

    @contextmanager
    def stopping(self, stop: Callable[[], object]) -> Iterator[None]:
        """While it lasts, the first signal calls `stop`, which returns at once (from a signal handler)."""
        before, self._stop = self._stop, stop
        try:
            yield
        finally:
            self._stop = before

    def _handle(self, number: int, frame: FrameType | None) -> None:
        if not _WAKES and self._writer is not None:
            self._writer.send(bytes([number]))
        if self._asked:  # `_watch` ends it
            return
        self._asked = True
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


def _watch(reader: socket.socket, numbers: Sequence[int]) -> None:
    """End the program when it has been asked twice, or its time has run out; return once nobody can ask."""

    def asked() -> int:
        while (data := reader.recv(1)) and data[0] not in numbers:
            pass
        return data[0] if data else 0

    if number := asked():
        if select.select([reader], [], [], LONGEST_S)[0]:
            number = asked()
        os._exit(128 + number)


ending = Ending()
"""That of this program: signals belong to the process."""
