"""The calibration curve, against scipy's monotone cubic (an independent implementation)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from bridge.gauges.curve import Curve, CurveTurnsBackError

AIRSPEED = [(0, 0), (40, 28.4), (60, 66.9), (80, 109.1), (100, 150.8), (140, 233.8), (180, 309.5)]


@st.composite
def monotone_points(draw: st.DrawFn, least: int = 2) -> list[tuple[float, float]]:
    n = draw(st.integers(least, 9))
    step = st.floats(0.01, 100.0)
    readings = np.cumsum(draw(st.lists(step, min_size=n, max_size=n)))
    angles = np.cumsum(draw(st.lists(step, min_size=n, max_size=n)))
    sign = draw(st.sampled_from([1.0, -1.0]))
    return [(float(r), float(a) * sign) for r, a in zip(readings, angles, strict=True)]


@given(monotone_points())
def test_it_is_the_monotone_cubic_that_scipy_draws(points: list[tuple[float, float]]) -> None:
    curve = Curve(points)
    reference = PchipInterpolator([p[0] for p in points], [p[1] for p in points])
    readings = np.linspace(points[0][0], points[-1][0], 60)
    assert [curve(float(r)) for r in readings] == pytest.approx(reference(readings), rel=1e-9, abs=1e-9)


@given(monotone_points(), st.floats(0, 1))
def test_the_inverse_gives_the_reading_back(points: list[tuple[float, float]], part: float) -> None:
    curve = Curve(points)
    reading = points[0][0] + part * (points[-1][0] - points[0][0])
    assert curve(curve.inverse(curve(reading))) == pytest.approx(curve(reading), abs=1e-6)


@given(monotone_points())
def test_it_never_turns_back_between_points(points: list[tuple[float, float]]) -> None:
    curve = Curve(points)
    readings = np.linspace(points[0][0], points[-1][0], 200)
    steps = np.diff([curve(float(r)) for r in readings]) * (1 if points[-1][1] > points[0][1] else -1)
    assert (steps >= -1e-9).all()


def test_it_goes_through_every_point_and_stays_at_its_ends_beyond_them() -> None:
    curve = Curve(AIRSPEED)
    assert [curve(reading) for reading, _ in AIRSPEED] == pytest.approx([angle for _, angle in AIRSPEED])
    assert curve(-30) == 0
    assert curve(500) == 309.5


def test_an_endless_curve_repeats_a_turn_further_on_and_is_smooth_at_the_seam() -> None:
    points = [(0, 0), (200, 72.7), (400, 144.5), (600, 215.6), (800, 287.2), (1000, 360)]
    curve = Curve(points, period=1000)
    for reading in (-1000.0, -1.0, 0.0, 137.0, 999.0, 49_950.0):
        assert curve(reading + 1000) - curve(reading) == pytest.approx(360, abs=1e-9)
        assert curve.inverse(curve(reading)) == pytest.approx(reading, abs=1e-6)
    # scipy's cubic through three turns is the same curve in the middle one
    three = [(r + 1000 * k, a + 360 * k) for k in (-1, 0, 1) for r, a in points[:-1]] + [(2000, 720)]
    reference = PchipInterpolator([p[0] for p in three], [p[1] for p in three])
    readings = np.linspace(0, 1000, 101)
    assert [curve(float(r)) for r in readings] == pytest.approx(reference(readings), abs=1e-9)


def test_an_endless_curve_may_run_counter_clockwise() -> None:
    card = Curve([(0, 0), (360, -360)], period=360)
    assert card(90) == pytest.approx(-90)
    assert card(450) == pytest.approx(-450)
    assert card.inverse(-450) == pytest.approx(450)


@pytest.mark.parametrize(
    ("points", "period", "words"),
    [
        ([(0, 0)], None, "two points"),
        ([(0, 0), (10, 20), (10, 30)], None, "readings must rise"),
        ([(0, 0), (10, 20), (20, 15)], None, "turns back"),
        ([(0, 0), (10, 20), (20, 20)], None, "turns back"),
        ([(0, 0), (900, 360)], 1000, "turn of 1000"),
        ([(0, 0), (1000, 350)], 1000, "not 360"),
    ],
)
def test_points_that_make_no_curve_are_refused(
    points: list[tuple[float, float]], period: float | None, words: str
) -> None:
    with pytest.raises(CurveTurnsBackError, match=words):
        Curve(points, period)


def test_curves_through_the_same_points_are_equal() -> None:
    points = [(0.0, 0.0), (40.0, 90.0), (80.0, 360.0)]
    assert Curve(points) == Curve(points) and hash(Curve(points)) == hash(Curve(points))
    assert Curve(points) != Curve([*points[:2], (80.0, 359.0)])
    assert Curve(points, 80.0) != Curve(points)
