"""The drive's exact arithmetic."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.gauges.drive import Drive

# Small geared unipolar stepper, counted teeth (common practice): 32 x 63.68395 = 2,037.89 full steps a turn.
GEARED = Fraction(32) * Fraction(32, 9) * Fraction(22, 11) * Fraction(26, 9) * Fraction(31, 10)


def drive(steps_per_turn: Fraction = GEARED) -> Drive:
    return Drive(steps_per_turn, 900, 4000)


def test_the_geared_stepper_has_2037_89_steps_a_turn_not_2048() -> None:
    assert float(GEARED) == pytest.approx(2037.886, abs=0.001)
    assert drive().steps(360.0) == pytest.approx(2037.886, abs=0.001)


@given(st.integers(-10_000_000, 10_000_000), st.sampled_from([0.0, 90.0, 180.0, 270.0]))
def test_no_drift_after_any_number_of_turns(turns: int, rest_deg: float) -> None:
    exact = (turns + Fraction(int(rest_deg), 360)) * GEARED
    assert abs(Fraction(drive().steps(turns * 360.0 + rest_deg)) - exact) < Fraction(1, 100_000)


@given(st.floats(-1e6, 1e6))
def test_the_angle_comes_back(angle_deg: float) -> None:
    assert drive().angle_deg(drive().steps(angle_deg)) == pytest.approx(angle_deg, abs=1e-6)
