"""The page of a report: it fetches nothing, runs only its own scripts, zooms, and prints without them."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.errors import DescriptionError
from bridge.flight.dry_run import DryRun
from bridge.flight.trace import Trace
from bridge.outputs import MARK
from bridge.panel.load import load_panel
from bridge.report.analysis import errors_of, figures_of
from bridge.report.charts import clock
from bridge.report.from_trace import is_trace, read_trace
from bridge.report.page import report_html
from bridge.report.tracks import Flight, Recorder
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import arrivals
from tests.conftest import ROOT
from tests.page.conftest import OpenPage, browser, open_page
from tests.report.flown import made_up, tachometer

__all__ = ["browser", "open_page"]

PANEL = ROOT / "config" / "panel.toml"


@pytest.fixture(scope="module")
def flown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Flight, Path]:
    """Twelve seconds of the go-around's turn at 20 ticks a second, and their trace."""
    folder = tmp_path_factory.mktemp("flown")
    panel = load_panel(PANEL)
    described = panel.description.model_copy(update={"tick_hz": 20.0})
    panel = replace(panel, description=described)
    log = read_log(ROOT / "replay_logs" / "go-around.csv", panel.catalogue)
    dry_run = DryRun(panel, log.given, arrivals(log, 60.0, 72.0))
    recorder = Recorder(panel, "go-around.csv")
    with Trace(folder / "trace.csv", dry_run.running.snapshot(0.0)) as trace:
        for time_s in dry_run.ticks():
            snapshot = dry_run.running.snapshot(time_s)
            trace.write(snapshot)
            recorder.take(snapshot)
    return recorder.flight, folder / "trace.csv"


@pytest.mark.slow
def test_a_trace_has_the_same_errors_as_the_flight_that_it_is_of(flown: tuple[Flight, Path]) -> None:
    flight, trace = flown
    assert is_trace(trace) and not is_trace(ROOT / "replay_logs" / "go-around.csv")
    again = read_trace(trace, load_panel(PANEL))
    assert list(again.ticks_s) == pytest.approx(list(flight.ticks_s), abs=1e-4)
    assert again.altitude_name == flight.altitude_name == "indicated_altitude"
    assert again.tracks.keys() == flight.tracks.keys()
    for key, track in flight.tracks.items():
        found = errors_of(again.tracks[key])
        wanted = errors_of(track)
        slack = 2e-3 + 1e-5 * max(map(abs, track.wanted), default=0.0)
        assert list(found.values) == pytest.approx(list(wanted.values), abs=slack), key
        a, b = (figures_of(f, f.tracks[key], e) for f, e in ((again, found), (flight, wanted)))
        assert a.rms == pytest.approx(b.rms, abs=slack)
    assert again.states.keys() == flight.states.keys() == {"left", "right", "centre"}
    assert [(b.name, b.sent, b.lost, b.resets) for b in again.boards] == [
        (b.name, b.sent, b.lost, b.resets) for b in flight.boards
    ]
    assert all(board.sent > 100 for board in again.boards)


@pytest.mark.slow
def test_the_page_fetches_nothing_and_allows_its_own_scripts_alone(flown: tuple[Flight, Path]) -> None:
    text = report_html(flown[0])
    assert MARK in text[:2000]
    without_licence = text.replace("https://github.com/leeoniya/uPlot", "")
    assert not re.search(r"""(src|href)\s*=\s*["'](?!#)""", without_licence)
    scripts = re.findall(r"<script>(.*?)</script>", text, re.DOTALL)
    policy = re.search(r"script-src ([^\"]+)\"", text)
    assert policy is not None
    hashes = [base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in scripts]
    assert policy[1].split() == [f"'sha256-{found}'" for found in hashes]
    assert "Permission is hereby granted, free of charge" in text  # the licence of what is shipped in it
    assert "Nothing here is for a real aircraft" in text
    for key in flown[0].tracks:
        assert f'<section id="{key}">' in text


@pytest.mark.slow
def test_it_opens_offline_zooms_on_a_screen_and_prints_its_own_drawings(
    flown: tuple[Flight, Path], open_page: OpenPage, tmp_path: Path
) -> None:
    """Any complaint of the browser (a script refused, a file that is missing) fails the test."""
    file = tmp_path / "report.html"
    file.write_text(report_html(flown[0]))
    page = open_page(file.as_uri(), offline=True)
    count = len(flown[0].tracks)
    assert page.locator("section canvas").count() == count
    tables = page.locator(".scroll")
    assert tables.evaluate_all("all => all.filter(it => it.scrollWidth > it.clientWidth).length") == 0
    drawn = page.locator("[data-track] > svg").first
    assert not drawn.is_visible()
    page.emulate_media(media="print")
    assert drawn.is_visible()
    assert not page.locator("section canvas").first.is_visible()
    assert "of the flight" in (drawn.text_content() or "")


def test_the_chart_that_zooms_has_the_worst_moments_of_its_table(tmp_path: Path) -> None:
    flight = made_up(tachometer(tmp_path), lambda t: 1000.0, lambda t: 1250.0 if 3.0 < t < 3.1 else 1000.0)
    found = re.search(r'id="tracks">(.*?)</script>', report_html(flight), re.DOTALL)
    assert found is not None
    track = json.loads(found[1])["tracks"]["tachometer.needle"]
    assert track["worst"][0] == [3.02, 250.0]
    assert track["tolerance"] == flight.tracks["tachometer.needle"].tolerance


@pytest.mark.parametrize(
    ("time_s", "text"),
    [
        (0.0, "0:00"),
        (479.96, "8:00"),
        (59.94, "0:59.9"),
        (61.5, "1:01.5"),
        (-3.0, "-0:03"),
        (3600.0, "60:00"),
    ],
)
def test_a_time_of_the_flight_has_no_sixtieth_second(time_s: float, text: str) -> None:
    assert clock(time_s) == text


def test_names_of_a_stranger_do_no_harm(tmp_path: Path) -> None:
    flight = made_up(tachometer(tmp_path), lambda t: 1000.0, lambda t: 1000.0)
    flight.title = "<script>alert(1)</script>"
    flight.board(0.0, "<img src=x>", "ready")
    flight.failures = [(0.0, ""), (2.0, "<b>static_blocked")]
    text = report_html(flight)
    assert "Failures for training in force: 0:00 none, 0:02 &lt;b&gt;static_blocked" in text
    assert "<script>alert" not in text and "<img src" not in text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time[s],telemetry,telemetry_age[s]\r\n0.0,live,0\r\n", "no pointer of this panel"),
        ("", "can't be read"),
    ],
)
def test_a_trace_that_is_of_no_use_is_answered_in_words(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "trace.csv").write_text(text)
    with pytest.raises(DescriptionError, match=words):
        read_trace(tmp_path / "trace.csv", tachometer(tmp_path))


def test_a_row_that_is_cut_off_is_skipped_and_counted(tmp_path: Path) -> None:
    panel = tachometer(tmp_path)
    names = ("indication[rpm]", "shows[rpm]", "commanded[step]", "reported[step]", "report_age[s]", "state")
    header = ",".join(["time[s],telemetry,telemetry_age[s]", *(f"tachometer.needle.{n}" for n in names)])
    rows = ["0.0,live,0,1000,1000,270,270,0,ready", "0.1,live,0,1000,10", "0.2,live,0,x,1,1,1,0,ready"]
    rows += ["0.1,live,0,1000,1000,270,270,0,ready", "0.05,live,0,1000,1000,270,270,0,ready"]
    (tmp_path / "trace.csv").write_text("\r\n".join([header, *rows]))
    flight = read_trace(tmp_path / "trace.csv", panel)
    assert list(flight.ticks_s) == [0.0, 0.1]
    assert "3 rows could not be read" in flight.title
