"""Each cause, on a flight in which it was at work and nothing else was."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.report.flown import KEY, arrivals, cause_of_worst, fly, made_up, tachometer


def ramp(time_s: float) -> float:
    """300 rpm/s up from 500 rpm."""
    return 500.0 + 300.0 * time_s


@pytest.mark.slow
def test_a_flight_without_a_fault_is_off_by_no_more_than_its_resolution(tmp_path: Path) -> None:
    """From 2 s on, when the pointer has caught up with the beginning of the climb."""
    flight = fly(tachometer(tmp_path), arrivals(lambda t: ramp(max(t - 2.0, 0.0) ** 2 / 10), 8.0))
    moment, cause = cause_of_worst(flight)
    assert cause.name == "resolution", (moment, cause)
    assert "a motor step is 3.7 rpm there" in cause.seen  # 3,000 rpm on 810 steps


@pytest.mark.slow
def test_a_gap_in_telemetry_is_named_with_its_length(tmp_path: Path) -> None:
    sent = [arrival for arrival in arrivals(ramp, 6.0) if not 3.0 < arrival.arrival_s < 4.5]
    moment, cause = cause_of_worst(fly(tachometer(tmp_path), sent))
    assert cause.name == "telemetry gap"
    assert "for 1.50 s, from 3.00 s on" in cause.seen
    assert moment.error == pytest.approx(-450.0, abs=60.0)  # 1.5 s of 300 rpm/s, less what it went on for


@pytest.mark.slow
def test_arrivals_that_come_irregularly_are_named_as_jitter(tmp_path: Path) -> None:
    late_s = [0.0, 0.03, 0.0, 0.045, 0.01, 0.04]
    sent = arrivals(ramp, 6.0, lambda n: n * 0.05 + late_s[n % len(late_s)])
    _, cause = cause_of_worst(fly(tachometer(tmp_path), sent))
    assert cause.name == "jitter", cause
    assert "ms apart" in cause.seen


@pytest.mark.slow
def test_a_reading_that_leaps_takes_the_drive_to_its_speed_limit(tmp_path: Path) -> None:
    flight = fly(tachometer(tmp_path), arrivals(lambda t: 500.0 if t < 2.0 else 2500.0, 4.0))
    _, cause = cause_of_worst(flight)
    assert cause.name == "speed limit"
    assert "900 steps/s" in cause.seen


@pytest.mark.slow
def test_a_smaller_leap_takes_it_to_its_acceleration_limit(tmp_path: Path) -> None:
    """60 rpm are 16 steps: with 6,000 steps/s² it gets no faster than 310 of its 900 steps/s."""
    flight = fly(tachometer(tmp_path), arrivals(lambda t: 500.0 if t < 2.0 else 560.0, 4.0))
    _, cause = cause_of_worst(flight)
    assert cause.name == "acceleration limit", cause


@pytest.mark.slow
def test_a_reading_beyond_the_scale_is_at_the_stop_and_not_among_the_errors(tmp_path: Path) -> None:
    flight = fly(tachometer(tmp_path), arrivals(lambda t: 2950.0 + 50.0 * t, 4.0))
    moment, cause = cause_of_worst(flight, off_scale=True)
    assert cause.name == "stop"
    assert moment.error == pytest.approx(-150.0, abs=12.0)
    assert abs(cause_of_worst(flight)[0].error) < 20.0


@pytest.mark.slow
def test_a_scale_that_was_calibrated_in_part_is_extrapolated(tmp_path: Path) -> None:
    calibration = '[needle]\nunit = "rpm"\npoints = [[500, 45], [1500, 135], [2500, 225]]\n'
    flight = fly(tachometer(tmp_path, calibration), arrivals(lambda t: 2400.0 + 50.0 * t, 8.0))
    _, cause = cause_of_worst(flight, off_scale=True)
    assert cause.name == "calibration extrapolated"
    assert "the calibration ends at 500 to 2500 rpm" in cause.seen


@pytest.mark.slow
def test_a_flight_that_begins_in_motion_catches_up_with_it(tmp_path: Path) -> None:
    """The needle waits at the first reading; two ticks later the reading is 20 rpm further."""
    moment, cause = cause_of_worst(fly(tachometer(tmp_path), arrivals(ramp, 6.0)))
    assert cause.name == "start", (moment, cause)
    assert moment.time_s < 0.2


def test_a_needle_that_runs_behind_evenly_lags(tmp_path: Path) -> None:
    flight = made_up(tachometer(tmp_path), ramp, lambda t: ramp(t - 0.2))
    moment, cause = cause_of_worst(flight)
    assert moment.error == pytest.approx(-60.0)
    assert cause.name == "steady lag"
    assert cause.seen.startswith("200 ms behind")


def test_steps_that_an_index_mark_shows_missing_are_named(tmp_path: Path) -> None:
    flight = made_up(tachometer(tmp_path), lambda t: 1000.0, lambda t: 1000.0 if t < 5.0 else 950.0)
    track = flight.tracks[KEY]
    for n in range(250, 500):
        track.missed[n] = 13
    _, cause = cause_of_worst(flight)
    assert cause.name == "missed steps"
    assert "13 steps missing, 48.1 rpm" in cause.seen


def test_missing_steps_that_were_corrected_explain_nothing_later(tmp_path: Path) -> None:
    """13 steps at a fiftieth of the drive's 900 a second are made up in less than a second."""
    flight = made_up(tachometer(tmp_path), lambda t: 1000.0, lambda t: 950.0 if 8.0 < t < 8.5 else 1000.0)
    for n in range(100, 500):
        flight.tracks[KEY].missed[n] = 13
    _, cause = cause_of_worst(flight)
    assert cause.name == "acceleration limit"  # of the leap itself


def test_a_board_that_is_not_where_it_was_sent_at_rest_has_missed_steps(tmp_path: Path) -> None:
    """Where no mark counts missed steps: commanded to be still, and reported elsewhere."""
    flight = made_up(tachometer(tmp_path), lambda t: 1000.0, lambda t: 1000.0 if t < 5.0 else 950.0)
    track = flight.tracks[KEY]
    for n in range(250, 500):
        track.commanded[n] = track.commanded[0]
        track.late[n] = -13.5
    _, cause = cause_of_worst(flight)
    assert cause.name == "missed steps"
    assert "reported -14 steps from there" in cause.seen or "reported -13 steps from there" in cause.seen


def test_a_calibration_with_play_explains_an_error_where_the_reading_turns_round(tmp_path: Path) -> None:
    calibration = (
        '[needle]\nunit = "rpm"\npoints = [[0, 0, 0], [1500, 135, 135], [3000, 270, 270]]\n'
        "falling = [[0, -5], [1500, 130], [3000, 265]]\n"
    )
    panel = tachometer(tmp_path, calibration)

    def turns(time_s: float) -> float:
        return 1000.0 + 100.0 * min(time_s, 10.0 - time_s)

    flight = made_up(panel, turns, lambda t: turns(t) + (40.0 if 5.0 < t < 5.3 else 0.0))
    track = flight.tracks[KEY]
    track.commanded[:] = type(track.commanded)(
        "d", [panel.pointers[0].position(turns(n / 50)) for n in range(500)]
    )
    _, cause = cause_of_worst(flight)
    assert cause.name == "play taken up"
    assert "play of 55.6 rpm" in cause.seen


def test_what_no_rule_explains_is_not_made_up(tmp_path: Path) -> None:
    flight = made_up(
        tachometer(tmp_path), lambda t: 1000.0, lambda t: 1000.0 + (30.0 if 5.0 < t < 7.0 else 0.0)
    )
    track = flight.tracks[KEY]
    track.commanded[:] = type(track.commanded)("d", [track.commanded[0]] * 500)
    _, cause = cause_of_worst(flight)
    assert cause.name == "not found"
    assert "look at a trace from" in cause.seen
