"""Gauges at the bench while the others fly: who holds them, how they move, and the stop of all needles."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from itertools import pairwise
from math import floor, inf
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.boards import codec, messages
from bridge.boards.messages import ChannelState
from bridge.errors import BenchError, BoardError, BridgeError, OutOfRangeError
from bridge.flight.bench import GIVE_BACK_S, Benches
from bridge.flight.gauge_bench import Unit
from bridge.flight.notices import AllGoOn, AllStopped, GaugeGivenBack, GaugeTaken
from bridge.flight.trace import Trace
from bridge.flight.view import pointers
from bridge.panel.load import Panel, load_panel
from tests.conftest import ROOT
from tests.flight.bench_rig import LEVEL, TICK_S, Rig
from tests.flight.one_gauge import one_gauge

ME, OTHER = "guest 1", "guest 2"
NEEDLE = "airspeed.needle"


@pytest.fixture(scope="module")
def panel() -> Panel:
    return load_panel(ROOT / "config" / "panel.toml")


def changed(config: Path, file: str, *changes: tuple[str, str]) -> Panel:
    """The panel in this folder after its file was changed."""
    text = (config / file).read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (config / file).write_text(text)
    return load_panel(config / "panel.toml")


@pytest.fixture(scope="module")
def recalibrated(tmp_path_factory: pytest.TempPathFactory) -> Panel:
    """The same panel with another curve of the airspeed indicator."""
    folder = tmp_path_factory.mktemp("recalibrated") / "config"
    shutil.copytree(ROOT / "config", folder)
    return changed(folder, "calibration/airspeed.toml", ("[80, 108, 109.1]", "[80, 108, 112.0]"))


@pytest.fixture
def rig(panel: Panel) -> Rig:
    """The demo panel, flying level and settled."""
    rig = Rig(panel)
    rig.settle()
    return rig


def taken(rig: Rig, gauge: str = "airspeed", pointer: str | None = None) -> Rig:
    rig.benches.take(gauge, ME, rig.time_s, pointer)
    rig.settle(ME)
    return rig


# -- who holds it -----------------------------------------------------------------------------------


def test_a_gauge_that_is_taken_stays_while_its_indication_and_the_others_go_on(rig: Rig) -> None:
    was = rig.driven(NEEDLE).position
    rig.benches.take("airspeed", ME, rig.time_s)
    rig.feeds = {**LEVEL, "calibrated_airspeed": 120.0, "bank": -20.0}
    rig.fly(4.0, ME)
    needle = rig.driven(NEEDLE)
    assert needle.position == was
    assert needle.indication == pytest.approx(121.5, abs=0.5)
    assert rig.driven("attitude.bank").indication == -20.0
    held = {pointer.key: pointer for pointer in rig.running.snapshot(rig.time_s).pointers if pointer.held}
    assert held.keys() == {NEEDLE}
    assert held[NEEDLE].error is None
    rig.benches.release("airspeed", ME)
    rig.fly(3.0)
    assert needle.position == pytest.approx(needle.pointer.position(needle.indication or 0.0), abs=0.5)
    assert rig.notices[-2:] == [GaugeTaken("airspeed", ME), GaugeGivenBack("airspeed", ME, "")]


def test_what_is_held_is_shown_in_the_view_and_the_trace(rig: Rig, tmp_path: Path) -> None:
    rig.benches.take("airspeed", ME, rig.time_s)
    rig.tick()
    snapshot = rig.running.snapshot(rig.time_s)
    table = pointers(snapshot, 120)
    cells = zip(table.columns[0].cells, table.columns[-1].cells, strict=True)
    rows = [(str(key), str(state)) for key, state in cells]
    assert [row for row in rows if row[1] != "ready"] == [(NEEDLE, "held")]
    with Trace(tmp_path / "trace.csv", snapshot) as trace:
        trace.write(snapshot)
    (row,) = csv.DictReader((tmp_path / "trace.csv").read_text().splitlines())
    assert row[f"{NEEDLE}.state"] == "ready; held"
    assert row["attitude.bank.state"] == "ready"


def test_two_people_one_holds_the_gauge_and_the_other_is_told_who(rig: Rig) -> None:
    rig.benches.take("airspeed", ME, rig.time_s)
    with pytest.raises(BenchError, match="airspeed is held by guest 1"):
        rig.benches.take("airspeed", OTHER, rig.time_s)
    with pytest.raises(BenchError, match="held by guest 1, not by you"):
        rig.benches.at("airspeed", OTHER)
    with pytest.raises(BenchError, match="altimeter is not at the bench: take it first"):
        rig.benches.at("altimeter", OTHER)
    rig.benches.take("altimeter", OTHER, rig.time_s)
    rig.benches.release("airspeed", ME)
    rig.benches.take("airspeed", OTHER, rig.time_s)
    assert {bench.gauge: bench.holder for bench in rig.benches.snapshot(rig.time_s)} == {
        "airspeed": OTHER,
        "altimeter": OTHER,
    }


def test_a_name_that_is_none_is_answered_with_the_list(rig: Rig) -> None:
    with pytest.raises(BenchError, match=r"'airspede' to take; expected one of altimeter, airspeed"):
        rig.benches.take("airspede", ME, rig.time_s)
    with pytest.raises(BenchError, match=r"altimeter: .*'thousand'; expected one of hundreds, thousands"):
        rig.benches.take("altimeter", ME, rig.time_s, "thousand")
    assert rig.benches.snapshot(rig.time_s) == ()


def test_a_holder_takes_another_pointer_of_the_gauge_and_captures_stay_with_theirs(rig: Rig) -> None:
    taken(rig, "altimeter")
    bench = rig.benches.at("altimeter", ME)
    bench.mark(0)
    rig.settle(ME)
    bench.capture()
    assert rig.benches.take("altimeter", ME, rig.time_s) is bench
    other = rig.benches.take("altimeter", ME, rig.time_s, "thousands")
    assert (other.pointer.name, other.draft.captures) == ("thousands", ())
    assert len(rig.benches.take("altimeter", ME, rig.time_s, "hundreds").draft.captures) == 1


def test_captures_wait_for_who_takes_the_gauge_next(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.mark(1)
    rig.settle(ME)
    bench.capture()
    rig.benches.release("airspeed", ME)
    again = rig.benches.take("airspeed", OTHER, rig.time_s)
    assert [(capture.reading, capture.falling) for capture in again.draft.captures] == [(60.0, False)]
    assert again.note == "captures from before that are not saved yet: 1"
    again.undo()
    assert again.draft.captures == (), "and can be taken back"


def test_a_holder_that_vanishes_stops_turning_at_once_and_loses_the_gauge_after_five_seconds(
    rig: Rig,
) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    last_s = 0.0
    for _ in range(5):
        last_s = rig.time_s
        rig.benches.heard(ME, last_s)
        bench.turn(1, True, last_s)
        rig.fly(0.2)
    assert not rig.driven(NEEDLE).motion.at_rest
    while rig.time_s < last_s + 0.5:
        rig.fly(TICK_S)
    assert rig.driven(NEEDLE).motion.at_rest
    stopped_at = rig.driven(NEEDLE).position
    rig.fly(GIVE_BACK_S - 0.6)
    assert rig.driven(NEEDLE).position == stopped_at
    assert len(rig.benches.snapshot(rig.time_s)) == 1
    rig.fly(2.0)
    assert rig.benches.snapshot(rig.time_s) == ()
    needle = rig.driven(NEEDLE)
    assert needle.position == pytest.approx(needle.pointer.position(needle.indication or 0.0), abs=0.5)
    with pytest.raises(BenchError, match="no longer at the bench: nothing was heard of guest 1 for 5 s"):
        rig.benches.at("airspeed", ME)
    rig.benches.take("airspeed", OTHER, rig.time_s)


@pytest.fixture(scope="module")
def slow_panel(tmp_path_factory: pytest.TempPathFactory) -> Panel:
    """The same panel at the fewest ticks a second."""
    folder = tmp_path_factory.mktemp("slow") / "config"
    shutil.copytree(ROOT / "config", folder)
    return changed(folder, "panel.toml", ("tick_hz = 100 ", "tick_hz = 20 "))


@pytest.mark.parametrize("gauge", ["airspeed", "altimeter", "turn"])
@pytest.mark.parametrize("late_s", [0.0, 0.001, 0.049])
def test_a_turn_is_at_rest_half_a_second_after_it_was_last_asked_for_at_the_fewest_ticks(
    slow_panel: Panel, gauge: str, late_s: float
) -> None:
    """At 20 ticks a second, wherever between two of them the browser vanished; also the motor itself."""
    rig = Rig(slow_panel)
    bench = taken(rig, gauge).benches.at(gauge, ME)

    def fly(ticks: int) -> None:
        for _ in range(ticks):
            rig.benches.heard(ME, rig.time_s)
            rig.tick()
            rig.ticks += 4  # of a hundred in a second, every fifth

    for _ in range(10):
        asked_s = rig.time_s - 0.05 + late_s
        bench.turn(1, True, asked_s)
        fly(2)
    key = bench.pointer.key
    assert not rig.driven(key).motion.at_rest
    while rig.time_s < asked_s + 0.5:
        fly(1)
    assert rig.driven(key).motion.at_rest
    stopped_at = rig.place(key)
    fly(20)
    assert rig.place(key) == pytest.approx(stopped_at, abs=0.01)


def test_a_needle_on_its_way_stops_before_it_is_given_back(rig: Rig) -> None:
    rig.feeds = {**LEVEL, "calibrated_airspeed": 160.0}
    rig.settle()
    bench = taken(rig).benches.at("airspeed", ME)
    rig.fly(GIVE_BACK_S - 0.4)
    bench.go(40.0)  # without a sign of life
    speeds = []
    while rig.benches.snapshot(rig.time_s):
        rig.tick()
        speeds.append(abs(rig.driven(NEEDLE).motion.velocity))
    assert max(speeds) > 500.0
    assert speeds[-2] == 0.0, "it was at rest when telemetry took it back"
    rig.settle()
    assert rig.driven(NEEDLE).position == pytest.approx(rig.driven(NEEDLE).target or 0.0, abs=0.1)


def test_a_host_that_was_paused_takes_no_gauge_away(rig: Rig) -> None:
    rig.benches.take("airspeed", ME, rig.time_s)
    rig.fly(1.0, ME)
    rig.ticks += 2_000
    rig.fly(1.0)
    assert len(rig.benches.snapshot(rig.time_s)) == 1


# -- how it moves -----------------------------------------------------------------------------------


def test_it_is_jogged_by_steps_degrees_and_units_of_the_reading(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    needle = rig.driven(NEEDLE)
    start = needle.position
    assert start == round(needle.pointer.position(100.0))
    jogs: tuple[tuple[float, Unit, int], ...] = ((7, "step", 7), (-10, "deg", -30), (2, "deg", 6))
    for by, unit, steps in jogs:
        before = needle.position
        bench.jog(by, unit)
        rig.settle(ME)
        assert needle.position - before == steps, "a step is a third of a degree"
    bench.go(100.0)
    rig.settle(ME)
    bench.jog(10, "reading")
    rig.settle(ME)
    assert needle.pointer.reading(needle.position) == pytest.approx(110.0, abs=0.2)
    units: tuple[Unit, ...] = ("step", "deg", "reading")
    for unit in units:
        for wrong in (inf, float("nan"), 1e12, -1e300, 1e308):
            with pytest.raises(BenchError, match="expected one turn at most"):
                bench.jog(wrong, unit)
    bench.go(180.0)
    rig.settle(ME)
    with pytest.raises(BenchError, match="the scale ends here"):
        bench.jog(1, "reading")
    bench.jog(5, "deg")
    rig.settle(ME)
    assert needle.position == floor(needle.pointer.position(180.0) + 0.5) + 15, "beyond the end, while held"
    rig.benches.release("airspeed", ME)
    rig.fly(0.05)
    rig.settle()
    assert needle.position <= (needle.pointer.high_steps or 0.0)


def test_presses_that_follow_quickly_add_up(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    start = rig.driven(NEEDLE).position
    for by in (1, 1, 10, -1, -10, 1, 1, 1):
        bench.jog(by, "step")
        rig.fly(0.05, ME)
    rig.settle(ME)
    assert rig.driven(NEEDLE).position == start + 4


def test_another_way_begins_at_once_not_after_the_one_under_way(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(60.0)
    rig.settle(ME)
    bench.go(180.0)
    rig.fly(0.4, ME)
    needle, seen = rig.driven(NEEDLE), [rig.driven(NEEDLE).position]
    bench.go(100.0)
    while bench.moving:
        rig.fly(TICK_S, ME)
        seen.append(needle.position)
    assert max(seen) < needle.pointer.position(120.0), "it never went to 180 kt"
    assert needle.position == round(needle.pointer.position(100.0))
    assert min(seen[seen.index(max(seen)) :]) < needle.position, "and came from below"
    bench.capture()
    bench.sweep()
    rig.fly(3.0, ME)
    bench.mark(0)
    rig.fly(0.2, ME)
    assert abs(needle.motion.velocity) > needle.pointer.drive.speed_steps_s / 10, "no longer slow"


def test_what_is_refused_leaves_the_way_under_way_as_it_is(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(160.0)
    rig.fly(0.2, ME)
    refused: list[Callable[[], object]] = [
        lambda: bench.jog(inf, "step"),
        lambda: bench.go(999.0),
        bench.undo,
        bench.capture,
    ]
    for wrong in refused:
        with pytest.raises(BridgeError):
            wrong()
    rig.settle(ME)
    assert rig.driven(NEEDLE).position == round(rig.driven(NEEDLE).pointer.position(160.0))
    bench.capture()
    assert len(bench.draft.captures) == 1, "it came from below all the same"


def test_a_reading_off_the_scale_is_refused_in_words(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    for wrong in (200.0, -1.0, inf, float("nan")):
        with pytest.raises(OutOfRangeError, match="expected 0 to 180 kt"):
            bench.go(wrong)
    bench.mark(0)
    rig.settle(ME)
    for wrong in (200.0, -1.0, inf, float("nan")):
        with pytest.raises(OutOfRangeError, match="expected 0 to 180 kt"):
            bench.capture(wrong)
    assert bench.draft.captures == ()


@pytest.mark.slow
def test_an_endless_pointer_goes_the_short_way_to_a_reading_and_sweeps_once_round(rig: Rig) -> None:
    bench = taken(rig, "altimeter").benches.at("altimeter", ME)
    hundreds = rig.driven("altimeter.hundreds")
    turn = float(hundreds.pointer.drive.steps_per_turn)
    for reading in (950.0, 50.0, 12_050.0):
        before = hundreds.position
        bench.go(reading)
        rig.settle(ME)
        assert abs(hundreds.position - before) <= turn / 2 + 1
        assert hundreds.pointer.reading(hundreds.position) % 1000 == pytest.approx(reading % 1000, abs=0.5)
    start = hundreds.position
    bench.sweep()
    rig.fly(1.0, ME)
    seen = [hundreds.position]
    while bench.moving:
        rig.fly(0.1, ME)
        seen.append(hundreds.position)
    assert max(seen) - start == pytest.approx(turn, abs=1.0)
    assert hundreds.position == round(start)


@pytest.mark.slow
def test_a_sweep_goes_slowly_from_end_to_end_and_back(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    needle, start = rig.driven(NEEDLE), rig.driven(NEEDLE).position
    bench.sweep()
    seen, speeds = [start], [0.0]
    while bench.moving:
        rig.fly(TICK_S, ME)
        seen.append(needle.position)
        speeds.append(abs(needle.motion.velocity))
    assert (min(seen), max(seen)) == (0.0, floor((needle.pointer.high_steps or 0.0) + 0.5))
    assert max(speeds) <= needle.pointer.drive.speed_steps_s / 10
    assert needle.position == start
    bench.sweep()
    rig.fly(2.0, ME)
    bench.halt()
    rig.fly(0.3, ME)
    assert not bench.moving
    assert needle.position not in (start, 0.0)


def test_a_board_that_forgets_its_position_at_the_bench_is_homed_and_the_work_goes_on(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.mark(0)
    rig.settle(ME)
    bench.capture()
    rig.settle(ME)
    bench.other_side()
    rig.fly(0.1, ME)
    board = rig.boards["right"]
    for payload in board.board.reset(rig.time_s):
        board.session.receive(rig.time_s, payload)
    rig.fly(0.2, ME)
    assert not bench.known
    with pytest.raises(BenchError, match="its position is not known"):
        bench.jog(1, "step")
    rig.settle(ME)
    assert rig.place(NEEDLE) == 0.0, "home: nothing that was under way goes on"
    snapshot = bench.snapshot()
    assert (snapshot.mark, snapshot.falling, len(snapshot.captures)) == (60.0, True, 1)
    bench.mark(0)
    rig.settle(ME)
    assert rig.place(NEEDLE) == pytest.approx(rig.driven(NEEDLE).pointer.position(60.0), abs=1.0)


def test_a_turn_ends_when_it_is_let_go_and_at_the_motors_stop(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    needle = rig.driven(NEEDLE)
    bench.turn(-1, False, rig.time_s)
    rig.fly(0.2, ME)
    slow = abs(needle.motion.velocity)
    bench.turn(0, False, rig.time_s)
    rig.fly(0.2, ME)
    assert needle.motion.at_rest and 0.0 < slow < 50.0
    for _ in range(100):
        bench.turn(-1, True, rig.time_s)
        rig.fly(0.1, ME)
    assert needle.position == needle.pointer.reach_low_steps
    rig.settle(ME)
    bench.jog(3, "step")
    rig.settle(ME)
    assert needle.position == 3.0


def test_what_has_no_known_position_is_not_moved_but_can_be_homed(panel: Panel) -> None:
    rig = Rig(panel)
    rig.fly(0.3)
    bench = rig.benches.take("airspeed", ME, rig.time_s)
    assert not bench.known
    moves: list[Callable[[], object]] = [
        lambda: bench.jog(1, "step"),
        lambda: bench.turn(1, False, rig.time_s),
        lambda: bench.go(100.0),
        lambda: bench.mark(1),
        bench.sweep,
        bench.other_side,
        bench.capture,
    ]
    for move in moves:
        with pytest.raises(BenchError, match=r"airspeed.needle can't be moved, its position is not known"):
            move()
    rig.settle(ME)
    assert bench.known
    bench.go(120.0)
    rig.settle(ME)
    bench.home()
    rig.fly(0.3, ME)
    assert bench.snapshot().state == "homing"
    assert bench.snapshot().steps is None
    rig.settle(ME)
    snapshot = bench.snapshot()
    assert (snapshot.state, snapshot.steps) == ("ready", 0.0)
    bench.go(120.0)
    rig.settle(ME)
    assert rig.place(NEEDLE) == pytest.approx(rig.driven(NEEDLE).pointer.position(120.0), abs=1.0)


def test_a_servo_has_nothing_to_look_for(rig: Rig) -> None:
    bench = taken(rig, "attitude", "pitch").benches.at("attitude", ME)
    with pytest.raises(BenchError, match="a servo knows its position"):
        bench.home()
    assert bench.known


def test_a_needle_without_mark_or_stop_is_where_its_holder_confirms(tmp_path: Path) -> None:
    (tmp_path / "panel.toml").write_text(one_gauge("last"))
    rig = Rig(load_panel(tmp_path / "panel.toml"), feeds=None)
    rig.settle()
    bench = rig.benches.take("tachometer", ME, rig.time_s)
    with pytest.raises(BoardError, match="does not wait for a position"):
        bench.here(0.0)
    bench.home()
    rig.fly(0.3, ME)
    assert bench.snapshot().state == "waiting"
    bench.here(1000.0)
    rig.settle(ME)
    assert bench.snapshot().reading == pytest.approx(1000.0)
    bench.home()
    rig.fly(0.3, ME)
    bench.here()
    rig.settle(ME)
    assert bench.snapshot().reading == pytest.approx(0.0)


# -- calibrating ------------------------------------------------------------------------------------


def test_a_capture_counts_only_where_the_needle_came_from_the_right_side_and_is_at_rest(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    with pytest.raises(BenchError, match="has not come from below yet"):
        bench.capture()
    with pytest.raises(BenchError, match="still moves"):
        bench.capture()
    rig.settle(ME)
    needle = rig.driven(NEEDLE)
    assert needle.position == round(needle.pointer.position(40.0)), "sent nowhere, it goes to the first mark"
    bench.turn(-1, True, rig.time_s)
    rig.settle(ME)
    here = needle.position
    with pytest.raises(BenchError, match="has not come from below yet"):
        bench.capture(40.0)
    rig.settle(ME)
    assert needle.position == here, "turned by hand, it comes to the same place again"
    bench.capture(40.0)
    assert [(c.reading, c.falling) for c in bench.draft.captures] == [(40.0, False)]
    assert bench.snapshot().mark == 60.0


def test_a_knob_turned_far_enough_from_the_right_side_needs_no_second_approach(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(60.0)
    rig.settle(ME)
    bench.other_side()
    rig.settle(ME)
    for _ in range(3):
        bench.turn(-1, True, rig.time_s)
        rig.fly(0.2, ME)
    rig.settle(ME)
    bench.capture(40.0)
    assert [(c.reading, c.falling) for c in bench.draft.captures] == [(40.0, True)]


def test_an_undo_without_a_capture_and_a_save_of_nothing_are_refused_in_words(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    with pytest.raises(BenchError, match="there is no capture to take back"):
        bench.undo()
    with pytest.raises(BenchError, match=r"airspeed.needle: nothing is captured yet"):
        bench.saving()


def test_a_curve_that_turns_back_or_leaves_the_motors_reach_is_not_saved(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    bench.capture(160.0)
    rig.settle(ME)
    assert any("beyond what its motor reaches" in mistake for mistake in bench.snapshot().mistakes)
    with pytest.raises(BenchError, match=r"not saved: .*0 kt would be at -1.*Capture that mark, too"):
        bench.saving()
    bench.go(160.0)
    rig.settle(ME)
    bench.jog(60, "step")
    rig.settle(ME)
    bench.capture(80.0)
    with pytest.raises(BenchError, match=r"not saved: from below: angle.*Capture that mark again, or undo"):
        bench.saving()


# -- the others -------------------------------------------------------------------------------------


def others(payload: bytes, channel: int) -> object:
    """What this frame has for the channels but this one."""
    sequence, message = codec.decode(payload)
    if not isinstance(message, messages.Move):
        return payload
    return sequence, [target for target in message.targets if target.channel != channel]


@pytest.mark.slow
def test_the_others_get_the_very_frames_that_they_get_without_a_bench(panel: Panel) -> None:
    """Whatever is done with one gauge: other boards byte for byte, and the other channels of its board."""
    with_bench, without = Rig(panel), Rig(panel)
    with_bench.settle()
    without.fly(with_bench.time_s)
    bench = with_bench.benches.take("airspeed", ME, with_bench.time_s)
    steps: list[Callable[[], object]] = [
        lambda: bench.go(60.0),
        lambda: bench.jog(-200, "step"),
        lambda: bench.turn(1, True, with_bench.time_s),
        bench.sweep,
        lambda: with_bench.benches.release("airspeed", ME),
    ]
    for count, step in enumerate(steps):
        step()
        for tick in range(150):
            for rig in (with_bench, without):
                rig.feeds = {name: value + count + tick / 100 for name, value in LEVEL.items()}
            with_bench.fly(TICK_S, ME)
            without.fly(TICK_S)
    channel = panel.description.gauges["airspeed"].pointers["needle"].channel
    for name in with_bench.boards:
        sent, expected = with_bench.board(name).payloads, without.board(name).payloads
        assert len(sent) == len(expected) > 700
        if name == "right":
            assert sent != expected
            sent_to_others = [others(payload, channel) for payload in sent]
            assert sent_to_others == [others(payload, channel) for payload in expected]
        else:
            assert sent == expected


# -- the stop of all needles ------------------------------------------------------------------------

STOPPED_S = 0.6
"""From a stop until the last pointer is still: what its drive takes to brake, or its board to hear of it."""


def places(rig: Rig) -> dict[str, float]:
    return {pointer.key: rig.place(pointer.key) for pointer in rig.running.panel.pointers}


def homing(rig: Rig) -> None:
    rig.fly(0.4)
    states = {rig.board("right").channel(number).state for number in range(3)}
    assert ChannelState.HOMING in states


def following(rig: Rig) -> None:
    rig.settle()
    for tick in range(100):
        rig.feeds = {name: value + tick for name, value in LEVEL.items()}
        rig.fly(TICK_S)
    assert not rig.running.still


def gliding_to_park(rig: Rig) -> None:
    rig.settle()
    rig.feeds = None
    while rig.running.telemetry.state.value != "resting":
        rig.fly(TICK_S)
    rig.fly(0.1)
    assert not rig.running.still


def parked(rig: Rig) -> None:
    gliding_to_park(rig)
    rig.settle()


def given_back(rig: Rig) -> None:
    rig.settle()
    bench = rig.benches.take("airspeed", ME, rig.time_s)
    bench.go(180.0)
    rig.settle(ME)
    rig.benches.release("airspeed", ME)
    rig.fly(0.2)
    assert not rig.driven(NEEDLE).motion.at_rest


def at_the_bench(rig: Rig, move: str) -> None:
    rig.settle()
    bench = rig.benches.take("airspeed", ME, rig.time_s)
    if move == "turn":
        bench.turn(1, True, rig.time_s)
    elif move == "go":
        bench.go(180.0)
    elif move == "home":
        bench.home()
    else:
        bench.sweep()
    rig.fly(0.25, ME)


def replay_paused(rig: Rig) -> None:
    following(rig)
    rig.feeds = None
    rig.running.set_pace(rig.time_s, 0.0)
    rig.fly(0.02)


STATES: dict[str, Callable[[Rig], None]] = {
    "homing": homing,
    "following": following,
    "gliding to park": gliding_to_park,
    "parked": parked,
    "given back": given_back,
    "replay paused": replay_paused,
    "turning": lambda rig: at_the_bench(rig, "turn"),
    "going": lambda rig: at_the_bench(rig, "go"),
    "sweeping": lambda rig: at_the_bench(rig, "sweep"),
    "homing at the bench": lambda rig: at_the_bench(rig, "home"),
}


@pytest.mark.slow
@pytest.mark.parametrize("state", STATES)
def test_a_stop_holds_every_needle_from_every_state_until_they_go_on(state: str, config: Path) -> None:
    rig = Rig(changed(config, "panel.toml", ('behaviour = "hold"', 'behaviour = "park"')))
    STATES[state](rig)
    rig.benches.stop_all(OTHER)
    assert rig.benches.stopped == OTHER
    rig.fly(STOPPED_S)
    still = places(rig)
    rig.running.set_pace(rig.time_s, 1.0)
    rig.feeds = {name: value + 20.0 for name, value in LEVEL.items()}
    for _ in range(120):  # longer than after_s and than a board without a host holds
        rig.fly(0.1, ME)
        assert places(rig) == still
    for address, worst in rig.worst.items():
        drive = rig.running.chain.pointers[address].pointer.drive
        assert worst.acceleration <= drive.acceleration_steps_s2 * 1.001
    for bench in rig.benches.snapshot(rig.time_s):
        at = rig.benches.at(bench.gauge, ME)
        for move in (at.sweep, at.home, at.capture, at.other_side, at.undo, at.here):
            with pytest.raises(BenchError, match="all needles are stopped by guest 2"):
                move()
        at.turn(0, False, rig.time_s)
    rig.benches.go_on(ME)
    assert rig.benches.stopped is None
    rig.settle(ME)
    for driven in rig.running.chain.pointers.values():
        if driven.pointer.gauge != "airspeed" or not rig.benches.snapshot(rig.time_s):
            assert driven.target is not None and driven.position == pytest.approx(driven.target, abs=0.1)
            assert not driven.held
    assert [notice for notice in rig.notices if isinstance(notice, AllStopped | AllGoOn)] == [
        AllStopped(OTHER),
        AllGoOn(ME),
    ]


def test_what_was_at_the_bench_stays_there_after_a_stop_and_goes_no_further_by_itself(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(170.0)
    rig.fly(0.4, ME)
    rig.benches.stop_all(OTHER)
    rig.fly(1.0, ME)
    here = rig.driven(NEEDLE).position
    rig.benches.go_on(OTHER)
    rig.fly(3.0, ME)
    assert rig.driven(NEEDLE).position == here
    assert rig.driven(NEEDLE).held
    bench.jog(5, "step")
    rig.settle(ME)
    assert rig.driven(NEEDLE).position == here + 5


def test_a_gauge_given_back_while_all_is_stopped_stays_until_they_go_on(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(170.0)
    rig.settle(ME)
    rig.benches.stop_all(ME)
    rig.benches.stop_all(OTHER)
    assert rig.benches.stopped == ME, "the first who stopped them"
    rig.fly(0.2, ME)
    here = rig.place(NEEDLE)
    rig.benches.release("airspeed", ME)
    rig.fly(2.0)
    assert rig.place(NEEDLE) == here
    rig.benches.go_on(OTHER)
    rig.settle()
    needle = rig.driven(NEEDLE)
    assert needle.position == pytest.approx(needle.pointer.position(needle.indication or 0.0), abs=0.5)


def test_a_reload_leaves_all_stopped_also_a_board_that_is_new(rig: Rig, config: Path) -> None:
    rig.benches.stop_all(OTHER)
    rig.fly(STOPPED_S)
    still = places(rig)
    new = changed(config, "panel.toml", ("[boards.left]\n", '[boards.left]\nid = "0123456789abcdef"\n'))
    rig.reload(new)
    rig.fly(5.0)
    kept = {key: at for key, at in places(rig).items() if not key.startswith("altimeter")}
    assert kept.items() <= still.items()
    assert rig.board("left").channel(0).state == ChannelState.UNKNOWN
    assert rig.place("altimeter.hundreds") == -20.0, "where the new board's pointer is at first"
    assert rig.benches.stopped == OTHER
    rig.benches.go_on(ME)
    rig.settle()
    assert rig.board("left").channel(0).state == ChannelState.READY


# -- reloads ----------------------------------------------------------------------------------------


def test_a_reload_keeps_the_bench_its_holder_and_its_captures_and_moves_to_the_new_curve(
    rig: Rig, recalibrated: Panel
) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.go(100.0)
    rig.settle(ME)
    bench.jog(4, "step")
    rig.settle(ME)
    bench.capture()
    rig.settle(ME)
    bench.go(80.0)
    rig.settle(ME)
    before, captures = rig.place(NEEDLE), bench.draft.captures
    rig.reload(recalibrated)
    assert rig.benches.at("airspeed", ME) is bench
    assert bench.draft.captures == captures, "what was measured on the drive is true whatever the curve"
    positions = [rig.driven(NEEDLE).position]
    while not positions[1:] or bench.moving:
        rig.fly(TICK_S, ME)
        positions.append(rig.driven(NEEDLE).position)
    assert max(abs(b - a) for a, b in pairwise(positions)) <= 900 * TICK_S + 1e-6
    new = rig.driven(NEEDLE).pointer
    assert new.rising(80.0) == pytest.approx(112.0)
    residual_deg = bench.draft.residual_deg(captures[0])
    assert new.drive_deg(rig.driven(NEEDLE).position) == pytest.approx(112.0 + residual_deg, abs=0.2)
    assert rig.place(NEEDLE) != before
    bench.undo()
    assert bench.draft.captures == ()


def test_a_reload_that_changes_nothing_of_the_pointer_does_not_move_it(rig: Rig, config: Path) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.sweep()
    rig.fly(2.0, ME)
    other = changed(config, "panel.toml", ('name = "Hobnail, six gauges"', 'name = "Hobnail"'))
    speed = rig.driven(NEEDLE).motion.velocity
    rig.reload(other)
    rig.fly(0.5, ME)
    assert rig.driven(NEEDLE).motion.velocity == pytest.approx(speed), "a slow way stays slow"
    rig.settle(ME)


def test_a_pointer_that_a_reload_adds_to_a_gauge_at_the_bench_is_held_as_well(rig: Rig, config: Path) -> None:
    taken(rig, "attitude")
    rig.reload(
        changed(config, "panel.toml", ("gauges.attitude.pointers.pitch", "gauges.attitude.pointers.nose"))
    )
    assert rig.driven("attitude.bank").held
    assert rig.driven("attitude.nose").held
    rig.benches.release("attitude", ME)
    assert not rig.driven("attitude.nose").held


def test_a_reload_that_removes_the_gauge_ends_its_bench_with_a_reason(rig: Rig, config: Path) -> None:
    taken(rig)
    rig.reload(changed(config, "panel.toml", ("gauges.airspeed", "gauges.speed")))
    assert rig.benches.snapshot(rig.time_s) == ()
    with pytest.raises(BenchError, match="airspeed is no longer at the bench: the new description has no"):
        rig.benches.at("airspeed", ME)
    with pytest.raises(BenchError, match="no gauge 'airspeed' to take"):
        rig.benches.take("airspeed", ME, rig.time_s)
    rig.fly(1.0)
    why = "the new description has no such pointer"
    assert GaugeGivenBack("airspeed", ME, why) in rig.notices
    needle = rig.driven("speed.needle")
    assert needle.position == pytest.approx(needle.pointer.position(needle.indication or 0.0), abs=0.5)
    assert not needle.held


def test_captures_on_a_face_that_has_changed_are_void_and_that_is_noted(rig: Rig, config: Path) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    bench.mark(0)
    rig.settle(ME)
    bench.capture()
    rig.settle(ME)
    rig.reload(changed(config, "calibration/airspeed.toml", ("[100, 150, 150.8]", "[100, 152, 150.8]")))
    assert rig.benches.at("airspeed", ME) is bench
    assert bench.draft.captures == ()
    assert "captures are void" in bench.note


# -- within the limits, whatever comes --------------------------------------------------------------

_KEYS = ("airspeed.needle", "altimeter.hundreds", "attitude.pitch", "attitude.bank", "turn.ball")
commands = st.lists(
    st.tuples(
        st.sampled_from(
            (
                *(
                    "take",
                    "take",
                    "jog",
                    "jog",
                    "turn",
                    "turn",
                    "go",
                    "go",
                    "mark",
                    "sweep",
                    "halt",
                    "capture",
                ),
                *("other_side", "undo", "home", "release", "stop", "go_on", "fly", "reload", "fall silent"),
            )
        ),
        st.sampled_from(_KEYS),
        st.floats(-1.5, 1.5),
        st.integers(0, 60),
    ),
    max_size=40,
)


def do(rig: Rig, command: str, key: str, amount: float, panels: tuple[Panel, Panel]) -> None:
    """One command of a person, wrong ones included."""
    gauge, _, pointer = key.partition(".")
    benches: Benches = rig.benches
    if command == "take":
        benches.take(gauge, ME, rig.time_s, pointer)
    elif command == "stop":
        benches.stop_all(OTHER)
    elif command == "go_on":
        benches.go_on(OTHER)
    elif command == "reload":
        rig.reload(panels[amount > 0.0])
    elif command == "fly":
        rig.feeds = {name: value * (1.0 + amount) for name, value in LEVEL.items()}
    elif command == "fall silent":
        rig.fly(6.0)
    elif command == "release":
        benches.release(gauge, ME)
    else:
        bench = benches.at(gauge, ME)
        curve = bench.pointer.face
        reading = curve.low + (curve.high - curve.low) * (amount + 1.0) / 2.0
        {
            "jog": lambda: bench.jog(amount * 400.0, "step"),
            "turn": lambda: bench.turn(1 if amount > 0.0 else -1, abs(amount) > 0.5, rig.time_s),
            "go": lambda: bench.go(reading),
            "mark": lambda: bench.mark(round(amount * 4)),
            "sweep": bench.sweep,
            "halt": bench.halt,
            "capture": bench.capture,
            "other_side": bench.other_side,
            "undo": bench.undo,
            "home": bench.home,
        }[command]()


@pytest.mark.slow
@settings(max_examples=60)
@given(script=commands)
def test_no_motion_is_beyond_the_limits_whatever_commands_come_in_whatever_order(
    panel: Panel, recalibrated: Panel, script: list[tuple[str, str, float, int]]
) -> None:
    """Speed and acceleration of each drive, the reach of its board; and its scale where it was never held."""
    rig = Rig(panel)
    rig.settle()
    rig.worst.clear()
    held: set[str] = set()
    for command, key, amount, ticks in script:
        try:
            do(rig, command, key, amount, (panel, recalibrated))
        except BridgeError as error:
            assert str(error)
        held |= {driven.pointer.key for driven in rig.running.chain.pointers.values() if driven.held}
        for _ in range(ticks):
            rig.fly(TICK_S, ME)
            held |= {driven.pointer.key for driven in rig.running.chain.pointers.values() if driven.held}
    rig.fly(2.0, ME)
    for address, driven in rig.running.chain.pointers.items():
        pointer, worst = driven.pointer, rig.worst[address]
        assert worst.speed <= pointer.drive.speed_steps_s * (1 + 1e-6), pointer.key
        acceleration = pointer.drive.acceleration_steps_s2
        assert worst.acceleration <= acceleration * (1 + 1e-6), pointer.key
        assert worst.leap <= acceleration * TICK_S**2 / 4 + 1e-6, pointer.key
        ends = (pointer.reach_low_steps, pointer.reach_high_steps)
        if pointer.key not in held:
            ends = (pointer.low_steps, pointer.high_steps)
        if ends[0] is not None and ends[1] is not None:
            assert ends[0] - 1e-6 <= worst.low and worst.high <= ends[1] + 1e-6, pointer.key
