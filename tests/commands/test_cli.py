"""The commands as a user runs them: in a process of their own, judged by output, files and exit code."""

from __future__ import annotations

import csv
import re
import signal
import socket
import sys
from fractions import Fraction
from pathlib import Path

import pytest

from bridge.telemetry.flightlog import read_log
from tests.commands.started import CIRCUIT, change, command, started, told
from tests.conftest import ROOT
from tests.ports import free_port

COMMANDS = ["demo", "run", "replay", "listen", "calibrate", "prove", "check", "faces", "wiring", "firmware"]


# -- help, demo, replay -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_explains_itself(tmp_path: Path, name: str) -> None:
    assert f"    {name} " in command(tmp_path, "--help").stdout
    result = command(tmp_path, name, "--help")
    assert result.returncode == 0
    assert "options:" in result.stdout
    assert not result.stderr


@pytest.mark.slow
def test_the_demo_flies_and_reports_how_it_went(tmp_path: Path) -> None:
    result = command(tmp_path, "demo", "--speed", "max", "--to", "20")
    assert result.returncode == 0, result.stderr
    assert "flown: 20.0 s" in result.stdout
    assert "altimeter.hundreds" in result.stdout
    for board in ("left", "right", "centre"):
        assert re.search(rf"board {board}: ready, \d{{4,}} frames, 0 lost", result.stdout)


@pytest.mark.slow
def test_the_trace_shows_every_needle_where_its_reading_wants_it(tmp_path: Path) -> None:
    """The hundreds pointer within 10 ft (common practice, no source), by exact arithmetic of its drive.

    1,000 ft are one turn. The motor makes 32 steps, half steps double them, its gears have the teeth that
    the motor table states; the calibration of the demo panel corrects at most 0.8 degrees.
    """
    trace = tmp_path / "trace.csv"
    panel = ROOT / "config" / "panel.toml"
    window = ("--from", "80", "--to", "120", "--speed", "max")
    result = command(tmp_path, "replay", CIRCUIT, "--panel", panel, *window, "--trace", trace)
    assert result.returncode == 0, result.stderr
    turn = 64 * Fraction(32, 9) * Fraction(22, 11) * Fraction(26, 9) * Fraction(31, 10)
    with trace.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 4001
    assert [float(row["time[s]"]) for row in rows[:3]] == [80.0, 80.01, 80.02]
    readings_ft = [Fraction(row["altimeter.hundreds.indication[ft]"]) for row in rows]
    assert max(readings_ft) - min(readings_ft) > 300, "there is no climb in it"
    corrected_ft = Fraction(8, 10) / 360 * 1000
    for row, reading_ft in zip(rows, readings_ft, strict=True):
        shown_ft = Fraction(row["altimeter.hundreds.commanded[step]"]) / turn * 1000
        off_ft = (shown_ft - reading_ft + 500) % 1000 - 500
        assert abs(off_ft) <= 10 + corrected_ft, row
    with CIRCUIT.open(encoding="utf-8", newline="") as file:
        flown = {row["time[s]"]: row for row in csv.DictReader(file)}
    for row in rows[::100]:
        log = flown[f"{float(row['time[s]']):g}"]
        speed_kt = float(row["airspeed.needle.indication[kt]"])
        assert speed_kt == pytest.approx(float(log["calibrated_airspeed[kt]"]), abs=2.0), "position error"
        heading_deg = float(row["heading.card.indication[deg]"])
        assert heading_deg == pytest.approx(float(log["heading_magnetic[deg]"]), abs=0.1)
        assert float(row["raw.static_pressure[hPa]"]) == float(log["static_pressure[hPa]"])
        assert float(row["altimeter_setting[inHg]"]) == float(log["altimeter_setting[inHg]"])


@pytest.mark.slow
def test_a_scenario_is_flown_and_traced_and_a_wrong_one_is_explained(tmp_path: Path) -> None:
    trace, panel = tmp_path / "trace.csv", ROOT / "config" / "panel.toml"
    scenario = tmp_path / "ice.toml"
    scenario.write_text('[[failures]]\nkind = "pitot_blocked"\nat_s = 142\n')
    flight = ("replay", CIRCUIT, "--panel", panel, "--speed", "max", "--scenario", scenario)
    result = command(tmp_path, *flight, "--from", "140", "--to", "146", "--trace", trace)
    assert result.returncode == 0, result.stderr
    with trace.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert (rows[0]["failures"], rows[-1]["failures"]) == ("", "pitot_blocked")
    assert float(rows[-1]["airspeed.needle.true_indication[kt]"]) > 80.0
    assert float(rows[-1]["airspeed.needle.indication[kt]"]) < 20.0
    scenario.write_text('[[failures]]\nkind = "pitot_blokked"\n')
    told(command(tmp_path, *flight), "failures.0.kind", "'pitot_blocked'")


def test_a_replay_goes_to_real_boards_at_the_flights_own_pace_only(panel: Path, tmp_path: Path) -> None:
    change(panel, "[boards.left]\n", '[boards.left]\nlink = "serial"\nport = "no-such-port"\n')
    told(
        command(tmp_path, "replay", CIRCUIT, "--panel", panel, "--speed", "max"),
        "--speed max: found real boards (left); expected virtual ones",
        "Add --virtual",
    )


@pytest.mark.slow
def test_the_log_of_a_flight_recorder_is_replayed_and_what_is_assumed_of_it_is_named(tmp_path: Path) -> None:
    flight = ROOT / "tests" / "data" / "flights" / "midnight.igc"
    result = command(
        tmp_path, "replay", flight, "--panel", ROOT / "config" / "panel.toml", "--speed", "max", "--to", "6"
    )
    assert result.returncode == 0, result.stderr
    assert "flown: 6.0 s" in result.stdout
    assert "TAS in 0.01 km/h" in result.stdout + result.stderr


# -- run, listen ------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="signals of another process")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_run_stops_cleanly_and_leaves_a_whole_recording(
    panel: Path, tmp_path: Path, number: signal.Signals
) -> None:
    with started(tmp_path, "run", panel, "--record", "flight.csv") as run:
        run.wait_for("board=left on='every channel known or faulted' state=ready")
        assert run.stop(number) == 0, run.output
    assert re.search(r"^\S+ \[info +\] stopped", run.output, re.MULTILINE)
    assert "Traceback" not in run.output
    assert (tmp_path / "flight.csv").read_text(encoding="utf-8").startswith("time[s],")


@pytest.mark.slow
def test_run_records_what_arrives_and_counts_what_is_short(panel: Path, tmp_path: Path) -> None:
    """A layout longer than the datagram can't be seen before one arrives: it is counted, logged, survived."""
    layout = """
        kind = "binary"
        byte_order = "little"
        fields = [
            { quantity = "pressure_altitude", offset = 0, type = "float32", unit = "ft" },
            { quantity = "calibrated_airspeed", offset = 8, type = "float32", unit = "kt" },
        ]
    """
    (panel.parent / "layouts" / "short.toml").write_text(layout, encoding="utf-8")
    change(panel, "layouts/labelled-text.toml", "layouts/short.toml")
    with (
        started(tmp_path, "run", panel, "--record", "flight.csv") as run,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        run.wait_for("listening")
        to = ("127.0.0.1", run.port)
        sender.sendto(bytes(8), to)
        run.wait_for("cause=short")
        assert "8 bytes, 12 needed" in run.output
        sender.sendto(bytes.fromhex("0000fa44 00000000 0000b442"), to)  # 2000 ft, 90 kt
        run.wait_for("state=live")
        assert run.stop(signal.SIGTERM) == 0
    (row,) = list(read_log(tmp_path / "flight.csv"))
    assert row[1] == {"pressure_altitude": 2000.0, "calibrated_airspeed": 90.0}


@pytest.mark.slow
def test_run_flies_without_a_serial_board_that_is_not_there(panel: Path, tmp_path: Path) -> None:
    change(panel, "[boards.centre]\n", '[boards.centre]\nlink = "serial"\nport = "no-such-port"\n')
    with started(tmp_path, "run", panel) as run:
        run.wait_for("board=centre why='no device at no-such-port: plug the board in")
        run.wait_for("board=left on='every channel known or faulted' state=ready")
        assert run.stop(signal.SIGTERM) == 0


@pytest.mark.slow
def test_listen_prints_a_line_for_what_arrives(tmp_path: Path) -> None:
    layout = ROOT / "config" / "layouts" / "keyvalue.toml"
    with (
        started(tmp_path, "listen", "--on", "127.0.0.1:0", "--layout", layout) as listen,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        listen.wait_for("waiting for datagrams")
        sender.bind(("127.0.0.1", 0))
        sender.sendto(b"AIR t_ms=1000;alt_m=304.8;ias_kmh=185.2;hdg=north", ("127.0.0.1", listen.port))
        listen.wait_for("1 datagrams")
        assert listen.stop(signal.SIGINT) == 0
    line = next(line for line in listen.output.splitlines() if "1 datagrams" in line)
    assert f"127.0.0.1:{sender_port(line)}" in line
    assert "49 bytes, layout keyvalue" in line
    assert "altitude 1000.00 ft" in line
    assert "airspeed 100.00 kt" in line
    assert "not a number 1" in line


@pytest.mark.slow
def test_listen_without_a_layout_shows_that_something_arrives(tmp_path: Path) -> None:
    with (
        started(tmp_path, "listen", "--on", "127.0.0.1:0") as listen,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        listen.wait_for("waiting for datagrams")
        sender.sendto(b"anything", ("127.0.0.1", listen.port))
        listen.wait_for("1 datagrams")
        assert listen.stop(signal.SIGINT) == 0
    assert "8 bytes, layout none fits" in listen.output


@pytest.mark.slow
def test_listen_takes_a_panel_of_a_class_and_names_what_its_broker_lacks(tmp_path: Path, panel: Path) -> None:
    text = panel.read_text(encoding="utf-8")
    before, _, after = text.partition("[[sources]]")
    broker = f"[broker]\nport = {free_port(socket.SOCK_STREAM)}\n"
    source = '[[sources]]\nkind = "mqtt"\ntopic = "class/readings"\n'
    panel.write_text(
        f"{before}{broker}{source}{after[after.index('[altimeter_setting]') :]}", encoding="utf-8"
    )
    with started(tmp_path, "listen", panel) as listen:
        listen.wait_for("waiting for messages")
        listen.wait_for("nothing listens there: start the broker")
        assert listen.stop(signal.SIGINT) == 0


def sender_port(line: str) -> int:
    found = re.search(r"< 127\.0\.0\.1:(\d+)", line)
    assert found, line
    return int(found[1])
