"""Motion: within the drive's limits on any targets, exactly still at rest, close to the truth in flight."""

from __future__ import annotations

import random
from itertools import pairwise
from math import inf, isfinite, nan, pi, sin

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from ruckig import InputParameter, Ruckig, Trajectory

from bridge.motion.motion import Motion
from bridge.motion.path import Limits, Path
from bridge.motion.prediction import HORIZON_S
from bridge.timing import LONGEST_TICK_S
from tests.benchmarks.motion_study import Truth, candidates, fly, recorded, truths

HUNDREDS = Limits(600.0, 4_000.0)
BOUNDED = Limits(900.0, 6_000.0, 0.0, 945.0)

anything = st.one_of(
    st.floats(-3_000, 3_000), st.floats(-1e7, 1e7), st.sampled_from([nan, inf, -inf, 1e300, 0.0, 945.0])
)
events = st.lists(
    st.tuples(
        st.sampled_from(["target", "target", "target", "glide", "nothing"]),
        st.one_of(st.just(0.0), st.floats(-0.2, 0.3), st.sampled_from([nan, inf, -5.0, 1e9])),  # age, s
        anything,
        st.lists(st.sampled_from([1e-4, 0.003, 0.01, 0.01, 0.013, 0.05, 0.09]), max_size=12),
    ),
    max_size=40,
)


def ticks(motion: Motion, start_s: float, count: int, tick_s: float = 0.01) -> list[tuple[float, float]]:
    return [motion.step(start_s + n * tick_s) for n in range(count)]


@given(
    events,
    st.floats(50, 3_000),
    st.floats(200, 40_000),
    st.sampled_from([(None, None), (0.0, 945.0), (-10.0, None), (0.0, 0.5)]),
)
@example([("target", 0.0, 4e6, [0.09] * 12)] * 3, 3_000, 40_000, (0.0, 945.0))
def test_no_targets_whatever_drive_a_motor_beyond_its_limits_or_stops(
    script: list[tuple[str, float, float, list[float]]],
    speed: float,
    acceleration: float,
    stops: tuple[float | None, float | None],
) -> None:
    low, high = stops
    motion = Motion(Limits(speed, acceleration, low, high), 0.0)
    now_s = 0.0
    position, sent = motion.step(now_s)
    velocity = motion.velocity
    for kind, age_s, place, spans in script:
        if kind == "target":
            motion.target(now_s - age_s, place)
        elif kind == "glide" and isfinite(place):
            motion.glide_to(place)
        for span_s in spans:
            now_s += span_s
            before, was, was_sent = position, velocity, sent
            position, sent = motion.step(now_s)
            velocity = motion.velocity
            assert abs(sent) <= speed * (1 + 1e-9)
            assert abs(sent - was_sent) <= acceleration * (span_s + 1e-9) * (1 + 1e-9)
            check_tick(before, was, position, velocity, span_s, speed, acceleration)
            assert low is None or position >= low
            assert high is None or position <= high


changes = st.lists(
    st.tuples(
        st.sampled_from(["target", "glide", "halt", "slow", "fast", "narrow", "wide"]),
        st.floats(-300, 1_300),
        st.lists(st.sampled_from([1e-4, 0.003, 0.01, 0.01, 0.013, 0.05]), max_size=20),
    ),
    max_size=30,
)


@example(
    script=[
        ("target", 9.0, [0.0001, 0.0001, 0.0001, 0.01]),
        ("slow", 0.0, [0.013, 0.01, 0.01, 0.01, 0.01, 0.01]),
        ("halt", 0.0, [0.01, 0.05]),
    ],
    speed=98.0,
    acceleration=9195.0,
)
@given(changes, st.floats(50, 3_000), st.floats(200, 40_000))
def test_limits_that_change_and_halts_keep_to_the_drives_speed_and_acceleration_and_the_outer_stops(
    script: list[tuple[str, float, list[float]]], speed: float, acceleration: float
) -> None:
    """What is held at the bench, and the stop of all needles: slower for a while, other stops, a halt."""
    stops = {"narrow": (0.0, 945.0), "wide": (-200.0, 1_200.0)}
    slow, ends = speed, stops["wide"]
    motion = Motion(Limits(speed, acceleration, *ends), 0.0)
    now_s = 0.0
    position, sent = motion.step(now_s)
    velocity = motion.velocity
    for kind, place, spans in script:
        halted = None
        if kind == "target":
            motion.target(now_s, place)
        elif kind == "glide":
            motion.glide_to(place)
        elif kind == "halt":
            halted = motion.halt()
        else:
            slow = {"slow": 0.1 * speed, "fast": speed}.get(kind, slow)
            ends = stops.get(kind, ends)
            motion.set_limits(Limits(slow, acceleration, *ends))
        for span_s in [*spans, *([0.01] * 2_000 if halted is not None else [])]:
            if (position, velocity) == (halted, 0.0):  # at rest a hair beside it, it is still on its way
                break
            now_s += span_s
            before, was, was_sent = position, velocity, sent
            position, sent = motion.step(now_s)
            velocity = motion.velocity
            assert abs(sent) <= speed * (1 + 1e-9)
            assert abs(sent - was_sent) <= acceleration * (span_s + 1e-9) * (1 + 1e-9)
            check_tick(before, was, position, velocity, span_s, speed, acceleration)
            assert -200.0 <= position <= 1_200.0
        if halted is not None and ends[0] <= position <= ends[1]:
            assert (position, velocity) == (halted, 0.0)


@given(
    st.lists(
        st.tuples(
            st.one_of(st.floats(-50, 1_000), st.sampled_from([0.0, 945.0, 944.9])),  # goal
            st.floats(-4_000, 4_000),  # rate
            st.lists(st.sampled_from([1e-4, 0.003, 0.01, 0.01, 0.05, 0.1]), max_size=40),
        ),
        max_size=12,
    ),
    st.floats(50, 3_000),
    st.floats(200, 40_000),
)
@example([(800.0, 4_000.0, [0.01] * 200), (945.0, 0.0, [0.1] * 3)], 900.0, 1_000.0)
def test_a_goal_that_runs_towards_a_stop_at_any_rate_does_not_drive_the_needle_past_it(
    script: list[tuple[float, float, list[float]]], speed: float, acceleration: float
) -> None:
    path = Path(Limits(speed, acceleration, 0.0, 945.0), 400.0)
    for goal, rate, spans in script:
        for span_s in spans:
            before, was = path.position, path.velocity
            goal += rate * span_s
            path.advance(span_s, goal, rate)
            check_tick(before, was, path.position, path.velocity, span_s, speed, acceleration)
            assert 0.0 <= path.position <= 945.0


def check_tick(
    before: float, was: float, after: float, now: float, span_s: float, speed: float, acceleration: float
) -> None:
    """One tick is a motion that the drive can make.

    From velocity v to w in time h with at most acceleration a, the ways (v + w)/2 h, give or take
    ((a h)^2 - (w - v)^2) / (4 a), are open (elementary kinematics). Rounding of time and place is allowed.
    """
    assert isfinite(after)
    assert abs(now) <= speed * (1 + 1e-9)
    assert abs(now - was) <= acceleration * (span_s + 1e-9) * (1 + 1e-9)
    room = acceleration * span_s
    spare = max(room * room - (now - was) ** 2, 0.0) / (4 * acceleration)
    rounding = 1e-8 + 1e-9 * speed + 1e-14 * abs(after) * 100
    assert abs(after - before - 0.5 * (was + now) * span_s) <= spare + rounding
    assert abs(after - before) <= speed * span_s + rounding


@pytest.mark.slow
@given(
    st.floats(-2_000, 4_000),  # position
    st.floats(-2_000, 2_000),  # velocity
    st.floats(-1_000, 3_000),  # goal
    st.floats(50, 3_000),
    st.floats(200, 40_000),
    st.floats(-500, 1_000),
    st.one_of(st.floats(0, 2_000), st.sampled_from([0.0, 0.5])),  # between the stops
    st.lists(st.sampled_from([1e-4, 0.003, 0.01, 0.013, 0.05, 0.1]), min_size=1, max_size=20),
)
@example(0.0, 0.0, 1_000.0, 900.0, 6_000.0, 500.0, 1_900.0, [0.01])
@example(0.0, -500.0, 1_000.0, 900.0, 6_000.0, 500.0, 1_900.0, [0.01])
@example(3_000.0, 500.0, 3_000.0, 900.0, 6_000.0, 500.0, 1_900.0, [0.01])
def test_from_anywhere_the_needle_comes_inside_its_stops_to_its_goal_and_stays_within_its_limits(
    position: float,
    velocity: float,
    goal: float,
    speed: float,
    acceleration: float,
    low: float,
    room: float,
    spans: list[float],
) -> None:
    """A board may report any place: a servo before its first pulse, a state kept under an older scale."""
    high = low + room
    velocity = max(-speed, min(speed, velocity))
    path = Path(Limits(speed, acceleration, low, high), position, velocity)
    goal_inside = max(low, min(high, goal))
    quickest_s = (abs(position) + abs(goal) + 4_000) / speed + 4 * speed / acceleration
    elapsed_s, n = 0.0, 0
    while elapsed_s < 2 * quickest_s + 3.0 and (path.position, path.velocity) != (goal_inside, 0.0):
        span_s = spans[n % len(spans)]
        if span_s < 0.001 and n > 200:
            span_s = 0.01
        before, was = path.position, path.velocity
        path.advance(span_s, goal, 0.0)
        check_tick(before, was, path.position, path.velocity, span_s, speed, acceleration)
        ahead = high - before if was > 0 else before - low
        if low <= before <= high and was * was <= 2 * acceleration * ahead:
            assert low <= path.position <= high
        elapsed_s += span_s
        n += 1
    assert (path.position, path.velocity) == (goal_inside, 0.0)


@pytest.mark.parametrize("place", [12.3, 333.3, 5_000.25, -40.0, 1e6 / 3])
def test_a_needle_ends_exactly_on_its_target_and_is_then_exactly_still(place: float) -> None:
    motion = Motion(Limits(60_000, 400_000), 0.0)
    motion.step(0.0)
    for n in range(1, 1_001):
        if n % 5 == 0:
            motion.target(n * 0.01 - 0.003 * (n % 3), place)
        motion.step(n * 0.01)
    assert set(ticks(motion, 10.01, 300)) == {(place, 0.0)}
    assert motion.at_rest


def test_a_needle_stays_still_while_equal_targets_jitter_double_and_get_lost() -> None:
    motion = Motion(HUNDREDS, 77.7)
    motion.step(0.0)
    for n in range(1, 1_000):
        if n % 5 in (0, 1) and n % 35:
            motion.target(n * 0.01 - (n * 7 % 13) * 0.002, 77.7)
        assert motion.step(n * 0.01) == (77.7, 0.0)


@pytest.mark.parametrize("limits", [HUNDREDS, BOUNDED, Limits(2_000, 20_000, 500, 2_500)])
@pytest.mark.parametrize("way", [0.4, 3.0, 40.0, 300.0, 800.0])
@pytest.mark.parametrize("tick_s", [0.005, 0.01, 0.02])
def test_a_glide_takes_hardly_longer_than_the_quickest_one_and_does_not_overshoot(
    limits: Limits, way: float, tick_s: float
) -> None:
    """The quickest glide by ruckig (1 axis, no limit of jerk), an independent library.

    A fifth longer is the price of the board's room; a tenth of a second, that of settling without a kink.
    """
    start = limits.low_steps or 0.0
    motion = Motion(limits, start)
    motion.step(0.0)
    motion.glide_to(start + way)
    path = [motion.step(n * tick_s) for n in range(1, int(4 / tick_s))]
    assert max(position for position, _ in path) <= start + way
    assert path[-1] == (start + way, 0.0)
    near = next(n for n, (position, _) in enumerate(path, 1) if start + way - position < 1.0) * tick_s

    request = InputParameter(1)
    request.current_position, request.target_position = [start], [start + way]
    request.max_velocity, request.max_acceleration = [limits.speed_steps_s], [limits.acceleration_steps_s2]
    trajectory = Trajectory(1)
    Ruckig(1).calculate(request, trajectory)
    assert trajectory.duration - 0.05 < near < 1.2 * trajectory.duration + 0.1


@pytest.mark.parametrize("limits", [HUNDREDS, Limits(2_000, 20_000)])
@pytest.mark.parametrize("gap_s", [0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 2.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_knobs_click_or_a_reposition_is_no_motion_to_be_predicted(
    limits: Limits, gap_s: float, seed: int
) -> None:
    """No needle swings past the new place, also when telemetry pauses before it goes on from there."""
    for place in (1.0, 10.0, 19.0, 40.0, 60.0, 80.0, 120.0, 300.0, 1_000.0):
        chance = random.Random(seed)
        motion = Motion(limits, 0.0)
        motion.step(0.0)
        highest = 0.0
        for n in range(1, 600):
            now_s = n * 0.01
            if n % 5 == 0 and not 1.0 < now_s < 1.0 + gap_s - 0.001:
                motion.target(now_s - chance.uniform(0.0, 0.03), 0.0 if now_s <= 1.0 else place)
            highest = max(highest, motion.step(now_s)[0])
        assert highest == place


def test_late_and_doubled_targets_and_numbers_that_are_none_change_nothing() -> None:
    clean, dirty = Motion(HUNDREDS, 0.0), Motion(HUNDREDS, 0.0)
    for n in range(1_000):
        now_s = n * 0.01
        if n % 5 == 0:
            for motion in (clean, dirty):
                motion.target(now_s, 50 * sin(now_s))
            dirty.target(now_s, 50 * sin(now_s))
            dirty.target(now_s - 0.06, -20.0)
            dirty.target(now_s + 0.01, nan)
            dirty.target(now_s + 0.01, inf)
            dirty.target(nan, 5.0)
        assert clean.step(now_s) == dirty.step(now_s)


def test_targets_that_arrive_all_at_once_give_no_wild_rate() -> None:
    """A stalled link that delivers half a second at one moment, without times of the source."""
    motion = Motion(HUNDREDS, 0.0)
    motion.step(0.0)
    for n in range(10):
        motion.target(0.5 + n * 1e-5, 3.4 * n)
    path = ticks(motion, 0.51, 200)
    assert max(position for position, _ in path) == 3.4 * 9


@pytest.mark.parametrize("hz", [10, 20, 50, 60, 100])
@pytest.mark.parametrize("held_up_s", [0.15, 0.3, 0.6])
def test_a_program_held_up_in_a_climb_catches_up_without_swinging_past(hz: int, held_up_s: float) -> None:
    """What arrived meanwhile is taken in one moment, a datagram in 0.3 ms; more telemetry comes after it."""
    steps_per_ft, climb_ft_s = 2.038, 2_000 / 60
    goes_on_s = 2.0 + held_up_s
    taken: list[tuple[float, float]] = []
    for n in range(round(5 * hz)):
        sent_s = n / hz
        before_s = taken[-1][0] if taken else 0.0
        taken.append((sent_s if sent_s < 2.0 else max(sent_s, goes_on_s, before_s + 0.000_3), sent_s))
    motion = Motion(HUNDREDS, 0.0)
    off_ft = {}
    for now_s in (n * 0.01 for n in range(480)):
        if 2.0 <= now_s < goes_on_s:
            continue
        while taken and taken[0][0] <= now_s:
            arrival_s, sent_s = taken.pop(0)
            motion.target(arrival_s, steps_per_ft * climb_ft_s * sent_s)
        off_ft[now_s] = motion.step(now_s)[0] / steps_per_ft - climb_ft_s * now_s
    assert max(off for time_s, off in off_ft.items() if time_s >= goes_on_s) < 1.5
    assert all(abs(off) < 5.0 for time_s, off in off_ft.items() if time_s >= goes_on_s + 0.3)


def test_when_telemetry_stops_the_needle_goes_little_further_and_rests_at_the_last_target() -> None:
    motion = Motion(HUNDREDS, 0.0)
    motion.step(0.0)
    rate = 68.0  # 2,000 ft/min on a hundreds pointer of 2,038 steps a turn
    for n in range(1, 201):
        if n % 5 == 0:
            motion.target(n * 0.01, rate * n * 0.01)
        motion.step(n * 0.01)
    last = rate * 2.0
    path = ticks(motion, 2.01, 200)
    assert max(position for position, _ in path) < last + rate * (HORIZON_S + 0.05)
    assert path[-1] == (last, 0.0)
    motion.glide_to(0.0)
    assert ticks(motion, 4.01, 200)[-1] == (0.0, 0.0)
    motion.target(6.0, 55.5)
    assert ticks(motion, 6.01, 200)[-1] == (55.5, 0.0)


def test_catching_up_after_a_gap_between_ticks_is_bounded() -> None:
    motion = Motion(HUNDREDS, 0.0)
    motion.step(0.0)
    motion.target(0.0, 5_000.0)
    before = ticks(motion, 0.01, 50)[-1]
    after = motion.step(100.0)
    assert abs(after[0] - before[0]) <= HUNDREDS.speed_steps_s * LONGEST_TICK_S * (1 + 1e-9)
    assert abs(after[1] - before[1]) <= HUNDREDS.acceleration_steps_s2 * LONGEST_TICK_S * (1 + 1e-9)


def test_a_time_base_that_was_set_back_is_taken_up() -> None:
    motion = Motion(HUNDREDS, 0.0)
    motion.step(1_000.0)
    motion.target(1_000.0, 100.0)
    ticks(motion, 1_000.01, 100)
    motion.target(0.0, 40.0)
    assert ticks(motion, 0.0, 200)[-1] == (40.0, 0.0)


def test_a_needle_on_the_run_is_taken_over_without_a_jerk_even_by_lower_limits() -> None:
    slower = Limits(100.0, 1_000.0, -1_000.0, 200.0)
    motion = Motion(slower, 0.0, 400.0)
    path = [(0.0, 400.0)]
    for n in range(300):
        position, _ = motion.step(n * 0.01)
        path.append((position, motion.velocity))
    for (before, was), (after, now) in pairwise(path[1:]):
        assert abs(now - was) <= 1_000.0 * 0.01 * (1 + 1e-6)
        assert after - before == pytest.approx(0.5 * (was + now) * 0.01, abs=0.03)
    assert path[-1][1] == 0.0


def test_pointers_of_one_gauge_stay_in_step_while_they_follow() -> None:
    """Hundreds and thousands of an altimeter, ten to one, from the same arrivals."""
    hundreds, thousands = Motion(HUNDREDS, 0.0), Motion(HUNDREDS, 0.0)
    for n in range(2_000):
        if n % 5 == 0 and n % 35:
            time_s = n * 0.01 + (n * 7 % 13) * 0.002
            steps = 60.0 * time_s + 30 * sin(2 * pi * 0.3 * time_s)
            hundreds.target(time_s, steps)
            thousands.target(time_s, steps / 10)
        quick, slow = hundreds.step(n * 0.01), thousands.step(n * 0.01)
        if n > 100:  # both have caught up with the first targets
            assert quick[0] == pytest.approx(10 * slow[0], abs=1e-6)


@pytest.mark.parametrize("stamped", [True, False], ids=["source time", "arrival time"])
@pytest.mark.parametrize("truth", [*truths()[:3], *recorded()[:2]], ids=lambda truth: truth.name)
def test_a_hundreds_pointer_keeps_within_3_ft_rms_and_10_ft_at_most(truth: Truth, stamped: bool) -> None:
    """The project's own target: 20 Hz, 0 to 30 ms of jitter, 2 % lost, up to 2,000 ft/min."""
    outcome = fly(truth, Motion, stamped)
    assert outcome.rms < 3.0
    assert outcome.worst < 10.0


@pytest.mark.parametrize("truth", truths(), ids=lambda truth: truth.name)
def test_prediction_is_nearer_to_the_truth_and_smoother_than_holding_the_last_target(truth: Truth) -> None:
    ours = fly(truth, Motion, stamped=False)
    simple = fly(truth, candidates()["hold last, at once"], stamped=False)
    assert ours.rms < simple.rms
    assert ours.worst < simple.worst
    assert ours.rough < 0.4 * simple.rough
