"""The shipped catalogue of motors."""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.panel.load import shipped_motors

MOTORS = shipped_motors()


@pytest.mark.parametrize("name", MOTORS)
def test_each_motor_is_sound(name: str) -> None:
    motor = MOTORS[name]
    assert len(motor.source) > 20  # says where its values come from
    assert motor.full_steps_per_turn > 0
    assert all(r0 < r1 and t0 > t1 for (r0, t0), (r1, t1) in pairwise(motor.torque_curve))
    if motor.is_servo:
        assert motor.torque_mnm and motor.speed_deg_s and motor.pulse_low_us and motor.pulse_high_us
        assert 500 <= motor.pulse_low_us < motor.pulse_high_us <= 2500  # what servos take, common practice
    else:
        assert motor.torque_curve and motor.pull_in_steps_s
        assert motor.pull_in_steps_s <= motor.torque_curve[-1][0]
        assert motor.holding_torque_mnm and motor.torque_curve[0][1] <= motor.holding_torque_mnm
        assert motor.coil_resistance_ohm and motor.current_a and motor.voltage_v
        # Ohm's law holds between the three within a fifth: sheets round them.
        assert motor.current_a * motor.coil_resistance_ohm == pytest.approx(motor.voltage_v, rel=0.2)


def test_the_geared_motors_teeth_are_counted() -> None:
    # Common practice, counted teeth: 63.68395 to one, 2,037.89 full steps a turn.
    steps = MOTORS["geared-unipolar-5v"].full_steps_per_turn
    assert float(steps / 32) == pytest.approx(63.68395, abs=5e-6)
    assert steps.denominator != 1


def test_the_gauge_stepper_has_945_steps_between_its_stops() -> None:
    # Published sheets of the kind, from memory: a third of a degree a step, 315 degrees.
    motor = MOTORS["gauge-stepper-315"]
    assert motor.travel_deg is not None
    assert motor.full_steps_per_turn * 315 / 360 == 945


def test_frame_motors_step_by_their_angle() -> None:
    # 360 / 1.8 = 200, 360 / 0.9 = 400, 360 / 7.5 = 48: step angles of the trade.
    for name, angle in (("bipolar-200-nema11", 1.8), ("bipolar-400-nema17", 0.9), ("unipolar-48-12v", 7.5)):
        assert float(360 / MOTORS[name].full_steps_per_turn) == pytest.approx(angle)


def test_a_micro_servos_torque_is_the_sheets_in_other_units() -> None:
    # 1.8 kgf.cm: 1.8 x 9.80665 N x 10 mm = 176.5 mN.m; 0.1 s for 60 degrees: 600 deg/s.
    motor = MOTORS["micro-servo-180"]
    assert motor.torque_mnm == pytest.approx(1.8 * 9.80665 * 10, rel=0.005)
    assert motor.speed_deg_s == pytest.approx(60 / 0.1)
