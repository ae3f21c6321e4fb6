"""The stop of all needles, from every state."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.boards.messages import ChannelState
from bridge.errors import BenchError
from bridge.flight.notices import AllGoOn, AllStopped
from tests.flight.bench.rig import LEVEL, ME, NEEDLE, OTHER, TICK_S, Rig, changed, taken

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
