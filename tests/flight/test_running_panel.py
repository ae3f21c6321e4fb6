"""The running without boards that answer: how telemetry stands."""

from __future__ import annotations

import pytest

from bridge.flight.running_panel import RunningPanel, Telemetry
from bridge.panel.load import load_panel
from tests.conftest import ROOT


@pytest.mark.parametrize("burst", [1, 2])
def test_a_slow_sender_is_not_silent_between_its_datagrams_but_is_when_it_stops(burst: int) -> None:
    running = RunningPanel(load_panel(ROOT / "config" / "panel.toml"), frozenset({"pressure_altitude"}))
    stood: list[Telemetry] = []
    for tick in range(1000):
        if tick % 100 == 0:
            for _ in range(burst):
                running.feed(tick / 100, {"pressure_altitude": 2140.0})
        running.tick(tick / 100)
        stood.append(running.telemetry)
    assert set(stood[100:]) == {Telemetry.LIVE}
    for tick in range(1000, 1200):
        running.tick(tick / 100)
    assert running.telemetry is Telemetry.SILENT


def test_a_fast_sender_is_silent_half_a_second_after_it_stops_whatever_pause_lies_behind() -> None:
    running = RunningPanel(load_panel(ROOT / "config" / "panel.toml"), frozenset({"pressure_altitude"}))
    running.feed(0.0, {"pressure_altitude": 2140.0})
    for tick in range(100):
        running.feed(8.0 + tick / 20, {"pressure_altitude": 2140.0})
    stood: list[Telemetry] = []
    for time_s in (13.3, 13.5):
        running.tick(time_s)
        stood.append(running.telemetry)
    assert stood == [Telemetry.LIVE, Telemetry.SILENT]
