"""Replaying flight logs: windows, rounds, pace."""

from __future__ import annotations

import asyncio
import itertools
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import DescriptionError
from bridge.telemetry.flightlog import FlightLog, read_log
from bridge.telemetry.replay import ReplaySource, arrivals, parse_speed
from bridge.telemetry.source import Arrival
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


def test_a_whole_flight_comes_in_the_logs_own_time(log: FlightLog) -> None:
    replayed = list(arrivals(log))
    assert [arrival.arrival_s for arrival in replayed] == [0, 1, 2, 3, 4]
    assert replayed[0] == Arrival(0.0, {"pitch": 0, "altimeter_setting": 30.12}, 0.0)
    assert replayed[1] == Arrival(1.0, {"pitch": 1}, 1.0)


def test_a_window_has_both_its_ends_and_starts_with_all_that_was_known_by_then(log: FlightLog) -> None:
    replayed = list(arrivals(log, 1.0, 3.0))
    assert [arrival.source_time_s for arrival in replayed] == [1, 2, 3]
    assert replayed[0].readings == {"pitch": 1, "altimeter_setting": 30.12}


def test_a_window_without_a_line_is_a_mistake(log: FlightLog) -> None:
    with pytest.raises(DescriptionError, match="no line from 10 s"):
        list(arrivals(log, 10.0))


def test_in_a_loop_time_goes_on_and_each_new_round_says_that_it_jumped(log: FlightLog) -> None:
    replayed = list(itertools.islice(arrivals(log, 1.0, 3.0, loop=True), 8))
    assert [arrival.arrival_s for arrival in replayed] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert [arrival.source_time_s for arrival in replayed] == [1, 2, 3, 1, 2, 3, 1, 2]
    assert [arrival.jumped for arrival in replayed] == [False, False, False, True, False, False, True, False]
    assert replayed[3].readings == {"pitch": 1, "altimeter_setting": 30.12}


@given(st.lists(st.floats(0, 5), min_size=1, max_size=10), st.integers(1, 3))
def test_time_never_goes_back_over_any_number_of_rounds(intervals_s: list[float], rounds: int) -> None:
    class Fake:
        path = Path("fake.csv")

        def __iter__(self) -> object:
            return iter([(time_s, {"pitch": 0.0}) for time_s in itertools.accumulate(intervals_s)])

    count = rounds * len(intervals_s) + 1
    replayed = list(itertools.islice(arrivals(Fake(), loop=True), count))  # type: ignore[arg-type]
    for before, after in itertools.pairwise(replayed):
        assert after.arrival_s > before.arrival_s or (
            not after.jumped and after.arrival_s == before.arrival_s
        )


def test_the_speed_is_a_factor_or_max() -> None:
    assert parse_speed("2.5") == 2.5
    assert parse_speed("max") == math.inf
    for text in ("0", "-1", "fast", "nan", ""):
        with pytest.raises(DescriptionError, match="a factor above 0, or max"):
            parse_speed(text)


class Clock:
    """A clock that runs only when somebody sleeps."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s

    async def sleep(self, delay_s: float) -> None:
        self.now_s += delay_s


@pytest.mark.parametrize(("speed", "took_s"), [(1.0, 4.0), (4.0, 1.0), (0.5, 8.0)])
async def test_it_is_paced_by_the_clock_at_any_speed(
    log: FlightLog, monkeypatch: pytest.MonkeyPatch, speed: float, took_s: float
) -> None:
    clock = Clock()
    monkeypatch.setattr(asyncio, "sleep", clock.sleep)
    delivered: list[tuple[float, Arrival]] = []
    async with opened(ReplaySource(log, speed, clock=clock)) as source:
        await source.run(lambda arrival: delivered.append((clock.now_s, arrival)))
    assert clock.now_s == 1000 + took_s
    assert [now_s for now_s, _ in delivered] == [arrival.arrival_s for _, arrival in delivered]
    assert [arrival.source_time_s for _, arrival in delivered] == [0, 1, 2, 3, 4]
    assert source.given == {"pitch", "altimeter_setting"}
    assert source.senders[0].rate_hz(clock.now_s) == pytest.approx(speed)


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
