"""The serial link: opens a port, carries payloads over its line (`serial_line`), names what is wrong.

Opening and closing can block for seconds, some drivers for ever. They have threads of their own, which are
left behind if need be: neither the event loop nor the end of the program waits for them.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import sys
import threading
from collections.abc import Callable
from typing import TypeVar

import serial

from bridge.boards.line import to_line
from bridge.boards.serial_line import READ_TIMEOUT_S, WRITE_TIMEOUT_S, SerialLine
from bridge.errors import BoardError

if sys.platform != "win32":
    import termios

CLOSE_S = 1.0
"""Closing waits at most this long for the driver."""

_T = TypeVar("_T")


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
        self._line: SerialLine | None = None
        self._arrived = asyncio.Event()
        self._closing: threading.Thread | None = None
        self._bad_before = self._superseded_before = 0

    @property
    def bad_frames(self) -> int:
        """Corrupted frames received, over all openings."""
        return self._bad_before + (self._line.bad_frames if self._line else 0)

    @property
    def superseded(self) -> int:
        """MOVE frames replaced by a newer one, over all openings; the board counts them as missed."""
        return self._superseded_before + (self._line.superseded if self._line else 0)

    @property
    def waiting(self) -> bool:
        """Whether something that was sent has not been written yet."""
        return self._line is not None and self._line.waiting

    async def open(self) -> None:
        """Open the port; raises BoardError with the cure."""
        opening, _ = _in_thread(self._open_port, discard=serial.Serial.close)
        try:
            port = await opening
        except (OSError, ValueError) as error:
            raise BoardError(self.board, self._cure(error)) from error
        loop, event = asyncio.get_running_loop(), asyncio.Event()

        def arrived() -> None:
            with contextlib.suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(event.set)

        self._arrived = event
        self._line = SerialLine(port, f"{self.board} {self.port}", self.baud, arrived)

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        """As `Link.send`; while the link is closed or lost, into nothing."""
        if self._line is not None:
            self._line.send(to_line(payload), replaceable)

    async def receive(self) -> list[bytes]:
        """As `Link.receive`."""
        while self._line is not None:
            try:
                if payloads := self._line.take():
                    return payloads
            except (OSError, ValueError, TypeError) as error:
                why = f"{self.port} was lost ({error}): look at its cable and supply"
                raise BoardError(self.board, why) from error
            self._arrived.clear()
            await self._arrived.wait()
        raise BoardError(self.board, f"{self.port} is closed")

    async def close(self) -> None:
        """Send what waits and close the port; returns after `CLOSE_S` at the latest."""
        line, self._line = self._line, None
        if line is None:
            return
        self._bad_before += line.bad_frames
        self._superseded_before += line.superseded
        closed, self._closing = _in_thread(line.close)
        self._arrived.set()
        await asyncio.wait({closed}, timeout=CLOSE_S)

    def _open_port(self) -> serial.Serial:
        if self._closing is not None:  # a port that is still being closed would be called in use
            self._closing.join(READ_TIMEOUT_S + WRITE_TIMEOUT_S)
        port = serial.serial_for_url(
            self.port,
            self.baud,
            timeout=READ_TIMEOUT_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
        if sys.platform != "win32" and type(port) is serial.Serial:
            with contextlib.suppress(termios.error):
                modes = termios.tcgetattr(port.fileno())
                modes[2] &= ~termios.HUPCL
                termios.tcsetattr(port.fileno(), termios.TCSANOW, modes)
        return port

    def _cure(self, error: Exception) -> str:
        code, text = getattr(error, "errno", None), str(error)
        if code == errno.ENOENT or "FileNotFoundError" in text:
            return (
                f"no device at {self.port}: plug the board in, or correct its port in the panel description"
            )
        if code == errno.EACCES and os.name == "posix":
            return f"no permission to open {self.port}: add your user to the group that owns it, log in again"
        if code in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text:
            return f"{self.port} is in use by another program: close that program"
        return f"{self.port} can't be opened ({error}): correct the board's port in the panel description"


def _in_thread(
    work: Callable[[], _T], discard: Callable[[_T], None] = lambda result: None
) -> tuple[asyncio.Future[_T], threading.Thread]:
    """Do the work in a daemon thread of its own; what it returns is discarded if nobody waits any more."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[_T] = loop.create_future()

    def run() -> None:
        try:
            result = work()
        except Exception as error:
            settle(lambda error=error: future.set_exception(error), lambda: None)  # type: ignore[misc]
        else:
            settle(lambda: future.set_result(result), lambda: discard(result))

    def settle(awaited: Callable[[], None], late: Callable[[], None]) -> None:
        try:
            loop.call_soon_threadsafe(lambda: late() if future.done() else awaited())
        except RuntimeError:  # the loop has ended
            late()

    thread = threading.Thread(target=run, name="serial port", daemon=True)
    thread.start()
    return future, thread
