"""The tables of permitted errors, against copies of the published ones and against the air data."""

from __future__ import annotations

import pytest

from bridge.instruments import airdata
from bridge.proof import published
from bridge.proof.plan import pressure_hpa
from tests.published import rows


def test_table_i_is_the_published_one() -> None:
    """14 CFR Part 43, Appendix E, Table I: tests/data/altimeter-scale-error.csv."""
    table = rows("altimeter-scale-error.csv")
    assert published.SCALE_ERROR.rows == tuple((altitude, tolerance) for altitude, _, tolerance in table)
    pressures = {altitude: pressure for altitude, pressure, _ in table}
    assert pressures == published.PRESSURES_INHG


def test_the_printed_pressures_lead_back_to_their_altitudes() -> None:
    """They are rounded to 0.0005 inHg, and agree with the standard atmosphere to 0.0006."""
    for altitude, _ in published.SCALE_ERROR.rows:
        found = airdata.pressure_altitude_ft(pressure_hpa(altitude))
        step_ft = airdata.pressure_altitude_ft(pressure_hpa(altitude) - 0.0006 * published.INHG_HPA) - found
        assert found == pytest.approx(altitude, abs=step_ft)


def test_table_iv_is_the_published_one() -> None:
    """14 CFR Part 43, Appendix E, Table IV: tests/data/altimeter-setting-difference.csv."""
    assert list(published.SETTINGS) == rows("altimeter-setting-difference.csv")


def test_nothing_is_made_up_between_the_rows_of_a_table() -> None:
    assert published.SCALE_ERROR.at(3000.0) == 30
    assert published.SCALE_ERROR.at(3500.0) is None


@pytest.mark.parametrize(
    ("top_kt", "at_100_kt", "at_160_kt"), [(150.0, 3, None), (180.0, 4, 5), (400.0, 3, 4)]
)
def test_the_airspeed_table_is_that_of_the_scale(
    top_kt: float, at_100_kt: int, at_160_kt: int | None
) -> None:
    """US Army TM 1-1500-204-23-4, Table 4-1 (read in excerpt): by the reach of the indicator."""
    limits = published.airspeed_limits(top_kt)
    assert limits is not None and limits.at(100.0) == at_100_kt
    assert limits.at(160.0) == at_160_kt


def test_no_table_reaches_beyond_the_fastest_indicator() -> None:
    assert published.airspeed_limits(450.0) is None
