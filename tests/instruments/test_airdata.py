"""Air data against published tables and independent implementations, each named beside its check."""

from __future__ import annotations

import ambiance
import fluids.atmosphere
import jsbsim
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import constants

from bridge.errors import OutOfRangeError
from bridge.instruments import airdata
from bridge.instruments.airdata import HIGHEST_FT, LOWEST_FT, PositionError
from tests.published import rows

INHG_HPA = 33.86389
PSF_HPA = constants.pound_force / constants.foot**2 / 100

altitudes = st.floats(LOWEST_FT + 0.001, HIGHEST_FT - 0.001)


# --- standard atmosphere ---


@pytest.mark.parametrize(("altitude_ft", "pressure_inhg", "_tolerance"), rows("altimeter-scale-error.csv"))
def test_pressure_and_altitude_agree_with_table_i_of_14_cfr_43_appendix_e(
    altitude_ft: float, pressure_inhg: float, _tolerance: float
) -> None:
    hpa = airdata.static_pressure_hpa(altitude_ft)
    assert hpa / INHG_HPA == pytest.approx(pressure_inhg, abs=0.0006)
    # The table's last digit is worth 1 ft at sea level and more above: 0.0005 inHg / (inHg per ft).
    last_digit_ft = 0.0006 * INHG_HPA / (airdata.static_pressure_hpa(altitude_ft - 1) - hpa)
    shown_ft = airdata.pressure_altitude_ft(pressure_inhg * INHG_HPA)
    assert shown_ft == pytest.approx(altitude_ft, abs=1.0 if altitude_ft < 20_000 else last_digit_ft)


def test_pressure_and_temperature_agree_with_the_ambiance_library_over_the_whole_range() -> None:
    # ambiance (ICAO 1993) is told geometric heights, and answers with the geopotential ones (H);
    # it rounds the pressure of the tropopause to 226.32 hPa, 2 parts in a million.
    theirs = ambiance.Atmosphere(np.linspace(-1500.0, 20_060.0, 200))
    for height_m, pressure_pa, kelvin, sound in zip(
        theirs.H, theirs.pressure, theirs.temperature, theirs.speed_of_sound, strict=True
    ):
        ours_ft = height_m / 0.3048
        assert airdata.static_pressure_hpa(ours_ft) == pytest.approx(pressure_pa / 100, rel=3e-6)
        celsius = airdata.standard_temperature_degc(ours_ft)
        assert celsius == pytest.approx(kelvin - 273.15, abs=1e-6)
        assert airdata.speed_of_sound_kt(celsius) * constants.knot == pytest.approx(sound, rel=1e-6)
        assert airdata.pressure_altitude_ft(pressure_pa / 100) == pytest.approx(ours_ft, abs=0.05)


def test_pressure_and_temperature_agree_with_the_fluids_library_over_the_whole_range() -> None:
    # fluids implements the US Standard Atmosphere 1976, the same as ICAO's below 32 km but for digits of R.
    for geometric_m in np.linspace(-1500.0, 20_060.0, 200):
        theirs = fluids.atmosphere.ATMOSPHERE_1976(float(geometric_m))
        height_ft = airdata.geopotential_altitude_ft(float(geometric_m) / 0.3048)
        assert height_ft * 0.3048 == pytest.approx(theirs.H, abs=0.01)
        assert airdata.static_pressure_hpa(height_ft) == pytest.approx(theirs.P / 100, rel=1e-5)
        assert airdata.standard_temperature_degc(height_ft) == pytest.approx(theirs.T - 273.15, abs=1e-4)


@given(altitudes)
def test_altitude_to_pressure_and_back_is_the_same_altitude(altitude_ft: float) -> None:
    there = airdata.static_pressure_hpa(altitude_ft)
    assert airdata.pressure_altitude_ft(there) == pytest.approx(altitude_ft, abs=1e-6)


@given(altitudes, altitudes)
def test_pressure_falls_with_height(one_ft: float, other_ft: float) -> None:
    low, high = sorted((one_ft, other_ft))
    if high - low > 1e-3:
        assert airdata.static_pressure_hpa(low) > airdata.static_pressure_hpa(high)


@given(st.floats(-5000, 200_000))
def test_geometric_to_geopotential_and_back_is_the_same_height(height_ft: float) -> None:
    there = airdata.geopotential_altitude_ft(height_ft)
    assert airdata.geometric_altitude_ft(there) == pytest.approx(height_ft, abs=1e-6)


# --- altimetry ---


@pytest.mark.parametrize(("setting_inhg", "difference_ft"), rows("altimeter-setting-difference.csv"))
@pytest.mark.parametrize("altitude_ft", [-1000.0, 0.0, 12_000.0, 50_000.0])
def test_setting_moves_the_indication_as_table_iv_of_14_cfr_43_appendix_e(
    setting_inhg: float, difference_ft: float, altitude_ft: float
) -> None:
    moved_ft = airdata.indicated_altitude_ft(altitude_ft, setting_inhg) - altitude_ft
    assert moved_ft == pytest.approx(difference_ft, abs=2.0)


def test_altimeter_set_to_the_pressure_of_the_field_shows_zero_on_the_field() -> None:
    # The definition of a 'QFE' setting (ICAO Doc 8168).
    field_ft = 2140.0
    setting_inhg = airdata.static_pressure_hpa(field_ft) / INHG_HPA
    assert airdata.indicated_altitude_ft(field_ft, setting_inhg) == pytest.approx(0.0, abs=1e-6)


@given(st.floats(0, 50_000), st.floats(28, 31))
def test_altimeter_set_to_the_sea_level_setting_shows_the_height(height_ft: float, setting: float) -> None:
    pressure_altitude = airdata.assumed_pressure_altitude_ft(height_ft, setting)
    shown_ft = airdata.indicated_altitude_ft(pressure_altitude, setting)
    assert shown_ft == pytest.approx(airdata.geopotential_altitude_ft(height_ft), abs=1e-6)


# --- airspeed ---


@pytest.mark.parametrize(("airspeed_kt", "impact_hpa", "_inhg"), rows("airspeed-impact-pressure.csv"))
def test_calibrated_airspeed_agrees_with_nasa_rp_1046(
    airspeed_kt: float, impact_hpa: float, _inhg: float
) -> None:
    assert airdata.calibrated_airspeed_kt(impact_hpa) == pytest.approx(airspeed_kt, abs=0.01)
    assert airdata.impact_pressure_hpa(airspeed_kt) == pytest.approx(impact_hpa, abs=0.0001)


@pytest.mark.parametrize(
    ("mach", "total_over_static"),
    # NACA Report 1135 (1953), Table I (isentropic, M <= 1) and Table II (normal shock, p_t2/p_1).
    # Values from memory of the tables, to their four figures.
    [
        (0.5, 1 / 0.8430),
        (1.0, 1 / 0.5283),
        (1.5, 3.413),
        (2.0, 5.640),
        (3.0, 12.06),
        (4.0, 21.07),
        (5.0, 32.65),
    ],
)
def test_pitot_pressure_agrees_with_naca_1135(mach: float, total_over_static: float) -> None:
    impact_hpa = airdata.impact_pressure_at_mach_hpa(mach, 500.0)
    assert impact_hpa / 500 + 1 == pytest.approx(total_over_static, rel=3e-4)
    assert airdata.mach(impact_hpa, 500.0) == pytest.approx(mach, abs=1e-9)


@given(st.floats(-600, 3300))
@example(1.2e-5)
def test_airspeed_to_impact_pressure_and_back_is_the_same_airspeed(airspeed_kt: float) -> None:
    there = airdata.impact_pressure_hpa(airspeed_kt)
    assert airdata.calibrated_airspeed_kt(there) == pytest.approx(airspeed_kt, abs=1e-9)


def test_calibrated_is_true_airspeed_at_standard_sea_level() -> None:
    # The definition of calibrated airspeed (14 CFR 1.1).
    assert airdata.true_airspeed_kt(137.0, 1013.25, 15.0) == pytest.approx(137.0, abs=1e-9)


def test_airspeeds_and_static_pressure_agree_with_the_jsbsim_library() -> None:
    model = jsbsim.FGFDMExec(None)
    model.set_debug_level(0)
    model.load_model("c172p")
    model.disable_output()
    for height_ft, calibrated_kt in [(0, 60), (2140, 75), (10_500, 110), (30_000, 250), (45_000, 400)]:
        model["ic/h-sl-ft"] = height_ft
        model["ic/vc-kts"] = calibrated_kt
        model.run_ic()
        static_hpa = model["atmosphere/P-psf"] * PSF_HPA
        celsius = model["atmosphere/T-R"] / 1.8 - 273.15
        height = airdata.geopotential_altitude_ft(model["position/h-sl-ft"])
        # jsbsim carries its own gas constant and earth radius: 1 part in 10,000 of pressure is 3 ft.
        assert airdata.pressure_altitude_ft(static_hpa) == pytest.approx(height, abs=3.0)
        true_kt = airdata.true_airspeed_kt(model["velocities/vc-kts"], static_hpa, celsius)
        assert true_kt == pytest.approx(model["velocities/vtrue-kts"], rel=1e-3)
        impact_hpa = airdata.impact_pressure_hpa(model["velocities/vc-kts"])
        assert airdata.mach(impact_hpa, static_hpa) == pytest.approx(model["velocities/mach"], rel=1e-3)


def test_position_error_joins_its_points_by_straight_lines_both_ways() -> None:
    curve = PositionError.through([(40, 46), (60, 62), (80, 80), (100, 99)])
    assert curve.calibrated(50) == pytest.approx(54)
    assert curve.indicated(54) == pytest.approx(50)
    assert curve.calibrated(20) == pytest.approx(26)  # the end point's error is kept beyond
    assert curve.calibrated(140) == pytest.approx(139)


@given(
    st.lists(st.tuples(st.floats(1, 30), st.floats(1, 30)), min_size=2, max_size=8),
    st.floats(-50, 300),
)
def test_position_error_there_and_back_is_the_same_airspeed(
    rises: list[tuple[float, float]], airspeed_kt: float
) -> None:
    indicated, calibrated = (np.cumsum(column) for column in zip(*rises, strict=True))
    curve = PositionError(tuple(map(float, indicated)), tuple(map(float, calibrated)))
    assert curve.indicated(curve.calibrated(airspeed_kt)) == pytest.approx(airspeed_kt, abs=1e-6)


@pytest.mark.parametrize("points", [[(40, 46)], [(40, 46), (40, 50)], [(40, 46), (60, 45)], []])
def test_position_error_that_turns_back_is_refused(points: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="point"):
        PositionError.through(points)


# --- blocked ports: Instrument Flying Handbook, FAA-H-8083-15, and FAA-H-8083-25, flight instruments ---


def _pitot_static(altitude_ft: float, airspeed_kt: float) -> tuple[float, float]:
    """Total and static pressure, hPa, in flight at this altitude and calibrated airspeed."""
    static_hpa = airdata.static_pressure_hpa(altitude_ft)
    return static_hpa + airdata.impact_pressure_hpa(airspeed_kt), static_hpa


def test_with_the_pitot_blocked_and_its_drain_open_airspeed_falls_to_zero() -> None:
    _, static_hpa = _pitot_static(6000, 110)
    assert airdata.calibrated_airspeed_kt(static_hpa - static_hpa) == 0


def test_with_pitot_and_drain_blocked_airspeed_rises_in_a_climb_and_falls_in_a_descent() -> None:
    trapped_hpa, _ = _pitot_static(6000, 110)
    higher = airdata.calibrated_airspeed_kt(trapped_hpa - airdata.static_pressure_hpa(7000))
    level = airdata.calibrated_airspeed_kt(trapped_hpa - airdata.static_pressure_hpa(6000))
    lower = airdata.calibrated_airspeed_kt(trapped_hpa - airdata.static_pressure_hpa(5500))
    assert level == pytest.approx(110)
    assert lower < level < higher
    far_below = airdata.calibrated_airspeed_kt(trapped_hpa - airdata.static_pressure_hpa(4000))
    assert far_below < 0  # the pointer rests on its stop


def test_with_the_static_port_blocked_airspeed_reads_low_above_the_blockage_and_high_below() -> None:
    _, trapped_hpa = _pitot_static(6000, 110)
    above, _ = _pitot_static(6500, 110)
    below, _ = _pitot_static(5500, 110)
    assert airdata.calibrated_airspeed_kt(above - trapped_hpa) < 110
    assert airdata.calibrated_airspeed_kt(below - trapped_hpa) > 110


# --- turns ---


@pytest.mark.parametrize(
    ("true_kt", "bank_deg"), [(60, 9.4), (80, 12.4), (100, 15.4), (120, 18.2), (150, 22.4), (180, 26.3)]
)
def test_a_standard_rate_turn_is_flown_at_the_computed_bank(true_kt: float, bank_deg: float) -> None:
    """3 degrees a second: atan(V x rate / g), computed apart from the code to 0.1 degrees."""
    low, high = (airdata.coordinated_turn_rate_deg_s(bank_deg + by, true_kt) for by in (-0.05, 0.05))
    assert low < 3.0 < high


def test_the_slope_of_the_altimeter_setting_is_the_exact_one() -> None:
    """Near 29.92 inHg 925 ft per inHg, 27.3 ft per hPa: computed apart from the code from the standard
    atmosphere; a thousand feet per inch is a rule of thumb."""
    low, high = (airdata.indicated_altitude_ft(0.0, 29.92126 + by) for by in (-0.01, 0.01))
    assert (high - low) / 0.02 == pytest.approx(925.0, abs=0.5)
    assert (high - low) / 0.02 / 33.86389 == pytest.approx(27.3, abs=0.05)


@pytest.mark.parametrize(("true_kt", "bank_deg", "rate_deg_s", "_radius"), rows("turns.csv"))
def test_coordinated_turn_agrees_with_faa_h_8083_25(
    true_kt: float, bank_deg: float, rate_deg_s: float, _radius: float
) -> None:
    assert airdata.coordinated_turn_rate_deg_s(bank_deg, true_kt) == pytest.approx(rate_deg_s, rel=0.003)
    assert airdata.coordinated_turn_rate_deg_s(-bank_deg, true_kt) == pytest.approx(-rate_deg_s, rel=0.003)


def test_turn_rate_from_body_rates_agrees_with_the_jsbsim_library() -> None:
    model = jsbsim.FGFDMExec(None)
    model.set_debug_level(0)
    model.load_model("c172p")
    model.disable_output()
    model["ic/h-sl-ft"] = 5000
    model["ic/vc-kts"] = 100
    model["ic/phi-deg"] = 40
    model["ic/theta-deg"] = 12
    model["ic/q-rad_sec"] = 0.12
    model["ic/r-rad_sec"] = 0.15
    model.run_ic()
    rate = airdata.turn_rate_deg_s(
        np.degrees(model["velocities/q-rad_sec"]), np.degrees(model["velocities/r-rad_sec"]),
        model["attitude/theta-deg"], model["attitude/phi-deg"],
    )  # fmt: skip
    assert rate == pytest.approx(np.degrees(model["velocities/psidot-rad_sec"]), rel=1e-3)
    assert rate > 8


def test_ball_of_an_aircraft_standing_with_its_right_wing_low_rolls_right() -> None:
    # Statics: standing at rest with 5 degrees of bank, the floor pushes left by sin 5, up by cos 5.
    bank = np.radians(5.0)
    assert airdata.ball_deg(-np.sin(bank), np.cos(bank)) == pytest.approx(5.0)


def test_ball_lies_at_its_end_without_weight() -> None:
    assert airdata.ball_deg(0.1, 0.0) == -90
    assert airdata.ball_deg(-0.1, -1.0) == 90
    assert airdata.ball_deg(0.0, 0.0) == 0


# --- beyond validity ---


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: airdata.static_pressure_hpa(-5001), "-5,000 ft to 20 km"),
        (lambda: airdata.static_pressure_hpa(65_700), "-5,000 ft to 20 km"),
        (lambda: airdata.static_pressure_hpa(float("nan")), "-5,000 ft to 20 km"),
        (lambda: airdata.standard_temperature_degc(65_700), "-5,000 ft to 20 km"),
        (lambda: airdata.pressure_altitude_ft(54.0), "54.7 to 1,210 hPa"),
        (lambda: airdata.pressure_altitude_ft(1211.0), "54.7 to 1,210 hPa"),
        (lambda: airdata.indicated_altitude_ft(0.0, 19.0), "20 to 35 inHg"),
        (lambda: airdata.speed_of_sound_kt(-151.0), "-150 degC"),
        (lambda: airdata.calibrated_airspeed_kt(33_000.0), "Mach -1 to 5"),
        (lambda: airdata.calibrated_airspeed_kt(-950.0), "Mach -1 to 5"),
        (lambda: airdata.impact_pressure_hpa(3400.0), "-1 to 5"),
        (lambda: airdata.mach(10.0, 0.0), "above 0 hPa"),
        (lambda: airdata.coordinated_turn_rate_deg_s(90.0, 100.0), "89 degrees"),
        (lambda: airdata.coordinated_turn_rate_deg_s(20.0, 0.0), "above 0 kt"),
        (lambda: airdata.turn_rate_deg_s(0.0, 1.0, 90.0, 0.0), "89 degrees"),
    ],
)
def test_beyond_its_range_a_formula_states_its_range(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(OutOfRangeError, match=words):
        call()
