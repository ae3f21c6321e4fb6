"""Faults injected into a real flight: no watchdog trips, the program flies on, and ends cleanly.

Intervals are the table's matter (`python -m tests.faults`); here only states count, however busy the machine.
"""

from __future__ import annotations

import signal

import pytest

from bridge.telemetry.flightlog import read_log
from tests.conftest import wait_until
from tests.faults.faults import EVERY_LAYOUT, FAULTS, UNTOUCHED
from tests.faults.flight import BOARDS, flying

pytestmark = pytest.mark.slow

SHORT = [
    "64 kB datagrams, labelled-text, 50 a second",
    "64 kB datagrams, keyvalue, 50 a second",
    "50,000 useless datagrams a second",
    "the description saved, broken",
    "a layout of 1 GB",
    "a layout that is a FIFO",
    "a board that sends 1 MB/s",
]


@pytest.mark.parametrize("name", SHORT)
def test_the_flight_goes_on_and_ends_cleanly(name: str) -> None:
    untouched = UNTOUCHED.get(name, BOARDS)
    with flying(layouts=EVERY_LAYOUT) as flight:
        FAULTS[name](flight)
        flight.watch(3.0, untouched)
        assert flight.process.poll() is None
        flight.tell("quiet")
        wait_until(flight.flies, "frames at every board after the fault")
        code, _ = flight.stop(signal.SIGTERM)
        assert code == 0
        assert flight.seen(untouched).rests >= len(untouched)
        rows = list(read_log(flight.recording))
        assert rows, "telemetry was recorded all along"
        assert "Traceback" not in (flight.folder / "log.txt").read_text()
