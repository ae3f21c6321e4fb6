"""Replaying flight logs: windows, rounds, pace."""

from __future__ import annotations

import asyncio
import itertools
import math
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import DescriptionError
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.flightlog import FlightLog, read_log
from bridge.telemetry.replay import MOST_POINTS, Playback, ReplaySource, Survey, arrivals, parse_speed
from bridge.telemetry.source import Arrival
from tests.clock import on_jumping_clock
from tests.telemetry.written import opened

SHIPPED = Path(__file__).parents[2] / "replay_logs"


@pytest.fixture
def log(tmp_path: Path) -> FlightLog:
    path = tmp_path / "flight.csv"
    path.write_text(
        "time[s],pitch[deg],altimeter_setting[inHg]\n0,0,30.12\n1,1,\n2,2,29.5\n3,3,\n4,4,\n",
        encoding="utf-8",
    )
    return read_log(path)


def rows(
    log: FlightLog, start_s: float = -math.inf, end_s: float = math.inf, loop: bool = False
) -> Iterator[Arrival]:
    """The arrivals that are rows of the log."""
    return (arrival for arrival in arrivals(log, start_s, end_s, loop) if arrival.arrived)


def test_a_whole_flight_comes_in_the_logs_own_time(log: FlightLog) -> None:
    replayed = list(rows(log))
    assert [arrival.arrival_s for arrival in replayed] == [0, 1, 2, 3, 4]
    assert replayed[0] == Arrival(0.0, {"pitch": 0, "altimeter_setting": 30.12}, 0.0)
    assert replayed[1] == Arrival(1.0, {"pitch": 1}, 1.0)


def test_a_window_has_both_its_ends_and_starts_with_all_that_was_known_by_then(log: FlightLog) -> None:
    replayed = list(rows(log, 1.0, 3.0))
    assert [arrival.source_time_s for arrival in replayed] == [1, 2, 3]
    assert replayed[0].readings == {"pitch": 1, "altimeter_setting": 30.12}


def test_a_window_without_a_line_is_a_mistake(log: FlightLog) -> None:
    with pytest.raises(DescriptionError, match="no line from 10 s"):
        list(rows(log, 10.0))


def test_in_a_loop_time_goes_on_and_each_new_round_reports_that_it_jumped(log: FlightLog) -> None:
    replayed = list(itertools.islice(rows(log, 1.0, 3.0, loop=True), 8))
    assert [arrival.arrival_s for arrival in replayed] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert [arrival.source_time_s for arrival in replayed] == [1, 2, 3, 1, 2, 3, 1, 2]
    assert [arrival.jumped for arrival in replayed] == [False, False, False, True, False, False, True, False]
    assert replayed[3].readings == {"pitch": 1, "altimeter_setting": 30.12}


@given(st.lists(st.floats(0, 5), min_size=1, max_size=10), st.integers(1, 3))
def test_time_never_goes_back_over_any_number_of_rounds(intervals_s: list[float], rounds: int) -> None:
    class Fake:
        path = Path("fake.csv")
        catalogue = CATALOGUE

        def __iter__(self) -> object:
            return iter([(time_s, {"pitch": 0.0}) for time_s in itertools.accumulate(intervals_s)])

    count = rounds * len(intervals_s) + 1
    replayed = list(itertools.islice(rows(Fake(), loop=True), count))  # type: ignore[arg-type]
    assert len(replayed) == count
    for before, after in itertools.pairwise(replayed):
        assert after.arrival_s > before.arrival_s or (
            not after.jumped and after.arrival_s == before.arrival_s
        )


def test_between_rows_that_are_far_apart_lies_a_path(log: FlightLog) -> None:
    halfway = next(arrival for arrival in arrivals(log) if arrival.arrival_s == pytest.approx(2.5))
    assert not halfway.arrived
    assert halfway.between == {"pitch": pytest.approx(2.5)}


def test_the_speed_is_a_factor_or_max() -> None:
    assert parse_speed("2.5") == 2.5
    assert parse_speed("max") == math.inf
    for text in ("0", "-1", "fast", "nan", ""):
        with pytest.raises(DescriptionError, match="a factor above 0, or max"):
            parse_speed(text)


@pytest.mark.parametrize(("speed", "took_s"), [(1.0, 4.0), (4.0, 1.0), (0.5, 8.0)])
@on_jumping_clock
async def test_it_is_paced_by_the_clock_at_any_speed(log: FlightLog, speed: float, took_s: float) -> None:
    clock = asyncio.get_running_loop().time
    begun_s = clock()
    delivered: list[tuple[float, Arrival]] = []
    async with opened(ReplaySource(log, speed, clock=clock)) as source:
        await source.run(lambda arrival: delivered.append((clock(), arrival)))
    assert clock() - begun_s == pytest.approx(took_s, abs=1e-3)
    for now_s, arrival in delivered:
        assert now_s == pytest.approx(arrival.arrival_s, abs=1e-3)
    assert [arrival.source_time_s for _, arrival in delivered if arrival.arrived] == [0, 1, 2, 3, 4]
    assert source.senders[0].datagrams == 5
    assert source.given == {"pitch", "altimeter_setting"}
    assert source.senders[0].rate_hz(clock()) == pytest.approx(speed, rel=1e-3)


class Flown:
    """A replay on the jumping clock, and the rows that it has delivered."""

    def __init__(self, log: FlightLog, **options: bool) -> None:
        self.clock = asyncio.get_running_loop().time
        self.source = ReplaySource(log, clock=self.clock, **options)
        self.delivered: list[tuple[float, Arrival]] = []
        self.begun_s = self.clock()
        self.running = asyncio.create_task(self.source.run(self._deliver))

    def _deliver(self, arrival: Arrival) -> None:
        if arrival.arrived:
            self.delivered.append((self.clock() - self.begun_s, arrival))

    @property
    def times(self) -> list[tuple[float, float | None]]:
        """When each moment came (s since the start), and its time in the log."""
        return [(round(after_s, 2), arrival.flight_s) for after_s, arrival in self.delivered]


@on_jumping_clock
async def test_a_pause_holds_the_flight_and_playing_goes_on_where_it_was(log: FlightLog) -> None:
    flown = Flown(log)
    await asyncio.sleep(1.5)
    flown.source.pause()
    await asyncio.sleep(100.0)
    playback = flown.source.playback
    assert (playback.playing, playback.speed) == (False, 1.0)
    assert playback.time_s == pytest.approx(1.5, abs=1e-3)
    assert flown.source.pace == 0.0
    flown.source.play()
    await flown.running
    assert flown.times == [(0, 0), (1, 1), (100 + 2, 2), (100 + 3, 3), (100 + 4, 4)]
    assert not any(arrival.jumped for _, arrival in flown.delivered)


@on_jumping_clock
async def test_another_speed_counts_from_where_the_flight_is(log: FlightLog) -> None:
    flown = Flown(log)
    await asyncio.sleep(1.5)
    flown.source.set_speed(0.5)
    await asyncio.sleep(2.0)
    assert flown.source.playback.time_s == pytest.approx(2.5, abs=1e-3)
    flown.source.set_speed(2.0)
    await flown.running
    assert flown.times == [(0, 0), (1, 1), (2.5, 2), (3.75, 3), (4.25, 4)]


@on_jumping_clock
async def test_a_seek_is_a_jump_and_comes_at_once_also_while_paused(log: FlightLog) -> None:
    flown = Flown(log)
    await asyncio.sleep(0.5)
    flown.source.seek(2.5)
    await asyncio.sleep(0.25)
    flown.source.pause()
    flown.source.seek(1.0)
    await asyncio.sleep(10.0)
    assert flown.times == [(0, 0), (0.5, 3), (0.75, 1)]
    assert [arrival.jumped for _, arrival in flown.delivered] == [False, True, True]
    assert flown.delivered[1][1].readings == {"pitch": 3, "altimeter_setting": 29.5}, "with all known by then"
    flown.source.play()
    await flown.running
    assert flown.times[3:] == [(11.75, 2), (12.75, 3), (13.75, 4)]
    times_s = [arrival.arrival_s for _, arrival in flown.delivered]
    assert times_s == sorted(times_s)


@on_jumping_clock
async def test_at_its_end_it_is_paused_if_somebody_stays_and_plays_from_the_start(log: FlightLog) -> None:
    flown = Flown(log)
    watched = True
    flown.source.stays = lambda: watched
    await asyncio.sleep(60.0)
    assert flown.source.playback == Playback(4.0, False, 1.0)
    flown.source.play()
    await asyncio.sleep(2.5)
    assert flown.times[5:] == [(60, 0), (61, 1), (62, 2)]
    assert flown.delivered[5][1].jumped
    watched = False
    flown.source.seek(100.0)
    await flown.running
    assert len(flown.delivered) == 8, "beyond the end there is nothing"


@on_jumping_clock
async def test_a_loop_begins_again_after_the_mean_interval_also_from_beyond_the_end(log: FlightLog) -> None:
    flown = Flown(log, loop=True)
    await asyncio.sleep(5.5)
    flown.source.seek(50.0)
    await asyncio.sleep(0.75)
    flown.running.cancel()
    assert flown.times == [(0, 0), (1, 1), (2, 2), (3, 3), (4, 4), (5, 0), (5.5, 0)]


@pytest.mark.slow
async def test_a_survey_has_the_flights_ends_and_its_altitude_in_few_points() -> None:
    log = read_log(SHIPPED / "circuit.csv")
    survey = await ReplaySource(log).survey()
    assert (survey.start_s, survey.quantity, survey.unit) == (0.0, "pressure_altitude", "ft")
    assert len(survey.points) <= MOST_POINTS
    assert survey.points[-1][0] == survey.end_s
    exact = dict(log)
    for time_s, altitude in survey.points[::50]:
        assert altitude == pytest.approx(exact[time_s]["pressure_altitude"], abs=0.1)


async def test_a_survey_of_a_log_without_altitude_has_no_points(log: FlightLog) -> None:
    assert await ReplaySource(log, start_s=1.0, end_s=3.0).survey() == Survey(1.0, 3.0, "", "", ())


async def test_without_pacing_it_does_not_wait_and_keeps_the_flights_own_time() -> None:
    log = read_log(SHIPPED / "circuit.csv")
    delivered: list[Arrival] = []
    async with opened(ReplaySource(log, math.inf, 60.0, 120.0, clock=lambda: 7.0)) as source:
        await source.run(delivered.append)
    assert delivered[0].arrival_s == 7.0
    assert delivered[-1].arrival_s == pytest.approx(67.0, abs=0.1)


async def test_it_can_be_cancelled_at_any_moment(log: FlightLog) -> None:
    delivered: list[Arrival] = []
    got_one = asyncio.Event()

    def deliver(arrival: Arrival) -> None:
        delivered.append(arrival)
        got_one.set()

    running = asyncio.create_task(ReplaySource(log, 0.001).run(deliver))
    await got_one.wait()
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert len(delivered) == 1


@pytest.mark.parametrize("name", ["circuit.csv", "go-around.csv"])
def test_every_shipped_flight_is_read_to_its_end(name: str) -> None:
    log = read_log(SHIPPED / name)
    assert {"pressure_altitude", "altimeter_setting", "calibrated_airspeed"} <= log.given
    times_s = [time_s for time_s, _ in log]
    assert times_s[-1] > 300
