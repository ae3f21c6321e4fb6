"""Whether telemetry is live: by how old its readings are when they are taken."""

from __future__ import annotations

import pytest

from bridge.flight.telemetry_watch import TelemetryWatch

REST_AFTER_S = 10.0


def test_what_a_held_up_program_takes_late_does_not_make_telemetry_live_again_and_again() -> None:
    """Twenty readings a second; three seconds of them are taken one by one, a tick after each."""
    watch = TelemetryWatch()
    told = []
    for row in range(20):
        told += watch.arrived(row / 20, jumped=False)
        told += watch.look(row / 20, REST_AFTER_S)
    assert [(each.state, each.was) for each in told] == [("live", "awaited")]
    told = watch.look(4.0, REST_AFTER_S)
    for row in range(20, 85):
        told += watch.arrived(row / 20, jumped=False)
        told += watch.look(4.2 + (row - 20) / 1000, REST_AFTER_S)
    assert [(each.state, each.was) for each in told] == [("silent", "live"), ("live", "silent")]
    assert 4.2 - watch.live_s < 1.0, "live since a reading that is new"


@pytest.mark.parametrize("held_up_s", [0.7, 60.0])
def test_a_program_that_was_held_up_reads_first_what_arrived_meanwhile(held_up_s: float) -> None:
    """Its first tick comes before the datagrams that have waited; without any, the next finds it silent."""
    for some_wait in (True, False):
        watch = TelemetryWatch()
        watch.arrived(0.0, jumped=False)
        goes_on_s = 1.0 + held_up_s
        for tick in range(20, 101):
            watch.arrived(tick / 100, jumped=False)
            assert watch.look(tick / 100, REST_AFTER_S) == []
        told = watch.look(goes_on_s, REST_AFTER_S)
        if some_wait:
            watch.arrived(goes_on_s, jumped=False)
        told += watch.look(goes_on_s + 0.01, REST_AFTER_S)
        gone = "resting" if held_up_s > REST_AFTER_S else "silent"
        assert [each.state for each in told] == ([] if some_wait else [gone])


def test_a_machine_whose_every_tick_is_late_still_finds_telemetry_silent() -> None:
    watch = TelemetryWatch()
    watch.arrived(0.0, jumped=False)
    told = []
    for look in range(1, 60):
        if watch.is_watched:
            told += [each.state for each in watch.look(look * 0.2, REST_AFTER_S)]
    assert told == ["silent", "resting"]
