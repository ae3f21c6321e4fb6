"""The tables of permitted errors, against copies of the published ones and against the air data."""

from __future__ import annotations

import pytest

from bridge.instruments import airdata
from bridge.proof import published
from bridge.proof.feed import pressure_hpa
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


def test_tables_ii_and_iii_are_the_published_ones() -> None:
    """14 CFR Part 43, Appendix E: Table II (hysteresis, after effect), Table III (friction), (b)(1)(vi)."""
    assert (published.HYSTERESIS_FT, published.AFTER_EFFECT_FT, published.SETTING_ERROR_FT) == (75, 30, 25)
    assert published.HYSTERESIS_SHARES == (0.5, 0.4)
    assert [published.FRICTION.at(feet) for feet in (1000, 2000, 3000, 5000, 10_000, 15_000)] == [
        70, 70, 70, 70, 80, 90,
    ]  # fmt: skip
    assert [published.FRICTION.at(feet) for feet in (20_000, 25_000, 30_000, 35_000, 40_000, 50_000)] == [
        100, 120, 140, 160, 180, 250,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("rate_ft_min", "permitted_ft_min"),
    [(500, 100), (1000, 200), (2000, 300), (3000, 300), (4000, 400), (5000, 500), (1500, None)],
)
def test_the_vertical_speed_table_is_the_published_one(
    rate_ft_min: float, permitted_ft_min: float | None
) -> None:
    """US Army TB 9-4920-457-35, Table 5, model 6 (read in excerpt), the same for climb and descent."""
    for rate in (rate_ft_min, -rate_ft_min):
        assert published.VERTICAL_SPEED.at(rate) == permitted_ft_min


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


@pytest.mark.parametrize(
    ("top_kt", "lowest_kt", "permitted_kt"),
    [
        (150.0, 40, [3, 3, 3, 3, 3, 3]),
        (250.0, 40, [5, 3, 3, 4, 4, 5, 5, 5, 5, 5, 5]),
        (400.0, 40, [4, 3, 3, 3, 3, 4, 4, 4, 5, 5, 5, 5, 5, 5]),
        (400.0, 320, [6, 6, 6, 6, 6]),
    ],
)
def test_every_row_of_the_airspeed_table_is_the_published_one(
    top_kt: float, lowest_kt: int, permitted_kt: list[int]
) -> None:
    """The same table, every 20 kt."""
    limits = published.airspeed_limits(top_kt)
    assert limits is not None
    speeds = range(lowest_kt, lowest_kt + 20 * len(permitted_kt), 20)
    assert [limits.at(speed) for speed in speeds] == permitted_kt


def test_no_table_reaches_beyond_the_fastest_indicator() -> None:
    assert published.airspeed_limits(450.0) is None
