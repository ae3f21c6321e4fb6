"""A fault of boards over MQTT on real processes; all others: `python -m tests.faults mqtt`."""

from __future__ import annotations

import signal

import pytest

from tests.conftest import wait_until
from tests.faults.flight import BOARDS
from tests.faults.network import flying_over_mqtt, network_of
from tests.faults.over_mqtt import MQTT_FAULTS

pytestmark = pytest.mark.slow


@pytest.mark.usefixtures("patient")
def test_a_relay_that_is_killed_is_there_again_with_its_clock_wrong_and_no_pointer_homes() -> None:
    fault = MQTT_FAULTS["mqtt: relay whose clock is 30 years off"]
    with flying_over_mqtt() as flight:
        off_steps = flight.seen().off_steps
        flight.tell("mark")
        fault.work(flight)
        wait_until(flight.flies, "frames at every board after the fault")
        after = flight.seen()
        assert after.homes == 0
        assert after.off_steps == pytest.approx(off_steps, abs=1.0), "positions are reported as whole steps"
        assert flight.stop(signal.SIGTERM)[0] == 0
        wait_until(lambda: flight.seen().rests >= len(BOARDS), "REST at every board")
        assert "Traceback" not in flight.log.read_text() + network_of(flight).relay_log("right")
