"""The faults, each as what is done to a real flight while its frames are watched."""

from __future__ import annotations

import os
import shutil
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from bridge.telemetry.decoder import MOST_COLUMNS
from bridge.telemetry.udp import MOST_DATAGRAM_BYTES
from tests.faults import settings
from tests.faults.flight import BOARDS, Flight
from tests.telemetry.test_bounds import JUNK

WATCH_S = 4.0
SENDING_S = WATCH_S - 0.5
MISTAKES = 4_500


@dataclass(frozen=True, slots=True)
class Fault:
    """`begin` injects it into a flight of this `setting`; what it has to end, it ends within WATCH_S.

    `untouched` are the boards whose frames must keep time; `keeps_state`: positions are kept at the end.
    """

    begin: Callable[[Flight], None] = lambda flight: None
    setting: Callable[[], AbstractContextManager[Flight]] = settings.usual
    untouched: tuple[str, ...] = BOARDS
    keeps_state: bool = True


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
        end_s = due_s + SENDING_S
        while due_s < end_s and not flight.over.is_set():
            for _ in range(batch):
                out.sendto(datagram, to)
            flight.sent += batch
            due_s += batch / rate_hz
            time.sleep(max(0.0, due_s - time.monotonic()))


def datagrams(datagram: bytes, rate_hz: float, source: str = "127.0.0.1") -> Fault:
    """Datagrams from one more sender."""
    return Fault(lambda flight: flight.in_background(lambda: send(flight, datagram, rate_hz, source)))


def saved(change: Callable[[Path], None]) -> Callable[[Flight], None]:
    """Something done to the panel's file or its folder, three times."""

    def begin(flight: Flight) -> None:
        def work() -> None:
            for _ in range(3):
                if not flight.over.wait(0.8):
                    change(flight.panel)

        flight.in_background(work)

    return begin


def good_save(panel: Path) -> None:
    text = panel.read_text()
    longer, shorter = "[180, 170]", "[180, 169]"
    panel.write_text(text.replace(longer, shorter) if longer in text else text.replace(shorter, longer))


def broken_save(panel: Path) -> None:
    panel.write_text(panel.read_text() + "\nnonsense = = 1\n")


def many_mistakes(panel: Path) -> None:
    """Just under the bound of a file's size: every field of the layout is a mistake."""
    field = "[[fields]]\nquantity = %d\nkey = 'k'\nunit = 'ft'\n"
    text = 'kind = "keyvalue"\n' + "".join(field % number for number in range(MISTAKES))
    (panel.parent / "own.toml").write_text(text)


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
    """Deleted, and there again a moment later, as a checkout or a copy from elsewhere does it."""
    folder = panel.parent
    away = folder.with_name("away")
    shutil.copytree(folder, away)
    shutil.rmtree(folder)
    time.sleep(0.3)
    away.rename(folder)


def state_damaged(flight: Flight) -> None:
    def work() -> None:
        for _ in range(6):
            flight.over.wait(0.5)
            for file in (flight.folder / "state").rglob("*.json"):
                file.write_text('{"positions_steps": {"left": {"0": NaN}}}')

    flight.in_background(work)


def babble(flight: Flight) -> None:
    flight.tell("babble right")


def hold(flight: Flight) -> None:
    flight.tell("hold right")


def block(flight: Flight) -> None:
    (flight.folder / "block").touch()


LONG: dict[str, bytes] = {
    "groups": b"GRP\x01" + b"\x02\x65\x7f\xc0" * (18 * 227),
    "json": b'{"air": [' + b"1e9," * 4080 + b"1]}",
    "json, nested": b"[" * MOST_DATAGRAM_BYTES,
    "keyvalue": b"AIR " + b"hdg=x;" * (MOST_COLUMNS - 1),
    "labelled text": b"<LABELS>" + b",label" * (MOST_COLUMNS - 1),
    "packed": b"LKM1" + b"\xff" * (MOST_DATAGRAM_BYTES - 4),
}
"""Just under the bounds of a datagram's size or of its fields, so that it is read."""
assert all(len(datagram) <= MOST_DATAGRAM_BYTES for datagram in LONG.values())

ONE_MORE_BOARD = ("left", "centre")
"""The boards that a fault of the right one does not touch."""

FAULTS: dict[str, Fault] = {
    "nothing": Fault(),
    **{f"64 kB datagrams, {kind}, 50 a second": datagrams(JUNK[kind][:65_000], 50) for kind in JUNK},
    **{f"16 kB datagrams, {kind}, 50 a second": datagrams(LONG[kind], 50) for kind in LONG},
    "50,000 useful datagrams a second": datagrams(b"alt=2140 set=29.92 cas=90", 50_000),
    "50,000 useless datagrams a second": datagrams(b"nonsense", 50_000),
    "50,000 refused datagrams a second": datagrams(b"nonsense", 50_000, "127.0.0.2"),
    "the description saved, good": Fault(saved(good_save)),
    "the description saved, broken": Fault(saved(broken_save)),
    f"a layout of {MISTAKES:,} mistakes": Fault(saved(many_mistakes)),
    "a layout of 1 GB": Fault(saved(sparse_gigabyte)),
    "a layout that is a FIFO": Fault(saved(fifo)),
    "the description's folder deleted and made anew": Fault(saved(folder_made_anew)),
    "the state file damaged": Fault(state_damaged),
    "full garbage collections, two a second": Fault(setting=settings.full_collections),
    "a board that sends 1 MB/s": Fault(babble, untouched=ONE_MORE_BOARD),
    "a line that takes no byte": Fault(hold, untouched=ONE_MORE_BOARD),
    "a port that does not close": Fault(setting=settings.port_that_stays_open),
    "a disk whose fsync hangs": Fault(setting=settings.disk_that_hangs, keeps_state=False),
    "log to a device that is full": Fault(setting=settings.log_to_a_full_device),
    "log whose reader is gone": Fault(setting=settings.log_whose_reader_is_gone),
    "log that nobody reads (Ctrl-S)": Fault(setting=settings.log_that_nobody_reads),
    "log that is read at a line a second": Fault(saved(broken_save), settings.log_read_slowly),
    "the view, drawing": Fault(setting=partial(settings.view, is_read=True)),
    "the view, on a terminal that is stopped": Fault(setting=partial(settings.view, is_read=False)),
}
"""While each of these lasts, frames keep time."""

HANGS: dict[str, Fault] = {
    name: FAULTS[name]
    for name in (
        "nothing",
        "log that nobody reads (Ctrl-S)",
        "the view, on a terminal that is stopped",
        "a layout that is a FIFO",
        "a line that takes no byte",
        "a port that does not close",
        "a disk whose fsync hangs",
    )
}
"""While each of these lasts, a signal ends the program cleanly."""

BLOCKED = Fault(block, settings.driver_that_blocks)
"""A driver that blocks all in its write, as none should: there is no clean end, but there is one."""
BLOCKED_FOR_LONG = Fault(block, settings.without_deadline)
"""The same in a program that waits an hour before it ends without waiting."""
