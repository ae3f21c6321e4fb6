"""One open serial port: a thread that reads and a thread that writes, no waiting in the event loop.

Threads because they work the same on Linux, macOS and Windows. Where the port is a file descriptor
(Linux, macOS) a frame that finds the line free is written at once by its sender, without waiting; only
what does not fit goes to the writing thread.

A board may send anything at any speed. At most `MOST_READ_BYTES` are taken off the line every
`READ_PAUSE_S` and at most `MOST_RECEIVED` payloads wait here; the caller is woken once for all that wait,
not for each.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import threading
import time
from collections.abc import Callable
from math import inf

import serial

from bridge.boards.line import FrameReader
from bridge.boards.outgoing_queue import OutgoingQueue

MOST_READ_BYTES, READ_PAUSE_S = 512, 0.005
"""About 100 kB/s, a line of 1,000,000 baud; boards that do as they are asked send a hundredth of it."""
MOST_RECEIVED = 64
READ_TIMEOUT_S = 0.2
WRITE_TIMEOUT_S = 1.0
_DRAIN_S = 0.3


class SerialLine:
    """Takes the open port over; `arrived` is called from a thread when `take` has something to return.

    `bad_frames` counts corrupted frames received, `dropped` payloads that came faster than they were taken.
    """

    def __init__(self, port: serial.Serial, name: str, baud: int, arrived: Callable[[], None]) -> None:
        self._port = port
        self._descriptor = port.fileno() if os.name == "posix" and type(port) is serial.Serial else None
        self._arrived = arrived
        self._reader = FrameReader()  # the reading thread's own
        self._change = threading.Condition()  # guards all below but the threads
        self._up = True
        self._closing = False
        self._lost: Exception | None = None
        self._inbox: list[bytes] = []
        self._arrival_notified = False
        self._queue = OutgoingQueue(baud)
        self._queue.put(b"\x00")  # ends whatever a host before us left half sent
        self.bad_frames = 0
        self.dropped = 0
        self._threads = [
            threading.Thread(target=self._guarded, args=(work,), name=name, daemon=True)
            for work in (self._read, self._write)
        ]
        for thread in self._threads:
            thread.start()

    @property
    def superseded(self) -> int:
        """Replaceable frames replaced by a newer one."""
        return self._queue.superseded

    @property
    def waiting(self) -> bool:
        """Whether a frame has not been written yet."""
        return not self._queue.empty

    def send(self, frame: bytes, replaceable: bool) -> None:
        """Write the frame, or let it wait for its turn; never waits, never raises."""
        with self._change:
            if not self._up:
                return
            self._queue.put(frame, replaceable)
            if self._descriptor is not None:
                with contextlib.suppress(OSError):  # the writing thread meets the same error and reports it
                    self._put(self._descriptor)
            if not self._queue.empty:
                self._change.notify_all()

    def take(self) -> list[bytes]:
        """The payloads that have arrived; raises what the line was lost by when there are no more."""
        with self._change:
            self._arrival_notified = False
            if not self._inbox and self._lost is not None:
                raise self._lost
            inbox, self._inbox = self._inbox, []
            return inbox

    def close(self) -> None:
        """Write what waits, for at most `_DRAIN_S`, then close; blocks for about two seconds at worst."""
        with self._change:
            self._closing = True
            self._change.wait_for(lambda: not self._up or self._queue.empty, _DRAIN_S)
            self._up = False
            self._change.notify_all()
        with contextlib.suppress(OSError, AttributeError):
            self._port.cancel_read()
        for thread in self._threads:
            thread.join(READ_TIMEOUT_S + WRITE_TIMEOUT_S)
        with contextlib.suppress(OSError):
            self._port.close()

    # -- threads --------------------------------------------------------------------------------

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except (OSError, ValueError, TypeError) as error:  # ValueError, TypeError: closed meanwhile
            with self._change:
                if not self._up:
                    return
                self._up, self._lost = False, error
                self._change.notify_all()
            self._arrived()

    def _read(self) -> None:
        port = self._port
        while True:
            data = port.read(max(1, min(port.in_waiting, MOST_READ_BYTES)))
            payloads = self._reader.feed(data)
            with self._change:
                if not self._up:
                    return
                self.bad_frames = self._reader.bad
                room = MOST_RECEIVED - len(self._inbox)
                self._inbox += payloads[:room]
                self.dropped += len(payloads[room:])
                notify = bool(payloads) and not self._arrival_notified
                self._arrival_notified = self._arrival_notified or notify
            if notify:
                self._arrived()
            if len(data) == MOST_READ_BYTES:
                with self._change:
                    self._change.wait_for(lambda: not self._up, READ_PAUSE_S)

    def _write(self) -> None:
        descriptor = self._descriptor
        while data := self._next():
            if descriptor is None:
                self._port.write(data)
                with self._change:
                    self._written(len(data))
                continue
            with self._change:
                stuck = self._put(descriptor) == 0
            if stuck:
                select.select([], [descriptor], [], READ_TIMEOUT_S)

    def _next(self) -> bytes:
        """Wait for something to write and for the line to be free; nothing when the line is closed."""
        with self._change:
            while self._up:
                if self._queue.dropped:
                    raise OSError(errno.ETIMEDOUT, "the line takes no bytes")
                now_s = time.monotonic()
                if data := self._queue.next(now_s):
                    return data
                wait_s = self._queue.wait_s(now_s)
                self._change.wait(None if wait_s == inf else wait_s)
        return b""

    def _put(self, descriptor: int) -> int:
        """Write what may be written now, without waiting; returns how many bytes the driver took."""
        data = self._queue.next(time.monotonic())
        try:
            written = os.write(descriptor, data) if data else 0
        except BlockingIOError:
            written = 0
        self._written(written)
        return written

    def _written(self, count: int) -> None:
        self._queue.written(count, time.monotonic())
        if self._closing and self._queue.empty:  # `close` waits for it; at any other time nobody is woken
            self._change.notify_all()
