"""The end of a slew at the board, which learns of every change a frame late and misses some frames."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.flight.chain import motion_limits
from bridge.gauges.drive import Drive
from bridge.motion.path import Limits
from bridge.panel.load import load_panel
from tests.conftest import ROOT
from tests.motion.slews import quickest_s, slew

DRIVES: dict[Drive, Limits] = {
    pointer.drive: Limits(pointer.drive.speed_steps_s, pointer.drive.acceleration_steps_s2)
    for pointer in load_panel(ROOT / "config" / "panel.toml").pointers
}
drives = pytest.mark.parametrize("limits", list(dict.fromkeys(DRIVES.values())))


@drives
@pytest.mark.parametrize("way", [1, 3, 10, 30, 60, 100, 200, 400, 900, 1500])
def test_a_slew_ends_without_a_step_of_overshoot(limits: Limits, way: float) -> None:
    """2 ms of jitter at both ends, one frame in fifty lost."""
    assert max(slew(limits, [(0.0, way)], seed).overshoot_steps for seed in range(30)) < 1.0


@drives
def test_a_long_slew_takes_at_most_a_fifth_longer_than_the_quickest_move(limits: Limits) -> None:
    """Long enough that the tenth of a second in which the last step settles is small beside it."""
    for way in (900, 1500, 4000):
        quickest = quickest_s(way, limits)
        assert max(slew(limits, [(0.0, way)], seed).took_s for seed in range(10)) <= 1.2 * quickest + 0.1


@given(
    st.sampled_from(list(DRIVES.values())),
    st.lists(st.tuples(st.floats(0.02, 1.5), st.floats(-1500, 1500)), min_size=1, max_size=4),
    st.integers(0, 2**32),
)
@settings(max_examples=60)
def test_goals_that_change_in_mid_slew_end_without_overshoot_once_there_is_room_to_brake(
    limits: Limits, changes: list[tuple[float, float]], seed: int
) -> None:
    goals, time_s = [], 0.0
    for after_s, goal in changes:
        goals.append((time_s, goal))
        time_s += after_s
    # From the last change on the pointer needs room to brake: a goal just ahead of a fast one can't be met.
    room = limits.speed_steps_s**2 / limits.acceleration_steps_s2 * 2
    last = goals[-1][1]
    goals[-1] = (goals[-1][0], last + (room if last >= 0 else -room) + (1500 if last >= 0 else -1500))
    assert slew(limits, goals, seed).overshoot_steps < 1.0


def test_the_drives_of_the_panel_are_all_tried() -> None:
    panel = load_panel(ROOT / "config" / "panel.toml")
    assert {motion_limits(p).acceleration_steps_s2 for p in panel.pointers} == {
        limits.acceleration_steps_s2 for limits in DRIVES.values()
    }
