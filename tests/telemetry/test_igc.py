"""Reading IGC files: the specification's own example and byte numbers, flights of real recorders.

FAI, Technical Specification for IGC-approved GNSS Flight Recorders, second edition with amendment 8 (2023),
appendix A. Metre to foot 0.3048, kilometre per hour to knot 1.852 (NIST SP 811).
"""

from __future__ import annotations

import itertools
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from bridge.errors import DescriptionErrors
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.bad_lines import MOST_REPORTED
from bridge.telemetry.flightlog import FlightLog
from bridge.telemetry.igc import IgcLog, read_igc
from bridge.telemetry.recorded import open_log
from tests.conftest import ROOT

FLIGHTS = ROOT / "tests" / "data" / "flights"
FT = 1 / 0.3048
KT = 1 / 1.852
HEADER = ["AXXXABC", "HFDTEDATE:160701,01"]
# The example of the B record in A4.1: 520 6.343 N, 0 6.198 W, 587 m by pressure and 558 m by GNSS.
EXAMPLE = "B1101355206343N00006198WA0058700558"


def igc(path: Path, *lines: str) -> IgcLog:
    path.write_text("\r\n".join([*lines, ""]), encoding="latin-1", newline="")
    return read_igc(path, CATALOGUE)


def fix(clock: str, pressure: str = "00587", gnss: str = "00558", more: str = "", validity: str = "A") -> str:
    return f"B{clock}5206343N00006198W{validity}{pressure}{gnss}{more}"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "flight.igc"


def test_the_specifications_example_of_a_fix(path: Path) -> None:
    log = igc(path, *HEADER, EXAMPLE)
    assert log.given == {"pressure_altitude"}
    assert log.date == date(2001, 7, 16)
    assert log.place == pytest.approx((52 + 6.343 / 60, -(0 + 6.198 / 60)))
    [(time_s, readings)] = log
    assert time_s == 0.0
    assert readings == {"pressure_altitude": pytest.approx(587 * FT)}
    assert log.assumptions == ()


@pytest.mark.parametrize(
    ("line", "flown"),
    [
        ("HFDTE160701", date(2001, 7, 16)),  # before 2015
        ("HFDTEDATE:040920,01", date(2020, 9, 4)),  # since
        ("HFDTEDATE: 030418", date(2018, 4, 3)),  # as a recorder wrote it
        ("HFDTEDATE:311299,02", date(1999, 12, 31)),
    ],
)
def test_the_date_in_both_forms(path: Path, line: str, flown: date) -> None:
    assert igc(path, "AXXXABC", line, EXAMPLE).date == flown


def test_a_date_that_is_none_is_reported_and_the_flight_flies(path: Path) -> None:
    with capture_logs() as logs:
        log = igc(path, "AXXXABC", "HFDTEDATE:310201,01", EXAMPLE)
    assert log.date is None
    assert len(list(log)) == 1
    expected = "expected HFDTEDATE:DDMMYY,NN or HFDTEDDMMYY. The line is skipped; correct it if you can."
    assert [line["detail"] for line in logs] == [f"{path}:2: found 'HFDTEDATE:310201,01'; {expected}"]


def test_numbers_of_a_fix_by_their_code_and_digits(path: Path) -> None:
    """Byte numbers count the B as 1 (A3.3). Five digits of TAS are hundredths, as recorders write."""
    log = igc(
        path,
        *HEADER,
        "I103638FXA3941ENL4246TAS4749HDT5052TRT5356OAT5759AOR6062AOP6365HDM6671ATS",
        fix("110135", more="00500012427359090-012-30005001100050"),
    )
    assert "TAS in 0.01 km/h" in log.assumptions[0]
    assert "OAT in 0.1 degC" in log.assumptions[0]
    [(_, readings)] = log
    assert readings == pytest.approx(
        {
            "pressure_altitude": 587 * FT,
            "true_airspeed": 124.27 * KT,
            "heading_true": 359,
            "track_true": 90,  # TRT is the track, and no rate of turn
            "outside_air_temperature": -1.2,
            "bank": -30,
            "pitch": 5,
            "heading_magnetic": 1,
            "altimeter_setting": 100050 / 3386.389,
        }
    )
    assert "turn_rate" not in log.given


def test_a_log_layout_states_what_a_code_means(path: Path, tmp_path: Path) -> None:
    igc(path, *HEADER, "I023638FXA3943TAS", fix("110135", more="00501242"))
    layout = tmp_path / "recorder.toml"
    layout.write_text(
        'kind = "igc"\n[codes]\nTAS = { quantity = "true_airspeed", unit = "kt", scale = 0.1 }\n'
    )
    log = open_log(path, CATALOGUE, layout)
    assert [readings["true_airspeed"] for _, readings in log] == [pytest.approx(124.2)]
    assert log.assumptions == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('kind = "igx"\n', ("kind: found 'igx'", "one of igc")),
        (
            'kind = "igc"\n[codes]\ntas = {quantity = "mach", unit = "1"}\n',
            ("codes.tas: found the key 'tas'; expected three capital letters or digits", "Rename it."),
        ),
        (
            'kind = "igc"\n[codes]\nTAS = {quantity = "speed", unit = "kt"}\n',
            ("codes.TAS.quantity",),
        ),
        ('kind = "igc"\n[codes]\nTAS = {quantity = "mach", unit = "kt"}\n', ("codes.TAS.unit", "'kt'")),
    ],
)
def test_a_mistake_in_a_log_layout_is_named(
    path: Path, tmp_path: Path, text: str, words: tuple[str, ...]
) -> None:
    igc(path, *HEADER, EXAMPLE)
    layout = tmp_path / "recorder.toml"
    layout.write_text(text)
    with pytest.raises(DescriptionErrors) as raised:
        open_log(path, CATALOGUE, layout)
    for word in (str(layout), *words):
        assert word in str(raised.value)


def test_decimals_of_a_second(path: Path) -> None:
    log = igc(path, *HEADER, "I013637TDS", *(fix("110135", more=f"{i:02d}") for i in (0, 25, 50)))
    assert [time_s for time_s, _ in log] == pytest.approx([0, 0.25, 0.5])


def test_across_midnight_time_goes_on(path: Path) -> None:
    log = igc(path, *HEADER, *map(fix, ("235958", "235959", "000000", "000001")))
    assert [time_s for time_s, _ in log] == [0, 1, 2, 3]


def test_a_gap_is_kept_and_a_wrong_digit_of_the_time_is_not(path: Path) -> None:
    clocks = ("110100", "110101", "190102", "110103", "113000", "113001", "112959", "113002", "235959")
    log = igc(path, *HEADER, *map(fix, clocks))
    with capture_logs() as logs:
        assert [time_s for time_s, _ in log] == [0, 1, 3, 1740, 1741, 1742]
    assert [line["detail"].split(": ")[0] for line in logs] == [f"{path}:{n}" for n in (5, 9, 11)]
    assert "19:01:02 before 11:01:03 in line 6; expected times that never fall" in logs[0]["detail"]


def test_a_wrong_time_at_the_start_hides_nothing(path: Path) -> None:
    log = igc(path, *HEADER, *map(fix, ("210100", "110101", "110102")))
    assert [time_s for time_s, _ in log] == [0, 1]


@pytest.mark.parametrize(
    "line",
    [
        "B1101365206343N00006198WA0058",
        "B1101365206343N00006198WX0058700558",
        "B1101365206343N00006198WA005870055x",
        "B2501365206343N00006198WA0058700558",
        "B1101369106343N00006198WA0058700558",
        "B1101365266343N00006198WA0058700558",
        "?!",
    ],
)
def test_a_bad_line_is_reported_once_and_the_others_fly(path: Path, line: str) -> None:
    log = igc(path, *HEADER, EXAMPLE, line, "LXXXa comment", "G0123", fix("110137"))
    with capture_logs() as logs:
        assert [time_s for time_s, _ in log] == [0, 2]
        assert len(list(log)) == 2
    assert [entry["event"] for entry in logs] == ["bad line"]
    assert logs[0]["detail"].startswith(f"{path}:4: found {line[:35]!r}; expected ")


def test_a_number_that_is_none_is_left_out_and_the_rest_of_its_fix_flies(path: Path) -> None:
    log = igc(
        path,
        *HEADER,
        "I013638AOP",
        fix("110135", more="1_2"),
        fix("110136", more="120"),
        fix("110137", more="   "),
    )
    with capture_logs() as logs:
        assert [set(readings) for _, readings in log] == [{"pressure_altitude"}] * 3
    assert "flight.igc:4: AOP: found '1_2'" in logs[0]["detail"]
    assert "120 deg is outside" in logs[1]["detail"]
    assert len(logs) == 2, "blanks are no mistake"


def test_many_bad_lines_are_counted(path: Path) -> None:
    log = igc(path, *HEADER, EXAMPLE, *["B rubbish"] * (MOST_REPORTED + 5))
    with capture_logs() as logs:
        list(log)
    assert [entry["event"] for entry in logs] == ["bad line"] * MOST_REPORTED + ["bad lines"]
    assert logs[-1]["lines"] == MOST_REPORTED + 5


@pytest.mark.parametrize(
    "extensions", ["I023638FXA", "I1", "I013538FXA", "I013836FXA", "Ixx3638FXA", "I023638FXA3941TASxx"]
)
def test_a_bad_i_record_is_reported_and_the_altitude_flies(path: Path, extensions: str) -> None:
    with capture_logs() as logs:
        log = igc(path, *HEADER, extensions, fix("110135", more="005100"))
    assert log.given == {"pressure_altitude"}
    assert logs[0]["detail"].startswith(f"{path}:3: found ")


@pytest.mark.parametrize(
    ("headers", "pressure", "assumed"),
    [
        ([], "00000", "above the ellipsoid as above mean sea level"),
        (["HFALPALTPRESSURE:NIL"], "00100", "above the ellipsoid as above mean sea level"),
        (["HFALGALTGPS:GEO"], "00000", "assumes the altitude by GNSS as geometric altitude"),
    ],
)
def test_without_pressure_altitude_it_flies_by_gnss_and_names_that(
    path: Path, headers: list[str], pressure: str, assumed: str
) -> None:
    log = igc(path, *HEADER, *headers, fix("110135", pressure), fix("110136", pressure, validity="V"))
    assert log.given == {"geometric_altitude"}
    assert [readings for _, readings in log] == [{"geometric_altitude": pytest.approx(558 * FT)}, {}]
    assert log.assumptions[0].endswith(assumed)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["AXXXABC"], "no fix"),
        ([*HEADER, fix("110135", "00000", "00000")], "fixes without an altitude"),
    ],
)
def test_a_file_with_nothing_to_fly_is_refused(path: Path, lines: list[str], words: str) -> None:
    with pytest.raises(DescriptionErrors, match=words):
        igc(path, *lines)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors, match=r"none\.igc.*No such file"):
        open_log(tmp_path / "none.igc")


def test_the_kind_of_a_log_is_known_by_its_ending_or_its_first_lines(tmp_path: Path) -> None:
    igc(tmp_path / "flight.IGC", *HEADER, EXAMPLE)
    igc(tmp_path / "flight.txt", *HEADER, EXAMPLE)
    (tmp_path / "flight.csv").write_text("time[s],pitch[deg]\n0,1\n")
    kinds = [type(open_log(tmp_path / name)) for name in ("flight.IGC", "flight.txt", "flight.csv")]
    assert kinds == [IgcLog, IgcLog, FlightLog]


def test_a_gliders_recorder_with_attitude() -> None:
    """By hand from its first line: 13:27:57, 1458 m, TAS 130.42 km/h, bank and pitch at bytes 69 to 74."""
    log = open_log(FLIGHTS / "attitude.igc")
    moments = list(log)
    assert [time_s for time_s, _ in moments] == list(range(600))
    first = (FLIGHTS / "attitude.igc").read_text().splitlines()[6]
    assert moments[0][1] == pytest.approx(
        {
            "pressure_altitude": int(first[25:30]) * FT,
            "true_airspeed": int(first[41:46]) / 100 * KT,
            "track_true": int(first[51:54]),
            "outside_air_temperature": int(first[59:63]) / 10,
            "bank": int(first[67:71]),
            "pitch": int(first[71:74]),
        }
    )
    assert {-70 < readings["bank"] < 70 for _, readings in moments} == {True}


def test_a_recorder_across_midnight_with_heading() -> None:
    log = open_log(FLIGHTS / "midnight.igc")
    with capture_logs() as logs:
        times_s = [time_s for time_s, _ in log]
    assert logs == []
    assert len(times_s) == 200
    assert all(1 <= after - before <= 10 for before, after in itertools.pairwise(times_s))
    assert times_s[-1] == 4 * 60 + 46 + 241  # from 23:55:59 to 00:04:46
    assert log.given >= {"heading_true", "true_airspeed", "outside_air_temperature"}


def test_a_recorder_below_zero_with_headers_in_another_order() -> None:
    log = open_log(FLIGHTS / "below-zero.igc")
    moments = list(log)
    altitudes_ft = [readings["pressure_altitude"] for _, readings in moments]
    assert altitudes_ft[0] > 0 > altitudes_ft[-1] > -200
    assert isinstance(log, IgcLog)
    assert log.date == date(2023, 4, 15)


@given(st.lists(st.binary(max_size=60), max_size=12))
def test_no_bytes_make_the_reader_raise_anything_but_a_description_error(lines: list[bytes]) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "flight.igc"
        content = [b"AXXXABC", b"I013638TAS", *lines, EXAMPLE.encode() + b"123", *lines]
        path.write_bytes(b"\n".join(content))
        with capture_logs():
            try:
                times_s = [time_s for time_s, _ in read_igc(path, CATALOGUE)]
            except DescriptionErrors:
                return
        assert times_s == sorted(times_s)
