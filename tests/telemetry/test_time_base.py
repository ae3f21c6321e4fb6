"""The sender's own time, placed on our clock: without jitter where it helps, harmless where it does not."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from bridge.telemetry.time_base import TimeBase


def flown(pace: float, seconds: float = 30.0, jitter_s: float = 0.03) -> list[tuple[float, float]]:
    """When each of 20 datagrams a second was true, and where it was placed, on our clock."""
    chance = random.Random(1)
    base = TimeBase()
    placed = []
    for n in range(round(seconds * 20)):
        true_s = 1000.0 + n / 20
        arrival_s = true_s + chance.uniform(0.002, jitter_s)
        placed.append((true_s, arrival_s - base.arrived(arrival_s, 77.0 + n / 20 * pace)[0]))
    return placed


def test_jitter_is_gone_once_the_two_clocks_are_compared() -> None:
    offsets = [placed_s - true_s for true_s, placed_s in flown(1.0)][200:]
    assert max(offsets) - min(offsets) < 0.004
    assert 0.0 < min(offsets) < max(offsets) < 0.01


def test_a_simulator_at_another_pace_is_placed_by_arrival() -> None:
    for pace in (0.0, 0.5, 0.95, 2.0, 4.0):
        offsets = [placed_s - true_s for true_s, placed_s in flown(pace)][200:]
        assert min(offsets) >= 0.002 and max(offsets) <= 0.03, pace


def test_a_clock_that_drifts_a_little_is_followed() -> None:
    for pace in (0.9995, 1.0005):
        offsets = [placed_s - true_s for true_s, placed_s in flown(pace, 120)][200:]
        assert max(abs(offset) for offset in offsets) < 0.02, pace


def test_a_clock_that_goes_back_was_set_back_and_one_that_stops_or_goes_on_sooner_was_not() -> None:
    base = TimeBase()
    times = [100.0, 100.05, 100.0, 100.1, 250.0, 250.05, 0.0, 0.05, 0.05, 0.05, 0.1]
    arrivals = [0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 2.0, 4.0, 4.05]
    went_back = [base.arrived(arrival_s, s)[1] for arrival_s, s in zip(arrivals, times, strict=True)]
    assert [s for s, back in zip(times, went_back, strict=True) if back] == [0.0]


def test_a_clock_that_was_set_back_is_placed_by_arrival_until_it_is_known_again() -> None:
    base = TimeBase()
    ages = [base.arrived(n / 20 + n % 2 * 0.02, n / 20 if n < 300 else (n - 300) / 20) for n in range(350)]
    assert ages[299][0] > 0.01
    assert ages[300] == (0.0, True)
    assert all(age == (0.0, False) for age in ages[301:])


def test_without_a_time_of_its_own_the_arrival_counts() -> None:
    assert TimeBase().arrived(12.5, None) == (0.0, False)


@given(st.lists(st.tuples(st.floats(0, 0.2), st.floats(-1e6, 1e6)), min_size=1, max_size=50))
def test_readings_are_never_placed_after_they_arrived(steps: list[tuple[float, float]]) -> None:
    base = TimeBase()
    arrival_s = 0.0
    for interval_s, source_s in steps:
        arrival_s += interval_s
        assert base.arrived(arrival_s, source_s)[0] >= 0.0
