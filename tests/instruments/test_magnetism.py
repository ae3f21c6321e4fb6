"""The magnetic variation against the test values that are published with each World Magnetic Model."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.instruments.magnetism import magnetic_variation_deg
from tests.published import rows


@pytest.mark.parametrize("row", rows("magnetic-variation.csv"), ids=str)
def test_the_published_test_values(row: tuple[float, ...]) -> None:
    """To their last digit. Half a year is over within a day of 2 July, which moves none by a hundredth."""
    year, latitude_deg, longitude_deg, published_deg = row
    day = date(int(year), 1, 1) + timedelta(days=round(year % 1 * 365.25))
    variation_deg, taken_for = magnetic_variation_deg(latitude_deg, longitude_deg, day)
    assert variation_deg == pytest.approx(published_deg, abs=0.0101)
    assert taken_for == pytest.approx(year, abs=0.002)


@pytest.mark.parametrize(
    ("day", "year"), [(date(2009, 11, 6), 2010.0), (date(1985, 1, 1), 2010.0), (date(2040, 1, 1), 2029.99)]
)
def test_before_and_after_the_models_the_nearest_day_is_taken(day: date, year: float) -> None:
    assert magnetic_variation_deg(-38.7, 176.1, day)[1] == year


@given(st.floats(-90, 90), st.floats(-180, 180), st.dates(date(1980, 1, 1), date(2099, 1, 1)))
def test_every_place_and_day_has_one(latitude_deg: float, longitude_deg: float, day: date) -> None:
    assert -180.0 <= magnetic_variation_deg(latitude_deg, longitude_deg, day)[0] <= 180.0


def test_no_place_on_earth() -> None:
    with pytest.raises(OutOfRangeError, match="91, 0 degrees"):
        magnetic_variation_deg(91.0, 0.0, date(2026, 1, 1))
