"""Each formula of the drive check against a worked example, a published table, or plain brute force."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.check import defaults
from bridge.check.case import Load, load_of
from bridge.check.electrics import coil_heat_w
from bridge.check.gearing import drift_per_turn
from bridge.check.resolution import friction_angle_deg
from bridge.check.speed import first_step_rate, lag_steps
from bridge.check.torque import (
    inertia_torque_mnm,
    servo_torque_mnm,
    stepper_torque_mnm,
    unbalance_torque_mnm,
)
from bridge.check.trains import train_value
from bridge.check.travel import drift_deg_s
from bridge.panel.gauge_description import PointerBody
from tests.published import rows


def test_inertia_behind_gears_is_shigleys_problem_16_26() -> None:
    # Budynas and Nisbett, Shigley's Mechanical Engineering Design, solutions manual, problem 16-26 (c):
    # Ie = 10 + 1 + 10^2 (1) + 100 / 10^2 = 112; the gear's own inertia is n^4 times the pinion's.
    n = Fraction(10)
    gear, loaded = Load(1.0 * 10**4, 0.0, 0.0), Load(100.0, 0.0, 0.0)
    assert 10 + 1 + gear.behind(n).inertia_g_mm2 + loaded.behind(n).inertia_g_mm2 == pytest.approx(112)


@given(st.floats(0.1, 1e6), st.fractions(Fraction(1, 50), 50), st.floats(0.1, 100.0))
def test_energy_is_the_same_on_both_sides_of_the_gears(inertia: float, ratio: Fraction, rate: float) -> None:
    felt = Load(inertia, 0.0, 0.0).behind(ratio).inertia_g_mm2
    assert felt * (rate * float(ratio)) ** 2 == pytest.approx(inertia * rate**2)


def test_a_rods_inertia_is_the_sum_over_its_pieces() -> None:
    # The handbooks' m L^2 / 3, summed up here piece by piece.
    mass_g, length_mm, pieces = 2.5, 40.0, 10_000
    summed = sum(mass_g / pieces * ((i + 0.5) * length_mm / pieces) ** 2 for i in range(pieces))
    assert load_of(PointerBody(mass_g=mass_g, length_mm=length_mm)).inertia_g_mm2 == pytest.approx(summed)


def test_a_described_inertia_goes_before_the_rods() -> None:
    assert load_of(PointerBody(inertia_g_mm2=0.0)).inertia_g_mm2 == 0.0


def test_torque_to_speed_up_is_that_of_published_examples() -> None:
    # www.alciro.org, Plotter-Router-Fresadora CNC, 5.1.3 Acceleration of stepper motors. Example 1: load
    # 1e-4 kg.m2 from 100 to 300 rad/s in 0.1 s with 0.05 N.m of friction; T = J dw/dt + Tf = 0.25 N.m.
    kg_m2 = 1e9  # in g.mm2
    assert inertia_torque_mnm(1e-4 * kg_m2, (300 - 100) / 0.1) + 50 == pytest.approx(250)
    # Example 2: 2e-4 kg.m2 from 500 to 1,500 steps/s in 50 ms, 1.8 degrees a step, no friction.
    alpha = math.radians(1.8) * (1500 - 500) / 0.05
    assert inertia_torque_mnm(2e-4 * kg_m2, alpha) == pytest.approx(125.7, abs=0.05)
    # Example 3 backwards: 0.2 N.m speed 1e-4 kg.m2 up by 2,000 rad/s2.
    assert inertia_torque_mnm(1e-4 * kg_m2, 2000.0) == pytest.approx(200)


def test_a_gram_a_millimetre_out_pulls_as_its_weight_does() -> None:
    # Standard gravity 9.80665 m/s2 (3rd CGPM): 1 kg at 1 m is 9.80665 N.m, which is 1e6 g.mm.
    assert unbalance_torque_mnm(1e6) == pytest.approx(9806.65)


def test_a_train_turns_as_in_published_examples() -> None:
    # technologystudent.com, compound gears: A 120 drives B 40, C 80 fixed to B drives D 20; A at 30 a minute
    # makes 90 at B, and D turns the same way. Turns of A for one of D, by our way of writing:
    assert 30 / train_value([Fraction(40, 120)]) == 90
    assert 30 / train_value([Fraction(40, 120), Fraction(20, 80)]) == 360
    # A machine design exercise (tutorbin.com, gear kinematics): 20 drives 80, 18 drives 90, input at 1,800.
    assert Fraction(1800) / train_value([Fraction(80, 20)]) == 450
    assert Fraction(1800) / train_value([Fraction(80, 20), Fraction(90, 18)]) == 90


def test_a_clocks_wheels_are_a_sixth_out_on_a_dial_of_ten() -> None:
    # Twelve hours a turn of the hour hand: motion work 36/12 x 32/8 (common practice, no source).
    clock = train_value([Fraction(36, 12), Fraction(32, 8)])
    assert clock == 12
    assert drift_per_turn(clock, Fraction(10)) == Fraction(-1, 6)


def test_a_rounded_gear_ratio_drifts_by_half_a_per_cent() -> None:
    # Counted teeth, common practice: 32 x 32/9 x 22/11 x 26/9 x 31/10 = 2,037.89, not 2,048.
    counted = 32 * train_value([Fraction(32, 9), Fraction(22, 11), Fraction(26, 9), Fraction(31, 10)])
    assert float(counted) == pytest.approx(2037.89, abs=0.005)
    assert float(drift_per_turn(counted, Fraction(2048))) == pytest.approx(0.00496, abs=5e-6)


@pytest.mark.slow
@given(st.fractions(1, 100), st.fractions(1, 100), st.integers(1, 50))
def test_drift_is_what_two_counted_pointers_part_by(
    given_ratio: Fraction, needed: Fraction, turns: int
) -> None:
    driver_turns = turns * needed  # what the reading asks of the driver
    assert driver_turns / given_ratio - turns == turns * drift_per_turn(given_ratio, needed)


def test_friction_holds_a_rotor_as_in_the_textbook() -> None:
    # D. W. Jones, Control of Stepping Motors, 'Friction and the dead zone': its width is
    # 2 (S / (pi/2)) arcsin(f/h). Its figure has f = h/2: two thirds of a step, a third to each side.
    assert friction_angle_deg(1.8, 0.5, 1.0) == pytest.approx(1.8 / 3)
    assert friction_angle_deg(1.8, 1.0, 1.0) == pytest.approx(1.8)  # friction takes all: a step to each side
    assert friction_angle_deg(1.8, 0.0, 1.0) == 0.0
    assert math.isnan(friction_angle_deg(1.8, 1.1, 1.0))


def test_pull_out_torque_reads_as_the_textbooks_curve_does() -> None:
    # P. Acarnley, Stepping Motors, 4th ed., chapter 4: the motor of its figure 4.1 drives 0.4 N.m up to
    # 200 steps/s and 0.2 N.m up to 500.
    curve = ((200.0, 400.0), (500.0, 200.0))
    assert [stepper_torque_mnm(curve, rate) for rate in (200.0, 500.0)] == [400.0, 200.0]
    assert stepper_torque_mnm(curve, 350.0) == pytest.approx(300.0)
    assert stepper_torque_mnm(curve, 10.0) == 400.0
    assert stepper_torque_mnm(curve, 501.0) == 0.0


def test_a_servos_torque_falls_straight_to_its_free_speed() -> None:
    # Curves of motors and gearmotors used at MIT (lancet.mit.edu/motor/motors4.html): stall torque in N.m and
    # free speed a minute, then torque at half that speed as stated there, to its last digit.
    for stall, free, rate, torque, digit in (
        (0.325, 600, 300, 0.163, 0.0006),
        (0.0722, 3750, 1875, 0.0361, 0.00006),
        (1.6, 92, 46, 0.80, 0.006),
    ):
        found = servo_torque_mnm(1e3 * stall, 6.0 * free, 6.0 * rate)  # one a minute is 6 deg/s
        assert found == pytest.approx(1e3 * torque, abs=1e3 * digit)
    assert servo_torque_mnm(176.0, 600.0, 0.0) == 176.0
    assert servo_torque_mnm(176.0, 600.0, 700.0) == 0.0
    assert servo_torque_mnm(176.0, None, 300.0) == 176.0


@pytest.mark.parametrize(("speed", "acceleration"), [(200.0, 4000.0), (900.0, 1500.0), (3.0, 10.0)])
def test_the_lag_is_what_a_counted_start_leaves(speed: float, acceleration: float) -> None:
    # Step by step in time: the reading runs off at full speed, the pointer speeds up after it.
    tick, behind, rate = speed / acceleration / 20_000, 0.0, 0.0
    while rate < speed:
        behind += (speed - rate) * tick
        rate += acceleration * tick
    assert lag_steps(speed, acceleration) == pytest.approx(behind, rel=1e-3)


def test_the_first_step_of_a_ramp_ends_at_the_speed_of_a_falling_stone() -> None:
    # v^2 = 2 a s. A stone falls 1 m at 9.80665 m/s2 and arrives with 4.429 m/s (any school book).
    assert first_step_rate(9.80665) == pytest.approx(4.429, abs=5e-4)


def test_a_continuous_servos_pointer_wanders_with_its_speed_summed_up() -> None:
    # 50 turns a minute, 5 % off: two and a half turns too many in a minute, by counting turns.
    assert drift_deg_s(300.0, 0.05, 1.0) * 60 / 360 == pytest.approx(50 * 0.05)
    assert drift_deg_s(300.0, 0.05, 5.0) * 60 / 360 == pytest.approx(50 * 0.05 / 5)


def test_coil_heat_is_joules_law_by_either_of_its_forms() -> None:
    assert coil_heat_w(5 / 50, 50.0) == pytest.approx(2 * 5**2 / 50)  # two coils of 50 ohm on 5 V: 1 W


def test_a_certified_altimeters_tolerance_is_the_tables_least() -> None:
    # 14 CFR Part 43 App. E Table I; see the source line of the file.
    assert min(row[2] for row in rows("altimeter-scale-error.csv")) == defaults.CERTIFIED_ALTIMETER_FT


def test_the_fastest_turn_covers_every_turn_of_the_handbooks_table() -> None:
    # FAA-H-8083-25, rate of turn; see the source line of the file. Column: deg/s.
    assert max(row[2] for row in rows("turns.csv")) <= defaults.FASTEST_PER_S["heading_magnetic"]


def test_the_hardest_pull_assumed_is_about_half_a_g() -> None:
    # Standard gravity in ft/min for each second: 9.80665 / 0.3048 x 60 = 1,930.
    half_g = 9.80665 / 0.3048 * 60 / 2
    assert half_g <= defaults.FASTEST_PER_S["vertical_speed"] <= 1.1 * half_g
