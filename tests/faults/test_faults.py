"""Faults injected into a real flight: no watchdog trips, the program flies on, and ends cleanly.

Intervals are the table's matter (`python -m tests.faults`); here only states count, however busy the machine.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from bridge.telemetry.flightlog import read_log
from bridge.telemetry.recorder import CLOSE_WITHIN_S
from tests.conftest import wait_until
from tests.faults.faults import BLOCKED, BLOCKED_FOR_LONG, FAULTS, HANGS, Fault, good_save
from tests.faults.flight import BOARDS, Flight

pytestmark = pytest.mark.slow


SHORT = [
    "16 kB datagrams, labelled text, 50 a second",
    "16 kB datagrams, keyvalue, 50 a second",
    "16 kB datagrams, json, nested, 50 a second",
    "50,000 useless datagrams a second",
    "the description saved, broken",
    "a layout of 4,500 mistakes",
    "a layout of 1 GB",
    "a layout that is a FIFO",
    "the state file damaged",
    "full garbage collections, two a second",
    "a board that sends 1 MB/s",
    "log that is read at a line a second",
    "the view, drawing",
]


@pytest.mark.usefixtures("patient")
@pytest.mark.parametrize("name", SHORT)
def test_the_flight_goes_on_and_ends_cleanly(name: str) -> None:
    fault = FAULTS[name]
    with fault.setting() as flight:
        fault.begin(flight)
        flight.watch(3.0, fault.untouched)
        assert flight.process.poll() is None
        flight.tell("quiet")
        wait_until(flight.flies, "frames at every board after the fault")
        wait_until(lambda: flight.keeps, "the state file")  # the last one is not waited for on a slow disk
        code, _ = flight.stop(signal.SIGTERM)
        assert code == 0
        rests = len(fault.untouched)
        wait_until(lambda: flight.seen(fault.untouched).rests >= rests, "REST at every board")
        rows = list(read_log(flight.recording))
        assert rows, "telemetry was recorded all along"
        assert flight.state.complete
        assert len(flight.state.positions) == 2 * len(BOARDS)
        assert "Traceback" not in flight.log.read_text()


@pytest.mark.usefixtures("patient")
def test_a_folder_deleted_and_made_anew_is_still_watched() -> None:
    fault = FAULTS["the description's folder deleted and made anew"]
    with fault.setting() as flight:
        fault.begin(flight)
        flight.watch(4.5)
        taken = flight.log.read_text().count("description taken")
        good_save(flight.panel)
        wait_until(lambda: flight.log.read_text().count("description taken") > taken, "the description taken")
        assert flight.stop()[0] == 0


@pytest.mark.usefixtures("patient")
def test_the_source_counts_what_it_drops() -> None:
    fault = FAULTS["64 kB datagrams, keyvalue, 50 a second"]
    with fault.setting() as flight:
        fault.begin(flight)
        flight.watch(4.0)
        flight.end()
        dropped = flight.dropped_by_the_system
        assert flight.stop()[0] == 0
        received = flight.received
        # What it does not read in time the operating system drops; one may have come as it ended.
        assert received and abs(received + dropped - flight.sent) <= 1


@pytest.mark.usefixtures("patient")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("name", HANGS)
def test_whatever_hangs_each_signal_ends_the_flight_cleanly(name: str, number: signal.Signals) -> None:
    """How long it takes is the table's matter: here the exit code tells, since one that took too long has
    that of its signal."""
    fault = HANGS[name]
    with fault.setting() as flight:
        fault.begin(flight)
        flight.watch(1.5)
        code, _ = flight.stop(number)
        assert code == 0, flight.log.read_text()
        rests = len(fault.untouched)
        wait_until(lambda: flight.seen(fault.untouched).rests >= rests, "REST at every board")
        assert list(read_log(flight.recording))
        assert "Traceback" not in flight.log.read_text()
        if "fsync" in name:
            assert f"the disk took longer than {CLOSE_WITHIN_S} s" in flight.log.read_text()


@contextmanager
def blocked(fault: Fault) -> Iterator[Flight]:
    """A flight in which nothing goes on any more."""
    with fault.setting() as flight:
        fault.begin(flight)
        wait_until(lambda: not flight.watch(0.3).intervals_s, "no frame at any board")
        yield flight


def test_a_driver_that_blocks_all_does_not_keep_the_program_from_ending() -> None:
    with blocked(BLOCKED) as flight:
        assert flight.stop(signal.SIGTERM)[0] == 128 + signal.SIGTERM


def test_asked_twice_it_ends_at_once_also_where_its_main_thread_is_stuck() -> None:
    """Its time does not run out: only the second signal can have ended it."""
    with blocked(BLOCKED_FOR_LONG) as flight:
        flight.process.send_signal(signal.SIGINT)
        code, _ = flight.stop(signal.SIGTERM)
        assert code in (128 + signal.SIGINT, 128 + signal.SIGTERM)  # whichever the system handed over last
