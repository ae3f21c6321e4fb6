"""Flags of gauges: in sight while what they are about is not there, and by a condition."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import DescriptionErrors
from bridge.flight.running_panel import RunningPanel
from bridge.flight.trace import Trace
from bridge.flight.view import notes
from bridge.panel.load import Panel, load_panel
from tests.flight.one_gauge import one_gauge

GIVEN = frozenset({"engine_speed", "suction", "bus_voltage"})
FLAGS = """
[gauges.tachometer.flags]
off = { when = "suction < 4.5", hysteresis = 0.2, delay_s = 1 }
dead = {}
"""


def described(folder: Path, more: str) -> Panel:
    file = folder / "panel.toml"
    file.write_text(one_gauge("sweep") + more)
    return load_panel(file)


def fly(running: RunningPanel, start_s: float, seconds: float, **readings: float) -> float:
    for tick in range(round(seconds * 100)):
        time_s = round(start_s + tick / 100, 2)
        if tick % 5 == 0:
            running.feed(time_s, readings)
        running.tick(time_s)
    return start_s + seconds


def whys(running: RunningPanel, time_s: float) -> dict[str, str]:
    return {flag.name: flag.why for flag in running.snapshot(time_s).flags}


def test_a_flag_goes_out_of_sight_with_the_first_reading_and_comes_back_with_silence(tmp_path: Path) -> None:
    running = RunningPanel(described(tmp_path, FLAGS), GIVEN)
    assert whys(running, 0.0) == {"off": "no telemetry yet", "dead": "no telemetry yet"}
    time_s = fly(running, 0.0, 1.0, engine_speed=2000, suction=5.0)
    assert whys(running, time_s) == {"off": "", "dead": ""}
    for tick in range(200):
        running.tick(time_s + tick / 100)
    assert whys(running, time_s + 2.0) == {"off": "telemetry is silent", "dead": "telemetry is silent"}


def test_a_condition_shows_it_with_its_delay_and_hysteresis(tmp_path: Path) -> None:
    running = RunningPanel(described(tmp_path, FLAGS), GIVEN)
    time_s = fly(running, 0.0, 1.0, engine_speed=2000, suction=5.0)
    time_s = fly(running, time_s, 0.9, engine_speed=2000, suction=4.0)
    assert whys(running, time_s)["off"] == ""
    time_s = fly(running, time_s, 0.3, engine_speed=2000, suction=4.0)
    assert whys(running, time_s) == {"off": "suction < 4.5", "dead": ""}
    time_s = fly(running, time_s, 2.0, engine_speed=2000, suction=4.6)
    assert whys(running, time_s)["off"] == "suction < 4.5"
    time_s = fly(running, time_s, 1.2, engine_speed=2000, suction=4.8)
    assert whys(running, time_s)["off"] == ""
    assert list(notes(running.snapshot(time_s)))[-1:] != ["tachometer flag off: suction < 4.5"]


def test_what_it_watches_may_be_lost_while_the_needle_flies_on_and_the_other_way_round(
    tmp_path: Path,
) -> None:
    running = RunningPanel(described(tmp_path, FLAGS), GIVEN)
    time_s = fly(running, 0.0, 1.0, engine_speed=2000, suction=5.0)
    time_s = fly(running, time_s, 1.0, engine_speed=2000, bus_voltage=14.0)
    assert whys(running, time_s) == {"off": "suction is not known", "dead": ""}
    assert "tachometer flag off: suction is not known" in list(notes(running.snapshot(time_s)))
    time_s = fly(running, time_s, 1.0, suction=5.0, bus_voltage=14.0)
    assert whys(running, time_s) == {"off": "lost engine_speed", "dead": "lost engine_speed"}


def test_a_condition_without_its_quantity_is_named_at_the_start_and_shows_the_flag(tmp_path: Path) -> None:
    running = RunningPanel(described(tmp_path, FLAGS), frozenset({"engine_speed"}))
    assert "flag off: suction" in running.chain.missing["tachometer"]
    time_s = fly(running, 0.0, 1.0, engine_speed=2000)
    assert whys(running, time_s) == {"off": "suction is not known", "dead": ""}


def test_a_reload_keeps_the_delay_and_a_changed_condition_starts_afresh(tmp_path: Path) -> None:
    running = RunningPanel(described(tmp_path, FLAGS), GIVEN)
    time_s = fly(running, 0.0, 1.0, engine_speed=2000, suction=5.0)
    time_s = fly(running, time_s, 0.9, engine_speed=2000, suction=4.0)
    same = RunningPanel(described(tmp_path, FLAGS + "# saved\n"), GIVEN, before=running)
    other = RunningPanel(described(tmp_path, FLAGS.replace("4.5", "4.4")), GIVEN, before=running)
    fly(same, time_s, 0.3, engine_speed=2000, suction=4.0)
    assert whys(same, time_s + 0.3)["off"] == "suction < 4.5"
    assert whys(other, time_s)["off"] == "suction < 4.4", "the first reading counts at once"


def test_the_trace_has_the_reason(tmp_path: Path) -> None:
    running = RunningPanel(described(tmp_path, FLAGS), GIVEN)
    with Trace(tmp_path / "trace.csv", running.snapshot(0.0)) as trace:
        trace.write(running.snapshot(0.0))
    header, row = (line.split(",") for line in (tmp_path / "trace.csv").read_text().splitlines())
    assert dict(zip(header, row, strict=True))["tachometer.off.flag"] == "no telemetry yet"


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            'off = { when = "suction" }',
            "gauges.tachometer.flags.off.when: found 'suction'; expected a quantity, <",
        ),
        ('off = { pointer = "hand" }', "flags.off.pointer: found an unknown pointer 'hand'"),
        ("off = { delay_s = -1 }", "flags.off.delay_s: found -1; expected greater than or equal to 0"),
    ],
)
def test_a_mistake_is_named_with_its_key(more: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors) as raised:
        described(tmp_path, f"[gauges.tachometer.flags]\n{more}\n")
    assert words in str(raised.value)
