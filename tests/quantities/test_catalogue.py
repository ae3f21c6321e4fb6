"""The catalogue: complete against the design's table, consistent, and helpful with a wrong name."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.quantities.catalogue import (
    CATALOGUE,
    Quantity,
    UnknownQuantityError,
    extend_catalogue,
    find_quantity,
)
from bridge.quantities.units import convert

# Greatest and least values met in flight, in their own units, from outside: the catalogue must hold them.
EXTREMES = [
    ("static_pressure", 1084.8, "hPa"),  # highest sea-level pressure measured, WMO archive (from memory)
    ("static_pressure", 116.0, "hPa"),  # 50,000 ft, ICAO Doc 7488
    ("altimeter_setting", 28.10, "inHg"),  # 14 CFR 43 Appendix E, Table IV, first row
    ("altimeter_setting", 30.99, "inHg"),  # the same, last row
    ("pressure_altitude", -1000.0, "ft"),  # the same, Table I, first row
    ("pressure_altitude", 50_000.0, "ft"),  # the same, last row
    ("outside_air_temperature", -89.2, "degC"),  # lowest measured, WMO archive (from memory)
    ("outside_air_temperature", 56.7, "degC"),  # highest measured, WMO archive (from memory)
]


@pytest.mark.parametrize(("name", "value", "unit"), EXTREMES)
def test_the_range_holds_what_has_been_measured(name: str, value: float, unit: str) -> None:
    each = CATALOGUE[name]
    assert each.low <= convert(value, unit, each.unit) <= each.high


def test_names_are_plain_and_meanings_are_stated() -> None:
    for name, each in CATALOGUE.items():
        assert name == each.name
        assert name.removesuffix("_2").replace("_", "").isalpha() and name == name.lower()
        assert each.meaning and not each.meaning.endswith(".")


def test_the_second_engine_has_all_that_the_first_has() -> None:
    for name in ("engine_speed", "manifold_pressure", "oil_pressure", "oil_temperature", "fuel_flow"):
        first, second = CATALOGUE[name], CATALOGUE[f"{name}_2"]
        assert (first.unit, first.low, first.high) == (second.unit, second.low, second.high)


def test_signs_and_turns_of_angles() -> None:
    # ISO 1151: heading from 0 to 360 degrees, bank to 180 either way, pitch to 90 either way.
    assert {name for name, each in CATALOGUE.items() if each.circular} == {
        "heading_true", "heading_magnetic", "compass_heading", "track_true", "bank", "relative_bearing",
        "time_of_day",
    }  # fmt: skip
    assert (CATALOGUE["pitch"].low, CATALOGUE["pitch"].high) == (-90, 90)


@given(st.sampled_from(["heading_true", "bank"]), st.floats(-1e5, 1e5))
def test_a_circular_value_wraps_to_the_same_direction(name: str, value: float) -> None:
    each = CATALOGUE[name]
    wrapped = each.wrap(value)
    assert each.low <= wrapped <= each.high
    turns = (wrapped - value) / 360
    assert turns == pytest.approx(round(turns), abs=1e-9)


def test_a_straight_value_does_not_wrap() -> None:
    assert CATALOGUE["pitch"].wrap(95.0) == 95.0


def test_a_quantity_is_found_or_refused_with_near_names() -> None:
    assert find_quantity("mach").unit == "1"
    with pytest.raises(UnknownQuantityError, match=r"'altitude_indicated'.*indicated_altitude"):
        find_quantity("altitude_indicated")


def test_a_panel_adds_quantities_of_its_own_and_redefines_none() -> None:
    cowl = Quantity("cowl_flaps", "%", 0, 100, "opening")
    catalogue = extend_catalogue([cowl])
    assert find_quantity("cowl_flaps", catalogue) is cowl
    assert catalogue.keys() - CATALOGUE.keys() == {"cowl_flaps"}
    assert "cowl_flaps" not in CATALOGUE
    for taken in ([Quantity("mach", "1", 0, 1, "again")], [cowl, cowl]):
        with pytest.raises(ValueError, match="already in the catalogue"):
            extend_catalogue(taken)


@pytest.mark.parametrize(("unit", "low", "high"), [("furlong", 0, 1), ("ft", 1, 1), ("ft", 2, 1)])
def test_a_quantity_without_a_known_unit_or_a_range_is_refused(unit: str, low: float, high: float) -> None:
    with pytest.raises(ValueError, match=r"furlong|is not below"):
        Quantity("odd", unit, low, high, "never made")
