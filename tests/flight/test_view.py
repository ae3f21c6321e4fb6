"""The terminal view: every gauge and board, in the words and the width of a terminal."""

from __future__ import annotations

import io
import itertools
import re
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from bridge.boards.pointer_channel import Phase
from bridge.flight.dry_run import DryRun
from bridge.flight.view import Shown, View, boards, clock
from bridge.panel.load import load_panel
from bridge.telemetry.source import Arrival
from tests.conftest import ROOT

READINGS = {
    "pressure_altitude": 3000.0,
    "altimeter_setting": 29.92126,
    "calibrated_airspeed": 99.0,
    "heading_magnetic": 0.0,
    "pitch": 3.0,
    "bank": 0.0,
}


def fly(seconds: float, **rates: float) -> DryRun:
    """From those readings, some of which change by so much a second; the dry_run at the end."""
    arrivals = []
    for n in range(round(seconds * 20) + 1):
        now = {name: READINGS[name] + rates.get(name, 0.0) * n / 20 for name in READINGS}
        now["heading_magnetic"] %= 360
        arrivals.append(Arrival(n / 20, now))
    panel = load_panel(ROOT / "config" / "panel.toml")
    dry_run = DryRun(panel, frozenset(READINGS), arrivals)
    for _ in dry_run.ticks():
        pass
    return dry_run


def drawn(
    dry_run: DryRun,
    width: int = 100,
    log: tuple[str, ...] = (),
    height: int | None = None,
    age_s: float = 0.0,
) -> str:
    """What the view draws; with a height, in a terminal of so many lines."""
    terminal = height is not None
    console = Console(
        file=io.StringIO(),
        width=width,
        height=height,
        force_terminal=terminal,
        color_system=None,
        _environ={},
    )
    view = View("Hobnail", console)
    for line in log:
        view.log(line)
    with view.live:
        running = dry_run.running
        assert running.telemetry.latest_s is not None
        now = running.snapshot(running.telemetry.latest_s + age_s)
        later_s = 125.5 - now.time_s
        arrived_s = {name: time_s + later_s for name, time_s in now._arrived_s.items()}
        view.draw(Shown(replace(now, time_s=125.5, _arrived_s=arrived_s)))
    assert isinstance(console.file, io.StringIO)
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", console.file.getvalue())


def row(text: str, name: str) -> list[str]:
    (line,) = (line for line in text.splitlines() if line.startswith(name))
    return line.split()


@pytest.mark.slow
def test_a_gauge_shows_what_it_should_show_what_it_shows_and_where_its_motor_is() -> None:
    text = drawn(fly(1.0))
    _, indication, unit, shows, error, target, board, state = row(text, "airspeed.needle")
    assert (indication, unit) == ("100.0", "kt")  # 99 kt calibrated: the panel's position error
    assert float(shows) == pytest.approx(100.0, abs=0.3)
    assert float(error) == pytest.approx(float(shows) - 100.0, abs=0.11)
    assert error[0] in "+-"
    assert float(target) == pytest.approx(float(board), abs=1.0)
    assert state == "ready"
    assert re.search(r"^left +virtual +ready +\d+ +0 +0\.0 ms", text, re.MULTILINE)
    assert "altimeter setting 29.92 inHg, 1013.3 hPa (telemetry)" in text
    assert "Hobnail   02:05.5   telemetry live" in text


def test_every_quantity_that_is_older_than_the_rest_has_its_age_in_sight() -> None:
    """That of all others is in the first line."""
    dry_run = fly(0.1)
    assert "older than" not in drawn(dry_run)
    dry_run.running.feed(
        3.4, {name: value for name, value in READINGS.items() if name not in ("pitch", "bank")}
    )
    text = drawn(dry_run, 80, height=40)
    assert "telemetry live, 0.00 s old" in text
    assert "older than the rest of telemetry: bank 3 s, pitch 3 s" in text


@pytest.mark.slow
@pytest.mark.parametrize("start", [358.0, 2.0])
def test_a_heading_across_north_shows_a_small_error(start: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(READINGS, "heading_magnetic", start)
    rate = 3.0 if start > 180 else -3.0
    shown = []
    for seconds in (0.4, 0.6, 0.7, 1.0):
        _, indication, _, shows, error, *_ = row(drawn(fly(seconds, heading_magnetic=rate)), "heading.card")
        assert abs(float(error)) < 0.6, seconds
        shown.append((float(indication), float(shows)))
    assert min(heading for heading, _ in shown) < 2 < 358 < max(heading for heading, _ in shown)


@pytest.mark.slow
def test_an_endless_pointer_is_read_in_the_turn_of_its_reading() -> None:
    """The hundreds pointer shows 3,000 ft although its motor never made three turns."""
    dry_run = fly(1.0)
    driven = dry_run.running.chain.pointers["left", 0]
    channel = dry_run.running.sessions["left"].channels[0]
    turn = float(driven.pointer.drive.steps_per_turn)
    assert abs(driven.position) < turn / 2
    reported = channel.reported
    for turns in (-28, 0, 5):
        channel.reported = replace(reported, position=round(reported.position + turns * turn))
        shown = dry_run.running.snapshot(1.0).pointers[0]
        assert shown.key == "altimeter.hundreds"
        assert shown.shows == pytest.approx(3000, abs=0.5)
        assert shown.error == pytest.approx(0, abs=0.5)


@pytest.mark.slow
@pytest.mark.parametrize("width", [80, 100, 160])
def test_every_number_fits_the_terminal(width: int) -> None:
    text = drawn(fly(0.5, pressure_altitude=33.0), width)
    assert all(len(line) <= width for line in text.splitlines())
    for pointer in ("altimeter.ten_thousands", "vertical_speed.needle", "attitude.pitch"):
        assert "…" not in " ".join(row(text, pointer))


@pytest.mark.slow
def test_a_gauge_without_its_telemetry_and_a_pointer_in_trouble_are_named() -> None:
    dry_run = fly(0.5)
    channel = dry_run.running.sessions["right"].channels[0]
    channel.phase, channel.detail = Phase.FAULTED, "stuck"
    text = drawn(dry_run)
    assert "turn lacks telemetry: " in text
    assert "airspeed.needle: faulted, stuck" in text
    cells = row(text, "airspeed.needle ")
    assert cells[1:3] == ["100.0", "kt"]
    assert cells[-1] == "faulted"
    assert len(cells) == 6, "what it shows and its error are not known"


def test_a_reading_off_the_scale_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(READINGS, "calibrated_airspeed", 230.0)
    cells = row(drawn(fly(1.0)), "airspeed.needle")
    assert cells[4:6] == ["off", "scale"]
    assert float(cells[3]) == pytest.approx(180.0, abs=0.5), "the needle is at the scale's end"


@pytest.mark.slow
def test_a_quantity_that_stops_is_named_with_its_age(monkeypatch: pytest.MonkeyPatch) -> None:
    readings = dict(READINGS)
    arrivals = [Arrival(n / 20, dict(readings)) for n in range(40)]
    del readings["pitch"]
    arrivals += [Arrival(n / 20, dict(readings)) for n in range(40, 80)]
    dry_run = DryRun(load_panel(ROOT / "config" / "panel.toml"), frozenset(READINGS), arrivals)
    for _ in dry_run.ticks():
        pass
    text = drawn(dry_run)
    assert row(text, "attitude.pitch")[-1] == "lost"
    assert row(text, "attitude.bank")[-1] == "ready"
    assert "attitude has lost its telemetry: pitch" in text


@pytest.mark.slow
@pytest.mark.parametrize("width", [66, 80])
def test_names_give_way_before_states(width: int, config: Path) -> None:
    panel = config / "panel.toml"
    long = "vertical_speed_of_the_aircraft_in_feet"
    panel.write_text(panel.read_text().replace("gauges.vertical_speed", f"gauges.{long}"))
    readings = {"pressure_altitude": 3000.0}
    dry_run = DryRun(load_panel(panel), frozenset(readings), [Arrival(n / 20, readings) for n in range(20)])
    for _ in dry_run.ticks():
        pass
    text = drawn(dry_run, width)
    (line,) = (line for line in text.splitlines() if line.startswith("ver"))
    assert line.split()[0].endswith("needle")
    assert "…" in line.split()[0]
    assert line.split()[-1] == "ready"


@pytest.mark.slow
def test_a_homing_board_is_shown_as_homing() -> None:
    dry_run = fly(0.1)
    dry_run.running.sessions["left"].home(1)
    text = drawn(dry_run)
    assert re.search(r"^left +virtual +homing ", text, re.MULTILINE)
    assert row(text, "altimeter.thousands ")[-1] == "homing"
    assert "altimeter.thousands: homing, looks for its home position" in text


@pytest.mark.slow
def test_a_log_line_is_wrapped_and_its_cause_is_there() -> None:
    cause = "no device at /dev/ttyUSB0: plug the board in, or correct its port"
    line = f"12:00:00 [warning  ] board can't be reached         board=left attempt=1 why='{cause}'"
    text = drawn(fly(0.1), 80, (line, "\x1b]0;title\x07 of a label"))
    assert cause in " ".join(text.split())
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "\x1b" not in text and "\x07" not in text


@pytest.mark.slow
def test_in_a_small_terminal_the_latest_log_lines_are_shown() -> None:
    log = tuple(f"line {n} " + "word " * 30 for n in range(9))
    text = drawn(fly(0.1), 80, log, height=24).rpartition("Hobnail")[2]  # the last of its drawings
    assert len(text.splitlines()) <= 24
    assert "line 8" in text
    assert "centre virtual ready" in text
    assert text.splitlines()[-1].split()[-1] == "word", "the end of the last is there"
    for before, line in itertools.pairwise(text.splitlines()):
        if line.startswith("    word"):
            assert before.startswith(("line", "    word")), "no end without its beginning"


@pytest.mark.slow
def test_the_latest_log_lines_are_shown_below() -> None:
    text = drawn(fly(0.1), log=tuple(f"line {n}" for n in range(9)))
    assert "line 8" in text
    assert "line 3" in text
    assert "line 2" not in text


@pytest.mark.parametrize(
    ("time_s", "shown"), [(0.0, "00:00.0"), (59.94, "00:59.9"), (59.96, "01:00.0"), (3725.5, "62:05.5")]
)
def test_times_are_minutes_and_seconds(time_s: float, shown: str) -> None:
    assert clock(time_s) == shown


def test_names_neither_steer_the_terminal_nor_are_read_as_markup() -> None:
    running = fly(0.1).running
    snapshot = running.snapshot(0.1)
    named = replace(snapshot, boards=(replace(snapshot.boards[0], name="b\x1b]0;t\x07[/red]"),))
    console = Console(file=io.StringIO(), width=100, color_system=None, _environ={})
    console.print(boards(named))
    assert isinstance(console.file, io.StringIO)
    text = console.file.getvalue()
    assert "\x1b" not in text and "\x07" not in text
    assert r"b\x1b]0;t\x07[/red]" in text
