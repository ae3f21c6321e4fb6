"""The lag and the slope of a signal, against closed solutions and an independent simulation."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from bridge.instruments.filters import GAP_S, Lag, Slope
from bridge.quantities.catalogue import CATALOGUE
from bridge.timing import LATE_S

ALTITUDE = CATALOGUE["pressure_altitude"]
CLIMB = CATALOGUE["vertical_speed"]
HEADING = CATALOGUE["heading_true"]
BANK = CATALOGUE["bank"]

intervals = st.lists(st.floats(0.0, 0.2), min_size=1, max_size=60)


def climb_rate() -> Slope:
    return Slope(ALTITUDE, 0.5, 1000.0, 60.0)


def settled(slope: Slope, samples: Sequence[tuple[float, float]]) -> float:
    rate = None
    for time_s, value in samples:
        rate = slope(time_s, value)
    assert rate is not None
    return rate


# --- lag ---


def test_lag_agrees_with_the_scipy_simulation_of_a_first_order_system() -> None:
    times = np.linspace(0.0, 12.0, 241)
    values = 300 * np.sin(times) + 100 * np.cos(2.3 * times)
    # lsim also joins the samples by straight lines; it starts from rest at the first value.
    _, theirs, _ = signal.lsim(([1.0], [2.5, 1.0]), values - values[0], times)
    lag = Lag(CLIMB, 2.5)
    ours = [lag(float(t), float(v)) for t, v in zip(times, values, strict=True)]
    assert ours == pytest.approx(list(theirs + values[0]), abs=1e-6)


@given(intervals)
def test_lag_of_a_steady_climb_does_not_depend_on_the_sampling(steps_s: list[float]) -> None:
    lag = Lag(CLIMB, 2.0)
    time_s = 0.0
    shown = lag(0.0, 0.0)
    for step_s in steps_s:
        time_s += step_s
        shown = lag(time_s, 10 * time_s)
    # The closed answer to a ramp of 10 a second: it trails by 10 tau (1 - exp(-t / tau)).
    assert shown == pytest.approx(10 * time_s - 20 * (1 - math.exp(-time_s / 2)), abs=1e-4)


def test_lag_of_nothing_lets_the_value_through() -> None:
    assert [Lag(CLIMB, 0.0)(t, 7.0) for t in (0.0, 5.0, 1.0)] == [7.0, 7.0, 7.0]


def test_lag_goes_the_short_way_round_north() -> None:
    lag = Lag(HEADING, 1.0)
    lag(0.0, 350.0)
    shown = [lag(0.1 * i, 10.0) for i in range(1, 60)]
    assert all(350 <= each < 360 or 0 <= each <= 10 for each in shown)
    assert shown[-1] == pytest.approx(10.0, abs=0.1)


def test_lag_ignores_a_late_sample() -> None:
    lag = Lag(CLIMB, 2.0)
    lag(10.0, 0.0)
    before = lag(10.1, 500.0)
    assert lag(10.1 - LATE_S / 2, 0.0) == before
    assert lag(10.1, 500.0) == before


@pytest.mark.parametrize("later_s", [GAP_S + 0.1, -LATE_S - 0.1, -100.0])
def test_lag_starts_afresh_after_a_gap_or_a_jump_back(later_s: float) -> None:
    lag = Lag(CLIMB, 2.0)
    lag(1000.0, 0.0)
    lag(1000.1, 500.0)
    assert lag(1000.1 + later_s, -800.0) == -800.0


# --- slope ---


@given(intervals.filter(lambda steps: sum(steps) > 0.5), st.floats(-2000, 2000))
def test_slope_of_a_steady_climb_is_its_rate_at_any_sampling(steps_s: list[float], ft_min: float) -> None:
    times = np.cumsum([0.0, *steps_s])
    rate = settled(climb_rate(), [(float(t), 3000 + float(t) * ft_min / 60) for t in times])
    assert rate == pytest.approx(ft_min, abs=1e-4)


def test_slope_is_unknown_before_it_has_history() -> None:
    slope = climb_rate()
    assert slope(0.0, 100.0) is None
    assert slope(0.1, 101.0) is None
    assert slope(0.3, 103.0) == pytest.approx(600.0)


def test_slope_unwraps_north_both_ways() -> None:
    right = [(0.05 * i, (357 + 0.15 * i) % 360) for i in range(100)]
    left = [(0.05 * i, (3 - 0.15 * i) % 360) for i in range(100)]
    assert settled(Slope(HEADING, 0.5, 360.0), right) == pytest.approx(3.0)
    assert settled(Slope(HEADING, 0.5, 360.0), left) == pytest.approx(-3.0)


def test_slope_unwraps_a_roll_through_inverted_flight() -> None:
    roll = [(0.05 * i, BANK.wrap(170 + 4 * i)) for i in range(30)]
    assert settled(Slope(BANK, 0.5, 360.0), roll) == pytest.approx(80.0)


def test_slope_settles_to_a_new_rate() -> None:
    slope = climb_rate()
    settled(slope, [(0.05 * i, 0.0) for i in range(40)])
    rate = settled(slope, [(2 + 0.05 * i, 10 * 0.05 * i) for i in range(100)])
    assert rate == pytest.approx(600.0, rel=1e-3)


@given(st.lists(st.floats(-0.03, 0.03), min_size=80, max_size=80))
def test_slope_tolerates_jitter_of_arrival(jitter_s: list[float]) -> None:
    # 1,800 ft/min sampled at 20 Hz, stamped up to 30 ms early or late: within a fifth of the rate.
    samples = [(0.05 * i + late, 30 * 0.05 * i) for i, late in enumerate(jitter_s)]
    assert settled(climb_rate(), samples) == pytest.approx(1800.0, rel=0.2)


def test_a_reposition_is_not_a_climb() -> None:
    slope = climb_rate()
    settled(slope, [(0.05 * i, 2000.0) for i in range(40)])
    assert slope(2.0, 9000.0) is None
    assert settled(slope, [(2.05 + 0.05 * i, 9000.0) for i in range(10)]) == 0.0


@pytest.mark.parametrize("later_s", [GAP_S + 0.1, -LATE_S - 0.1])
def test_slope_starts_afresh_after_a_gap_or_a_jump_back(later_s: float) -> None:
    slope = climb_rate()
    settled(slope, [(100 + 0.05 * i, 2000.0 + i) for i in range(40)])
    assert slope(102 + later_s, 2040.0) is None


def test_slope_ignores_a_late_sample() -> None:
    slope = climb_rate()
    before = settled(slope, [(100 + 0.05 * i, 2000.0 + i) for i in range(40)])
    assert slope(101.0, 1900.0) == before
