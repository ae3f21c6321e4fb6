"""A log layout that is saved again in flight: the rows to come are read by it, mistakes change nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.flight.changing_log import ChangingLog
from bridge.flight.dry_run import DryRun
from bridge.flight.log_defaults import assumed_in, with_defaults
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import Panel, load_panel
from bridge.telemetry.recorded import RecordedFlight, open_log
from bridge.telemetry.replay import ReplaySource, arrivals
from tests.clock import on_jumping_clock
from tests.conftest import ROOT, until

KM_H = 'kind = "igc"\n[codes]\nTAS = { quantity = "true_airspeed", unit = "km/h", scale = 1 }\n'
KNOTS = KM_H.replace("km/h", "kt")
SETTING = KNOTS + 'XQN = { quantity = "altimeter_setting", unit = "Pa", scale = 1 }\n'
MISTAKE = KM_H.replace("km/h", "kmh")


@pytest.fixture
def panel() -> Panel:
    return load_panel(ROOT / "config" / "panel.toml")


@pytest.fixture
def layout(tmp_path: Path) -> Path:
    path = tmp_path / "recorder.toml"
    path.write_text(KM_H)
    return path


@pytest.fixture
def reopened(panel: Panel, layout: Path, tmp_path: Path) -> Callable[[], RecordedFlight]:
    """A flight of a minute at 100, with 100000 of a code that only a layout knows."""
    fixes = [
        f"B1101{second:02}5206343N00006198WA0058700558100100000"
        for second in range(60)
    ]  # fmt: skip
    path = tmp_path / "flight.igc"
    path.write_text("\n".join(["AXXXABC", "HFDTEDATE:160701,01", "I023638TAS3944XQN", *fixes, ""]))
    return lambda: with_defaults(open_log(path, panel.catalogue, layout), panel)


def test_rows_to_come_are_read_by_the_new_layout_and_none_twice(
    layout: Path, reopened: Callable[[], RecordedFlight]
) -> None:
    log = ChangingLog(layout, reopened)
    flown = []
    for time_s, readings in log:
        flown.append((time_s, readings["true_airspeed"]))
        if time_s == 9.0:
            layout.write_text(KNOTS)
            log.log = reopened()
    assert [time_s for time_s, _ in flown] == list(range(60))
    assert [speed for _, speed in flown] == pytest.approx([100 / 1.852] * 10 + [100.0] * 50)


@pytest.mark.slow
async def test_a_good_change_is_taken_and_a_mistake_is_explained_once(
    layout: Path, reopened: Callable[[], RecordedFlight]
) -> None:
    log = ChangingLog(layout, reopened)
    taken: list[RecordedFlight] = []

    async def watch() -> None:
        async for changed in log.changes():
            taken.append(changed)  # noqa: PERF401  (each as it comes)

    with capture_logs() as lines:
        task = asyncio.create_task(watch())
        layout.write_text(MISTAKE)
        await until(lambda: bool(lines), "a mistake")
        layout.write_text(KM_H)
        await until(lambda: len(lines) > 1, "it is good again")
        layout.write_text(SETTING)
        await until(lambda: bool(taken), "a change")
        task.cancel()
        await asyncio.wait({task})
    assert [line["event"] for line in lines[:3]] == [
        "log layout not taken",
        "log layout is good again",
        "log layout taken",
    ]
    assert "codes.TAS.unit: found an unknown unit 'kmh'" in lines[0]["why"]
    assert "altimeter_setting" in taken[0].given


@pytest.mark.slow
@on_jumping_clock
async def test_in_flight_the_needles_go_on_from_where_the_flight_is(
    panel: Panel, layout: Path, reopened: Callable[[], RecordedFlight]
) -> None:
    log = ChangingLog(layout, reopened)
    source = ReplaySource(log, clock=Service.clock)
    service = Service(panel, sources=FixedSources(source), replayed=True, assumed=assumed_in(log))
    run = asyncio.create_task(service.run())
    try:
        await until(lambda: source.playback.time_s > 10.0)
        assert service.running.chain.readings.values["true_airspeed"] == pytest.approx(100 / 1.852)
        assert service.running.snapshot(service.clock()).setting.source == "default"
        layout.write_text(SETTING)
        log.log = reopened()
        service.read_again(assumed_in(log))
        await until(lambda: service.running.chain.readings.values["true_airspeed"] == pytest.approx(100.0))
        assert 10.0 < source.playback.time_s < 12.0
        setting = service.running.snapshot(service.clock()).setting
        assert setting.source == "telemetry"
        assert setting.hpa == pytest.approx(1000.0)
    finally:
        service.stop()
        await run


@pytest.mark.slow
def test_in_the_flights_own_time_too(
    panel: Panel, layout: Path, reopened: Callable[[], RecordedFlight]
) -> None:
    log = ChangingLog(layout, reopened)
    dry_run = DryRun(panel, log.given, arrivals(log, end_s=14.0), assumed_in(log))
    shown = {}
    for time_s in dry_run.ticks():
        shown[round(time_s, 2)] = dry_run.running.chain.readings.values["true_airspeed"]
        if round(time_s, 2) == 5.0:
            layout.write_text(SETTING)
            log.log = reopened()
            dry_run.read_again(log.given, assumed_in(log))
    assert shown[5.0] == pytest.approx(100 / 1.852)
    assert shown[10.0] == pytest.approx(100.0)
    assert dry_run.running.snapshot(14.0).setting.hpa == pytest.approx(1000.0)
