"""What each instrument shows, over time."""

from __future__ import annotations

import itertools
import math

import pytest

from bridge.errors import OutOfRangeError
from bridge.instruments.instruments import INSTRUMENTS, Instrument, make_instrument, options
from bridge.quantities.catalogue import CATALOGUE, Quantity, UnknownQuantityError, extend_catalogue


def first_within(shower: Instrument, name: str, target: float, tolerance: float) -> float:
    """Seconds after an abrupt change from 0 to `target` until the indication stays within tolerance."""
    shower.update(0.0, dict.fromkeys(shower.needs, 0.0))
    reached = math.inf
    for i in range(1, 1001):
        shown = shower.update(0.02 * i, {name: target} | dict.fromkeys(shower.needs, target))[name]
        if abs(shown - target) > tolerance:
            reached = math.inf
        elif math.isinf(reached):
            reached = 0.02 * i
    return reached


def test_every_kind_shows_what_it_needs_at_rest() -> None:
    for kind in INSTRUMENTS:
        needed: dict[str, object] = {}
        if kind == "gauge":
            needed = {"quantity": "oil_pressure"}
        elif kind == "flag":
            needed = {"when": "oil_pressure < 20 psi"}
        made = make_instrument(kind, needed)
        readings = dict.fromkeys((*made.needs, *made.uses), 10.0)
        assert set(made.indications) <= CATALOGUE.keys()
        assert made.update(0.0, readings).keys() == set(made.indications)
        assert made.update(1.0, {}) == {}


def test_vertical_speed_is_right_6_to_9_seconds_after_an_abrupt_change() -> None:
    # FAA-H-8083-15: 6 to 9 seconds. Readable to 50 ft/min: common practice, no source.
    for climb_ft_min in (600.0, 1000.0, -1500.0):
        took_s = first_within(make_instrument("vertical_speed", {}), "vertical_speed", climb_ft_min, 50.0)
        assert 6.0 <= took_s <= 9.0


def test_vertical_speed_shows_a_trend_at_once() -> None:
    # FAA-H-8083-15: the needle shows at once which way the change goes, then the rate.
    needle = make_instrument("vertical_speed", {})
    needle.update(0.0, {"vertical_speed": 0.0})
    needle.update(0.05, {"vertical_speed": 1000.0})
    assert needle.update(0.5, {"vertical_speed": 1000.0})["vertical_speed"] > 100


def test_the_lag_is_an_option() -> None:
    assert (
        first_within(make_instrument("vertical_speed", {"lag_s": 0.5}), "vertical_speed", 1000.0, 50.0) < 2.0
    )
    still = make_instrument("vertical_speed", {"lag_s": 0.0})
    still.update(0.0, {"vertical_speed": 0.0})
    assert still.update(0.1, {"vertical_speed": 1000.0}) == {"vertical_speed": 1000.0}


@pytest.mark.parametrize(
    ("kind", "name"), [("altimeter", "indicated_altitude"), ("airspeed", "indicated_airspeed")]
)
def test_altimeter_and_airspeed_show_their_reading_without_lag(kind: str, name: str) -> None:
    needle = make_instrument(kind, {})
    needle.update(0.0, {name: 50.0})
    assert needle.update(0.05, {name: 100.0}) == {name: 100.0}


def test_dynamics_start_afresh_when_a_replay_loops() -> None:
    needle = make_instrument("vertical_speed", {})
    needle.update(500.0, {"vertical_speed": 0.0})
    needle.update(500.1, {"vertical_speed": 900.0})
    assert needle.update(0.0, {"vertical_speed": -300.0}) == {"vertical_speed": -300.0}


# --- turn ---


def test_a_standard_rate_turn_is_three_degrees_a_second_on_both_turn_instruments() -> None:
    # FAA-H-8083-15: standard rate, 3 degrees a second, 360 degrees in two minutes.
    readings = {"turn_rate": 360 / 120, "roll_rate": 0.0}
    for kind in ("turn_coordinator", "turn_indicator"):
        needle = make_instrument(kind, {})
        shown = [needle.update(0.05 * i, readings)["turn_rate"] for i in range(100)]
        assert shown[-1] == pytest.approx(3.0)


def test_a_turn_coordinator_answers_roll_before_yaw_and_a_turn_indicator_does_not() -> None:
    # FAA-H-8083-15: the canted gimbal makes the turn coordinator sense roll as well as yaw; the gyro
    # feels yaw x cos 30 + roll x sin 30, so rolling counts tan 30 = 0.577 of yawing.
    rolling = {"turn_rate": 0.0, "roll_rate": 10.0}
    canted, upright = make_instrument("turn_coordinator", {}), make_instrument("turn_indicator", {})
    for i in range(100):
        felt = canted.update(0.05 * i, rolling)["turn_rate"]
        blind = upright.update(0.05 * i, rolling)["turn_rate"]
    assert felt == pytest.approx(10 * math.sqrt(1 / 3))
    assert blind == 0.0


def test_the_cant_is_an_option() -> None:
    needle = make_instrument("turn_coordinator", {"cant_deg": 0.0})
    assert needle.update(0.0, {"turn_rate": 2.0, "roll_rate": 30.0})["turn_rate"] == 2.0


def test_a_turn_coordinator_shows_the_ball_only_where_there_is_one() -> None:
    needle = make_instrument("turn_coordinator", {})
    assert needle.needs == ("turn_rate", "roll_rate")
    assert needle.uses == ("slip",)
    turning = {"turn_rate": 1.0, "roll_rate": 0.0}
    assert needle.update(0.0, turning) == {"turn_rate": 1.0}
    assert needle.update(0.1, turning | {"slip": -4.0}) == {"turn_rate": 1.0, "slip": -4.0}


def test_the_ball_is_damped() -> None:
    tube = make_instrument("ball", {})
    tube.update(0.0, {"slip": 0.0})
    shown = [tube.update(0.02 * i, {"slip": 8.0})["slip"] for i in range(1, 151)]
    assert all(earlier < later for earlier, later in itertools.pairwise(shown))
    assert shown[4] < 4.0 < 7.9 < shown[-1]


# --- heading, attitude, any gauge ---


def test_a_heading_indicator_is_magnetic_unless_told_otherwise() -> None:
    readings = {"heading_magnetic": 355.0, "heading_true": 5.0}
    assert make_instrument("heading", {}).update(0.0, readings) == {"heading_magnetic": 355.0}
    assert make_instrument("heading", {"north": "true"}).update(0.0, readings) == {"heading_true": 5.0}


def test_an_attitude_indicator_shows_pitch_and_bank() -> None:
    readings = {"pitch": 4.0, "bank": -20.0, "roll_rate": 1.0}
    assert make_instrument("attitude", {}).update(0.0, readings) == {"pitch": 4.0, "bank": -20.0}


def test_a_gauge_shows_any_quantity_with_its_lag() -> None:
    # The time constant of a first-order system: 63.2 % after one.
    bulb = make_instrument("gauge", {"quantity": "oil_temperature", "lag_s": 8.0})
    bulb.update(0.0, {"oil_temperature": 20.0})
    bulb.update(1e-9, {"oil_temperature": 120.0})
    for i in range(1, 9):
        shown = bulb.update(1.0 * i, {"oil_temperature": 120.0})["oil_temperature"]
    assert shown == pytest.approx(20 + 100 * (1 - math.exp(-1)), abs=1e-3)


def test_of_two_quantities_on_one_face_each_is_shown_while_it_is_there() -> None:
    pair = make_instrument("gauge", {"quantity": "oil_temperature", "second_quantity": "oil_pressure"})
    assert pair.update(0.0, {"oil_pressure": 60.0}) == {"oil_pressure": 60.0}
    both = {"oil_pressure": 61.0, "oil_temperature": 80.0}
    assert pair.update(1.0, both) == both
    assert pair.indications == ("oil_temperature", "oil_pressure")


def test_a_gauge_takes_a_quantity_that_the_panel_declares() -> None:
    catalogue = extend_catalogue([Quantity("vane", "deg", 0, 360, "a wind vane", circular=True)])
    vane = make_instrument("gauge", {"quantity": "vane", "lag_s": 1.0}, catalogue)
    vane.update(0.0, {"vane": 350.0})
    assert 350 < vane.update(0.2, {"vane": 10.0})["vane"] < 360
    with pytest.raises(UnknownQuantityError, match="vane"):
        make_instrument("gauge", {"quantity": "vane"})


def test_a_flag_that_a_motor_moves_is_in_sight_while_its_condition_holds() -> None:
    shown = make_instrument("flag", {"when": "suction < 4.5 inHg", "hysteresis": 0.5, "delay_s": 1.0})
    assert shown.follows("flag") == ("suction",)
    suction = [(0.0, 5.0), (1.0, 4.0), (1.9, 4.0), (2.0, 4.0), (3.0, 4.9), (5.0, 5.1), (6.0, 5.1)]
    assert [shown.update(time_s, {"suction": inhg})["flag"] for time_s, inhg in suction] == [
        0,
        0,
        0,
        1,
        1,
        1,
        0,
    ]


# --- options ---


def test_every_kind_states_which_options_it_takes() -> None:
    assert options("turn_coordinator") == ("lag_s", "cant_deg", "ball_lag_s")
    assert options("heading") == ("north", "lag_s")
    assert options("gauge") == ("quantity", "second_quantity", "lag_s")
    with pytest.raises(KeyError):
        options("sextant")


@pytest.mark.parametrize(
    ("kind", "chosen", "words"),
    [
        ("altimeter", {"lag": 1.0}, "option 'lag' is unknown; the options of altimeter are lag_s"),
        ("gauge", {}, "option 'quantity' is missing"),
        ("gauge", {"quantity": ["pitch"]}, r"option 'quantity' is \['pitch'\]; a name is needed"),
        ("gauge", {"quantity": 5}, "option 'quantity' is 5; a name is needed"),
        ("gauge", {"quantity": {"pitch": 1}}, "a name is needed"),
        ("altimeter", {"lag_s": True}, "option 'lag_s' is True; a number is needed"),
        ("altimeter", {"lag_s": "1"}, "a number is needed"),
        ("altimeter", {"lag_s": "slow"}, "option 'lag_s' is 'slow'; a number is needed"),
        ("heading", {"north": "up"}, "neither 'magnetic' nor 'true'"),
        ("gauge", {"quantity": "oil_presure"}, "oil_pressure"),
        ("flag", {"when": "suction under 4"}, "a quantity, < or >, and a number"),
        ("flag", {"when": "suction < 4", "delay_s": 61.0}, "delay_s 61 is outside 0 to 60"),
    ],
)
def test_a_wrong_option_is_refused_in_words(kind: str, chosen: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make_instrument(kind, chosen)


@pytest.mark.parametrize("chosen", [{"lag_s": -0.1}, {"lag_s": 61}, {"cant_deg": 61}, {"ball_lag_s": -1}])
def test_an_option_out_of_range_is_refused(chosen: dict[str, object]) -> None:
    with pytest.raises(OutOfRangeError, match="is outside"):
        make_instrument("turn_coordinator", chosen)
