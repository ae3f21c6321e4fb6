"""What is derived from what, what is reported as missing or assumed, and how values flow."""

from __future__ import annotations

import csv
import math
import random
from pathlib import Path

import ambiance
import jsbsim
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.instruments import airdata
from bridge.instruments.airdata import PositionError
from bridge.instruments.derivation import RULES, Plan, make_plan
from bridge.quantities.catalogue import CATALOGUE, Quantity, UnknownQuantityError, extend_catalogue

CURVE = PositionError.through([(40, 46), (60, 62), (80, 80), (100, 99), (140, 138)])


def derived(given_values: dict[str, float], wanted: str, curve: PositionError | None = None) -> float:
    """One quantity from others, at once."""
    made = make_plan(given_values, [wanted], position_error=curve)
    assert not made.missing
    return made.start().update(0.0, given_values)[wanted]


def ways(made: Plan) -> dict[str, tuple[str, ...]]:
    return {rule.output: rule.inputs for rule in made.rules}


# --- the graph ---


def test_every_rule_speaks_of_catalogued_quantities() -> None:
    names = {name for rule in RULES for name in (rule.output, *rule.inputs)}
    assert names <= CATALOGUE.keys()
    assert all((rule.relation is None) != (rule.slope is None) for rule in RULES)
    assert all(rule.cost >= 10 for rule in RULES if rule.assumption)


def test_a_given_quantity_is_never_derived() -> None:
    made = make_plan(["indicated_altitude", "static_pressure", "altimeter_setting"], ["indicated_altitude"])
    assert made.rules == ()
    values = made.start().update(0.0, {"indicated_altitude": 5000.0, "static_pressure": 1000.0})
    assert values["indicated_altitude"] == 5000.0


def test_only_what_is_wanted_is_worked_out() -> None:
    made = make_plan(
        ["static_pressure", "impact_pressure", "altimeter_setting", "heading_true"], ["indicated_altitude"]
    )
    assert list(ways(made)) == ["pressure_altitude", "indicated_altitude"]


def test_the_exact_way_is_preferred_to_the_assuming_one() -> None:
    given_names = ["geometric_altitude", "static_pressure", "altimeter_setting", "bank", "true_airspeed",
                   "heading_true", "lateral_acceleration", "normal_acceleration"]  # fmt: skip
    made = make_plan(given_names, ["indicated_altitude", "vertical_speed", "turn_rate", "slip"])
    assert ways(made)["pressure_altitude"] == ("static_pressure",)
    assert ways(made)["vertical_speed"] == ("pressure_altitude",)
    assert ways(made)["turn_rate"] == ("heading_true",)
    assert ways(made)["slip"] == ("lateral_acceleration", "normal_acceleration")
    assert made.assumptions == ()


def test_body_rates_are_preferred_to_the_history_of_the_heading() -> None:
    made = make_plan(["pitch_rate", "yaw_rate", "pitch", "bank", "heading_true"], ["turn_rate"])
    assert ways(made)["turn_rate"] == ("pitch_rate", "yaw_rate", "pitch", "bank")


@pytest.mark.slow
@given(st.sets(st.sampled_from(sorted(CATALOGUE))), st.booleans())
def test_any_plan_runs_in_an_order_that_needs_nothing_later(names: set[str], has_curve: bool) -> None:
    made = make_plan(names, CATALOGUE, position_error=CURVE if has_curve else None)
    had = set(names)
    for rule in made.rules:
        assert had.issuperset(rule.inputs)
        had.add(rule.output)
    assert had.isdisjoint(made.missing)
    assert had | made.missing.keys() == CATALOGUE.keys()


def test_an_unknown_name_is_refused_with_near_ones() -> None:
    with pytest.raises(UnknownQuantityError, match="indicated_airspeed"):
        make_plan(["indicated_airsped"], [])
    with pytest.raises(UnknownQuantityError, match="turn_rate"):
        make_plan([], ["turn_rat"])


def test_a_declared_quantity_passes_through() -> None:
    catalogue = extend_catalogue([Quantity("cowl_flaps", "%", 0, 100, "opening of the cowl flaps")])
    made = make_plan(["cowl_flaps"], ["cowl_flaps"], catalogue)
    assert made.start().update(0.0, {"cowl_flaps": 40.0}) == {"cowl_flaps": 40.0}


# --- what is missing, what is assumed ---


def test_a_quantity_that_cannot_be_had_is_named_with_what_it_needs() -> None:
    made = make_plan(
        ["bank", "static_pressure"], ["turn_rate", "indicated_altitude", "fuel_quantity", "vertical_speed"]
    )
    assert made.missing.keys() == {"turn_rate", "indicated_altitude", "fuel_quantity"}
    assert "bank (have) with true_airspeed" in made.missing["turn_rate"]
    assert made.missing["turn_rate"].startswith("turn_rate needs pitch_rate with yaw_rate with pitch")
    assert made.missing["indicated_altitude"] == (
        "indicated_altitude needs pressure_altitude (have) with altimeter_setting; or geometric_altitude; "
        "any one of these alone would do: altimeter_setting, geometric_altitude, sea_level_setting"
    )
    assert made.missing["fuel_quantity"] == "fuel_quantity can't be derived: a source must provide it"


def test_what_is_stated_to_do_alone_does() -> None:
    for have in ([], ["bank"], ["static_pressure"], ["true_airspeed", "static_pressure"], ["heading_true"]):
        for name, sentence in make_plan(have, CATALOGUE).missing.items():
            _, _, enough = sentence.partition("alone would do: ")
            for one in filter(None, enough.split(", ")):
                assert name not in make_plan([*have, one], [name]).missing


def test_magnetic_heading_is_not_made_up_from_true_heading() -> None:
    made = make_plan(["heading_true"], ["heading_magnetic"])
    assert "magnetic_variation" in made.missing["heading_magnetic"]


def test_altitude_from_height_and_setting_states_its_assumption() -> None:
    made = make_plan(["geometric_altitude", "altimeter_setting"], ["indicated_altitude"])
    assert len(made.assumptions) == 1
    assert made.assumptions[0].startswith(
        "pressure_altitude from geometric_altitude and altimeter_setting: assumes"
    )
    assert "standard lapse rate" in made.assumptions[0]
    only_height = make_plan(["geometric_altitude"], ["indicated_altitude"])
    assert "a change of setting does not move the needle" in only_height.assumptions[0]


def test_airspeed_without_a_calibration_states_its_assumption() -> None:
    assert "no position error" in make_plan(["impact_pressure"], ["indicated_airspeed"]).assumptions[0]
    assert make_plan(["impact_pressure"], ["indicated_airspeed"], position_error=CURVE).assumptions == ()


# --- altitude ---


def test_a_static_pressure_at_brackmoor_shows_the_field_elevation() -> None:
    # Brackmoor: 2,140 ft; at 30.12 inHg the field's pressure altitude is 2,140 - 183 ft: the
    # standard altitude of the setting, here from the ambiance library.
    offset_ft = float(ambiance.Atmosphere.from_pressure(30.12 * 3386.389).H[0]) / 0.3048
    values = {"static_pressure": airdata.static_pressure_hpa(2140 + offset_ft), "altimeter_setting": 30.12}
    assert offset_ft == pytest.approx(-183, abs=1)
    assert derived(values, "indicated_altitude") == pytest.approx(2140, abs=0.1)


def test_a_knob_moves_the_needle_where_the_sea_level_setting_is_known() -> None:
    made = make_plan(["geometric_altitude", "sea_level_setting", "altimeter_setting"], ["indicated_altitude"])
    run = made.start()
    height = {"geometric_altitude": 2140.0, "sea_level_setting": 30.12, "altimeter_setting": 30.12}
    assert run.update(0.0, height)["indicated_altitude"] == pytest.approx(2140, abs=0.5)
    # 14 CFR 43 App. E Table IV: 29.92 to 30.50 inHg is 531 ft, so 30.12 to 29.92 is about 185 ft.
    assert run.update(0.1, {"altimeter_setting": 29.92})["indicated_altitude"] == pytest.approx(1955, abs=2)


def test_height_alone_is_shown_as_geopotential_height() -> None:
    assert derived({"geometric_altitude": 10_000.0}, "indicated_altitude") == pytest.approx(9995.2, abs=0.1)


@given(st.floats(-1000, 50_000), st.floats(28.1, 31.0))
def test_altitude_shown_to_pressure_and_back(altitude_ft: float, setting: float) -> None:
    back = derived({"indicated_altitude": altitude_ft, "altimeter_setting": setting}, "static_pressure")
    again = derived({"static_pressure": back, "altimeter_setting": setting}, "indicated_altitude")
    assert again == pytest.approx(altitude_ft, abs=1e-5)


# --- airspeed ---


@pytest.mark.parametrize("height_ft", [0, 2140, 10_500, 30_000])
def test_airspeeds_are_had_from_each_other_as_the_jsbsim_library_has_them(height_ft: float) -> None:
    model = jsbsim.FGFDMExec(None)
    model.set_debug_level(0)
    model.load_model("c172p")
    model.disable_output()
    model["ic/h-sl-ft"] = height_ft
    model["ic/vc-kts"] = 105
    model.run_ic()
    static = {"static_pressure": model["atmosphere/P-psf"] * 0.4788025898}
    air = static | {"outside_air_temperature": model["atmosphere/T-R"] / 1.8 - 273.15}
    true_kt, mach = model["velocities/vtrue-kts"], model["velocities/mach"]
    assert derived(air | {"calibrated_airspeed": 105}, "true_airspeed") == pytest.approx(true_kt, rel=1e-3)
    assert derived(air | {"true_airspeed": true_kt}, "calibrated_airspeed") == pytest.approx(105, rel=1e-3)
    assert derived(static | {"true_airspeed": true_kt}, "calibrated_airspeed") == pytest.approx(105, rel=1e-3)
    assert derived(static | {"mach": mach}, "calibrated_airspeed") == pytest.approx(105, rel=1e-3)
    assert derived(air | {"calibrated_airspeed": 105}, "mach") == pytest.approx(mach, rel=1e-3)


def test_position_error_is_applied_both_ways() -> None:
    impact = airdata.impact_pressure_hpa(62.0)
    assert derived({"impact_pressure": impact}, "indicated_airspeed", CURVE) == pytest.approx(60.0)
    assert derived({"indicated_airspeed": 60.0}, "impact_pressure", CURVE) == pytest.approx(impact)
    assert derived({"impact_pressure": impact}, "indicated_airspeed") == pytest.approx(62.0)


# --- climb and turn ---


@pytest.mark.parametrize("name", ["pressure_altitude", "geometric_altitude", "indicated_altitude"])
def test_vertical_speed_comes_from_the_history_of_any_altitude(name: str) -> None:
    run = make_plan([name], ["vertical_speed"]).start()
    for i in range(100):
        values = run.update(0.05 * i, {name: 3000 + 0.05 * i * 700 / 60})
    assert values["vertical_speed"] == pytest.approx(700)


def test_a_change_of_setting_is_no_climb() -> None:
    run = make_plan(
        ["geometric_altitude", "altimeter_setting"], ["indicated_altitude", "vertical_speed"]
    ).start()
    for i in range(40):
        setting = 29.92 if i < 20 else 30.12
        values = run.update(0.05 * i, {"geometric_altitude": 3000.0, "altimeter_setting": setting})
        assert values.get("vertical_speed", 0.0) == 0.0


def test_with_the_static_port_blocked_the_altimeter_freezes_and_vertical_speed_is_nil() -> None:
    # FAA-H-8083-15 and FAA-H-8083-25, blocked static system: altimeter frozen, vertical speed zero.
    run = make_plan(
        ["static_pressure", "altimeter_setting"], ["indicated_altitude", "vertical_speed"]
    ).start()
    shown = []
    for i in range(200):
        time_s = 0.05 * i
        open_hpa = airdata.static_pressure_hpa(6000 + 15 * min(time_s, 2.0))  # blocked after 2 s of climb
        values = run.update(time_s, {"static_pressure": open_hpa, "altimeter_setting": 29.92})
        shown.append((values["indicated_altitude"], values.get("vertical_speed")))
    assert shown[39][1] == pytest.approx(900, rel=0.02)
    assert shown[-1][0] == shown[60][0]
    assert shown[-1][1] == pytest.approx(0.0, abs=0.1)


def test_all_ways_to_the_turn_rate_agree_in_a_steady_level_turn() -> None:
    # A level coordinated turn of 3 deg/s at 100 kt, worked out here from its mechanics:
    # tan(bank) = rate x speed / g; body rates are the turn's share of each axis.
    rate = math.radians(3.0)
    bank = math.atan(rate * 100 * 1852 / 3600 / 9.80665)
    pitch = math.radians(4.0)
    body = {
        "pitch_rate": 3.0 * math.sin(bank) * math.cos(pitch),
        "yaw_rate": 3.0 * math.cos(bank) * math.cos(pitch),
    }
    attitude = {"pitch": 4.0, "bank": math.degrees(bank)}
    yaw_only = {"yaw_rate": body["yaw_rate"]} | attitude
    assert derived(body | attitude, "turn_rate") == pytest.approx(3.0)
    assert derived(yaw_only, "turn_rate") == pytest.approx(3.0)
    assert derived({"bank": attitude["bank"], "true_airspeed": 100.0}, "turn_rate") == pytest.approx(3.0)
    for name in ("heading_true", "heading_magnetic"):
        run = make_plan([name], ["turn_rate"]).start()
        for i in range(100):
            values = run.update(0.05 * i, {name: (355 + 0.15 * i) % 360})
        assert values["turn_rate"] == pytest.approx(3.0)


def test_an_aeroplane_on_its_wheels_does_not_turn_by_its_bank() -> None:
    assert derived({"bank": 2.0, "true_airspeed": 5.0}, "turn_rate") == 0.0


def test_roll_rate_comes_from_the_history_of_the_bank() -> None:
    run = make_plan(["bank"], ["roll_rate"]).start()
    for i in range(50):
        values = run.update(0.05 * i, {"bank": -20 + 0.5 * i})
    assert values["roll_rate"] == pytest.approx(10.0)


def test_variation_is_taken_off_true_heading() -> None:
    # 'East is least': 10 degrees of easterly variation, true 005, magnetic 355 (FAA-H-8083-25).
    assert derived({"heading_true": 5.0, "magnetic_variation": 10.0}, "heading_magnetic") == 355.0
    assert derived({"heading_magnetic": 355.0, "magnetic_variation": 10.0}, "heading_true") == 5.0


# --- the flow of values ---


def test_values_that_arrive_in_parts_are_kept_and_joined() -> None:
    run = make_plan(["static_pressure", "altimeter_setting"], ["indicated_altitude"]).start()
    assert "indicated_altitude" not in run.update(0.0, {"static_pressure": 900.0})
    both = run.update(0.1, {"altimeter_setting": 29.92})
    assert both["indicated_altitude"] == pytest.approx(
        airdata.indicated_altitude_ft(both["pressure_altitude"], 29.92)
    )
    assert run.update(0.2, {}) == both


def test_a_datagram_without_the_altitude_does_not_flatten_the_climb() -> None:
    run = make_plan(["pressure_altitude", "pitch"], ["vertical_speed"]).start()
    for i in range(200):
        values = run.update(0.05 * i, {"pressure_altitude": 10 * 0.05 * i})
        values = run.update(0.05 * i + 0.025, {"pitch": 5.0})
    assert values["vertical_speed"] == pytest.approx(600.0)


def test_a_value_beyond_a_formula_takes_away_what_rests_on_it_and_no_more() -> None:
    run = make_plan(
        ["static_pressure", "altimeter_setting", "pitch"], ["indicated_altitude", "vertical_speed"]
    ).start()
    good = {"static_pressure": 900.0, "altimeter_setting": 29.92, "pitch": 2.0}
    assert "indicated_altitude" in run.update(0.0, good)
    assert run.update(0.1, {"static_pressure": 5.0}) == good | {"static_pressure": 5.0}
    assert "indicated_altitude" in run.update(0.2, {"static_pressure": 900.0})


def test_what_is_returned_is_the_callers_own() -> None:
    run = make_plan(["pitch"], ["pitch"]).start()
    first = run.update(0.0, {"pitch": 1.0})
    first["pitch"] = 99.0
    assert run.update(0.1, {}) == {"pitch": 1.0}


def test_two_runs_of_one_plan_share_nothing() -> None:
    made = make_plan(["pressure_altitude"], ["vertical_speed"])
    one, other = made.start(), made.start()
    for i in range(20):
        one.update(0.05 * i, {"pressure_altitude": 50.0 * i})
    assert other.update(0.0, {"pressure_altitude": 0.0}) == {"pressure_altitude": 0.0}


def test_the_same_arrivals_give_the_same_values_to_the_last_bit() -> None:
    names = ["static_pressure", "impact_pressure", "altimeter_setting", "heading_true", "bank"]
    made = make_plan(names, CATALOGUE)

    def fly() -> list[dict[str, float]]:
        dice, run = random.Random(7), made.start()
        shown = []
        for i in range(200):
            arrived = {
                "static_pressure": 900 + dice.random(),
                "impact_pressure": 20 + dice.random(),
                "altimeter_setting": 30.12,
                "heading_true": dice.uniform(0, 20),
                "bank": dice.uniform(-5, 5),
            }
            shown.append(run.update(0.05 * i, arrived))
        return shown

    assert fly() == fly()


# --- a whole flight ---


@pytest.mark.slow
@pytest.mark.parametrize(
    ("names", "wanted", "rms"),
    [
        (
            ["static_pressure"],
            "pressure_altitude",
            0.3,
        ),  # the log's last digit is 0.1 ft; 0.001 hPa is 0.03 ft
        # jsbsim takes a sea-level pressure by scaling all layers, a setting shifts them: some feet apart.
        (["geometric_altitude", "altimeter_setting"], "pressure_altitude", 15.0),
        (["impact_pressure"], "calibrated_airspeed", 0.05),
        (["impact_pressure", "static_pressure", "outside_air_temperature"], "true_airspeed", 0.1),
        (["true_airspeed", "static_pressure", "outside_air_temperature"], "calibrated_airspeed", 0.1),
        # Histories trail the truth by their smoothing, so a flight with turbulence and turns is not exact.
        (["static_pressure"], "vertical_speed", 50.0),
        (["heading_magnetic"], "turn_rate", 0.25),
        (["yaw_rate", "bank", "pitch"], "turn_rate", 0.1),
        (["bank", "true_airspeed"], "turn_rate", 0.3),
        (["bank"], "roll_rate", 0.6),
    ],
)
def test_on_a_recorded_flight_the_derived_is_what_the_flight_model_had(
    names: list[str], wanted: str, rms: float
) -> None:
    # The log holds the state of the jsbsim library, which worked each column out by itself.
    run = make_plan(names, [wanted]).start()
    errors = []
    with (Path(__file__).parents[2] / "replay_logs" / "circuit.csv").open(encoding="utf-8") as file:
        header, *lines = csv.reader(file)
    columns = [column.partition("[")[0] for column in header]
    for line in lines:
        values = dict(zip(columns, map(float, line), strict=True))
        had = run.update(values["time"], {name: values[name] for name in names})
        if wanted in had:
            errors.append(had[wanted] - values[wanted])
    assert len(errors) > 0.99 * len(lines)
    assert math.sqrt(sum(error * error for error in errors) / len(errors)) < rms


def test_an_altimeter_that_gets_no_setting_is_taken_as_set_right_and_states_it() -> None:
    made = make_plan(["static_pressure", "sea_level_setting"], ["indicated_altitude"])
    assert not made.missing
    assert any("altimeter_setting from sea_level_setting" in said for said in made.assumptions)
