"""A virtual board behind a pty, speaking serial framing: the far end of a real serial link."""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable, Sequence
from pathlib import Path

from bridge.boards.line import FrameReader, to_line
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec


class PtyBoard:
    """Runs in a thread of its own from `plug` to `unplug`; `device` is the path that the host opens.

    `factor` makes the board's time pass faster than the wall clock. `corrupt_in` and `corrupt_out` may change
    the bytes on their way to and from the board. Unplugged, the board keeps its power and its count.
    """

    def __init__(
        self, folder: Path, channels: Sequence[VirtualChannelSpec], watchdog_ms: int, factor: float = 1.0
    ) -> None:
        self.device = folder / "ttyBOARD"
        self.board = VirtualBoard(channels, watchdog_ms=watchdog_ms)
        self.factor = factor
        self.corrupt_in: Callable[[bytes], bytes] = bytes
        self.corrupt_out: Callable[[bytes], bytes] = bytes
        self.received: list[bytes] = []
        self.lock = threading.RLock()  # hold it to touch `board` while it runs
        self.board.reset(self.now_s())
        self._thread: threading.Thread | None = None

    def now_s(self) -> float:
        return time.monotonic() * self.factor

    def plug(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.device.symlink_to(os.ttyname(self._slave))
        self._wake, self._stop = os.pipe()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        if self._thread is None:
            return
        self.device.unlink()
        os.close(self._stop)
        self._thread.join()
        self._thread = None
        for descriptor in (self._wake, self.master, self._slave):
            os.close(descriptor)

    @property
    def plugged(self) -> bool:
        return self._thread is not None

    def reset(self) -> None:
        with self.lock:
            self._say(self.board.reset(self.now_s()))

    def _live(self) -> None:
        reader = FrameReader()
        while True:
            ready, _, _ = select.select([self.master, self._wake], [], [], 0.01)
            if self._wake in ready:
                return
            data = self.corrupt_in(os.read(self.master, 4096)) if ready else b""
            with self.lock:
                payloads = reader.feed(data)
                self.board.bad, reader.bad = self.board.bad + reader.bad, 0
                for payload in payloads:
                    self.received.append(payload)
                    self._say(self.board.receive(self.now_s(), payload))
                self._say(self.board.advance(self.now_s()))

    def _say(self, payloads: list[bytes]) -> None:
        data = self.corrupt_out(b"".join(map(to_line, payloads)))
        if (
            data and select.select([], [self.master], [], 0)[1]
        ):  # nobody reads: the line is full, bytes are lost
            os.write(self.master, data)
