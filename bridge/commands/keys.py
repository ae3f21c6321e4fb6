"""Keys of the terminal that a command runs in, as they are pressed."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

_ESCAPES = {b"\x1b[C": "right", b"\x1b[D": "left", b"\x1b[A": "up", b"\x1b[B": "down"}
_NAMED = {"\r": "enter", "\n": "enter", " ": "space", "\x1b": "escape"}


def keys_can_be_read() -> bool:
    """Whether there is a terminal of Linux or macOS, and this program in its foreground."""
    if sys.platform == "win32" or not sys.stdin.isatty():
        return False
    return os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()


@contextmanager
def keys() -> Iterator[asyncio.Queue[str]]:
    """Keys as they are pressed, in words; the terminal is put back as it was at the end."""
    if sys.platform == "win32":
        raise NotImplementedError("keys are read on Linux and macOS")
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    pressed: asyncio.Queue[str] = asyncio.Queue()

    def read() -> None:
        data = os.read(descriptor, 64)
        while data:
            escape = next((code for code in _ESCAPES if data.startswith(code)), None)
            if escape is not None:
                pressed.put_nowait(_ESCAPES[escape])
                data = data[len(escape) :]
            else:
                letter, data = data[:1].decode("ascii", "replace"), data[1:]
                pressed.put_nowait(_NAMED.get(letter, letter))

    before = termios.tcgetattr(descriptor)
    loop = asyncio.get_running_loop()
    tty.setcbreak(descriptor)
    loop.add_reader(descriptor, read)
    try:
        yield pressed
    finally:
        loop.remove_reader(descriptor)
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
