"""The path between the rows of a recorded flight, against SciPy's PchipInterpolator."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from bridge.quantities.catalogue import CATALOGUE, Quantity, extend_catalogue
from bridge.telemetry.smoothing import EVERY_S, LONGEST_S, MOST_INTERVALS, NEEDED_S, smoothed
from bridge.telemetry.source import Arrival

FT = st.floats(-1000, 40_000).map(lambda feet: round(feet, 1))
INTERVALS_S = st.lists(st.floats(0.2, 1.0), min_size=1, max_size=12)


def rows_of(*moments: tuple[float, Mapping[str, float]]) -> list[Arrival]:
    return [Arrival(time_s, dict(readings), time_s) for time_s, readings in moments]


def flown(rows: list[Arrival]) -> list[Arrival]:
    return list(smoothed(iter(rows), CATALOGUE))


def values(arrivals: list[Arrival], name: str) -> list[tuple[float, float]]:
    return [
        (arrival.arrival_s, found[name])
        for arrival in arrivals
        if name in (found := {**arrival.readings, **arrival.between})
    ]


@given(st.data(), INTERVALS_S)
def test_the_path_is_pchip(data: st.DataObject, intervals_s: list[float]) -> None:
    times_s = list(itertools.accumulate(intervals_s, initial=10.0))
    feet = data.draw(st.lists(FT, min_size=len(times_s), max_size=len(times_s)))
    pchip = PchipInterpolator(times_s, feet)
    rows = rows_of(*((time_s, {"pressure_altitude": y}) for time_s, y in zip(times_s, feet, strict=True)))
    between = [arrival for arrival in flown(rows) if not arrival.arrived]
    assert between
    for arrival in between:
        expected = float(pchip(arrival.arrival_s))
        assert arrival.between["pressure_altitude"] == pytest.approx(expected, rel=1e-9, abs=1e-6)


SPARSE = st.lists(
    st.tuples(
        st.floats(0.0, 3.0),
        st.dictionaries(
            st.sampled_from(["pressure_altitude", "heading_true", "bank", "altimeter_setting"]),
            st.floats(0.0, 179.0),
        ),
    ),
    min_size=1,
    max_size=15,
)


@given(SPARSE)
def test_every_row_comes_through_and_nothing_leaves_the_range_of_its_neighbours(
    steps: list[tuple[float, dict[str, float]]],
) -> None:
    times_s = itertools.accumulate(interval_s for interval_s, _ in steps)
    rows = rows_of(*zip(times_s, (readings for _, readings in steps), strict=True))
    arrivals = flown(rows)
    assert [
        Arrival(a.arrival_s, a.readings, a.source_time_s, a.jumped)
        for a in arrivals
        if a.source_time_s is not None
    ] == rows
    assert all(before.arrival_s <= after.arrival_s for before, after in itertools.pairwise(arrivals))
    for name in ("pressure_altitude", "heading_true", "bank"):
        turn = 360.0 if CATALOGUE[name].circular else math.inf
        before: float | None = None
        for arrival in arrivals:
            if name in arrival.readings:
                before = arrival.readings[name]
            elif name in arrival.between:
                after = next(
                    r.readings[name] for r in rows if r.arrival_s > arrival.arrival_s and name in r.readings
                )
                assert before is not None
                value = arrival.between[name]
                assert CATALOGUE[name].low <= value
                assert value < CATALOGUE[name].high
                assert _is_within(value, before, after, turn)
    assert not any("altimeter_setting" in arrival.between for arrival in arrivals)


def _is_within(value: float, before: float, after: float, turn: float) -> bool:
    """On the shorter way from one to the other."""
    if turn == math.inf:
        return min(before, after) <= value <= max(before, after)
    way = (after - before + turn / 2) % turn - turn / 2
    gone = (value - before + turn / 2) % turn - turn / 2
    return min(0.0, way) - 1e-9 <= gone <= max(0.0, way) + 1e-9


@given(st.floats(0, 359.9), st.floats(-170, 170))
def test_an_angle_goes_the_short_way(start_deg: float, change_deg: float) -> None:
    end_deg = (start_deg + change_deg) % 360
    assume(end_deg < 360)
    shown = values(
        flown(rows_of((0.0, {"heading_true": start_deg}), (1.0, {"heading_true": end_deg}))), "heading_true"
    )
    steps = [(b - a + 180) % 360 - 180 for (_, a), (_, b) in itertools.pairwise(shown)]
    assert sum(abs(step) for step in steps) == pytest.approx(abs(change_deg), abs=1e-6)


def test_arrivals_between_rows_are_evenly_spaced_and_did_not_arrive() -> None:
    arrivals = flown(rows_of((0.0, {"pitch": 0.0}), (1.0, {"pitch": 5.0}), (2.0, {"pitch": 5.0})))
    assert len(arrivals) == 2 * round(1 / EVERY_S) + 1
    gaps_s = [after.arrival_s - before.arrival_s for before, after in itertools.pairwise(arrivals)]
    assert gaps_s == pytest.approx([EVERY_S] * len(gaps_s))
    assert [arrival.arrival_s for arrival in arrivals if arrival.arrived] == [0.0, 1.0, 2.0]
    assert all(not arrival.readings for arrival in arrivals if not arrival.arrived)


def test_rows_that_are_close_together_are_left_as_they_are() -> None:
    rows = rows_of(*((i * 0.9 * NEEDED_S, {"pitch": float(i)}) for i in range(20)))
    assert flown(rows) == rows


def test_a_quantity_that_comes_rarely_has_its_path_in_the_rows_of_the_others() -> None:
    rows = rows_of(
        *(
            (i * 0.1, {"pitch": 0.0} if i % 10 else {"pitch": 0.0, "outside_air_temperature": float(i)})
            for i in range(31)
        )
    )
    arrivals = flown(rows)
    assert [arrival.readings for arrival in arrivals] == [row.readings for row in rows]
    for i, arrival in enumerate(arrivals):
        shown = {**arrival.readings, **arrival.between}["outside_air_temperature"]
        assert shown == pytest.approx(float(i))


@pytest.mark.parametrize(
    ("silence_s", "is_gap"), [(MOST_INTERVALS - 0.1, False), (MOST_INTERVALS + 0.1, True)]
)
def test_no_path_is_drawn_over_a_gap(silence_s: float, is_gap: bool) -> None:
    times_s = [0.0, 1.0, 2.0, 2.0 + silence_s, 3.0 + silence_s, 4.0 + silence_s]
    arrivals = flown(rows_of(*((time_s, {"pitch": time_s}) for time_s in times_s)))
    in_it = [arrival for arrival in arrivals if 2.0 < arrival.arrival_s < 2.0 + silence_s]
    assert bool(in_it) != is_gap


def test_a_recorder_that_slows_down_has_no_gap_and_one_that_sleeps_has() -> None:
    slower_s = [0.0, 1.0, 2.0, 12.0, 22.0]
    assert any(2.0 < a.arrival_s < 12.0 for a in flown(rows_of(*((t, {"pitch": t}) for t in slower_s))))
    asleep_s = [0.0, LONGEST_S + 1, 2 * LONGEST_S + 2]
    assert len(flown(rows_of(*((t, {"pitch": 1.0}) for t in asleep_s)))) == 3


def test_switches_of_ones_own_stay_at_their_row() -> None:
    catalogue = extend_catalogue([Quantity("gear_down", "1", 0.0, 1.0, "", stepped=True)])
    rows = rows_of((0.0, {"gear_down": 0.0}), (1.0, {"gear_down": 1.0}))
    assert list(smoothed(iter(rows), catalogue)) == rows


def test_only_as_many_rows_are_read_ahead_as_a_path_may_need() -> None:
    read = 0

    def rows() -> Iterator[Arrival]:
        nonlocal read
        for i in itertools.count():
            read += 1
            yield Arrival(float(i), {"pitch": 0.0} if i else {"pitch": 0.0, "bank": 0.0})

    for _ in itertools.islice(smoothed(rows(), CATALOGUE), 100):
        pass
    assert read < 2 * LONGEST_S + 10
