"""Pointers: face positions by kind, the short way round, and both ways of a two-way curve."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.gauges.curve import Curve
from bridge.gauges.drive import Drive
from bridge.gauges.pointer import DirectionTracker, Pointer

GEARED = Fraction(64) * Fraction(32, 9) * Fraction(22, 11) * Fraction(26, 9) * Fraction(31, 10)


def endless(per_turn: float) -> Pointer:
    curve = Curve([(0, 0), (per_turn, 360)], per_turn)
    return Pointer(
        "altimeter", "hand", "indicated_altitude", "ft", True, curve, curve, curve,
        Drive(GEARED, 900, 4000), "left", 0, 0.0, None, None, 0.0,
    )  # fmt: skip


def bounded(falling: Curve | None = None) -> Pointer:
    curve = Curve([(0, 0), (100, 200), (180, 310)])
    drive = Drive(Fraction(945), 900, 6000)
    return Pointer(
        "airspeed", "needle", "indicated_airspeed", "kt", False, curve, curve, falling or curve,
        drive, "right", 0, 0.0, drive.steps(0), drive.steps(310), 0.0,
    )  # fmt: skip


@given(st.floats(-1000, 50_000))
def test_three_altimeter_pointers_are_where_one_altitude_puts_them(altitude_ft: float) -> None:
    """One turn is 1,000 ft, 10,000 ft and 100,000 ft (common practice, no source)."""
    for per_turn in (1000.0, 10_000.0, 100_000.0):
        pointer = endless(per_turn)
        shown = pointer.face_deg(pointer.position(altitude_ft)) % 360
        expected = float(Fraction(altitude_ft) % int(per_turn) / int(per_turn) * 360)
        assert (shown - expected + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)


@given(st.floats(-1000, 50_000), st.floats(-1e7, 1e7))
def test_after_a_jump_an_endless_pointer_goes_the_short_way_to_the_same_face_position(
    altitude_ft: float, stood_steps: float
) -> None:
    pointer = endless(1000)
    there = pointer.nearest(pointer.position(altitude_ft), stood_steps)
    assert abs(there - stood_steps) <= float(GEARED) / 2 + 1e-6
    off = (pointer.face_deg(there) - pointer.face.angles[0] - altitude_ft * 0.36 + 180) % 360 - 180
    assert off == pytest.approx(0, abs=1e-4)


@given(st.lists(st.floats(-500, 500), min_size=1, max_size=60))
def test_no_drift_after_any_number_of_turns_there_and_back(climbs_ft: list[float]) -> None:
    pointer = endless(1000)
    course = DirectionTracker(pointer)
    altitude_ft = 0.0
    stands = 0.0
    for climb_ft in [*climbs_ft, *(-climb for climb in reversed(climbs_ft))]:
        for part in range(1, 5):
            stands = course.position(altitude_ft + climb_ft * part / 4, stands)
        altitude_ft += climb_ft
    exact = pointer.position(altitude_ft)
    assert stands == pytest.approx(exact, abs=1e-6)


@given(st.floats(-1e6, 1e6, allow_nan=False))
def test_a_bounded_pointer_never_passes_its_stops(reading: float) -> None:
    pointer = bounded()
    assert 0 <= pointer.position(reading) <= Fraction(945) * 310 / 360


@given(st.floats(0, 180))
def test_a_pointer_shows_the_reading_that_it_was_given(reading: float) -> None:
    pointer = bounded()
    assert pointer.reading(pointer.position(reading)) == pytest.approx(reading, abs=1e-6)


def test_a_two_way_curve_changes_when_the_reading_turns_and_not_from_noise() -> None:
    course = DirectionTracker(bounded(falling=Curve([(0, -2), (100, 198), (180, 308)])))
    rising = bounded()
    assert course.position(100, 0) == rising.position(100)
    assert course.position(100.05, 0) == rising.position(100.05)
    assert course.position(100.0, 0) == rising.position(100.0), "a fifth of a step is noise"
    back = course.position(95, 0)
    assert course.falling
    assert back == pytest.approx(rising.position(95) - 945 * 2 / 360, abs=0.3)
    course.position(95.1, 0)
    assert course.falling, "still noise"
    assert course.position(97, 0) == rising.position(97)
    assert not course.falling


def test_a_two_way_curve_that_runs_counter_clockwise_turns_with_the_reading() -> None:
    curve = Curve([(-12, 204), (12, 156)])
    course = DirectionTracker(
        replace(bounded(), face=curve, rising=curve, falling=Curve([(-12, 203), (12, 155)]))
    )
    course.position(0, 0)
    course.position(5, 0)
    assert not course.falling
    course.position(-5, 0)
    assert course.falling


@pytest.mark.parametrize("towards", [1, -1])
def test_turning_on_through_north_is_no_turning_back(towards: int) -> None:
    card = Curve([(0, 0), (360, -360)], 360)
    falling = Curve([(0, 1.4), (360, -358.6)], 360)
    course = DirectionTracker(replace(endless(360), face=card, rising=card, falling=falling))
    stands = course.position(180, 0)
    for degrees in range(1, 720):
        was, stands = stands, course.position((180 + towards * degrees) % 360, stands)
        assert course.falling is (towards < 0), degrees
        expected = -towards * float(GEARED) / 360
        assert degrees == 1 or stands - was == pytest.approx(expected), "the same way for every degree"


def test_a_crooked_linkage_turns_the_drive_further_than_the_pointer() -> None:
    linkage = replace(bounded(), rising=Curve([(0, 0), (100, 220), (180, 300)]))
    position = linkage.position(100)
    assert position == pytest.approx(945 * 220 / 360)
    assert linkage.face_deg(position) == pytest.approx(200)


def test_a_direction_follows_what_moves_the_motor_without_readings() -> None:
    """From above a place the motor comes down to it, whatever the readings did before; noise is no way."""
    falling = Curve([(0, -3), (100, 197), (180, 307)])
    pointer = bounded(falling)
    tracker = DirectionTracker(pointer)
    place = pointer.position(100.0)
    tracker.moved(place, place)
    assert tracker.position(50.0, place) == pointer.position(50.0, falling=True)
    tracker.moved(0.0, 30.0)
    assert not tracker.falling
    assert tracker.position(50.0, 30.0) == pointer.position(50.0)
    tracker.moved(30.0, 29.5)
    assert not tracker.falling
    other = DirectionTracker(pointer)
    tracker.moved(30.0, 10.0)
    other.continue_from(tracker, 10.0)
    assert other.falling
    assert other.position(50.0, 10.0) == pointer.position(50.0), "it goes up from there"
