"""Motion stays within its limits, whatever is asked for at the bench."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import BridgeError
from bridge.flight.bench import Benches
from bridge.panel.load import Panel
from tests.flight.bench.rig import LEVEL, ME, OTHER, TICK_S, Rig

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
@settings(max_examples=30)
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
