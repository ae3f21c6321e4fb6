"""A controlled replay on the live service: paused is not silent, and instruments go by the flight's time."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.flight.telemetry_watch import Telemetry
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.clock import on_jumping_clock
from tests.conftest import ROOT

CLIMB_FT_MIN = 600.0
HUNDREDS, VERTICAL_SPEED = ("left", 0), ("right", 1)


@pytest.fixture
def climb(tmp_path: Path) -> Path:
    """Ten minutes of altitude and heading alone, 20 Hz, climbing at a constant rate."""
    rows = (f"{n / 20},{2000 + CLIMB_FT_MIN / 60 * n / 20:.3f},29.92126,240" for n in range(12_000))
    path = tmp_path / "climb.csv"
    header = "time[s],pressure_altitude[ft],altimeter_setting[inHg],heading_magnetic[deg]"
    path.write_text("\n".join([header, *rows, ""]))
    return path


@asynccontextmanager
async def flying(log: Path, speed: float = 1.0, park: bool = False) -> AsyncIterator[Service]:
    panel = load_panel(ROOT / "config" / "panel.toml")
    if park:
        rest = panel.description.rest.model_copy(update={"behaviour": "park", "after_s": 2.0})
        panel = replace(panel, description=panel.description.model_copy(update={"rest": rest}))
    source = ReplaySource(read_log(log), speed, clock=Service.clock)
    service = Service(panel, sources=FixedSources(source), replayed=True)
    run = asyncio.create_task(service.run())
    try:
        await service.started.wait()
        yield service
    finally:
        service.stop()
        await run


def telemetry(service: Service) -> Telemetry:
    return service.running.telemetry.state


def replay(service: Service) -> ReplaySource:
    assert service.replay is not None
    return service.replay


@pytest.mark.slow
@on_jumping_clock
async def test_a_pause_is_neither_silence_nor_loss_however_long(climb: Path) -> None:
    async with flying(climb, park=True) as service:
        await asyncio.sleep(20.0)
        assert telemetry(service) is Telemetry.LIVE
        replay(service).pause()
        await asyncio.sleep(1.0)
        paused = service.running.snapshot(service.clock())
        await asyncio.sleep(60.0)
        later = service.running.snapshot(service.clock())
        assert later.telemetry == "paused"
        assert later.telemetry_age_s == pytest.approx(0.0, abs=0.1)
        assert {gauge.state for gauge in later.gauges} <= {"live", "lacking", "awaited"}
        assert [p.commanded_steps for p in later.pointers] == [p.commanded_steps for p in paused.pointers]
        assert not any(pointer.parked or pointer.lost for pointer in later.pointers)
        replay(service).play()
        await asyncio.sleep(0.2)
        assert telemetry(service) is Telemetry.LIVE
        needle = service.running.chain.pointers[VERTICAL_SPEED]
        assert needle.indication == pytest.approx(CLIMB_FT_MIN, abs=10), "no start from zero after a pause"


@pytest.mark.slow
@pytest.mark.parametrize("speed", [0.2, 4.0])
@on_jumping_clock
async def test_a_rate_is_that_of_the_flight_at_any_speed_of_the_replay(climb: Path, speed: float) -> None:
    async with flying(climb, speed) as service:
        await asyncio.sleep(20.0 / speed)
        needle = service.running.chain.pointers[VERTICAL_SPEED]
        assert needle.indication == pytest.approx(CLIMB_FT_MIN, abs=10)
        assert telemetry(service) is Telemetry.LIVE


@pytest.mark.slow
@on_jumping_clock
async def test_a_seek_jumps_and_the_pointer_goes_the_short_way_also_while_paused(climb: Path) -> None:
    async with flying(climb) as service:
        await asyncio.sleep(20.0)
        hundreds = service.running.chain.pointers[HUNDREDS]
        before = hundreds.position
        replay(service).pause()
        replay(service).seek(520.0)
        await asyncio.sleep(5.0)
        assert telemetry(service) is Telemetry.PAUSED
        assert hundreds.indication == pytest.approx(7200.0, abs=1)
        assert hundreds.target is not None
        assert hundreds.position == pytest.approx(hundreds.target, abs=0.01)
        turn = float(hundreds.pointer.drive.steps_per_turn)
        assert abs(hundreds.position - before) <= turn / 2 + 1, "five turns lie between 2,200 ft and 7,200 ft"
        replay(service).play()
        await asyncio.sleep(10.0)
        assert telemetry(service) is Telemetry.LIVE
        vertical = service.running.chain.pointers[VERTICAL_SPEED]
        assert vertical.indication == pytest.approx(CLIMB_FT_MIN, abs=10)
