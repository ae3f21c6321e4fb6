"""How a gauge at the bench moves."""

from __future__ import annotations

from collections.abc import Callable
from math import floor, inf
from pathlib import Path

import pytest

from bridge.errors import BenchError, BridgeError, OutOfRangeError
from bridge.flight.gauge_bench import Unit
from bridge.panel.load import Panel, load_panel
from tests.flight.bench.rig import ME, NEEDLE, TICK_S, Rig, taken
from tests.flight.one_gauge import one_gauge


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


def test_a_needle_that_finds_its_position_by_itself_is_not_told_where_it_is(rig: Rig) -> None:
    bench = taken(rig).benches.at("airspeed", ME)
    rig.settle(ME)
    with pytest.raises(BenchError, match="finds its position by itself: home it"):
        bench.here(80.0)
    assert bench.known


def test_a_needle_without_mark_or_stop_is_where_its_holder_confirms(tmp_path: Path) -> None:
    (tmp_path / "panel.toml").write_text(one_gauge("last"))
    rig = Rig(load_panel(tmp_path / "panel.toml"), feeds=None)
    rig.settle()
    bench = rig.benches.take("tachometer", ME, rig.time_s)
    bench.go(800.0)
    rig.fly(0.1, ME)
    with pytest.raises(BenchError, match="still moves"):
        bench.here(500.0)
    rig.settle(ME)
    place = rig.place("tachometer.needle")
    bench.here(500.0)  # it has slipped, and is seen to be there
    assert not bench.known, "until its board has taken it"
    rig.settle(ME)
    assert bench.snapshot().reading == pytest.approx(500.0)
    assert rig.place("tachometer.needle") == pytest.approx(place, abs=1.0), "it stays where it is"
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
