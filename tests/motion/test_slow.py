"""Slow targets, of 1 to 7 a second: nearer than holding the last and smooth, and no swing past a step."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.motion.motion import Motion
from bridge.motion.prediction import HORIZON, SLOWEST_S, Prediction
from tests.benchmarks.motion_study import HoldLast, truths
from tests.benchmarks.slow_study import CubicPlayOut, fly

CLIMB = truths()[0]
RATES_HZ = (5.0, 6.0, 7.0, 8.0, 10.0)
INTERVALS = st.floats(0.15, SLOWEST_S)
PLACES = st.floats(-5_000, 5_000)


def fed(targets: list[tuple[float, float]]) -> Prediction:
    prediction = Prediction(targets[0][1])
    for time_s, place in targets:
        prediction.add(time_s, place)
    return prediction


@pytest.mark.slow
@pytest.mark.parametrize("hz", [1.0, 2.0, 5.0])
def test_a_climb_is_followed_nearer_than_by_holding_or_by_play_out_and_smoothly(hz: float) -> None:
    shown, _, rough = fly(CLIMB, Motion, hz, 0.0)
    held, _, held_rough = fly(CLIMB, HoldLast, hz, 0.0)
    played, _, _ = fly(CLIMB, lambda limits, at: CubicPlayOut(limits, at, 1.0), hz, 0.0)
    assert shown < held / 3 and shown < played / 3
    assert rough < held_rough / 4


@pytest.mark.slow
def test_between_slow_and_fast_targets_the_motion_is_no_rougher_than_on_either_side() -> None:
    errors, roughs = zip(
        *((shown[0], shown[2]) for shown in (fly(CLIMB, Motion, hz, 0.0) for hz in RATES_HZ)), strict=True
    )
    assert max(errors) < 1.1 * errors[0]
    assert max(roughs) < 1.6 * roughs[0]


def test_a_steady_climb_is_where_it_belongs_at_every_moment() -> None:
    prediction = fed([(float(n), 100.0 * n) for n in range(5)])
    for tick in range(100):
        time_s = 4.0 + tick / 100
        assert prediction.at(time_s)[0] == pytest.approx(100.0 * time_s)
    assert prediction.slow_s == 1.0


@given(INTERVALS, PLACES, PLACES, st.integers(1, 4))
def test_nothing_swings_past_a_step(interval_s: float, before: float, after: float, more: int) -> None:
    places = [before] * 4 + [after] * more
    prediction = Prediction(before)
    for n, place in enumerate(places):
        prediction.add(n * interval_s, place)
        for part in range(20):
            goal = prediction.at((n + part / 20) * interval_s)[0]
            assert min(before, after) - 1e-6 <= goal <= max(before, after) + 1e-6


@given(st.lists(st.tuples(INTERVALS, PLACES), min_size=4, max_size=12))
def test_the_goal_never_jumps_when_a_target_comes_in_time(steps: list[tuple[float, float]]) -> None:
    prediction = Prediction(0.0)
    time_s = 0.0
    for interval_s, place in steps:
        time_s += interval_s
        was_slow, in_time = prediction.slow_s, interval_s < HORIZON * prediction.slow_s
        before = prediction.at(time_s)[0]
        prediction.add(time_s, place)
        if was_slow and in_time and prediction.slow_s:
            assert prediction.at(time_s)[0] == pytest.approx(before, abs=1e-6)


def test_a_doubled_datagram_changes_nothing() -> None:
    targets = [(float(n), 30.0 * n) for n in range(5)]
    once = fed(targets)
    twice = fed(sorted([*targets, (3.02, 90.0), (4.01, 120.0)]))
    assert [once.at(4.0 + n / 10) for n in range(10)] == [twice.at(4.0 + n / 10) for n in range(10)]


@pytest.mark.parametrize("hz", [1, 2, 4, 6])
def test_a_gauge_of_two_quantities_in_two_datagrams_is_followed_as_of_one(hz: int) -> None:
    """At the first datagram of each pair only half of what it shows is new."""
    prediction = Prediction(0.0)
    for n in range(5 * hz + 1):
        prediction.add(n / hz, 100.0 * (n - 0.5) / hz)
        prediction.add(n / hz + 0.003, 100.0 * n / hz)
    assert prediction.slow_s == pytest.approx(1 / hz, abs=0.01)
    shown = [prediction.at(5.003 + part / 10 / hz)[0] for part in range(10)]
    assert shown == pytest.approx([500.0 + 10.0 * part / hz for part in range(10)], abs=1.5)


@pytest.mark.parametrize("held_up_s", [0.62, 1.02])
def test_after_a_program_was_held_up_slow_targets_are_as_near_two_intervals_later(held_up_s: float) -> None:
    """Those of 5 Hz that came meanwhile are taken in one moment."""
    goes_on_s = 3.0 + held_up_s
    sent_s = [n / 5 for n in range(round(goes_on_s * 5) + 3)]
    prediction = Prediction(0.0)
    for n, each_s in enumerate(sent_s):
        time_s = each_s if each_s < 3.0 else max(each_s, goes_on_s + n * 0.000_3)
        prediction.add(time_s, 100.0 * each_s)
    shown = [prediction.at(sent_s[-1] + part / 50)[0] for part in range(10)]
    assert shown == pytest.approx([100.0 * sent_s[-1] + 2.0 * part for part in range(10)], abs=4.0)


def test_whole_turns_between_two_targets_that_come_together_are_no_way() -> None:
    prediction = fed([(float(n), 30.0 * n) for n in range(6)])
    prediction.shift(-720.0)
    prediction.add(5.003, 150.0 - 720.0 + 0.1)
    assert prediction.at(5.5)[0] == pytest.approx(150.0 - 720.0 + 15.0, abs=0.2)


def test_it_comes_to_rest_at_the_last_target_when_no_more_come() -> None:
    motion = Motion(CLIMB.limits, 0.0)
    for n in range(600):
        if n % 50 == 0 and n < 300:
            motion.target(n / 100, n * 2.0)
        motion.step(n / 100)
    assert (motion.position, motion.at_rest) == (500.0, True)


def test_fast_targets_after_slow_ones_are_fitted_again() -> None:
    slow = [(float(n), 10.0 * n) for n in range(4)]
    fast = [(3.0 + n / 20, 30.0 + n / 2) for n in range(1, 20)]
    prediction = fed([*slow, *fast])
    assert prediction.slow_s == 0.0
    assert prediction.at(4.0)[0] == pytest.approx(40.0)
    assert all(b > a for a, b in pairwise(prediction.at(4.0 + n / 100)[0] for n in range(10)))
