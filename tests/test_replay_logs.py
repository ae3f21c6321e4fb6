"""The recorded flights hold what their README says, and physics that others published.

Read with the plain csv module, so that nothing of ours stands between the file and the check.
"""

from __future__ import annotations

import csv
import importlib
import itertools
import math
import statistics
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from bridge.quantities.catalogue import CATALOGUE
from tests.published import rows

LOGS = Path(__file__).parent.parent / "replay_logs"
FIELD_FT = 2140.0
HPA_PER_INHG = 33.86389  # NIST SP 811, conventional inch of mercury
Row = dict[str, float]


def read(name: str) -> list[Row]:
    with (LOGS / name).open(encoding="utf-8", newline="") as file:
        return [
            {header.partition("[")[0]: float(text) for header, text in row.items()}
            for row in csv.DictReader(file)
        ]


@pytest.fixture(scope="module")
def circuit() -> list[Row]:
    return read("circuit.csv")


@pytest.fixture(scope="module")
def go_around() -> list[Row]:
    return read("go-around.csv")


@pytest.fixture(scope="module", params=["circuit.csv", "go-around.csv"])
def flight(request: pytest.FixtureRequest) -> list[Row]:
    return read(request.param)


def setting_difference_ft(setting_inhg: float) -> float:
    """Between the rows of 14 CFR Part 43, Appendix E, Table IV (altimeter-setting-difference.csv)."""
    for (a, low), (b, high) in itertools.pairwise(rows("altimeter-setting-difference.csv")):
        if a <= setting_inhg <= b:
            return low + (setting_inhg - a) / (b - a) * (high - low)
    raise AssertionError(f"{setting_inhg} inHg is not in the table")


def indicated_ft(row: Row) -> float:
    return row["pressure_altitude"] + setting_difference_ft(row["altimeter_setting"])


def crossings(log: Iterable[Row], name: str, level: float, other: str) -> list[float]:
    """`other` at every moment when the quantity `name` passes upwards through `level`."""
    found = []
    for a, b in itertools.pairwise(log):
        if a[name] < level <= b[name]:
            share = (level - a[name]) / (b[name] - a[name])
            found.append(a[other] + share * (b[other] - a[other]))
    return found


def longest(log: Iterable[Row], steady: Callable[[Row], bool]) -> list[Row]:
    runs = [list(run) for key, run in itertools.groupby(log, key=steady) if key]
    return max(runs, key=len)


def standard_rate_turn(log: Iterable[Row], side: int) -> list[Row]:
    return longest(log, lambda row: abs(row["turn_rate"] - 3 * side) < 0.1)


# --- the files -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["circuit.csv", "go-around.csv"])
def test_a_log_is_small_and_its_lines_end_as_in_rfc_4180(name: str) -> None:
    content = (LOGS / name).read_bytes()
    assert len(content) < 4_000_000
    assert content.endswith(b"\r\n")
    assert content.count(b"\n") == content.count(b"\r\n")


@pytest.mark.parametrize("name", ["circuit.csv", "go-around.csv"])
def test_every_header_names_a_quantity_of_the_catalogue_in_its_unit(name: str) -> None:
    with (LOGS / name).open(encoding="utf-8", newline="") as file:
        time, *headers = next(csv.reader(file))
    assert time == "time[s]"
    for header in headers:
        quantity = CATALOGUE[header.partition("[")[0]]
        assert header == f"{quantity.name}[{quantity.unit}]"


def test_every_value_lies_in_its_quantitys_range(flight: list[Row]) -> None:
    for name in flight[0].keys() - {"time"}:
        values = [row[name] for row in flight]
        assert CATALOGUE[name].low <= min(values)
        assert max(values) <= CATALOGUE[name].high


def test_rows_are_a_twentieth_of_a_second_apart(flight: list[Row]) -> None:
    assert [row["time"] for row in flight] == [round(n / 20, 2) for n in range(len(flight))]


def test_rows_are_close_enough_to_know_the_altitude_between_them(flight: list[Row]) -> None:
    """Rows left out are found again from their neighbours, although these are twice as far apart."""
    altitudes = [row["pressure_altitude"] for row in flight]
    missed = [abs((a + c) / 2 - b) for a, b, c in zip(altitudes, altitudes[1:], altitudes[2:], strict=False)]
    assert max(missed) < 0.25


# --- the circuit ---------------------------------------------------------------------------------


def test_the_circuit_begins_and_ends_standing_on_the_field(circuit: list[Row]) -> None:
    for row in (circuit[0], circuit[-1]):
        assert row["geometric_altitude"] == pytest.approx(FIELD_FT, abs=10)
        assert row["true_airspeed"] < 1


@pytest.mark.slow
def test_the_circuit_climbs_through_10500_ft_with_the_pressure_set(circuit: list[Row]) -> None:
    assert max(map(indicated_ft, circuit)) > 10_500


@pytest.mark.parametrize("side", [1, -1], ids=["right", "left"])
def test_a_standard_rate_turn_takes_two_minutes(circuit: list[Row], side: int) -> None:
    """FAA-H-8083-25: 3 degrees a second, a full turn in two minutes."""
    turn = standard_rate_turn(circuit, side)
    turned = itertools.accumulate(
        (side * (b["heading_magnetic"] - a["heading_magnetic"])) % 360 for a, b in itertools.pairwise(turn)
    )
    count = next(n for n, degrees in enumerate(turned, start=1) if degrees >= 360)
    assert count / 20 == pytest.approx(120, abs=1)


@pytest.mark.parametrize("side", [1, -1], ids=["right", "left"])
def test_rate_of_turn_follows_from_bank_and_speed(circuit: list[Row], side: int) -> None:
    """FAA-H-8083-25, level turn: rate = 1,091 tan(bank) / TAS (constant from memory of the handbook)."""
    for row in standard_rate_turn(circuit, side)[200:-20]:
        rate = 1091 * math.tan(math.radians(row["bank"])) / row["true_airspeed"]
        assert row["turn_rate"] == pytest.approx(rate, rel=0.02)


@pytest.mark.parametrize("side", [1, -1], ids=["right", "left"])
def test_the_yaw_gyro_sees_the_turn_tilted_by_bank_and_pitch(circuit: list[Row], side: int) -> None:
    """Euler angles (ISO 1151), steady: r = turn rate x cos(pitch) cos(bank)."""
    for row in standard_rate_turn(circuit, side)[200:-20]:
        tilt = math.cos(math.radians(row["pitch"])) * math.cos(math.radians(row["bank"]))
        assert row["yaw_rate"] == pytest.approx(row["turn_rate"] * tilt, abs=0.03)


def test_standing_still_the_ball_hangs_to_the_low_wing(circuit: list[Row]) -> None:
    """At rest only gravity is felt: specific force along the right wing is minus sin(bank)."""
    assert circuit[0]["bank"] != 0
    felt = -math.sin(math.radians(circuit[0]["bank"]))
    assert circuit[0]["lateral_acceleration"] == pytest.approx(felt, abs=0.0006)


# --- the go-around -------------------------------------------------------------------------------


def test_the_setting_is_turned_in_flight_and_only_once(go_around: list[Row]) -> None:
    settings = [row["altimeter_setting"] for row in go_around]
    assert (settings[0], settings[-1]) == (30.12, 29.64)
    assert settings == sorted(settings, reverse=True)
    turning = [row for row in go_around if 29.64 < row["altimeter_setting"] < 30.12]
    assert 10 < len(turning) / 20 < 20
    assert min(row["geometric_altitude"] for row in turning) > FIELD_FT + 2000


def test_the_first_approach_is_broken_off_and_the_second_lands(go_around: list[Row]) -> None:
    heights = [row["geometric_altitude"] - FIELD_FT for row in go_around]
    half = len(heights) * 5 // 8
    first = min(heights[:half])
    assert 150 < first < 300
    assert max(heights[heights.index(first) :]) > 900
    assert heights[-1] < 10


def test_the_air_is_rough_in_the_go_around_and_smooth_in_the_circuit(
    circuit: list[Row], go_around: list[Row]
) -> None:
    def roughness(log: list[Row]) -> float:
        airborne = [row["impact_pressure"] for row in log if row["true_airspeed"] > 60]
        return statistics.median(abs(b - a) for a, b in itertools.pairwise(airborne))

    assert roughness(go_around) > 10 * roughness(circuit)


# --- physics that others published ---------------------------------------------------------------


def test_with_the_right_setting_the_altimeter_shows_the_field_after_landing(flight: list[Row]) -> None:
    """14 CFR Part 43, Appendix E, Table IV, between its rows."""
    assert indicated_ft(flight[-1]) == pytest.approx(FIELD_FT, abs=20)


def test_pressure_and_altitude_agree_with_the_altimeter_test_table(circuit: list[Row]) -> None:
    """14 CFR Part 43, Appendix E, Table I, wherever the climb passes one of its rows."""
    passed = 0
    for level, pressure, _ in rows("altimeter-scale-error.csv"):
        for hpa in crossings(circuit, "pressure_altitude", level, "static_pressure"):
            # The table ends at 0.001 inHg (about 1 ft), the log at 0.1 ft.
            assert hpa / HPA_PER_INHG == pytest.approx(pressure, abs=0.001)
            passed += level >= 3000
    assert passed == 5


def test_impact_pressure_and_airspeed_agree_with_the_published_relation(circuit: list[Row]) -> None:
    """W. Gracey, NASA RP-1046, wherever the flight passes a row of the table computed from it."""
    passed = set()
    for speed, pressure, _ in rows("airspeed-impact-pressure.csv"):
        for hpa in crossings(circuit, "calibrated_airspeed", speed, "impact_pressure"):
            assert hpa == pytest.approx(pressure, abs=0.004)  # 0.01 kt at 100 kt is 0.0033 hPa
            passed.add(speed)
    assert passed == {30, 40, 60, 80, 100}


def test_true_airspeed_follows_from_pressures_and_temperature(flight: list[Row]) -> None:
    """NASA RP-1046: Mach from impact and static pressure, speed of sound 38.967854 sqrt(T) kt."""
    for row in flight:
        if row["true_airspeed"] > 30:
            ratio = row["impact_pressure"] / row["static_pressure"]
            mach = math.sqrt(5 * ((ratio + 1) ** (2 / 7) - 1))
            sound_kt = 38.967854 * math.sqrt(row["outside_air_temperature"] + 273.15)
            assert row["true_airspeed"] == pytest.approx(mach * sound_kt, abs=0.3)


def test_vertical_speed_adds_up_to_the_altitude_gained(flight: list[Row]) -> None:
    gained = itertools.accumulate(row["vertical_speed"] / 60 / 20 for row in flight)
    start = flight[0]["geometric_altitude"]
    for row, height in zip(flight, gained, strict=True):
        assert row["geometric_altitude"] - start == pytest.approx(height, abs=5)


def test_fuel_is_burnt_and_never_comes_back(flight: list[Row]) -> None:
    fuel = [row["fuel_quantity"] for row in flight]
    assert fuel == sorted(fuel, reverse=True)
    assert fuel[0] - fuel[-1] > 2


# --- flying them again ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pilot() -> Iterable[Any]:
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(LOGS))
        yield importlib.import_module("fly")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["CIRCUIT", "GO_AROUND"])
def test_the_same_flight_again_gives_the_same_rows(pilot: Any, name: str) -> None:
    """A minute of it, twice; and the shipped file's rows to the last digit but one.

    Not to the last, since another machine's arithmetic may round it the other way.
    """
    flight = getattr(pilot, name)
    minute = 60 * 20
    flown = list(itertools.islice(pilot.fly(flight), minute))
    assert flown == list(itertools.islice(pilot.fly(flight), minute))
    with (LOGS / flight.file).open(encoding="utf-8", newline="") as file:
        header, *shipped = itertools.islice(csv.reader(file), minute + 1)
    assert tuple(header) == pilot.HEADER
    steps = [0.01, 0.001, *(10.0**-column.decimals for column in pilot.COLUMNS)]
    for ours, theirs in zip(flown, shipped, strict=True):
        for a, b, step in zip(ours, theirs, steps, strict=True):
            assert float(a) == pytest.approx(float(b), abs=1.01 * step)
