"""The firmware's core at the end of slews that the host's motion leads: no step too far, counted at the pins.

Frames come 100 times a second with 2 ms of jitter, and one in fifty is lost (tests/motion/slews.py).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.boards import messages
from bridge.boards.messages import Output
from bridge.firmware.generate import config_h
from bridge.flight.driven_pointer import motion_limits
from bridge.gauges.drive import Drive
from bridge.panel.expected import expected_channels
from bridge.panel.load import load_panel
from tests.firmware.script import SLOT_S, Script
from tests.motion.slews import Slew, goals, slew

PANEL = Path(__file__).parents[2] / "config" / "panel.toml"
SLEWS = 45
REST_S = 0.4  # between two slews; a servo's pulse comes every 20 ms


def played(config: Path, channel: int, servo: bool, slews: list[Slew]) -> list[list[tuple[float, float]]]:
    """Where the channel was (time from the slew's begin in s, steps) in each of these slews."""
    script = Script(config)
    now_slots = 0

    def go_on(until_s: float) -> None:
        nonlocal now_slots
        slots = round(until_s / SLOT_S) - now_slots
        if slots > 0:
            script.advance(slots * SLOT_S)
            now_slots += slots

    place = round(slews[0].start)
    if not servo:
        script.send(messages.Adopt((messages.ChannelPosition(channel, place),)))
    begun_s = []
    at_s = 0.1
    for slewed in slews:
        for _ in range(12):  # to where it starts, with the board's own ramp
            go_on(at_s)
            script.move([slewed.start], [0.0], 1 << channel)
            at_s += 0.3
        begun_s.append(at_s)
        for arrival_s, position, velocity in slewed.frames:
            go_on(at_s + arrival_s)
            script.move([position], [velocity], 1 << channel)
        at_s += slewed.end_s
        go_on(at_s + REST_S)
        at_s += REST_S
    log = script.run()
    if servo:
        places = [(time_s, half_us / 2) for time_s, half_us in log.pulses[channel]]
    else:
        places = [(0.0, float(place))]
        for time_s, way in log.steps[channel]:
            places.append((time_s, places[-1][1] + way))
    return [
        during(places, start_s, slewed.end_s + REST_S) for start_s, slewed in zip(begun_s, slews, strict=True)
    ]


def during(places: list[tuple[float, float]], start_s: float, length_s: float) -> list[tuple[float, float]]:
    """Times counted from `start_s`; with where it was then."""
    before = [place for time_s, place in places if time_s <= start_s][-1]
    part = [(time_s - start_s, place) for time_s, place in places if start_s < time_s <= start_s + length_s]
    return [(0.0, before), *part]


def drives() -> list[tuple[str, int, str]]:
    """Board, channel and pointer of one of each kind of drive on the demo panel."""
    kinds: dict[Drive, tuple[str, int, str]] = {}
    for pointer in load_panel(PANEL).pointers:
        kinds.setdefault(pointer.drive, (pointer.board, pointer.channel, pointer.key))
    return list(kinds.values())


@pytest.mark.parametrize(("board", "channel", "key"), drives())
def test_a_board_that_the_host_leads_runs_no_step_over_the_end_of_a_slew(
    board: str, channel: int, key: str, tmp_path: Path
) -> None:
    panel = load_panel(PANEL)
    (tmp_path / "config.h").write_text(config_h(panel, board))
    limits = motion_limits(next(pointer for pointer in panel.pointers if pointer.key == key))
    servo = expected_channels(panel, board)[channel].limits.output == Output.SERVO
    slews = [slew(limits, *goals(limits, seed), seed) for seed in range(SLEWS)]
    for seed, (slewed, places) in enumerate(zip(slews, played(tmp_path, channel, servo, slews), strict=True)):
        assert slewed.overshoot(places) < 1.0, f"{key}, slew {seed}: {slewed.goals}"
        assert abs(places[-1][1] - slewed.goal) <= 1.0, f"{key}, slew {seed}"
