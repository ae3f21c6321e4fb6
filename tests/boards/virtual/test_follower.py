"""The virtual channel keeps its limits on any commands, and follows where the limits allow."""

from __future__ import annotations

from math import cos, pi, sin

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.boards.virtual.follower import CARRY_S, Follower

commands = st.lists(
    st.tuples(
        st.floats(-20_000, 20_000),  # steps
        st.floats(-5_000, 5_000),  # steps/s
        st.sampled_from([0.0005, 0.003, 0.01, 0.0167, 0.05, 0.13, 1.0]),  # seconds to the next command
    ),
    max_size=60,
)


@pytest.mark.slow
@given(commands, st.floats(50, 3_000), st.floats(200, 60_000), st.floats(-9_000, 0), st.floats(1, 9_000))
@example([(0.0, 74.0, 0.05), (0.0, 146.0, 0.0167)], 146.0, 5349.0, 0.0, 4.0)
@example([(0.0, -930.0, 0.13), (0.0, -2188.0, 0.0167)], 2162.0, 32092.0, -91.0, 1.0)
def test_limits_and_stops_hold_on_any_commands(
    wanted: list[tuple[float, float, float]], speed: float, acceleration: float, low: float, high: float
) -> None:
    follower = Follower(speed, acceleration, low, high, 0.0, 0.0)
    time_s = 0.0
    for goal, rate, wait_s in wanted:
        follower.follow(goal, rate)
        for _ in range(3):
            before, velocity = follower.position, follower.velocity
            time_s += wait_s / 3
            follower.advance(time_s)
            assert low <= follower.position <= high
            assert abs(follower.velocity) <= speed * (1 + 1e-9)
            assert abs(follower.position - before) <= speed * wait_s / 3 + 1e-6
            assert abs(follower.velocity - velocity) <= acceleration * wait_s / 3 * (1 + 1e-9) + 1e-6


@given(commands, st.floats(-20_000, 20_000))
def test_a_target_at_rest_is_reached_exactly_from_anywhere(
    wanted: list[tuple[float, float, float]], goal: float
) -> None:
    follower = Follower(2_000.0, 10_000.0, -20_000.0, 20_000.0, 0.0, 0.0)
    time_s = 0.0
    for position, rate, wait_s in wanted:
        follower.follow(position, rate)
        time_s += wait_s
        follower.advance(time_s)
    follower.follow(goal, 0.0)
    follower.advance(time_s + 60.0)
    assert (follower.position, follower.velocity) == (goal, 0.0)


def test_a_smooth_path_within_the_limits_is_followed_without_lag() -> None:
    follower = Follower(2_000.0, 20_000.0, -1e6, 1e6, 0.0, 0.0)
    turn = 2 * pi * 0.5  # half a cycle a second: at most 1257 steps/s and 3948 steps/s²
    for tick in range(1, 400):
        time_s = tick / 100
        follower.advance(time_s)
        if tick > 21:
            assert follower.position == pytest.approx(400 * sin(turn * time_s), abs=0.2)
        follower.follow(400 * sin(turn * time_s), 400 * turn * cos(turn * time_s))


def test_a_target_no_longer_renewed_is_carried_on_for_a_tenth_of_a_second() -> None:
    follower = Follower(2_000.0, 20_000.0, -1e6, 1e6, 0.0, 0.0)
    for tick in range(100):
        follower.advance(tick / 100)
        follower.follow(5.0 * tick, 500.0)
    follower.advance(0.99 + CARRY_S)
    assert follower.position == pytest.approx(495.0 + 50.0, abs=1.0)
    follower.advance(5.0)
    assert follower.position == pytest.approx(545.0)
    assert follower.velocity == 0.0


def test_a_halt_takes_the_braking_distance() -> None:
    """v²/2a: 1000² / 20000 = 50 steps."""
    follower = Follower(1_000.0, 10_000.0, -1e6, 1e6, 0.0, 0.0)
    follower.run(1_000.0)
    follower.advance(1.0)
    assert follower.velocity == pytest.approx(1_000.0)
    at = follower.position
    follower.halt()
    follower.advance(2.0)
    assert follower.velocity == 0.0
    assert follower.position == pytest.approx(at + 50.0)


@pytest.mark.slow
@given(
    st.floats(-5_000, 5_000),
    st.floats(-2_000, 2_000),
    st.floats(-6_000, 6_000),
    st.sampled_from([0.0, 300.0, -300.0]),
    st.floats(50, 3_000),
    st.floats(200, 60_000),
)
def test_a_pointer_outside_its_stops_comes_back_inside_within_its_limits(
    position: float, velocity: float, goal: float, rate: float, speed: float, acceleration: float
) -> None:
    """Put there as a reload that narrows the travel does, at rest or on its way out."""
    low, high = -1_000.0, 1_000.0
    follower = Follower(speed, acceleration, -1e9, 1e9, position, 0.0)
    follower.velocity = velocity = max(-speed, min(speed, velocity))
    follower.low, follower.high = low, high
    follower.follow(goal, rate)
    for tick in range(1, 400):
        before, was = follower.position, follower.velocity
        follower.advance(tick * 0.01)
        after, now = follower.position, follower.velocity
        assert abs(now) <= speed * (1 + 1e-9)
        assert abs(now - was) <= acceleration * 0.01 * (1 + 1e-9) + 1e-6
        if low <= before <= high and was * was <= 2 * acceleration * (
            high - before if was > 0 else before - low
        ):
            assert low - 1e-6 <= after <= high + 1e-6
    follower.advance(1_000.0)
    assert follower.velocity == 0.0
    assert follower.position == pytest.approx(max(low, min(high, goal + 0.1 * max(-speed, min(speed, rate)))))
