"""The flights into which faults are injected: the usual one, and those whose outputs, driver or disk fail."""

from __future__ import annotations

import fcntl
import os
import pty
import termios
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial

from tests.faults.flight import Flight, flying

EVERY_LAYOUT = ("own.toml", "labelled-text.toml", "json.toml", "packed.toml", "groups.toml", "keyvalue.toml")

usual = partial(flying, layouts=EVERY_LAYOUT)


@contextmanager
def log_to_a_full_device() -> Iterator[Flight]:
    with open("/dev/full", "wb") as full, flying(stderr=full) as flight:  # noqa: PTH123
        yield flight


@contextmanager
def log_whose_reader_is_gone() -> Iterator[Flight]:
    read, write = os.pipe()
    os.close(read)
    try:
        with flying(stderr=write) as flight:
            yield flight
    finally:
        os.close(write)


@contextmanager
def full_pipe() -> Iterator[tuple[int, int]]:
    """A pipe, its ends to read and to write, that takes no more: it holds lines of a hundred bytes."""
    read, write = os.pipe()
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, 4096)
    os.set_blocking(write, False)
    try:
        while True:
            os.write(write, b"x" * 99 + b"\n")
    except BlockingIOError:
        os.set_blocking(write, True)
    try:
        yield read, write
    finally:
        os.close(read)
        os.close(write)


@contextmanager
def log_that_nobody_reads() -> Iterator[Flight]:
    with full_pipe() as (_, write), flying(stderr=write) as flight:
        yield flight


@contextmanager
def log_read_slowly() -> Iterator[Flight]:
    """A line a second; there are always some that wait."""
    over = threading.Event()

    def read_a_line_a_second(read: int) -> None:
        while not over.wait(1.0):
            with suppress(BlockingIOError):  # all is read; waiting for more would outlast the test
                while os.read(read, 1) != b"\n":
                    pass

    with full_pipe() as (read, write):
        os.set_blocking(read, False)
        reader = threading.Thread(target=read_a_line_a_second, args=(read,), daemon=True)
        reader.start()
        try:
            with flying(stderr=write) as flight:
                yield flight
        finally:
            over.set()
            reader.join()


@contextmanager
def view(is_read: bool) -> Iterator[Flight]:
    """The view in a terminal of the usual size; after Ctrl-S it takes what fits, and no more."""
    master, slave = pty.openpty()
    termios.tcsetwinsize(slave, (24, 80))
    over = threading.Event()

    def read_all() -> None:
        os.set_blocking(master, False)
        while not over.wait(0.01):
            try:
                os.read(master, 65_536)
            except BlockingIOError:
                continue

    reader = threading.Thread(target=read_all, daemon=True)
    if is_read:
        reader.start()
    try:
        with flying("--view", stdout=slave, stderr=slave) as flight:
            yield flight
    finally:
        over.set()
        if is_read:
            reader.join()
        os.close(master)
        os.close(slave)


COLLECTIONS = """
import gc, threading, time

def collect():
    while True:
        time.sleep(0.5)
        rings = [[] for _ in range(2000)]
        for ring in rings:
            ring.append(ring)
        del ring, rings
        gc.collect()

threading.Thread(target=collect, daemon=True).start()
"""
HANGING_FSYNC = """
import os, threading
os.fsync = lambda descriptor: threading.Event().wait()
"""
PORT_THAT_STAYS_OPEN = """
import serial, threading
serial.Serial.close = lambda port: threading.Event().wait()
"""
BLOCKING_WRITE = """
import os, pathlib
nothing, _ = os.pipe()
write = os.write

def blocks(descriptor, data):
    if os.isatty(descriptor) and pathlib.Path("block").exists():
        os.read(nothing, 1)
    return write(descriptor, data)

os.write = blocks
"""
full_collections = partial(flying, injected=COLLECTIONS)
disk_that_hangs = partial(flying, injected=HANGING_FSYNC)
port_that_stays_open = partial(flying, injected=PORT_THAT_STAYS_OPEN)
driver_that_blocks = partial(flying, injected=BLOCKING_WRITE)
"""Its writes block once there is a file `block` in the flight's folder."""
without_deadline = partial(
    flying, injected=BLOCKING_WRITE + "import bridge.commands.ending as ending; ending.LONGEST_S = 3600.0\n"
)
