"""Blocked, leaking and alternate pressures against values that were computed apart from the code."""

from __future__ import annotations

import math

import pytest

from bridge.instruments import airdata
from bridge.instruments.airdata import PositionError
from bridge.instruments.failures.kinds import Failure, make_failure
from bridge.instruments.failures.stage import Failures
from tests.instruments.failures.flown import Flown
from tests.published import rows

PITOT, DRAIN = make_failure("pitot_blocked"), make_failure("pitot_drain_blocked")
STATIC = make_failure("static_blocked")


def at(altitude_ft: float, speed_kt: float) -> Flown:
    return Flown(
        pressure_altitude=altitude_ft, indicated_altitude=altitude_ft,
        calibrated_airspeed=speed_kt, indicated_airspeed=speed_kt,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("blocked", "blocked_at_ft", "speed_kt", "change_ft", "shown_kt"), rows("pitot-and-static-blocked.csv")
)
def test_a_blocked_line_shows_the_airspeed_that_was_computed(
    blocked: float, blocked_at_ft: float, speed_kt: float, change_ft: float, shown_kt: float
) -> None:
    flight = at(blocked_at_ft, speed_kt)
    flight.fail(*((PITOT, DRAIN) if blocked == 1 else (STATIC,)))
    altitude_ft = blocked_at_ft + change_ft
    felt = flight.fly(2.0, pressure_altitude=altitude_ft, indicated_altitude=altitude_ft)
    assert felt["indicated_airspeed"] == pytest.approx(shown_kt, abs=0.06)
    altimeter_ft = altitude_ft if blocked == 1 else blocked_at_ft
    assert felt["indicated_altitude"] == pytest.approx(altimeter_ft, abs=0.01)


@pytest.mark.parametrize(
    ("altitude_ft", "speed_kt", "zero_below_ft"),
    [(3000, 90, 2609), (5000, 100, 4487), (10_000, 120, 9141)],  # computed apart from the code, as the file
)
def test_a_pitot_tube_blocked_with_its_drain_reads_nothing_below_the_computed_altitude(
    altitude_ft: float, speed_kt: float, zero_below_ft: float
) -> None:
    flight = at(altitude_ft, speed_kt)
    flight.fail(PITOT, DRAIN)
    assert flight.fly(0.2, pressure_altitude=zero_below_ft - 1.0)["indicated_airspeed"] == 0.0
    assert flight.fly(0.2, pressure_altitude=zero_below_ft + 1.0)["indicated_airspeed"] > 0.0


def test_true_airspeed_follows_the_blocked_pressures_too() -> None:
    """139.6 kt indicated at 5,500 ft, as computed; true by RP-1046 in the air of 107.7 kt true at 100 kt."""
    flight = at(5000.0, 100.0)
    flight.fail(PITOT, DRAIN)
    felt = flight.fly(2.0, pressure_altitude=5500.0, indicated_altitude=5500.0, true_airspeed=107.7 * 1.0076)
    static_hpa, standard_degc = airdata.static_pressure_hpa(5500.0), airdata.standard_temperature_degc(5500.0)
    expected_kt = airdata.true_airspeed_kt(139.6, static_hpa, standard_degc)
    assert felt["true_airspeed"] == pytest.approx(expected_kt, abs=0.3)
    flight = at(5000.0, 100.0)
    flight.fail(PITOT)
    assert flight.fly(10.0)["true_airspeed"] < 1.0


def test_a_blocked_mouth_with_an_open_drain_falls_to_zero_and_nothing_else_changes() -> None:
    """FAA-H-8083-25, blocked pitot system."""
    flight = Flown()
    flight.fail(PITOT)
    felt = flight.fly(10.0)
    assert felt["indicated_airspeed"] < 1.0
    kept = {name for name, value in felt.items() if value == flight.readings[name]}
    assert set(felt) - kept == {"calibrated_airspeed", "indicated_airspeed", "true_airspeed"}


def test_a_blocked_static_port_freezes_the_altimeter_and_holds_the_vertical_speed_at_zero() -> None:
    """FAA-H-8083-25, blocked static system."""
    flight = Flown()
    flight.fail(STATIC)
    for step in range(100):
        altitude_ft = 5000.0 + step * 10.0
        felt = flight.fly(0.1, pressure_altitude=altitude_ft, vertical_speed=6000.0)
    assert felt["indicated_altitude"] == pytest.approx(5000.0, abs=0.01)
    assert felt["vertical_speed"] == pytest.approx(0.0, abs=1e-6)


def test_with_both_lines_closed_all_three_needles_keep_what_they_showed_whatever_is_flown() -> None:
    """No opening is left: the pressures of the moment of closing stay."""
    flight = Flown()
    flight.fail(STATIC, DRAIN, PITOT)
    for step in range(100):
        felt = flight.fly(0.1, pressure_altitude=5000.0 + step * 20.0, calibrated_airspeed=100.0 - step / 2)
        assert felt["indicated_airspeed"] == pytest.approx(100.0, abs=1e-6)
        assert felt["indicated_altitude"] == pytest.approx(5000.0, abs=0.01)
        assert felt["vertical_speed"] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(("below_hpa", "error_ft", "shown_kt"), rows("alternate-static.csv"))
def test_alternate_static_shows_the_computed_errors(
    below_hpa: float, error_ft: float, shown_kt: float
) -> None:
    flight = Flown()
    flight.fail(make_failure("alternate_static", {"cabin_below_hpa": below_hpa}))
    felt = flight.fly(5.0)
    assert felt["indicated_altitude"] - 5000.0 == pytest.approx(error_ft, abs=0.6)
    assert felt["indicated_airspeed"] == pytest.approx(shown_kt, abs=0.06)


def test_a_cabin_158_pa_below_reaches_the_50_ft_that_ask_for_a_correction_card() -> None:
    """14 CFR 27.1325(b): a card where the sources differ by more than 50 ft; 158 Pa was computed."""
    flight = Flown()
    flight.fail(make_failure("alternate_static", {"cabin_below_hpa": 1.58}))
    assert flight.fly(5.0)["indicated_altitude"] - 5000.0 == pytest.approx(50.0, abs=0.5)


def test_alternate_static_shows_a_momentary_climb_then_the_right_rate() -> None:
    """FAA-H-8083-25, alternate static source."""
    flight = Flown()
    flight.fail(make_failure("alternate_static"))
    assert flight.fly(0.5)["vertical_speed"] > 1000.0  # before the instrument's own lag
    assert flight.fly(8.0)["vertical_speed"] == pytest.approx(0.0, abs=1.0)


def test_a_leak_of_a_blocked_line_goes_to_the_cabin_with_its_time_constant() -> None:
    flight = Flown()
    flight.fail(STATIC, make_failure("static_leak", {"leak_s": 10.0, "cabin_below_hpa": 1.5}))
    flight.fly(0.1)
    start_hpa = airdata.static_pressure_hpa(5000.0)
    cabin_hpa = airdata.static_pressure_hpa(5500.0) - 1.5
    felt = flight.fly(10.0, pressure_altitude=5500.0)
    shown_hpa = airdata.static_pressure_hpa(felt["pressure_altitude"])
    left = (shown_hpa - cabin_hpa) / (start_hpa - cabin_hpa)
    assert left == pytest.approx(math.exp(-1.0), abs=0.01)  # the definition of a time constant


def test_a_leak_of_a_free_line_is_small_and_a_pitot_leak_reads_low() -> None:
    flight = Flown()
    flight.fail(make_failure("pitot_leak", {"leak_s": 10.0}))
    shown_kt = flight.fly(5.0)["indicated_airspeed"]
    assert 95.0 < shown_kt < 100.0


def test_ice_closes_the_mouth_slowly_and_the_airspeed_falls_with_it() -> None:
    flight = Flown()
    flight.fail(make_failure("pitot_blocked", {"over_s": 100.0}))
    shown = [flight.fly(10.0)["indicated_airspeed"] for _ in range(12)]
    assert shown == sorted(shown, reverse=True)
    assert shown[0] > 97.0 and 50.0 < shown[7] < 70.0 and shown[-1] < 1.0


def test_alternate_static_cures_a_blocked_port() -> None:
    flight = Flown()
    flight.fail(STATIC)
    flight.fly(1.0, pressure_altitude=6000.0)
    flight.fail(make_failure("alternate_static", {"cabin_below_hpa": 0.0}))
    felt = flight.fly(5.0)
    assert felt["indicated_altitude"] == pytest.approx(6000.0, abs=0.1)


@pytest.mark.parametrize(("by_inhg", "feet"), [(1.0, 925.0), (-1.0, -925.0), (1.0 / 33.86389, 27.3)])
def test_a_wrong_setting_moves_the_altimeter_by_the_exact_slope(by_inhg: float, feet: float) -> None:
    """925 ft per inHg and 27.3 ft per hPa near 29.92 (14 CFR 43 App. E Table IV has 893 ft for 0.98 inHg);
    over a whole inch of mercury the slope changes by a percent."""
    flight = Flown()
    flight.fail(make_failure("altimeter_misset", {"by_inhg": by_inhg}))
    felt = flight.fly(0.1)
    assert felt["indicated_altitude"] - 5000.0 == pytest.approx(feet, rel=0.02)
    assert felt["indicated_airspeed"] == 100.0


def test_a_static_failure_undone_is_no_climb_while_cold_air_goes_on() -> None:
    flight = Flown()
    flight.fail(make_failure("cold_air", {"deviation_k": -20.0}), STATIC)
    flight.fly(2.0)
    flight.fly(2.0, pressure_altitude=6000.0)
    flight.failures.undo("static_blocked")
    rates = [flight.fly(0.1)["vertical_speed"] for _ in range(30)]
    assert max(map(abs, rates)) < 1.0


def test_cold_air_lets_the_altimeter_read_too_high() -> None:
    """Indicated 5,000 ft in air 30 K colder than standard: about 520 ft lower, true = indicated x T / T(ISA).

    With the temperatures at sea level that is 520.6 ft; with the means of the columns, as here and in ICAO
    Doc 8168, 529.7. Doc 8168's table of corrections has 490 and 710 ft for 5,000 ft at aerodromes of -10 and
    -20 degC (from memory, not verified).
    """
    flight = Flown()
    flight.fail(make_failure("cold_air", {"deviation_k": -30.0}))
    true_ft = 5000.0 - 529.7
    assert flight.fly(3.0, pressure_altitude=true_ft)["indicated_altitude"] == pytest.approx(5000.0, abs=3.0)
    for deviation_k, correction_ft in ((-25.0, 490.0), (-35.0, 710.0)):
        flight.fail(make_failure("cold_air", {"deviation_k": deviation_k}))
        felt = flight.fly(3.0, pressure_altitude=5000.0)
        assert felt["indicated_altitude"] - 5000.0 == pytest.approx(correction_ft, abs=10.0)


def test_position_error_reaches_the_altimeter_by_the_hydrostatic_equation() -> None:
    """At sea level 100 kt calibrated, 104 indicated: the port is low by the impact pressures' difference."""
    curve = PositionError.through([(60.0, 60.0), (104.0, 100.0), (150.0, 146.0)])
    readings = {"pressure_altitude": 0.0, "altimeter_setting": 29.92126, "indicated_altitude": 0.0,
                "calibrated_airspeed": 100.0, "indicated_airspeed": 104.0}  # fmt: skip
    failures = Failures(readings, curve)
    failures.feel(0.0, readings)
    failures.switch_on(0.0, make_failure("position_error"))
    felt = failures.feel(0.1, readings)
    # Incompressible, 1/2 rho V^2 with rho 1.225 kg/m3; dh = dp / (rho g).
    dp_pa = 0.5 * 1.225 * ((104 * 0.514444) ** 2 - (100 * 0.514444) ** 2)
    assert felt["indicated_altitude"] == pytest.approx(dp_pa / (1.225 * 9.80665) / 0.3048, rel=0.02)
    assert felt["indicated_airspeed"] == pytest.approx(104.0, abs=1e-6)
    assert felt["calibrated_airspeed"] == pytest.approx(100.0, abs=1e-6)


def test_a_failure_that_can_have_no_effect_states_what_it_lacks() -> None:
    failures = Failures({"pitch"})
    assert "static_pressure" in failures.lacks(STATIC)
    assert "airspeed calibration" in Failures(Flown().readings).lacks(make_failure("position_error"))
    assert failures.lacks(Failure("suction_lost", {})) == ""
