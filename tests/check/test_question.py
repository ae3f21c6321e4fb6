"""One drive at a time: each check turns from ok to bad when the thing it looks at does."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from bridge.check.findings import Finding, number
from bridge.check.question import DriveQuestion, check_drive
from bridge.errors import DescriptionError
from bridge.panel.gauge_description import PointerBody
from bridge.panel.load import shipped_motors

MOTORS = shipped_motors()


def asked(motor: str = "geared-unipolar-5v", **changes: Any) -> dict[str, Finding]:
    """Findings by check for a hundreds pointer, 1,000 ft a turn, with some words changed."""
    words: dict[str, Any] = {
        "unit": "ft",
        "span": 1000.0,
        "microsteps": 2,
        "fastest": 50.0,
        "tolerance": 10.0,
        "speed": 600.0,
        "acceleration": 4000.0,
    }
    return {f.check: f for f in check_drive(DriveQuestion(motor=motor, **(words | changes)), MOTORS)}


def test_the_plain_hundreds_pointer_is_well() -> None:
    assert {finding.severity for finding in asked().values()} == {"ok"}


def test_step_size_is_a_turn_over_its_steps() -> None:
    # 1.8 degrees a step and 16 microsteps: 3,200 a turn, 0.1125 degrees (any stepper handbook).
    found = asked("bipolar-200-nema8", unit="deg", span=360.0, microsteps=16, supply_v=12.0)
    assert found["resolution"].value == pytest.approx(0.1125)


@pytest.mark.parametrize(
    ("check", "severity", "motor", "changes"),
    [
        ("resolution", "warning", "unipolar-48-12v", {"span": 700.0}),
        ("resolution", "failure", "unipolar-48-12v", {}),
        ("smoothness", "note", "unipolar-48-12v", {}),
        ("friction", "failure", "gauge-stepper-315", {"body": PointerBody(friction_mnm=5.0)}),
        ("speed", "warning", "geared-unipolar-5v", {"speed": 220.0}),
        ("speed", "failure", "geared-unipolar-5v", {"speed": 200.0}),
        ("lag", "note", "geared-unipolar-5v", {"acceleration": 400.0}),
        ("lag", "warning", "geared-unipolar-5v", {"acceleration": 150.0}),
        ("pull-out", "failure", "geared-unipolar-5v", {"speed": 1100.0}),
        ("torque", "failure", "geared-unipolar-5v", {"speed": 1100.0}),
        ("pull-in", "failure", "geared-unipolar-5v", {"acceleration": 200_000.0, "speed": 800.0}),
        ("torque", "warning", "geared-unipolar-5v", {"body": PointerBody(friction_mnm=12.0)}),
        ("torque", "failure", "geared-unipolar-5v", {"body": PointerBody(unbalance_g_mm=2500.0)}),
        ("rest", "warning", "geared-unipolar-5v", {"body": PointerBody(unbalance_g_mm=2500.0)}),
        ("backlash", "warning", "geared-unipolar-5v", {"backlash_deg": 3.0}),
        ("at rest", "warning", "geared-unipolar-5v", {"backlash_deg": 3.0}),
        ("certified", "note", "geared-unipolar-5v", {"backlash_deg": 7.0}),
        ("travel", "failure", "gauge-stepper-315", {}),
        ("travel", "failure", "micro-servo-180", {"sweep_deg": 270.0}),
        ("servo speed", "failure", "standard-servo-180", {"sweep_deg": 170.0, "fastest": 2000.0}),
        ("servo limit", "warning", "standard-servo-180", {"sweep_deg": 170.0, "speed": 9000.0}),
        ("voltage", "warning", "geared-unipolar-5v", {"supply_v": 6.0}),
        ("coil heat", "warning", "geared-unipolar-5v", {"supply_v": 6.0}),
        ("coil heat", "failure", "geared-unipolar-5v", {"supply_v": 12.0}),
        ("coil heat", "note", "bipolar-200-nema17", {"supply_v": 12.0}),
        ("driver current", "warning", "bipolar-200-nema17", {"supply_v": 12.0}),
        ("voltage", "warning", "bipolar-200-nema11", {"supply_v": 5.0}),
        ("driver current", "failure", "geared-unipolar-5v", {"supply_v": 60.0}),
        ("voltage", "failure", "micro-servo-180", {"sweep_deg": 90.0, "supply_v": 12.0}),
        ("voltage", "failure", "geared-unipolar-12v", {"supply_v": 5.0}),
        ("board microsteps", "failure", "geared-unipolar-5v", {"microsteps": 8}),
        ("board speed_steps_s", "failure", "bipolar-200-nema17", {"speed": 4000.0}),
        ("servo current", "note", "micro-servo-180", {"sweep_deg": 90.0}),
        ("place", "failure", "continuous-servo", {}),
    ],
)
def test_what_is_wrong_is_found(check: str, severity: str, motor: str, changes: dict[str, Any]) -> None:
    found = asked(motor, **changes)[check]
    assert found.severity == severity, found
    assert found.cure or check == "certified"


def test_microsteps_left_out_are_those_of_the_firmware() -> None:
    found = asked(microsteps=None)
    assert "4,075.77 steps" in found["resolution"].formula  # half steps of 2,037.89
    assert "board microsteps" not in found
    sweep = asked("gauge-stepper-315", microsteps=None, unit="kt", span=180.0, sweep_deg=310.0)
    assert "1,080 steps" in sweep["resolution"].formula  # a third of a degree


def test_a_gauge_stepper_gets_the_pins_voltage_whatever_the_supply() -> None:
    found = asked("gauge-stepper-315", sweep_deg=300.0, supply_v=12.0)
    assert found["voltage"].severity == "ok" and found["driver current"].value == pytest.approx(5 / 280)


def test_a_hair_spring_takes_up_backlash() -> None:
    assert asked(backlash_deg=3.0)["backlash"].severity == "warning"
    found = asked(backlash_deg=3.0, hair_spring=True)
    assert found["backlash"].severity == found["at rest"].severity == "ok"


def test_a_heavy_pointer_falls_through_its_slack_and_only_balance_or_a_spring_help() -> None:
    found = asked(backlash_deg=3.0, body=PointerBody(unbalance_g_mm=30.0))["backlash"]
    assert found.severity == "warning"
    assert "two-way calibration can't" in found.cure


def test_backlash_of_the_motor_shrinks_behind_gears() -> None:
    direct, geared = asked()["backlash"].value, asked(gears=(Fraction(60, 12),))["backlash"].value
    assert direct is not None and geared is not None
    assert direct == pytest.approx(1.5 / 360 * 1000)
    assert geared == pytest.approx(direct / 5)


def test_limits_left_out_are_chosen_and_do() -> None:
    found = asked(speed=None, acceleration=None)
    assert found["limits"].severity == "note"
    assert found["speed"].severity == found["lag"].severity == found["pull-out"].severity == "ok"


@pytest.mark.parametrize("sweep_deg", [90.0, 100.0, 240.0, 300.0, 310.0])
def test_an_acceleration_just_enough_is_not_complained_of(sweep_deg: float) -> None:
    # By hand: needed^2 / (2 tolerance) in steps, of 4,800 a turn. Rounding must not tip it over the limit.
    steps_per_unit = 4800 * sweep_deg / 360 / 250
    least = (125 * steps_per_unit) ** 2 / (2 * 5 * steps_per_unit)
    words: dict[str, Any] = {"span": 250.0, "sweep_deg": sweep_deg, "fastest": 125.0, "tolerance": 5.0}
    words |= {
        "unit": "degC",
        "microsteps": 8,
        "gears": (Fraction(3),),
        "speed": 3000.0,
        "acceleration": least,
    }
    found = asked("bipolar-200-nema11", **words)
    assert found["lag"].severity == "ok", found["lag"]


def test_rates_and_tolerances_left_out_are_a_light_aeroplanes() -> None:
    found = asked("gauge-stepper-315", unit="kt", span=180.0, sweep_deg=310.0, fastest=None, tolerance=None)
    assert "10 kt per s" in found["speed"].text and "light aeroplane" in found["speed"].text
    assert found["resolution"].limit == pytest.approx(1.0)


def test_a_cure_that_names_a_number_cures() -> None:
    words = asked(acceleration=150.0)["lag"].cure
    least = float(words.split("acceleration_steps_s2 to ")[1].split(" ")[0].replace(",", ""))
    assert asked(acceleration=least)["lag"].severity == "ok"
    words = asked(speed=1100.0)["pull-out"].cure
    most = float(words.split("speed_steps_s to ")[1].split(" ")[0].replace(",", ""))
    assert asked(speed=most)["pull-out"].severity == "ok"
    words = asked(acceleration=200_000.0, speed=800.0)["pull-in"].cure
    most = float(words.split("acceleration_steps_s2 to ")[1].split(" ")[0].replace(",", ""))
    assert asked(acceleration=most, speed=800.0)["pull-in"].severity == "ok"


def test_an_unknown_motor_is_named_with_its_neighbours() -> None:
    with pytest.raises(DescriptionError, match="geared-unipolar-5v"):
        asked("geared-unipolar")


def test_numbers_are_written_as_one_reads_them() -> None:
    assert [number(v) for v in (0.0, 4075.7728, 0.2453, 12.0, 1e6, -16.6667, 0.00003643, 2.5e-9)] == [
        "0", "4,076", "0.2453", "12", "1,000,000", "-16.67", "0.00003643", "2.500e-09",
    ]  # fmt: skip
    assert number(4075.7728, 6) == "4,075.77"


def test_the_rotor_itself_has_to_be_sped_up() -> None:
    words: dict[str, Any] = {
        "unit": "deg",
        "span": 360.0,
        "microsteps": 1,
        "speed": 200.0,
        "acceleration": 1000.0,
    }
    still = PointerBody(inertia_g_mm2=0.0, friction_mnm=0.0)
    found = asked("bipolar-200-nema17", **words, body=still)["torque"]
    # 54 g.cm2 is 5.4e-6 kg.m2; 1,000 steps/s2 of 1.8 degrees are 31.42 rad/s2: 0.1696 mN.m.
    assert found.value == pytest.approx(0.1696, abs=5e-5)
    behind = MOTORS | {
        "geared": MOTORS["bipolar-200-nema17"].model_copy(update={"gear_train": (Fraction(10),)})
    }
    question = DriveQuestion(motor="geared", body=still, **words)
    geared = next(f for f in check_drive(question, behind) if f.check == "torque")
    # The same rotor steps behind 10:1: ten times less at the shaft, felt a hundredfold.
    assert geared.value == pytest.approx(1.696, abs=5e-4)
