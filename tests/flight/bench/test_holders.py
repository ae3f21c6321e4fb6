"""Who holds a gauge at the bench, what its holder and everybody else sees, and the other gauges."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.boards import codec, messages
from bridge.errors import BenchError
from bridge.flight.bench import GIVE_BACK_S
from bridge.flight.notices import GaugeGivenBack, GaugeTaken
from bridge.flight.trace import Trace
from bridge.flight.view import pointers
from bridge.panel.load import Panel
from tests.conftest import ROOT
from tests.flight.bench.rig import LEVEL, ME, NEEDLE, OTHER, TICK_S, Rig, changed, taken


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
