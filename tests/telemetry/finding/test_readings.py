"""What the builder types: taken with its tolerance, or refused with what was found and what was expected."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.finding.readings import TypedError, typed_readings


def test_a_line_has_several_readings_in_short_or_in_full() -> None:
    line = "altitude 3763 ft, heading 243 deg; Vertical Speed -2.5 m/s, engine_speed=2310, egt"
    readings = typed_readings(line.removesuffix(", egt"), CATALOGUE)
    assert [(reading.quantity, round(reading.value, 1)) for reading in readings] == [
        ("indicated_altitude", 3763.0),
        ("heading_magnetic", 243.0),
        ("vertical_speed", -492.1),  # 2.5 m/s in ft/min: 2.5 / 0.3048 * 60, NIST SP 811
        ("engine_speed", 2310.0),
    ]


@pytest.mark.parametrize(
    ("line", "quantity", "tolerance"),
    [
        ("altitude 3760", "indicated_altitude", 20.0),
        ("airspeed 93 kt", "indicated_airspeed", 1.0),
        ("airspeed 170 km/h", "indicated_airspeed", 1.0),
        ("altitude 1 km", "indicated_altitude", 3280.84),  # typed to a kilometre: no dial is finer than that
        ("oil_temperature 80", "oil_temperature", 1.6),
    ],
)
def test_a_reading_is_as_exact_as_its_dial_and_its_last_digit(
    line: str, quantity: str, tolerance: float
) -> None:
    [reading] = typed_readings(line, CATALOGUE)
    assert reading.quantity == quantity
    assert reading.tolerance == pytest.approx(tolerance, rel=1e-5)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("altitude", "found 'altitude'; expected a quantity, a number and its unit"),
        ("altitude 3,763 ft", "found '763 ft'; expected a quantity"),
        ("altitude 3763 furlong", "a unit of length. Known: NM, ft, km, m, mi, nmi"),
        ("altitude 3763 kt", "found 'kt' after altitude; expected a unit of length"),
        ("altitude 3763 FT", "Did you mean ft?"),
        ("altitud 3763", "Did you mean"),
        ("pitch 200", "found pitch 200 deg; expected -90 to 90 deg"),
        ("pitch 2, pitch 3", "found pitch twice"),
        ("pitch 1" + " " * 2000, "found 2007 letters"),
    ],
)
def test_what_is_no_reading_is_refused_in_words(line: str, said: str) -> None:
    with pytest.raises(TypedError) as raised:
        typed_readings(line, CATALOGUE)
    assert said in str(raised.value)


@pytest.mark.slow
@settings(max_examples=50)
@given(st.text(max_size=40))
def test_any_line_is_read_or_refused(line: str) -> None:
    try:
        typed_readings(line, CATALOGUE)
    except TypedError as error:
        assert "expected" in str(error)
