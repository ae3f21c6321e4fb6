"""The faults, each as what is done to a real flight while its frames are watched."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.faults.flight import Flight
from tests.telemetry.test_bounds import JUNK

Fault = Callable[[Flight], None]
"""Begins when called with the flight; what it has to end, it ends by itself within WATCH_S."""

WATCH_S = 4.0


def in_background(work: Callable[[], None]) -> None:
    """Do it while the frames are watched."""
    threading.Thread(target=work, daemon=True).start()


@contextmanager
def sender(source: str = "127.0.0.1") -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as made:
        made.bind((source, 0))
        yield made


def send(flight: Flight, datagram: bytes, rate_hz: float, source: str = "127.0.0.1") -> None:
    """The same datagram at this rate until the watch is nearly over."""
    to = ("127.0.0.1", flight.port)
    batch = max(1, round(rate_hz / 1000))
    with sender(source) as out:
        due_s = time.monotonic()
        end_s = due_s + WATCH_S - 0.5
        while due_s < end_s:
            for _ in range(batch):
                out.sendto(datagram, to)
            due_s += batch / rate_hz
            time.sleep(max(0.0, due_s - time.monotonic()))


def datagrams(datagram: bytes, rate_hz: float, source: str = "127.0.0.1") -> Fault:
    """Datagrams from one more sender."""
    return lambda flight: in_background(lambda: send(flight, datagram, rate_hz, source))


def saved(change: Callable[[Path], None]) -> Fault:
    """Something done to the panel's folder, three times."""

    def begin(flight: Flight) -> None:
        def work() -> None:
            for _ in range(3):
                time.sleep(0.8)
                change(flight.panel)

        in_background(work)

    return begin


def good_save(panel: Path) -> None:
    panel.write_text(panel.read_text().replace("[180, 170]", "[180, 169]", 1))


def broken_save(panel: Path) -> None:
    panel.write_text(panel.read_text() + "\nnonsense = = 1\n")


def sparse_gigabyte(panel: Path) -> None:
    own = panel.parent / "own.toml"
    with own.open("r+b") as file:
        file.truncate(1_000_000_000)


def fifo(panel: Path) -> None:
    own = panel.parent / "own.toml"
    own.unlink(missing_ok=True)
    os.mkfifo(own)
    panel.touch()


def folder_made_anew(panel: Path) -> None:
    folder, away = panel.parent, panel.parent.with_name(panel.parent.name + "-away")
    shutil.copytree(folder, away, ignore=shutil.ignore_patterns("tty*", "flight*", "log*"), symlinks=True)
    for name in ("panel.toml", "own.toml"):
        (folder / name).unlink()
        shutil.copy(away / name, folder / name)
    shutil.rmtree(away)


def babble(flight: Flight) -> None:
    flight.tell("babble right")


FAULTS: dict[str, Fault] = {
    "nothing": lambda flight: None,
    **{f"64 kB datagrams, {kind}, 50 a second": datagrams(JUNK[kind][:65_000], 50) for kind in JUNK},
    "50,000 useful datagrams a second": datagrams(b"alt=2140 set=29.92 cas=90", 50_000),
    "50,000 useless datagrams a second": datagrams(b"nonsense", 50_000),
    "50,000 refused datagrams a second": datagrams(b"nonsense", 50_000, "127.0.0.2"),
    "the description saved, good": saved(good_save),
    "the description saved, broken": saved(broken_save),
    "a layout of 1 GB": saved(sparse_gigabyte),
    "a layout that is a FIFO": saved(fifo),
    "files deleted and written anew": saved(folder_made_anew),
    "a board that sends 1 MB/s": babble,
}
"""Those that need a flight as it usually is; those of its output are in `__main__`."""

UNTOUCHED = {"a board that sends 1 MB/s": ("left", "centre")}
EVERY_LAYOUT = ("own.toml", "labelled-text.toml", "json.toml", "packed.toml", "groups.toml", "keyvalue.toml")
