"""The serial link: one port, a thread that reads and a thread that writes, no waiting in the event loop.

Threads because they work the same on Linux, macOS and Windows. Where the port is a file descriptor
(Linux, macOS) a frame that finds the line free is written at once from the event loop, without waiting;
only what does not fit goes to the writing thread. What is sent is paced by the baud rate, so that no more
than `_AHEAD_S` of bytes ever stand in front of a new frame in the drivers' buffers.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import select
import threading
import time
from collections import deque

import serial

from bridge.boards.line import FrameReader, to_line
from bridge.boards.messages import FrameType
from bridge.errors import BoardError

try:
    import termios
except ImportError:  # Windows
    termios = None  # type: ignore[assignment]

_AHEAD_S = 0.005
_BITS_PER_BYTE = 10  # start, eight, stop
_READ_TIMEOUT_S = 0.2
_WRITE_TIMEOUT_S = 1.0
_DRAIN_S = 0.3
_MOST_WAITING = 256


class SerialLink:
    """A link over `port`: a device (`/dev/ttyUSB0`, `COM3`) or a pyserial URL (`socket://host:7000`).

    The line is kept up when the port is closed, so that a board wired to reset on opening the port keeps
    its count over a restart of the host. (Windows drops the line all the same; there, cut the board's
    reset jumper if it homes at every start.)
    """

    def __init__(self, board: str, port: str, baud: int = 115_200) -> None:
        self.board = board
        self.port = port
        self.baud = baud
        self.superseded = 0  # MOVE frames that gave way to a newer one; the board counts them as missed
        self._bad_before = 0
        self._reader = FrameReader()
        self._port: serial.Serial | None = None
        self._descriptor: int | None = None
        self._inbox: asyncio.Queue[bytes | BoardError] = asyncio.Queue()
        self._change = threading.Condition()  # guards all below
        self._waiting: deque[tuple[bool, bytes]] = deque()  # is it a MOVE, its line
        self._begun = b""  # the rest of a frame already begun
        self._free_s = 0.0  # when the line will have carried all that was written
        self._up = False
        self._threads: list[threading.Thread] = []

    @property
    def bad_frames(self) -> int:
        return self._bad_before + self._reader.bad

    async def open(self) -> None:
        loop = asyncio.get_running_loop()
        opening = loop.run_in_executor(None, self._open_port)
        try:
            port = await asyncio.shield(opening)
        except asyncio.CancelledError:
            opening.add_done_callback(_close_late)
            raise
        except (OSError, ValueError) as error:
            raise BoardError(self.board, self._cure(error)) from error
        self._port = port
        self._descriptor = port.fileno() if os.name == "posix" and type(port) is serial.Serial else None
        self._bad_before += self._reader.bad
        self._reader = FrameReader()
        self._inbox = asyncio.Queue()
        self._waiting.clear()
        self._begun = b"\x00"  # ends whatever a host before us left half sent
        self._free_s = 0.0
        self._up = True
        self._threads = [
            threading.Thread(target=work, args=args, name=f"{self.board} {self.port}", daemon=True)
            for work, args in (
                (self._read, (port, loop, self._inbox)),
                (self._write, (port, loop, self._inbox)),
            )
        ]
        for thread in self._threads:
            thread.start()

    def send(self, payload: bytes) -> None:
        line = to_line(payload)
        is_move = payload[1] == FrameType.MOVE
        with self._change:
            if not self._up:
                return
            if (
                self._descriptor is not None
                and not self._begun
                and not self._waiting
                and self._pause_s() <= 0.0
            ):
                try:
                    self._put(self._descriptor, line)
                except OSError:
                    self._begun = line  # the writing thread meets the same error and says so
                if not self._begun:
                    return
            elif is_move and (stale := next((entry for entry in self._waiting if entry[0]), None)):
                self._waiting.remove(stale)
                self.superseded += 1
                self._waiting.append((is_move, line))
            else:
                self._waiting.append((is_move, line))
            self._change.notify_all()

    async def receive(self) -> bytes:
        item = await self._inbox.get()
        if isinstance(item, BoardError):
            raise item
        return item

    async def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            await asyncio.shield(asyncio.to_thread(self._close_port, port))

    # -- threads --------------------------------------------------------------------------------

    def _read(
        self, port: serial.Serial, loop: asyncio.AbstractEventLoop, inbox: asyncio.Queue[bytes | BoardError]
    ) -> None:
        while self._up:
            try:
                data = port.read(max(1, port.in_waiting))
            except (OSError, TypeError) as error:  # TypeError: closed under the read
                self._lose(loop, inbox, error)
                return
            for payload in self._reader.feed(data):
                _hand_over(loop, inbox, payload)

    def _write(
        self, port: serial.Serial, loop: asyncio.AbstractEventLoop, inbox: asyncio.Queue[bytes | BoardError]
    ) -> None:
        descriptor = self._descriptor
        try:
            while data := self._next_line():
                if descriptor is None:
                    port.write(data)
                    with self._change:
                        self._carried(data, len(data))
                    continue
                with self._change:
                    stuck = self._put(descriptor, data) == 0
                if stuck:
                    select.select([], [descriptor], [], _READ_TIMEOUT_S)
        except (OSError, ValueError, TypeError) as error:
            self._lose(loop, inbox, error)

    def _next_line(self) -> bytes:
        """Wait for something to write and for the line to be free; nothing when the link goes down."""
        with self._change:
            while self._up:
                if len(self._waiting) > _MOST_WAITING:
                    raise OSError(errno.ETIMEDOUT, "the line takes no bytes")
                if not (self._begun or self._waiting):
                    self._change.wait()
                elif (pause_s := self._pause_s()) > 0.0:
                    self._change.wait(pause_s)
                else:
                    if not self._begun:
                        self._begun = self._waiting.popleft()[1]
                    return self._begun
        return b""

    def _pause_s(self) -> float:
        return self._free_s - _AHEAD_S - time.monotonic()

    def _put(self, descriptor: int, data: bytes) -> int:
        """Write without waiting; keeps what did not fit."""
        try:
            written = os.write(descriptor, data)
        except BlockingIOError:
            written = 0
        self._carried(data, written)
        return written

    def _carried(self, data: bytes, written: int) -> None:
        self._begun = data[written:]
        now_s = time.monotonic()
        self._free_s = max(now_s, self._free_s) + written * _BITS_PER_BYTE / self.baud
        if not self._begun and not self._waiting:
            self._change.notify_all()  # `_close_port` waits for it

    def _lose(
        self, loop: asyncio.AbstractEventLoop, inbox: asyncio.Queue[bytes | BoardError], error: Exception
    ) -> None:
        with self._change:
            was_up, self._up = self._up, False
            self._change.notify_all()
        if was_up:
            lost = BoardError(self.board, f"{self.port} was lost ({error}): look at its cable and supply")
            _hand_over(loop, inbox, lost)

    # -- the port -------------------------------------------------------------------------------

    def _open_port(self) -> serial.Serial:
        port = serial.serial_for_url(
            self.port,
            self.baud,
            timeout=_READ_TIMEOUT_S,
            write_timeout=_WRITE_TIMEOUT_S,
            exclusive=True,
        )
        if termios is not None and type(port) is serial.Serial:
            with contextlib.suppress(termios.error):
                modes = termios.tcgetattr(port.fileno())
                modes[2] &= ~termios.HUPCL
                termios.tcsetattr(port.fileno(), termios.TCSANOW, modes)
        return port

    def _close_port(self, port: serial.Serial) -> None:
        with self._change:
            self._change.wait_for(lambda: not self._up or not (self._begun or self._waiting), _DRAIN_S)
            self._up = False
            self._change.notify_all()
        with contextlib.suppress(OSError, AttributeError):
            port.cancel_read()
        for thread in self._threads:
            thread.join(_READ_TIMEOUT_S + _WRITE_TIMEOUT_S)
        with contextlib.suppress(OSError):
            port.close()

    def _cure(self, error: Exception) -> str:
        code, text = getattr(error, "errno", None), str(error)
        if code == errno.ENOENT or "FileNotFoundError" in text:
            return f"no device at {self.port}: plug the board in, or mend its port in the panel description"
        if code == errno.EACCES and os.name == "posix":
            return f"no permission to open {self.port}: add your user to the group that owns it, log in again"
        if code in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text:
            return f"{self.port} is in use by another program: close that program"
        return f"{self.port} can't be opened ({error}): mend the board's port in the panel description"


def _hand_over(
    loop: asyncio.AbstractEventLoop, inbox: asyncio.Queue[bytes | BoardError], item: bytes | BoardError
) -> None:
    with contextlib.suppress(RuntimeError):  # the loop has ended
        loop.call_soon_threadsafe(inbox.put_nowait, item)


def _close_late(opening: asyncio.Future[serial.Serial]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()
