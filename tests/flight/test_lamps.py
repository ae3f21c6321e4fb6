"""Lamps at work: from readings, knobs and time to what a virtual board's lamps show."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.boards.lightness import level
from bridge.boards.messages import FULL_LEVEL
from bridge.flight.conditions import Conditions
from bridge.flight.dry_run import DryRun
from bridge.flight.lamps import Lamps
from bridge.flight.running_panel import RunningPanel
from bridge.flight.trace import Trace
from bridge.flight.view import lamps, notes
from bridge.panel.load import Panel
from bridge.telemetry.source import Arrival
from tests.panel import test_lamps as described


class AtWork:
    """The lamps of a panel and their conditions, without the rest of a flight."""

    def __init__(self, panel: Panel, before: AtWork | None = None) -> None:
        self.lamps: Lamps = Lamps(panel.lamps, before.lamps if before else None)
        self.conditions: Conditions = Conditions(panel.conditions, before.conditions if before else None)

    def lit(self) -> dict[str, float]:
        return {driven.lamp.name: driven.brightness for driven in self.lamps.driven}

    def step(self, time_s: float, values: dict[str, float], gone: bool = False) -> dict[str, float]:
        self.conditions.update(time_s, values)
        self.lamps.step(time_s, values, lambda _: gone, self.conditions.held)
        return self.lit()


def test_without_its_reading_a_lamp_is_as_stated(tmp_path: Path) -> None:
    panel = described.panel(tmp_path, ("delay_s = 2", "delay_s = 2\nwhen_lost = 1"))
    at = AtWork(panel)
    assert at.lit() == {"back": 0.5, "low_oil": 1.0}
    assert at.step(0.0, {})["low_oil"] == 1.0
    assert at.step(0.1, {"oil_pressure": 60.0})["low_oil"] == 0.0
    assert at.step(0.2, {"oil_pressure": 60.0}, gone=True)["low_oil"] == 1.0


def test_an_annunciator_follows_its_condition_with_hysteresis_and_delay(tmp_path: Path) -> None:
    at = AtWork(described.panel(tmp_path))
    times_s = (0.0, 1.0, 2.9, 3.0, 4.0, 9.0, 10.0, 12.0)
    readings = (60.0, 19.0, 18.0, 18.0, 24.0, 24.0, 26.0, 26.0)
    lit = [
        at.step(time_s, {"oil_pressure": reading})["low_oil"]
        for time_s, reading in zip(times_s, readings, strict=True)
    ]
    assert lit == [0, 0, 0, 1, 1, 1, 1, 0]


def test_a_backlight_fades_in_even_steps_to_the_eye_to_where_its_knob_sets_it(tmp_path: Path) -> None:
    at = AtWork(described.panel(tmp_path))
    at.step(0.0, {})
    assert at.step(0.1, {})["back"] == pytest.approx(0.6)  # from 0.5 to 0.8, a second from dark to full
    assert at.step(0.2, {})["back"] == pytest.approx(0.7)
    assert at.step(5.0, {})["back"] == pytest.approx(0.8)
    at.lamps.turn("only", 1, 3)  # another input
    at.lamps.turn("only", 0, -6)
    assert at.step(6.0, {})["back"] == pytest.approx(0.5)
    at.lamps.turn("only", 0, -100)
    assert at.step(9.0, {})["back"] == 0.0
    at.lamps.turn("only", 0, 100)
    assert at.step(12.0, {})["back"] == 1.0


def test_a_quantity_sets_the_brightness_from_its_lowest_to_its_highest_value(tmp_path: Path) -> None:
    declared = '[quantities.cabin_lighting]\nunit = "%"\nlow = 0\nhigh = 100\n[lamps.back]'
    panel = described.panel(
        tmp_path,
        ("[lamps.back]", declared),
        ("brightness = 0.8", 'brightness = "cabin_lighting"'),
        ('knob = { board = "only", input = 0 }\nfade_s = 1', ""),
    )
    at = AtWork(panel)
    assert at.step(0.0, {})["back"] == 0.5
    assert [at.step(1.0, {"cabin_lighting": v})["back"] for v in (0.0, 25.0, 100.0, 120.0)] == [
        0,
        0.25,
        1,
        1,
    ]


def test_a_new_description_leaves_the_knob_and_the_condition_as_they_are(tmp_path: Path) -> None:
    at = AtWork(described.panel(tmp_path))
    at.lamps.turn("only", 0, -6)
    at.step(0.0, {"oil_pressure": 10.0})
    after = AtWork(described.panel(tmp_path, ("fade_s = 1", "fade_s = 2")), at)
    assert after.step(10.0, {"oil_pressure": 22.0}) == {"back": 0.5, "low_oil": 1.0}


def rows(*oil: float | None) -> list[Arrival]:
    """A second of telemetry, twenty readings, for each value; None for readings without it."""
    return [
        Arrival(
            second + tick / 20,
            {"engine_speed": 2000.0} | ({} if psi is None else {"oil_pressure": psi}),
        )
        for second, psi in enumerate(oil)
        for tick in range(20)
    ]


def test_a_flight_lights_the_lamps_of_a_virtual_board_and_the_trace_has_them(tmp_path: Path) -> None:
    panel = described.panel(tmp_path, ("delay_s = 2", "delay_s = 0.5"))
    flight = DryRun(panel, frozenset({"engine_speed", "oil_pressure"}), rows(60, 60, 10, 10, 60, 60))
    seen: dict[float, list[int]] = {}
    trace = None
    for time_s in flight.ticks():
        snapshot = flight.running.snapshot(time_s)
        trace = trace or Trace(tmp_path / "trace.csv", snapshot)
        trace.write(snapshot)
        board = flight.boards["only"].board
        seen[round(time_s, 2)] = [lamp.level(time_s) for lamp in board.lamps]
    assert trace is not None
    trace.__exit__(None, None, None)
    back = level(0.8)
    assert seen[1.5] == [back, 0]
    assert seen[2.4] == [back, 0]
    assert seen[2.7] == [back, FULL_LEVEL]
    assert seen[4.9] == [back, 0]
    header, *lines = (tmp_path / "trace.csv").read_text().splitlines()
    columns = header.split(",")
    state = columns.index("lamp.low_oil.state")
    assert columns[state - 1] == "lamp.low_oil.brightness"
    assert lines[150].split(",")[state] == "dark" and lines[300].split(",")[state] == "lit"
    snapshot = flight.running.snapshot(5.9)
    assert [(lamp.name, round(lamp.brightness, 3), lamp.state) for lamp in snapshot.lamps] == [
        ("back", 0.8, "lit"),
        ("low_oil", 0.0, "dark"),
    ]
    assert [str(line) for line in lamps(snapshot)] == ["lamps  back 0.80  low_oil dark"]


def test_a_reading_that_stops_arriving_and_telemetry_that_is_silent_leave_lamps_as_stated(
    tmp_path: Path,
) -> None:
    panel = described.panel(tmp_path, ("delay_s = 2", "when_lost = 1"))
    running = RunningPanel(panel, frozenset({"engine_speed", "oil_pressure"}))

    def fly(start_s: float, seconds_s: float, readings: dict[str, float] | None) -> dict[str, str]:
        for tick in range(round(seconds_s * 20)):
            time_s = start_s + tick / 20
            if readings is not None:
                running.feed(time_s, readings)
            running.tick(time_s)
        return {d.lamp.name: "lit" if d.brightness else "dark" for d in running.chain.lamps.driven}

    good = {"engine_speed": 2000.0, "oil_pressure": 60.0}
    assert fly(0.0, 3.0, good) == {"back": "lit", "low_oil": "dark"}
    assert fly(3.0, 5.0, {"engine_speed": 2000.0}) == {"back": "lit", "low_oil": "lit"}
    assert fly(8.0, 3.0, good) == {"back": "lit", "low_oil": "dark"}
    assert fly(11.0, 5.0, None) == {"back": "lit", "low_oil": "dark"}  # as the needles hold
    assert fly(16.0, 8.0, None) == {"back": "lit", "low_oil": "lit"}


def test_a_board_that_has_no_lamps_is_named_in_the_view_with_the_cure(tmp_path: Path) -> None:
    flight = DryRun(described.panel(tmp_path), frozenset({"engine_speed"}), rows(None))
    flight.boards["only"].board.firmware = (2, 1)
    for _ in flight.ticks():
        pass
    snapshot = flight.running.snapshot(1.0)
    assert {lamp.state for lamp in snapshot.lamps} == {"off"}
    assert snapshot.pointers[0].state == "ready" and snapshot.pointers[0].shows == pytest.approx(
        2000.0, abs=5
    )
    [note] = [note for note in notes(snapshot) if note.startswith("lamps")]
    assert note.startswith("lamps back, low_oil not lit: board only has firmware 2.1")
    assert "Flash the firmware again" in note


def test_without_power_every_lamp_is_dark_whatever_it_follows(tmp_path: Path) -> None:
    at = AtWork(described.panel(tmp_path, ("delay_s = 2", "delay_s = 0")))
    values = {"oil_pressure": 10.0}
    for time_s in (0.0, 100.0):
        at.step(time_s, values)
    assert min(at.lit().values()) > 0.0
    at.lamps.step(200.0, values, lambda _: False, at.conditions.held, powered=False)
    assert set(at.lit().values()) == {0.0}
    at.step(300.0, values)
    assert min(at.lit().values()) > 0.0


def test_telemetry_sets_the_brightness_of_a_backlight_to_the_eye(tmp_path: Path) -> None:
    """Luminance of lightness 50 is 18.418 % (CIE 15, from memory)."""
    knob = 'brightness = 0.8\nknob = { board = "only", input = 0 }'
    at = AtWork(described.panel(tmp_path, (knob, 'brightness = "panel_lighting"')))
    shown = {}
    for time_s, percent in ((0.0, 0.0), (100.0, 50.0), (200.0, 100.0)):
        at.step(time_s - 50.0, {"panel_lighting": percent, "oil_pressure": 60.0})
        at.step(time_s, {"panel_lighting": percent, "oil_pressure": 60.0})
        shown[percent] = dict(at.lamps.levels())["only"][0]
    assert shown == {0.0: 0, 50.0: 12_071, 100.0: FULL_LEVEL}


def test_a_knob_on_the_board_turns_the_backlight_down(tmp_path: Path) -> None:
    flight = DryRun(described.panel(tmp_path), frozenset({"engine_speed"}), rows(None, None, None))
    board = flight.boards["only"].board
    shown = {}
    for time_s in flight.ticks():
        if time_s == 0.5:
            board.turn_knob(0, -6)
        shown[round(time_s, 2)] = board.lamps[0].level(time_s)
    assert shown[0.5] == level(0.8)
    assert shown[2.5] == level(0.5)


def test_a_description_with_other_lamps_is_asked_of_the_board_anew_and_one_with_other_words_is_not(
    tmp_path: Path,
) -> None:
    given = frozenset({"engine_speed"})
    before = RunningPanel(described.panel(tmp_path), given)
    words = RunningPanel(described.panel(tmp_path, ("< 20 psi", "< 25 psi")), given, before=before)
    assert words.sessions["only"] is before.sessions["only"]
    lost = RunningPanel(
        described.panel(tmp_path, ("when_lost = 0.5", "when_lost = 0.4")), given, before=words
    )
    assert lost.sessions["only"] is not words.sessions["only"]
