"""Snapshots: the panel at one moment, in values that stay when it flies on."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from bridge.flight.dry_run import DryRun
from bridge.flight.running_panel import RunningPanel
from bridge.flight.snapshot import PointerSnapshot
from bridge.panel.load import load_panel
from bridge.telemetry.source import Arrival
from tests.conftest import ROOT
from tests.flight.one_gauge import one_gauge

READINGS = {"pressure_altitude": 3000.0, "calibrated_airspeed": 90.0, "heading_true": 2.0, "bank": 0.0}


def flown(config: Path | None = None, seconds: float = 1.0, **new: float) -> DryRun:
    readings = READINGS | new
    panel = load_panel((config or ROOT / "config") / "panel.toml")
    arrivals = [Arrival(n / 20, readings) for n in range(round(seconds * 20) + 1)]
    dry_run = DryRun(panel, frozenset(readings), arrivals)
    for _ in dry_run.ticks():
        pass
    return dry_run


def pointer(running: RunningPanel, key: str, time_s: float = 1.0) -> PointerSnapshot:
    (found,) = (pointer for pointer in running.snapshot(time_s).pointers if pointer.key == key)
    return found


@pytest.mark.slow
def test_a_snapshot_stays_as_it_was_when_the_panel_flies_on() -> None:
    running = flown().running
    snapshot = running.snapshot(1.0)
    before = repr((snapshot.pointers, snapshot.boards, snapshot.readings, snapshot.gauges, snapshot.setting))
    for tick in range(100, 300):
        running.feed(tick / 100, READINGS | {"bank": 30.0, "pressure_altitude": 4000.0})
        running.tick(tick / 100)
    assert running.snapshot(3.0).pointers != snapshot.pointers
    assert before == repr(
        (snapshot.pointers, snapshot.boards, snapshot.readings, snapshot.gauges, snapshot.setting)
    )
    with pytest.raises(dataclasses.FrozenInstanceError):
        snapshot.pointers[0].state = "other"  # type: ignore[misc]


@pytest.mark.slow
def test_every_quantity_has_a_value_a_unit_and_an_age() -> None:
    """The panel has its magnetic variation fixed, 4 degrees east: 358 degrees magnetic are 2 degrees true."""
    running = flown().running
    readings = {reading.name: reading for reading in running.snapshot(1.25).readings}
    altitude, heading = readings["pressure_altitude"], readings["heading_magnetic"]
    assert (altitude.value, altitude.unit, altitude.derived, altitude.lost) == (3000.0, "ft", False, False)
    assert altitude.age_s == pytest.approx(0.25)
    assert (heading.unit, heading.derived) == ("deg", True)
    assert heading.value == pytest.approx(358.0)
    assert heading.age_s == pytest.approx(0.25)
    assert readings["magnetic_variation"].age_s is None, "it rests on no telemetry"
    assert [reading.derived for reading in readings.values()] == sorted(
        reading.derived for reading in readings.values()
    )


def test_before_anything_arrives_nothing_is_known() -> None:
    running = RunningPanel(load_panel(ROOT / "config" / "panel.toml"), frozenset(READINGS))
    snapshot = running.snapshot(0.0)
    assert (snapshot.telemetry, snapshot.telemetry_age_s) == ("awaited", None)
    assert {board.state for board in snapshot.boards} == {"absent"}
    for taken in snapshot.pointers:
        assert taken.indication is taken.shows is taken.error is taken.face_deg is taken.report_age_s is None
    gauges = {gauge.name: gauge for gauge in snapshot.gauges}
    assert (gauges["airspeed"].state, gauges["airspeed"].why) == ("awaited", "no indicated_airspeed yet")
    assert gauges["attitude"].state == "lacking"
    assert "pitch" in gauges["attitude"].why
    assert {r.value for r in snapshot.readings if r.name in READINGS} == {None}


@pytest.mark.slow
def test_a_card_shows_its_heading_at_the_lubber_line() -> None:
    """A card with 358 under the line at 12 o'clock is turned by -358 degrees, which is 2."""
    card = pointer(flown().running, "heading.card")
    assert card.indication == pytest.approx(358.0)
    assert card.shows == pytest.approx(358.0, abs=0.2)
    assert card.face_deg == pytest.approx(2.0, abs=0.2)
    past_north = pointer(flown(heading_true=3.999).running, "heading.card")
    assert past_north.error == pytest.approx(0.0, abs=0.2)
    assert past_north.shows is not None and 0.0 <= past_north.shows < 360.0


@pytest.mark.slow
@pytest.mark.parametrize(("airspeed_kt", "is_off"), [(175.0, False), (230.0, True)])
def test_beyond_the_scale_there_is_no_error(airspeed_kt: float, is_off: bool) -> None:
    """The demo's airspeed scale ends at 180 kt."""
    needle = pointer(flown(calibrated_airspeed=airspeed_kt).running, "airspeed.needle")
    assert needle.off_scale is is_off
    assert (needle.error is None) is is_off
    assert needle.shows is not None and needle.shows <= 180.0


def test_virtual_boards_are_told_from_real_ones(config: Path) -> None:
    path = config / "panel.toml"
    path.write_text(
        path.read_text().replace("[boards.left]\n", '[boards.left]\nlink = "serial"\nport = "/dev/ttyUSB0"\n')
    )
    running = RunningPanel(load_panel(path), frozenset(READINGS))
    virtual = {board.name: board.virtual for board in running.snapshot(0.0).boards}
    assert virtual == {"left": False, "right": True, "centre": True}


@pytest.mark.slow
def test_what_a_board_reported_has_an_age() -> None:
    """A session asks ten times a second."""
    running = flown().running
    taken = pointer(running, "airspeed.needle", 1.0)
    assert taken.report_age_s is not None and 0.0 <= taken.report_age_s <= 0.11
    assert pointer(running, "airspeed.needle", 3.0).report_age_s == pytest.approx(taken.report_age_s + 2.0)
    assert taken.target_steps is not None
    assert taken.commanded_steps == pytest.approx(taken.target_steps, abs=0.1)
    assert taken.reported_steps == pytest.approx(taken.target_steps, abs=1.0)


def test_a_pointer_that_slipped_is_shown_where_its_board_believes_it_until_it_is_homed(
    tmp_path: Path,
) -> None:
    """At 3,000 rpm, 810 steps, it is adopted as at 610; driven up again it meets its motor's stop at 945.

    3 steps a degree: the pointer is 135 steps above what the board counts from then on.
    """
    file = tmp_path / "panel.toml"
    file.write_text(one_gauge("sweep"))
    arrivals = [Arrival(n / 20, {"engine_speed": 3000.0 if n < 20 else 1000.0}) for n in range(400)]
    dry_run = DryRun(load_panel(file), frozenset({"engine_speed"}), arrivals)
    ticks = dry_run.ticks()
    next(ticks)
    session, board = dry_run.running.sessions["only"], dry_run.boards["only"].board
    board.channel(0).adopt(round(board.channel(0).place) - 200)
    while (time_s := next(ticks)) < 5.0:
        pass
    (taken,) = dry_run.running.snapshot(time_s).pointers
    assert taken.shows == pytest.approx(1000.0, abs=2.0), "what the board believes"
    assert board.channel(0).place - taken.reported_steps == pytest.approx(135, abs=1), (
        "the needle is not there"
    )
    session.home(0)
    while (time_s := next(ticks)) < 19.0:
        pass
    (taken,) = dry_run.running.snapshot(time_s).pointers
    assert taken.shows == pytest.approx(1000.0, abs=2.0)
    assert board.channel(0).place == pytest.approx(taken.reported_steps, abs=1)
