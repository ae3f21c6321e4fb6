"""The terminal view: every gauge and board, in the words and the width of a terminal."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console

from bridge.flight.dry_run import DryRun
from bridge.flight.view import View, clock, shown_reading
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


def drawn(dry_run: DryRun, width: int = 100, log: tuple[str, ...] = ()) -> str:
    console = Console(file=io.StringIO(), width=width)
    view = View("Hobnail", console)
    for line in log:
        view.log(line)
    with view.live:
        view.draw(dry_run.running, 125.5)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def row(text: str, name: str) -> list[str]:
    (line,) = (line for line in text.splitlines() if line.startswith(name))
    return line.split()


def test_a_gauge_shows_what_it_should_show_what_it_shows_and_where_its_motor_is() -> None:
    text = drawn(fly(1.0))
    _, indication, unit, shows, error, target, board, state = row(text, "airspeed.needle")
    assert (indication, unit) == ("100.0", "kt")  # 99 kt calibrated: the panel's position error
    assert float(shows) == pytest.approx(100.0, abs=0.3)
    assert float(error) == pytest.approx(float(shows) - 100.0, abs=0.11)
    assert error[0] in "+-"
    assert float(target) == pytest.approx(float(board), abs=1.0)
    assert state == "ready"
    assert re.search(r"^left +ready +\d+ +0 +0\.0 ms", text, re.MULTILINE)
    assert "Hobnail   02:05.5   telemetry live" in text


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


def test_an_endless_pointer_is_read_in_the_turn_of_its_reading() -> None:
    """The hundreds pointer shows 3,000 ft although its motor never made three turns."""
    dry_run = fly(1.0)
    needle = dry_run.running.chain.pointers["left", 0]
    turn = float(needle.pointer.drive.steps_per_turn)
    assert abs(needle.position) < turn / 2
    for turns in (-28, 0, 5):
        shown_ft = shown_reading(needle, needle.position + turns * turn)
        assert shown_ft == pytest.approx(3000, abs=0.5)


@pytest.mark.parametrize("width", [80, 100, 160])
def test_every_number_fits_the_terminal(width: int) -> None:
    text = drawn(fly(0.5, pressure_altitude=33.0), width)
    assert all(len(line) <= width for line in text.splitlines())
    for pointer in ("altimeter.ten_thousands", "vertical_speed.needle", "attitude.pitch"):
        assert "…" not in " ".join(row(text, pointer))


def test_a_gauge_without_its_telemetry_and_a_pointer_in_trouble_are_named() -> None:
    dry_run = fly(0.5)
    session = dry_run.running.sessions["right"]
    session.channels[0].phase, session.channels[0].detail = type(session.channels[0].phase).FAULTED, "stuck"
    text = drawn(dry_run)
    assert "turn lacks telemetry: " in text
    assert "faulted stuck" in text
    cells = row(text, "airspeed.needle")
    assert cells[1:3] == ["100.0", "kt"]
    assert cells[-2:] == ["faulted", "stuck"]
    assert len(cells) == 7, "what it shows and its error are not known"


def test_the_latest_log_lines_stand_below() -> None:
    text = drawn(fly(0.1), log=tuple(f"line {n}" for n in range(9)))
    assert "line 8" in text
    assert "line 3" in text
    assert "line 2" not in text


@pytest.mark.parametrize(
    ("time_s", "shown"), [(0.0, "00:00.0"), (59.94, "00:59.9"), (59.96, "01:00.0"), (3725.5, "62:05.5")]
)
def test_times_are_minutes_and_seconds(time_s: float, shown: str) -> None:
    assert clock(time_s) == shown
