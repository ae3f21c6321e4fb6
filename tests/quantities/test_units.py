"""Units against scipy.constants (CODATA and NIST SP 811 factors), an independent table."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from bridge.quantities.units import (
    UNITS,
    DimensionError,
    UnknownUnitError,
    convert,
    make_conversion,
    parse_unit,
)

TURN_RAD = 2 * constants.pi

# One of each unit in its SI unit, from scipy.constants; None where a unit has another kind of check.
IN_SI: dict[str, float] = {
    "1": 1.0, "%": constants.centi,
    "m": 1.0, "km": constants.kilo, "ft": constants.foot, "NM": constants.nautical_mile,
    "nmi": constants.nautical_mile,
    "mi": constants.mile,
    "m/s": 1.0, "km/h": constants.kmh, "kt": constants.knot, "mph": constants.mph,
    "ft/s": constants.foot, "ft/min": constants.foot / constants.minute,
    "m/s2": 1.0, "ft/s2": constants.foot, "g": constants.g,
    "Pa": 1.0, "hPa": 100.0, "kPa": constants.kilo, "bar": constants.bar,
    "inHg": constants.torr * 25.4, "psi": constants.psi, "psf": constants.psi / 144,
    "turn": TURN_RAD, "deg": constants.degree, "rad": 1.0,
    "deg/s": constants.degree, "rad/s": 1.0, "deg/min": constants.degree / constants.minute,
    "rpm": TURN_RAD / constants.minute,
    "s": 1.0, "ms": constants.milli, "min": constants.minute, "h": constants.hour,
    "L": constants.liter, "gal": constants.gallon_US, "USgal": constants.gallon_US,
    "impgal": constants.gallon_imp,
    "L/h": constants.liter / constants.hour, "gal/h": constants.gallon_US / constants.hour,
    "USgal/h": constants.gallon_US / constants.hour,
    "kg": 1.0, "lb": constants.pound,
    "V": 1.0, "A": 1.0, "dot": 1.0,
}  # fmt: skip
SI = {
    "number": "1", "length": "m", "speed": "m/s", "acceleration": "m/s2", "pressure": "Pa",
    "angle": "rad", "angular rate": "rad/s", "time": "s", "volume": "L", "volume flow": "L/h",
    "mass": "kg", "voltage": "V", "current": "A", "deviation": "dot",
}  # fmt: skip

scales = st.sampled_from([name for name, each in UNITS.items() if each.dimension != "temperature"])
values = st.floats(-1e6, 1e6)


def test_every_unit_has_its_independent_check() -> None:
    temperatures = {name for name, each in UNITS.items() if each.dimension == "temperature"}
    assert UNITS.keys() - temperatures == IN_SI.keys()
    assert temperatures == {"K", "degC", "degF", "degR"}


@pytest.mark.parametrize("name", IN_SI)
def test_factor_agrees_with_scipy_constants(name: str) -> None:
    si = SI[UNITS[name].dimension]
    # The conventional inch of mercury is rounded in its seventh digit; the others agree to the float.
    digits = 1e-6 if name == "inHg" else 1e-12
    assert convert(1.0, name, si) == pytest.approx(IN_SI[name] / IN_SI[si], rel=digits)


@pytest.mark.parametrize(("ours", "theirs"), [("K", "K"), ("degC", "C"), ("degF", "F"), ("degR", "R")])
@pytest.mark.parametrize("value", [-40.0, 0.0, 15.0, 212.0])
def test_temperature_agrees_with_scipy_constants(ours: str, theirs: str, value: float) -> None:
    for target, name in [("K", "K"), ("degC", "C"), ("degF", "F"), ("degR", "R")]:
        expected = constants.convert_temperature(value, theirs, name)
        assert convert(value, ours, target) == pytest.approx(expected, abs=1e-9)


@given(values, scales, st.data())
def test_there_and_back_is_the_same_value(value: float, source: str, data: st.DataObject) -> None:
    alike = [name for name, each in UNITS.items() if each.dimension == UNITS[source].dimension]
    target = data.draw(st.sampled_from(alike))
    assert convert(convert(value, source, target), target, source) == pytest.approx(
        value, rel=1e-14, abs=1e-12
    )


def test_factors_are_exact_where_the_definition_is() -> None:
    # The international foot, 1959; the nautical mile, 1929 (NIST SP 811 appendix B).
    assert parse_unit("ft").factor == Fraction(3048, 10_000)
    assert parse_unit("kt").factor * 3600 == 1852
    assert 360 * parse_unit("deg").factor == parse_unit("turn").factor


def test_a_conversion_worked_out_once_gives_the_same_as_convert() -> None:
    to_celsius = make_conversion("degF", "degC")
    assert to_celsius(212.0) == convert(212.0, "degF", "degC") == pytest.approx(100.0)


def test_an_unknown_unit_is_refused_with_near_ones() -> None:
    with pytest.raises(UnknownUnitError, match=r"unknown unit 'knots'.*kt"):
        parse_unit("knots")
    with pytest.raises(UnknownUnitError, match=r"'inhg'.*inHg"):
        convert(1.0, "inhg", "hPa")


def test_units_of_different_things_do_not_mix() -> None:
    with pytest.raises(
        DimensionError, match=r"'ft' is a unit of length, 'kt' of speed; units of speed: .*kt"
    ):
        make_conversion("ft", "kt")
