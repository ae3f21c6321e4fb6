"""Errors against the line between arrivals, how they are spread, and what a chart keeps of them."""

from __future__ import annotations

from array import array
from math import sqrt
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.panel.load import load_panel
from bridge.report.analysis import (
    APART_S,
    errors_of,
    figures_of,
    histogram,
    lowest_and_highest,
    worst_moments,
)
from bridge.report.tracks import EXCUSED, LOST, Track, tracks_of
from tests.conftest import ROOT
from tests.report.flown import KEY, made_up, tachometer

PANEL = load_panel(ROOT / "config" / "panel.toml")


def track(key: str) -> Track:
    return tracks_of(PANEL)[key]


def test_between_two_arrivals_the_line_between_them_is_what_was_to_be_shown() -> None:
    needle = track("airspeed.needle")
    needle.take(0.0, 0.0, 100.0, 100.0, 0.0, 0, 0, 0, 0)
    needle.take(0.05, 0.0, 100.0, 101.0, 0.05, 0, 0, 0, 0)
    needle.take(0.1, 0.1, 104.0, 104.0, 0.1, 0, 0, 0, 0)
    assert list(errors_of(needle).values) == [0.0, -1.0, 0.0]  # at 0.05 s it was 102


def test_a_reading_that_stays_and_then_changes_did_not_change_before() -> None:
    needle = track("airspeed.needle")
    for n in range(11):
        needle.take(n / 10, n / 10, 100.0 if n < 10 else 110.0, 100.0, n / 10, 0, 0, 0, 0)
    assert list(errors_of(needle).values) == [0.0] * 10 + [-10.0]


def test_an_error_across_north_is_a_small_one() -> None:
    card = track("heading.card")
    card.take(0.0, 0.0, 359.0, 358.5, 0.0, 0, 0, 0, 0)
    card.take(0.1, 0.1, 1.0, 359.9, 0.05, 0, 0, 0, 0)
    card.take(0.2, 0.2, 3.0, 2.0, 0.2, 0, 0, 0, 0)
    assert list(errors_of(card).values) == pytest.approx([-0.5, -0.1, -1.0])


def test_a_pointer_at_the_bench_has_no_errors_and_one_that_lost_a_quantity_has() -> None:
    needle = track("airspeed.needle")
    needle.take(0.0, 0.0, 100.0, 100.0, 0.0, 0, 0, 0, 0)
    needle.take(0.1, 0.1, 100.0, 150.0, 0.1, 0, 0, EXCUSED, 0)
    needle.take(0.2, 0.2, 100.0, 100.0, 0.2, 0, 0, LOST, 0)
    needle.take(0.4, 0.4, 120.0, 120.0, 0.4, 0, 0, 0, 0)
    assert list(errors_of(needle).times_s) == [0.0, 0.2, 0.4]
    assert list(errors_of(needle).values) == pytest.approx([0.0, -20 / 3, 0.0])  # the line from 0.1 to 0.4 s


def test_the_figures_of_a_needle_that_is_half_off_by_six(tmp_path: Path) -> None:
    flight = made_up(tachometer(tmp_path), lambda t: 1000.0, lambda t: 1000.0 if t < 5.0 else 1006.0)
    needle = flight.tracks[KEY]
    needle.tolerance = 5.0
    figures = figures_of(flight, needle, errors_of(needle))
    assert figures.reports == 500
    assert figures.rms == pytest.approx(6.0 / sqrt(2.0))
    assert figures.mean == pytest.approx(3.0)
    assert figures.within == pytest.approx(0.5)
    assert figures.worst is not None and figures.worst.error == 6.0


def test_a_needle_that_moves_evenly_is_not_rough_and_one_that_twitches_is(tmp_path: Path) -> None:
    even = made_up(tachometer(tmp_path), lambda t: 100.0 * t, lambda t: 100.0 * t)
    needle = even.tracks[KEY]
    assert figures_of(even, needle, errors_of(needle)).rough_deg_s == pytest.approx(0.0, abs=1e-6)
    twitching = made_up(
        tachometer(tmp_path), lambda t: 100.0 * t, lambda t: 100.0 * t + 4.0 * (round(50 * t) % 2)
    )
    needle = twitching.tracks[KEY]
    # To and fro by 4 rpm, 0.36 degrees, at each tick of 20 ms: 18 deg/s.
    assert figures_of(twitching, needle, errors_of(needle)).rough_deg_s == pytest.approx(18.0, rel=0.02)


def test_the_worst_moments_are_apart() -> None:
    times_s = [n / 10 for n in range(1000)]
    values = [0.0] * 1000
    values[500], values[505], values[800], values[100] = 9.0, -8.0, -7.0, 1.0
    found = worst_moments(times_s, values, 3)
    assert [(m.time_s, m.error) for m in found] == [(50.0, 9.0), (80.0, -7.0), (10.0, 1.0)]
    assert all(abs(a.time_s - b.time_s) >= APART_S for a in found for b in found if a is not b)


@settings(max_examples=50)
@given(st.lists(st.floats(-1e6, 1e6), max_size=300))
@example([5e-324])
def test_every_error_is_in_the_histogram_or_beyond_it(values: list[float]) -> None:
    spread = histogram(values)
    assert sum(spread.counts) + spread.beyond == len(values)
    assert spread.beyond <= len(values) / 100 + 1


@settings(max_examples=50)
@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=400), st.integers(1, 60))
def test_a_chart_keeps_the_lowest_and_the_highest_of_every_column(values: list[float], columns: int) -> None:
    times_s = array("d", [n / 7 for n in range(len(values))])
    found = lowest_and_highest(times_s, array("d", values), 0.0, times_s[-1], columns)
    assert min(low for _, low, _ in found) == min(values)
    assert max(high for _, _, high in found) == max(values)
    assert [column for column, _, _ in found] == sorted({column for column, _, _ in found})
    assert len(found) <= columns
