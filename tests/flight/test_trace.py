"""The trace: columns that tell the cause, a disk that fails, and files that are not its own."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.errors import DescriptionErrors
from bridge.flight.dry_run import DryRun
from bridge.flight.trace import Trace
from bridge.outputs import LineFile
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.source import Arrival
from tests.conftest import ROOT

PANEL = ROOT / "config" / "panel.toml"
READINGS = {"static_pressure": 908.12, "altimeter_setting": 29.92126, "calibrated_airspeed": 99.0}
"""3,000 ft: U.S. Standard Atmosphere 1976, 908.12 hPa."""


def level_flight(seconds: float, panel: Path = PANEL) -> DryRun:
    arrivals = [Arrival(n / 20, READINGS) for n in range(round(seconds * 20) + 1)]
    return DryRun(load_panel(panel), frozenset(READINGS), arrivals)


def fly(dry_run: DryRun, path: Path) -> Trace:
    with Trace(path, dry_run.running.snapshot(0.0)) as trace:
        for time_s in dry_run.ticks():
            trace.write(dry_run.running.snapshot(time_s))
    return trace


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.slow
def test_the_columns_lead_from_the_telemetry_to_the_needle(tmp_path: Path) -> None:
    """Pressure to altitude by the standard atmosphere; 3,000 ft on a face of 1,000 ft a turn is its top."""
    fly(level_flight(2.0), tmp_path / "trace.csv")
    row = rows(tmp_path / "trace.csv")[-1]
    assert (row["time[s]"], row["telemetry"], row["telemetry_age[s]"]) == ("2.0000", "live", "0.000")
    assert row["altimeter_setting[inHg]"] == "29.92126"
    assert row["age.static_pressure[s]"] == "0.000"
    assert row["raw.static_pressure[hPa]"] == "908.12"
    assert float(row["derived.pressure_altitude[ft]"]) == pytest.approx(3000, abs=1)
    assert float(row["derived.indicated_altitude[ft]"]) == pytest.approx(3000, abs=1)
    pointer = {
        name.removeprefix("altimeter.hundreds."): value
        for name, value in row.items()
        if name.startswith("altimeter.hundreds.")
    }
    assert float(pointer["indication[ft]"]) == pytest.approx(3000, abs=1)
    assert float(pointer["shows[ft]"]) == pytest.approx(3000, abs=2)
    top_deg = (float(pointer["face[deg]"]) + 180) % 360 - 180
    assert top_deg == pytest.approx(0.0, abs=1.0)  # the panel's calibration moves it by 0.8 at most
    assert float(pointer["target[step]"]) == pytest.approx(float(pointer["commanded[step]"]), abs=0.01)
    assert float(pointer["reported[step]"]) == pytest.approx(float(pointer["target[step]"]), abs=1)
    assert 0.0 <= float(pointer["report_age[s]"]) <= 0.1
    assert (pointer["missed[step]"], pointer["state"]) == ("0", "ready")
    assert row["board.left.state"] == "ready"
    assert int(row["board.left.sent"]) > 100
    assert (row["board.left.lost"], row["board.left.resets"]) == ("0", "0")
    assert row["attitude.pitch.indication[deg]"] == "", "no pitch arrives"


def test_every_quantity_of_telemetry_has_its_age_in_every_row(tmp_path: Path) -> None:
    """A pressure that stops after a second, while the setting goes on."""
    given = frozenset({"static_pressure", "altimeter_setting"})
    arrivals = [
        Arrival(n / 20, {"altimeter_setting": 29.92, **({"static_pressure": 908.12} if n <= 20 else {})})
        for n in range(61)
    ]
    fly(DryRun(load_panel(PANEL), given, arrivals), tmp_path / "trace.csv")
    by_time = {row["time[s]"]: row for row in rows(tmp_path / "trace.csv")}
    at = by_time["2.5000"]
    assert (at["age.static_pressure[s]"], at["age.altimeter_setting[s]"]) == ("1.500", "0.000")
    assert at["telemetry_age[s]"] == "0.000"
    assert at["age.magnetic_variation[s]"] == "", "it is fixed in the description"


def test_a_geared_pointer_is_traced_where_its_wheels_put_it(tmp_path: Path) -> None:
    """Wheels of 10 to 1 turn the thousands pointer: after 3.5 turns of the motor it is at 126 deg."""
    panel = tmp_path / "panel.toml"
    panel.write_text(
        """
        [drives.geared]
        motor = "geared-unipolar-5v"
        speed_steps_s = 900
        acceleration_steps_s2 = 4000
        [boards.left.channels]
        0 = { output = "four_wire", pins = ["D2", "D3", "D4", "D5"], homing = "last" }
        [gauges.altimeter]
        instrument = "altimeter"
        [gauges.altimeter.pointers.hundreds]
        indication = "indicated_altitude"
        kind = "endless"
        per_turn = 1000
        drive = "geared"
        board = "left"
        channel = 0
        [gauges.altimeter.geared.thousands]
        geared_to = "hundreds"
        gears = ["50/10", "20/10"]
        per_turn = 10000
        """
    )
    given = frozenset({"pressure_altitude", "altimeter_setting"})
    climb = [
        Arrival(n / 20, {"pressure_altitude": min(3500.0, n * 5.0), "altimeter_setting": 29.92126})
        for n in range(900)
    ]
    dry_run = DryRun(load_panel(panel), given, climb)
    fly(dry_run, tmp_path / "trace.csv")
    row = rows(tmp_path / "trace.csv")[-1]
    assert float(row["altimeter.thousands.face[deg]"]) == pytest.approx(126.0, abs=0.1)
    assert float(row["altimeter.thousands.shows[ft]"]) == pytest.approx(3500.0, abs=2.0)


@pytest.mark.slow
def test_a_disk_that_fills_ends_the_trace_and_not_the_flight(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = fly(level_flight(10.0), tmp_path / "whole.csv")
    assert not whole.failed
    size = (tmp_path / "whole.csv").stat().st_size
    append = LineFile.append

    def full(self: LineFile, data: bytes) -> tuple[bytes, OSError | None]:
        done = getattr(self, "done", 0)
        room = size // 2 - done
        left, error = append(
            self, data[: data.rfind(b"\n", 0, max(0, room)) + 1] if len(data) > room else data
        )
        self.done = done + len(data)  # type: ignore[attr-defined]
        return left, error or (OSError(28, "No space left on device") if len(data) > room else None)

    monkeypatch.setattr(LineFile, "append", full)
    dry_run = level_flight(10.0)
    with capture_logs() as logs:
        assert fly(dry_run, tmp_path / "trace.csv").failed
    ended = [line for line in logs if line["event"] == "trace ended"]
    assert [line["why"] for line in ended] == ["No space left on device"]
    assert dry_run.running.sessions["left"].statistics.sent > 1000, "the flight went on"
    written = rows(tmp_path / "trace.csv")
    assert 100 < len(written) < 1000
    assert written == rows(tmp_path / "whole.csv")[: len(written)]


@pytest.mark.skipif(sys.platform != "linux", reason="a device of Linux")
def test_a_device_that_is_full_ends_the_trace_and_stays_a_device() -> None:
    with capture_logs() as logs:
        assert fly(level_flight(2.0), Path("/dev/full")).failed
    assert [line["why"] for line in logs if line["event"] == "trace ended"] == ["No space left on device"]
    assert Path("/dev/full").is_char_device()


@pytest.mark.slow
def test_a_trace_replaces_a_trace_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    for _ in range(2):
        fly(level_flight(0.1), path)
    assert [file.name for file in tmp_path.iterdir()] == ["trace.csv"]
    snapshot = level_flight(0.1).running.snapshot(0.0)
    for name, text in (("log.csv", "time[s],pitch[deg]\r\n0,1\r\n"), ("notes.txt", "mine")):
        file = tmp_path / name
        file.write_text(text)
        with pytest.raises(DescriptionErrors, match="did not write"):
            Trace(file, snapshot)
        assert file.read_text() == text.replace("\r\n", "\n")
    with pytest.raises(DescriptionErrors, match="a file that this command reads"):
        Trace(path, snapshot, [path])


@pytest.mark.slow
def test_a_log_is_no_trace_and_a_trace_is_no_log(tmp_path: Path) -> None:
    fly(level_flight(0.1), tmp_path / "trace.csv")
    with pytest.raises(DescriptionErrors, match="telemetry"):
        read_log(tmp_path / "trace.csv")


@pytest.mark.slow
def test_an_old_trace_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    fly(level_flight(0.2), path)
    before = path.read_bytes()
    with Trace(path, level_flight(0.1).running.snapshot(0.0)) as trace:
        trace.write(level_flight(0.1).running.snapshot(0.0))
        assert path.read_bytes() == before
    assert path.read_bytes() != before
