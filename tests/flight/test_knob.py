"""The altimeter setting of a knob: recorded, replayed, and kept over a restart."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from pathlib import Path

import pytest

from bridge.boards.state import State
from bridge.boards.virtual.link import VirtualLink
from bridge.flight.dry_run import DryRun
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.flight.state_file import StateFile
from bridge.panel.load import Panel, load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.recorder import LogWriter
from bridge.telemetry.replay import arrivals
from bridge.telemetry.source import Arrival, Deliver, Sender
from tests.clock import on_jumping_clock
from tests.conftest import until

READINGS = {"pressure_altitude": 3000.0, "calibrated_airspeed": 90.0}
HUNDREDS = ("left", 0)


class Steady:
    """A source that delivers the same readings, again and again."""

    name = "steady"
    senders: tuple[Sender, ...] = ()
    refused: dict[str, int] = {}

    def __init__(self, readings: dict[str, float] = READINGS) -> None:
        self._readings = readings
        self.given = frozenset(readings)

    async def open(self) -> None:
        pass

    async def close(self) -> None:
        pass

    async def run(self, deliver: Deliver) -> None:
        while True:
            deliver(Arrival(Service.clock(), dict(self._readings)))
            await asyncio.sleep(0.02)


@pytest.fixture
def panel(config: Path) -> Panel:
    path = config / "panel.toml"
    knob = 'source = "knob"\nboard = "left"\ninput = 0\ninhg = 29.50'
    text = path.read_text()
    assert 'source = "telemetry"' in text
    path.write_text(text.replace('source = "telemetry"', knob))
    return load_panel(path)


async def fly(panel: Panel, state: StateFile, clicks: int, recording: Path) -> float:
    """Fly until the knob has been turned and its setting is recorded; returns the indicated altitude, ft."""
    service = Service(panel, sources=FixedSources(Steady()), state=state)
    columns = sorted(service.running.chain.given | service.running.recorded({}).keys())
    async with LogWriter(recording, columns, panel.catalogue) as log:
        service.record(log)
        run = asyncio.create_task(service.run())
        try:
            await until(lambda: service.running.sessions["left"].state is State.READY)
            start_inhg = service.running.knob_setting_inhg
            assert start_inhg is not None
            link = service.boards["left"].link
            assert isinstance(link, VirtualLink)
            link.board.turn_knob(0, clicks)
            wanted = pytest.approx(start_inhg + clicks * 0.01)
            await until(lambda: service.running.knob_setting_inhg == wanted)
            indication = service.running.chain.pointers[HUNDREDS].indication
            assert indication is not None
            turned_s = Service.clock()
            # It is recorded with that.
            await until(lambda: (service.running.telemetry.latest_s or 0.0) > turned_s)
        finally:
            service.stop()
            await asyncio.wait({run})
        await run
    return indication


@pytest.mark.slow
@on_jumping_clock
async def test_a_recording_replays_with_the_setting_that_the_knob_had(panel: Panel, tmp_path: Path) -> None:
    """3,000 ft at 30.50 inHg: 531 ft more by 14 CFR Part 43, Appendix E, Table IV, to its 2 ft."""
    shown_ft = await fly(panel, StateFile(tmp_path / "state.json"), 100, tmp_path / "flight.csv")
    assert shown_ft == pytest.approx(3531, abs=2)
    log = read_log(tmp_path / "flight.csv", panel.catalogue)
    settings = [row[1]["altimeter_setting"] for row in log]
    assert settings[0] == 29.50
    assert settings[-1] == pytest.approx(30.50)
    dry_run = DryRun(panel, log.given, arrivals(log))
    for _ in dry_run.ticks():
        pass
    assert dry_run.running.chain.pointers[HUNDREDS].indication == pytest.approx(shown_ft, abs=0.01)


@on_jumping_clock
async def test_the_knob_goes_on_from_where_it_was_left(panel: Panel, tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    await fly(panel, StateFile(state), 200, tmp_path / "first.csv")
    assert StateFile(state).read().setting_inhg == pytest.approx(31.50)
    shown_ft = await fly(panel, StateFile(state), -100, tmp_path / "second.csv")
    assert shown_ft == pytest.approx(3531, abs=2), "30.50 inHg, by the same table"
    first: Mapping[str, float] = next(iter(read_log(tmp_path / "second.csv", panel.catalogue)))[1]
    assert first["altimeter_setting"] == pytest.approx(31.50)
