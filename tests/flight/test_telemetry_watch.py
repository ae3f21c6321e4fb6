"""Whether telemetry is live: by how old its readings are when they are taken."""

from __future__ import annotations

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
