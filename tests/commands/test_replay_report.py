"""`replay --report`, of a flight and of a trace, and the progress bar of a replay in a terminal."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from bridge.commands import replay_report
from bridge.flight.service import Service
from bridge.report.tracks import Recorder
from bridge.telemetry.replay import Playback
from tests.commands.started import CIRCUIT, command, environment, told
from tests.conftest import PATIENCE_S, ROOT

pexpect = pytest.importorskip("pexpect", reason="a terminal is needed", exc_type=ImportError)

PANEL = ROOT / "config" / "panel.toml"
WINDOW = ("--speed", "max", "--from", "80", "--to", "84")


@pytest.mark.slow
def test_a_flight_is_reported_and_so_is_its_trace(tmp_path: Path) -> None:
    flown = ("replay", CIRCUIT, "--panel", PANEL, *WINDOW, "--trace", "trace.csv", "--report", "flight.html")
    result = command(tmp_path, *flown)
    assert result.returncode == 0, result.stderr
    assert "flight.html" in result.stdout
    text = (tmp_path / "flight.html").read_text()
    assert "Report of a flight: circuit.csv" in text
    assert "<td>left (virtual)</td>" in text
    traced = command(tmp_path, "replay", "trace.csv", "--panel", PANEL, "--report", "trace.html")
    assert traced.returncode == 0, traced.stderr
    report = (tmp_path / "trace.html").read_text()
    assert "<td>left</td>" in report and "longest round trip" in report
    alone = command(tmp_path, "replay", "trace.csv", "--panel", PANEL)
    assert alone.returncode == 2
    assert "a trace, in which needles have moved already" in alone.stderr and "--report" in alone.stderr
    endless = command(tmp_path, *flown, "--loop")
    assert endless.returncode == 2 and "a flight without end, by --loop" in endless.stderr
    (tmp_path / "mine.html").write_text("mine")
    refused = command(tmp_path, "replay", CIRCUIT, "--panel", PANEL, *WINDOW, "--report", "mine.html")
    assert refused.returncode == 2
    assert "a file that pointer-bridge did not write" in refused.stderr
    assert (tmp_path / "mine.html").read_text() == "mine"


@pytest.mark.parametrize("report", ["no/folder.html", "a-file/below.html"])
def test_a_report_that_can_not_be_written_is_refused_before_the_flight(report: str, tmp_path: Path) -> None:
    (tmp_path / "a-file").write_text("mine")
    refused = command(tmp_path, "replay", CIRCUIT, "--panel", PANEL, *WINDOW, "--report", report)
    told(refused, report, "a file that can be written")
    assert len(refused.stderr.splitlines()) == 1, "nothing has been flown"


@pytest.mark.parametrize(("speed", "noted"), [(1.0, False), (4.0, True)])
async def test_times_that_are_not_those_of_the_log_are_noted_once(speed: float, noted: bool) -> None:
    """Three seconds of a replay, at 4 times its pace 12 s of the log."""
    time_s = 100.0

    class Panel:
        panel = SimpleNamespace(description=SimpleNamespace(tick_hz=1e6))

        def snapshot(self, now_s: float) -> None:
            nonlocal time_s
            time_s = now_s + 0.1
            replay.playback = Playback(60.0 + (time_s - 100.0) * speed, True, speed)
            if time_s > 103.0:
                raise EOFError

    replay = SimpleNamespace(playback=Playback(60.0, True, speed))
    service = SimpleNamespace(replay=replay, running=Panel(), clock=lambda: time_s)
    recorder = SimpleNamespace(zero_s=0.0, take=lambda _: None, flight=SimpleNamespace(title="log"))
    with pytest.raises(EOFError):
        await replay_report.watch(cast(Service, service), cast(Recorder, recorder))
    assert recorder.flight.title.count("the replay was paused, sought, or ran at another speed") == noted
    assert recorder.zero_s == 40.0


@pytest.mark.slow
def test_a_live_replay_in_a_terminal_shows_the_time_left_and_is_reported(tmp_path: Path) -> None:
    child = pexpect.spawn(
        sys.executable,
        [
            *["-m", "bridge.cli", "replay", "--from", "80", "--to", "84", "--report", "live.html", "--panel"],
            str(PANEL),
            str(CIRCUIT),
        ],
        cwd=tmp_path,
        env=environment(tmp_path),
        dimensions=(24, 100),
        timeout=PATIENCE_S,
        encoding="utf-8",
    )
    try:
        child.expect(r"circuit\.csv.*\s\d+%\s+\S+\s+left")
        child.expect("stopped")  # a log line, above the bar
        child.expect(pexpect.EOF)
    finally:
        child.close(force=True)
    assert child.exitstatus == 0
    text = (tmp_path / "live.html").read_text()
    assert "From 1:20 to 1:2" in text  # in the flight's own time
    assert "<td>left (virtual)</td>" in text
