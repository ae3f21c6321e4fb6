"""Tables of other makers by a log layout: ways to separate, to write time, mistakes with their place."""

from __future__ import annotations

from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from bridge.errors import DescriptionErrors
from bridge.instruments.airdata import geopotential_altitude_ft
from bridge.instruments.derivation import make_plan
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.recorded import RecordedFlight, open_log
from tests.conftest import ROOT

FT = 1 / 0.3048
LAYOUTS = ROOT / "config" / "log-layouts"
PITCH = '[[fields]]\nlabel = "pitch"\nquantity = "pitch"\nunit = "deg"\n'


def log_of(folder: Path, layout: str, text: str) -> RecordedFlight:
    (folder / "layout.toml").write_text(f'kind = "table"\n{layout}', encoding="utf-8")
    (folder / "flight.txt").write_text(text, encoding="utf-8", newline="")
    return open_log(folder / "flight.txt", CATALOGUE, folder / "layout.toml")


def test_the_shipped_layout_reads_the_table_in_its_own_comment(tmp_path: Path) -> None:
    layout = LAYOUTS / "table.toml"
    lines = [line[6:] for line in layout.read_text().splitlines() if line.startswith("#     ")]
    (tmp_path / "flight.txt").write_text("\n".join([*lines, ""]))
    log = open_log(tmp_path / "flight.txt", CATALOGUE, layout)
    assert (log.date, log.place) == (date(2026, 6, 4), (47.1, 11.3))
    [(time_s, readings)] = log
    assert time_s == 0.0
    assert readings == pytest.approx(
        {
            "pressure_altitude": 652.3 * FT,
            "calibrated_airspeed": 118.5 / 1.852,
            "heading_magnetic": 273,
            "outside_air_temperature": 12.5,
        }
    )


def test_the_shipped_layout_of_igc_codes_is_one() -> None:
    flight = ROOT / "tests" / "data" / "flights" / "midnight.igc"
    assert "true_airspeed" in open_log(flight, CATALOGUE, LAYOUTS / "igc.toml").given


@pytest.mark.parametrize(
    ("layout", "text"),
    [
        ('time = { label = "t" }\n', "t,pitch\n1,2\n"),
        ('separator = "\\t"\ntime = { label = "t" }\n', "pitch\tt\r\n2\t1\r\n"),
        ('separator = " "\ntime = { label = "t" }\n', "  t    pitch\n  1    2\n"),
        ('separator = "||"\ntime = { label = "t" }\n', "t||pitch\n1||2\n"),
        ('widths = [3, 6]\ntime = { label = "t" }\n', "  t pitch\n  1  2.00\n"),
        ('separator = ";"\ndecimal = ","\ntime = { label = "t" }\n', "t;pitch\n1,0;2,00\n"),
        ('skip = 2\ntime = { label = "t" }\n', 'made by\n"hand, here\nt,pitch\n1,2\n'),
        ('comment = "#"\ntime = { label = "t" }\n', "#units,s\nt,pitch\n#half way\n1,2\n"),
        ('time = { label = "the, time", unit = "ms" }\n', '"the, time",pitch\n1000,"2"\n'),
        ("time = { column = 2 }\n", "\ufeffpitch,any\n2,1\n"),
    ],
)
def test_every_way_to_separate(tmp_path: Path, layout: str, text: str) -> None:
    assert list(log_of(tmp_path, layout + PITCH, text)) == [(1.0, {"pitch": 2.0})]


def test_without_a_header_columns_are_counted_from_1(tmp_path: Path) -> None:
    layout = "header = false\ntime = { column = 1 }\n" + PITCH.replace('label = "pitch"', "column = 3")
    assert list(log_of(tmp_path, layout, "0,x,1\n1,x,2\n")) == [(0.0, {"pitch": 1.0}), (1.0, {"pitch": 2.0})]


@given(st.integers(0, 4_000_000_000), st.none() | st.integers(-12, 12))
def test_iso_8601_with_and_without_an_offset(start_s: int, offset_h: int | None) -> None:
    """Written by Python's own isoformat."""
    start = datetime.fromtimestamp(start_s, timezone(timedelta(hours=offset_h or 0)))
    moments = [start + timedelta(seconds=0.5 * i) for i in range(3)]
    if offset_h is None:
        moments = [moment.replace(tzinfo=None) for moment in moments]
    rows = "".join(f"{moment.isoformat()},{i}\n" for i, moment in enumerate(moments))
    with TemporaryDirectory() as folder:
        layout = 'time = { label = "t", written = "iso8601" }\n' + PITCH
        read = list(log_of(Path(folder), layout, f"t,pitch\n{rows}"))
    assert [time_s for time_s, _ in read] == pytest.approx([0, 0.5, 1.0], abs=1e-4)


def test_a_clock_goes_on_across_midnight_and_has_decimals(tmp_path: Path) -> None:
    layout = 'time = { label = "t", written = "clock" }\n' + PITCH
    clocks = ["23:59:58", "23:59:59.5", "0:00:01", "00:00:02", "00:01"]
    log = log_of(tmp_path, layout, "t,pitch\n" + "".join(f"{clock},1\n" for clock in clocks))
    assert [time_s for time_s, _ in log] == pytest.approx([0, 1.5, 3, 4, 62])


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("up,3", ("found 'up'; expected a number",)),
        ("1_0,3", ("found '1_0'",)),
        ("2,up", (": pitch: found 'up'; expected a number. It is left out",)),
        ("2,91", ("91 deg is outside -90 to 90 deg",)),
        ("2,nan", ("not a finite number",)),
        ('"2,3', ("expected a time in column 1",)),
        ("0.5,3", ("0.5 s after 1 s; expected times that never fall",)),
        ("1e12,3", ("1e+12 s before 3 s in line 5",)),
    ],
)
def test_a_bad_line_is_named_and_the_others_fly(tmp_path: Path, line: str, words: tuple[str, ...]) -> None:
    log = log_of(tmp_path, 'time = { label = "t" }\n' + PITCH, f"t,pitch\n0,1\n1,2\n{line}\n3,4\n")
    with capture_logs() as logs:
        moments = [moment for moment in log if moment[1]]
        list(log)
    assert moments == [(0.0, {"pitch": 1.0}), (1.0, {"pitch": 2.0}), (3.0, {"pitch": 4.0})]
    assert [entry["event"] for entry in logs] == ["bad line"]
    for word in (f"{tmp_path / 'flight.txt'}:4", *words):
        assert word in logs[0]["detail"]


def test_a_row_that_ends_early_has_what_it_has(tmp_path: Path) -> None:
    log = log_of(tmp_path, 'time = { label = "t" }\n' + PITCH, "t,pitch\n0\n1,\n2,3\n")
    assert list(log) == [(0.0, {}), (1.0, {}), (2.0, {"pitch": 3.0})]


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        ('time = { label = "T" }\n' + PITCH, ("flight.txt:1: found t, pitch; expected the label 'T'",)),
        ('time = { label = "t" }\n' + PITCH * 2, ("fields.1.quantity: found pitch a second time",)),
        ('time = { label = "t", unit = "ft" }\n' + PITCH, ("time.unit: found 'ft', a unit of length",)),
        ("time = {}\n" + PITCH, ("time: found neither or both",)),
        (
            'time = { label = "t" }\nplace = { latitude = { label = "t" }, longitude = { label = "t" } }\n'
            + PITCH,
            ("place: found a place without its date", "the column of the date, YYYY-MM-DD"),
        ),
        (
            'time = { label = "t", written = "iso8601" }\n'
            'place = { latitude = { label = "Lat" }, longitude = { label = "t" } }\n' + PITCH,
            ("expected the label 'Lat'",),
        ),
        ('time = { label = "t", written = "unix" }\n' + PITCH, ("time.written: found 'unix'", "'iso8601'")),
        ("header = false\ntime = { column = 1 }\n" + PITCH, ("fields.0.label: found a label",)),
        (
            "widths = [3]\ntime = { column = 2 }\n" + PITCH,
            ("time.column: found column 2",),
        ),
        ('decimal = ","\ntime = { column = 2 }\n' + PITCH, ("decimal: found ',', as the separator",)),
        ('time = { label = "t" }\n' + PITCH.replace('"deg"', '"kt"'), ("fields.0.unit", "unit of speed")),
        ('time = { label = "t" }\nfields = []\n', ("fields",)),
    ],
)
def test_a_mistake_in_the_layout_is_named(tmp_path: Path, layout: str, words: tuple[str, ...]) -> None:
    with pytest.raises(DescriptionErrors) as raised:
        log_of(tmp_path, layout, "t,pitch\n0,1\n")
    for word in words:
        assert word in str(raised.value)


def test_a_log_of_another_maker_without_a_layout_asks_for_one(tmp_path: Path) -> None:
    (tmp_path / "flight.csv").write_text("UTC,Alt\n11:01:35,652\n")
    with pytest.raises(DescriptionErrors, match=r"a log layout \(--layout\)"):
        open_log(tmp_path / "flight.csv")


def test_a_published_flight_ambient_pressure_in_altitude_out(tmp_path: Path) -> None:
    """NASA NESC check case 13.1 (report NTRS 20150001263): ambient pressure against geometric altitude.

    To 5 ft of the geopotential altitude, over a climb of 100 ft at 10 Hz.
    """
    layout = tmp_path / "nesc.toml"
    layout.write_text(
        'kind = "table"\ntime = { label = "time" }\n'
        '[[fields]]\nlabel = "ambientPressure_lbf_ft2"\nquantity = "static_pressure"\nunit = "psf"\n'
        '[[fields]]\nlabel = "altitudeMsl_ft"\nquantity = "geometric_altitude"\nunit = "ft"\n'
        '[[fields]]\nlabel = "ambientTemperature_dgR"\nquantity = "outside_air_temperature"\nunit = "degR"\n'
        '[[fields]]\nlabel = "eulerAngle_deg_Roll"\nquantity = "bank"\nunit = "deg"\n'
    )
    flight = ROOT / "tests" / "data" / "flights" / "nesc-13.1-climb.csv"
    moments = list(open_log(flight, CATALOGUE, layout))
    assert len(moments) > 200
    assert moments[0][1]["outside_air_temperature"] == pytest.approx(482.979113 / 1.8 - 273.15)
    derivation = make_plan(["static_pressure"], ["pressure_altitude"]).start()
    for time_s, readings in moments:
        shown = derivation.update(time_s, {"static_pressure": readings["static_pressure"]})
        published_ft = geopotential_altitude_ft(readings["geometric_altitude"])
        assert shown["pressure_altitude"] == pytest.approx(published_ft, abs=5.0)
    assert moments[-1][1]["geometric_altitude"] - moments[0][1]["geometric_altitude"] > 90


@given(st.lists(st.binary(max_size=40), max_size=8))
def test_no_bytes_make_the_reader_raise_anything_but_a_description_error(lines: list[bytes]) -> None:
    with TemporaryDirectory() as folder:
        path, layout = Path(folder) / "flight.txt", Path(folder) / "layout.toml"
        layout.write_text('kind = "table"\ntime = { label = "t", written = "clock" }\n' + PITCH)
        path.write_bytes(b"\n".join([b"t,pitch", b"1:00,2", *lines]))
        with capture_logs():
            times_s = [time_s for time_s, _ in open_log(path, CATALOGUE, layout)]
        assert times_s == sorted(times_s)


PLACE = 'place = { latitude = { label = "lat" }, longitude = { column = 4 } }\n'


def test_place_and_day_are_those_of_the_first_row_that_has_both(tmp_path: Path) -> None:
    layout = 'time = { label = "t", written = "iso8601" }\n' + PLACE + PITCH
    rows = "t,pitch,lat,lon\n" + "".join(
        f"2026-06-04T23:59:{second}Z,1,{where}\n"
        for second, where in ((57, ","), (58, "0,0"), (59, "-47.25,11.5"), (59, "1,1"))
    )
    log = log_of(tmp_path, layout, rows)
    assert (log.date, log.place) == (date(2026, 6, 4), (-47.25, 11.5))
    assert log.given == {"pitch"}
    assert len(list(log)) == 4


def test_the_day_has_a_column_of_its_own_where_the_time_is_a_clocks(tmp_path: Path) -> None:
    place = PLACE.replace(" } }", ' }, date = { label = "day" } }')
    layout = 'decimal = ","\nseparator = ";"\ntime = { label = "t", written = "clock" }\n' + place + PITCH
    text = "t;pitch;lat;lon;day\n10:00:00;1;47,5;11,0;2026-06-04\n"
    log = log_of(tmp_path, layout, text)
    assert (log.date, log.place) == (date(2026, 6, 4), (47.5, 11.0))
    unknown = log_of(tmp_path, layout, text.replace("47,5", "147,5"))
    assert (unknown.date, unknown.place) == (None, None)


def test_without_a_place_there_is_no_day_either(tmp_path: Path) -> None:
    log = log_of(tmp_path, 'time = { label = "t" }\n' + PITCH, "t,pitch\n0,1\n")
    assert (log.date, log.place) == (None, None)
