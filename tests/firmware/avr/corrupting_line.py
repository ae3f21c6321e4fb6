"""A serial line between host and board that can corrupt: what goes in comes out changed, or not at all."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

Change = Callable[[bytes], bytes]


class CorruptingLine:
    """`path` is what the host opens. `to_board` and `to_host` take what comes and return what goes on."""

    def __init__(self, folder: Path, board: Path) -> None:
        self.path = folder / "ttyCORRUPTING"
        self.to_board: Change = bytes
        self.to_host: Change = bytes
        self._cut_at: int | None = None
        self._board = os.open(board, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._board)
        self._stop, self._stopped = os.pipe()
        self._lock = threading.Lock()
        self._host = self._slave = -1
        self.plug()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def plug(self) -> None:
        with self._lock:
            self._host, self._slave = os.openpty()
            tty.setraw(self._slave)
            self.path.unlink(missing_ok=True)
            self.path.symlink_to(os.ttyname(self._slave))

    def cut_in_mid_frame(self) -> None:
        """The next bytes from the host reach the board up to their middle only; then the line is gone."""
        self._cut_at = 2

    @property
    def cut(self) -> bool:
        return self._host < 0

    def close(self) -> None:
        os.close(self._stopped)
        self._thread.join()
        for descriptor in (self._stop, self._board, self._host, self._slave):
            if descriptor >= 0:
                os.close(descriptor)

    def _carry(self) -> None:
        while True:
            with self._lock:
                ends = [end for end in (self._board, self._host) if end >= 0]
            ready, _, _ = select.select([*ends, self._stop], [], [], 0.05)
            if ready == [self._stop]:  # and nothing is under way any more
                return
            if self._board in ready:
                self._pass_on(self._board, self._host, self.to_host)
            if self._host >= 0 and self._host in ready:
                self._pass_on(self._host, self._board, self._cut if self._cut_at else self.to_board)
                if self._cut_at == 0:
                    self._unplug()

    def _pass_on(self, source: int, end: int, change: Change) -> None:
        data = change(os.read(source, 4096))
        if data and end >= 0 and select.select([], [end], [], 0)[1]:  # nobody reads: the line is full
            with suppress(OSError):
                os.write(end, data)

    def _cut(self, data: bytes) -> bytes:
        self._cut_at = 0
        return data[: len(data) // 2]

    def _unplug(self) -> None:
        with self._lock:
            self._cut_at = None
            self.path.unlink()
            for descriptor in (self._host, self._slave):
                os.close(descriptor)
            self._host = self._slave = -1


@contextmanager
def corrupting_line(folder: Path, board: Path) -> Iterator[CorruptingLine]:
    line = CorruptingLine(folder, board)
    try:
        yield line
    finally:
        line.close()


def flipping(every: int) -> Change:
    """One bit of every so many bytes is turned over, each time another one."""
    count = 0

    def change(data: bytes) -> bytes:
        nonlocal count
        changed = bytearray(data)
        for place in range(len(changed)):
            count += 1
            if count % every == 0:
                changed[place] ^= 1 << count // every % 8
        return bytes(changed)

    return change


def losing(every: int) -> Change:
    """Every so many bytes one is lost."""
    count = 0

    def change(data: bytes) -> bytes:
        nonlocal count
        start, count = count, count + len(data)
        return bytes(byte for place, byte in enumerate(data, start + 1) if place % every)

    return change


def doubling() -> Change:
    """Every frame comes twice."""
    frame = b""

    def change(data: bytes) -> bytes:
        nonlocal frame
        *frames, frame = (frame + data).split(b"\0")
        return b"".join(2 * (whole + b"\0") for whole in frames)

    return change
