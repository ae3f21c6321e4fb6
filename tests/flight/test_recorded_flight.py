"""The log of a real flight recorder, a row a second, on virtual boards and through the live service."""

from __future__ import annotations

import csv
from math import sqrt
from pathlib import Path

import pytest

from bridge.flight.dry_run import DryRun
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.flight.trace import Trace
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.recorder import LogWriter
from bridge.telemetry.replay import ReplaySource, arrivals
from tests.benchmarks.motion_study import roughness
from tests.clock import on_jumping_clock
from tests.conftest import ROOT

GLIDER = ROOT / "tests" / "data" / "flights" / "attitude.igc"
PANEL = ROOT / "config" / "panel.toml"
STANDARD_INHG = 29.92126


@pytest.fixture
def log_path(tmp_path: Path) -> Path:
    """A minute of the glider: metres of pressure altitude in bytes 26 to 30 of each B record."""
    fixes = [line for line in GLIDER.read_text(encoding="ascii").splitlines() if line.startswith("B")]
    path = tmp_path / "glider.csv"
    rows = [f"{i},{line[25:30]},{STANDARD_INHG if i == 0 else ''}" for i, line in enumerate(fixes[300:360])]
    path.write_text("\n".join(["time[s],pressure_altitude[m],altimeter_setting[inHg]", *rows, ""]))
    return path


@pytest.mark.slow
def test_the_hundreds_pointer_moves_smoothly_and_the_trace_shows_what_arrived(
    log_path: Path, tmp_path: Path
) -> None:
    """Targets chosen here: 3 ft RMS against straight lines between rows, 3 ft/s of roughness over 1 s."""
    panel = load_panel(PANEL)
    log = read_log(log_path, panel.catalogue)
    rows_ft = [readings["pressure_altitude"] for _, readings in log]
    dry_run = DryRun(panel, log.given, arrivals(log))
    needle = dry_run.running.chain.pointers["left", 0]
    steps_per_ft = float(needle.pointer.wrap_steps) / 1000.0
    shown_ft: list[float] = []
    errors_ft: list[float] = []
    with Trace(tmp_path / "trace.csv", dry_run.running.snapshot(0.0)) as trace:
        for time_s in dry_run.ticks():
            trace.write(dry_run.running.snapshot(time_s))
            assert needle.target is not None
            assert needle.indication is not None
            shown_ft.append(needle.position / steps_per_ft)
            behind_ft = (needle.position - needle.target) / steps_per_ft
            row = min(int(time_s), len(rows_ft) - 2)
            line_ft = rows_ft[row] + (rows_ft[row + 1] - rows_ft[row]) * (time_s - row)
            errors_ft.append(needle.indication + behind_ft - line_ft)
    assert sqrt(sum(error * error for error in errors_ft) / len(errors_ft)) < 3.0
    assert roughness(shown_ft, half=50) < 3.0
    with (tmp_path / "trace.csv").open(encoding="utf-8", newline="") as file:
        traced = list(csv.DictReader(file))
    for cells in traced:
        second, age_s = int(float(cells["time[s]"]) + 1e-9), float(cells["telemetry_age[s]"])
        assert float(cells["raw.pressure_altitude[ft]"]) == pytest.approx(rows_ft[second], abs=1e-2)
        assert age_s == pytest.approx(float(cells["time[s]"]) - second, abs=1e-3)
    assert len({cells["derived.indicated_altitude[ft]"] for cells in traced}) > 10 * len(rows_ft)


@pytest.mark.slow
@on_jumping_clock
async def test_only_rows_are_recorded(log_path: Path, tmp_path: Path) -> None:
    panel = load_panel(PANEL)
    log = read_log(log_path, panel.catalogue)
    source = ReplaySource(log, 1.0, 0.0, 20.0, clock=Service.clock)
    service = Service(panel, sources=FixedSources(source), replayed=True)
    async with LogWriter(tmp_path / "again.csv", sorted(log.given)) as recording:
        service.record(recording)
        await service.run()
    first = [(time_s, readings) for time_s, readings in log if time_s <= 20.0]
    again = list(read_log(tmp_path / "again.csv"))
    assert [readings for _, readings in again] == [readings for _, readings in first]
    assert [time_s for time_s, _ in again] == pytest.approx([time_s for time_s, _ in first], abs=1e-3)


@pytest.mark.slow
def test_between_two_rows_nothing_is_silent_or_lost_and_in_a_gap_it_rests(tmp_path: Path) -> None:
    panel = load_panel(PANEL)
    path = tmp_path / "slow.csv"
    rows = [f"{time_s},{time_s / 10},2000" for time_s in (0, 12, 24, 36, 136, 148)]
    path.write_text("\n".join(["time[s],pitch[deg],pressure_altitude[ft]", *rows, ""]))
    log = read_log(path, panel.catalogue)
    dry_run = DryRun(panel, log.given, arrivals(log))
    states: dict[str, float] = {}
    for time_s in dry_run.ticks():
        states.setdefault(dry_run.running.telemetry.state.value, time_s)
        if time_s < 36.0:
            assert not dry_run.running.chain.losses.pointers
    assert states["live"] == 0.0
    assert 36.0 < states["resting"] < 136.0
