"""Reading flight logs, against Python's own csv writer and factors by hand."""

from __future__ import annotations

import csv
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from bridge.errors import DescriptionError, DescriptionErrors
from bridge.telemetry.bad_lines import MOST_REPORTED
from bridge.telemetry.flightlog import FlightLog, read_log

# Header as written, quantity, factor to its canonical unit (0.3048 m to the foot, 1852 m to the nautical
# mile, 3386.389 Pa to the inch of mercury: NIST SP 811), low and high as written.
COLUMNS = [
    ("pressure_altitude[m]", "pressure_altitude", 1 / 0.3048, -1500.0, 36_000.0),
    ("indicated_airspeed[ km/h ]", "indicated_airspeed", 1 / 1.852, -100.0, 2700.0),
    (" altimeter_setting [hPa]", "altimeter_setting", 100 / 3386.389, 850.0, 1110.0),
    ("vertical_speed[m/s]", "vertical_speed", 60 / 0.3048, -300.0, 300.0),
    ("engine_speed[rpm]", "engine_speed", 1.0, 0.0, 99_999.0),
]


def log_of(path: Path, text: str) -> FlightLog:
    path.write_text(text, encoding="utf-8", newline="")
    return read_log(path)


@pytest.mark.slow
@given(st.data(), st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]), st.sampled_from(["\r\n", "\n"]))
def test_what_pythons_csv_writer_wrote_is_read_with_units_converted(
    data: st.DataObject, quoting: int, line_end: str
) -> None:
    columns = data.draw(st.lists(st.sampled_from(COLUMNS), min_size=1, unique=True))
    rows = data.draw(
        st.lists(
            st.tuples(*(st.none() | st.floats(low, high) for _, _, _, low, high in columns)),
            min_size=1,
            max_size=20,
        )
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "flight.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, quoting=quoting, lineterminator=line_end)  # type: ignore[arg-type]
            writer.writerow([columns[0][0], "time[ms]", *(column[0] for column in columns[1:])])
            for i, row in enumerate(rows):
                writer.writerow([row[0], i * 50, *row[1:]])
        log = read_log(path)
        assert log.given == {column[1] for column in columns}
        read = list(log)
    assert [time_s for time_s, _ in read] == pytest.approx([i * 0.05 for i in range(len(rows))])
    for row, (_, readings) in zip(rows, read, strict=True):
        expected = {
            quantity: value * factor
            for (_, quantity, factor, _, _), value in zip(columns, row, strict=True)
            if value is not None
        }
        assert readings == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("header", "key", "words"),
    [
        ("time[s],altitude[ft]", "column 2", ("unknown quantity 'altitude'", "Did you mean")),
        ("time[s],pitch[degrees]", "column 2", ("unknown unit 'degrees'", "unit of angle", "deg")),
        ("time[s],pitch[kt]", "column 2", ("a unit of speed", "unit of angle")),
        ("tiem[s],pitch[deg]", "column 1", ("unknown quantity 'tiem'", "Did you mean time")),
        ("time[ft],pitch[deg]", "column 1", ("a unit of length", "unit of time")),
        ("time[s],pitch", "column 2", ("'pitch'", "quantity[unit]")),
        ("time[s];pitch[deg]", "column 1", ("Separate columns by commas",)),
        ("pitch[deg],bank[deg]", "", ("the columns pitch, bank", "a column time[s]")),
        ("time[s],pitch[deg],pitch[rad]", "column 3", ("pitch a second time",)),
        ("time[s]", "", ("nothing but time",)),
        ("", "", ("no columns", "a column time[s]")),
    ],
)
def test_a_mistake_in_the_header_is_named_by_its_column(
    tmp_path: Path, header: str, key: str, words: tuple[str, ...]
) -> None:
    with pytest.raises(DescriptionErrors) as raised:
        log_of(tmp_path / "flight.csv", header + "\n0,1\n")
    [error] = raised.value.errors
    assert error.where == f"{tmp_path / 'flight.csv'}:1"
    assert error.key == key
    for word in words:
        assert word in f"{error.found} {error.expected} {error.cure}"


def test_all_mistakes_of_a_header_are_reported_at_once(tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors) as raised:
        log_of(tmp_path / "flight.csv", "time[ft],altitude[ft],pitch[deg]\n")
    assert [error.key for error in raised.value.errors] == ["column 1", "column 2"]


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(DescriptionErrors, match=r"none\.csv.*No such file"):
        read_log(tmp_path / "none.csv")


PITCH = [(0.0, {"pitch": 1.0}), (0.05, {"pitch": 2.0})]
AFTER = (0.2, {"pitch": 4.0})


@pytest.mark.parametrize(
    ("line", "left", "words"),
    [
        ("0.1,up", {}, ("column 2 (pitch)", "'up'", "It is left out")),
        ("0.1,1_0", {}, ("'1_0'",)),
        ("0.1,nan", {}, ("not a finite number",)),
        ("0.1,91", {}, ("91 deg is outside -90 to 90 deg",)),
        ("0.1", None, ("1 cells", "2, as in the first line", "The line is skipped")),
        ("0.1,1,2", None, ("3 cells",)),
        (",1", None, ("no time", "a time in every line")),
        ("0.01,1", None, ("0.01 s after 0.05 s", "never fall")),
        ("1e12,1", None, ("1e+12 s before 0.2 s", "never fall")),
        ('0.1,"1"2', None, ("a line of CSV",)),
        ('0.1,"1', None, ("a line of CSV",)),
    ],
)
def test_a_bad_line_is_named_and_the_others_fly(
    tmp_path: Path, line: str, left: dict[str, float] | None, words: tuple[str, ...]
) -> None:
    path = tmp_path / "flight.csv"
    log = log_of(path, f"time[s],pitch[deg]\n0,1\n0.05,2\n{line}\n0.2,4\n")
    between = [] if left is None else [(0.1, left)]
    with capture_logs() as logs:
        assert list(log) == list(log) == [*PITCH, *between, AFTER]
    (told,) = logs
    for word in (f"{path}:4", *words):
        assert word in told["detail"]


def test_many_bad_lines_are_counted(tmp_path: Path) -> None:
    log = log_of(tmp_path / "flight.csv", "time[s],pitch[deg]\n0,1\n" + "0.1,x\n" * (MOST_REPORTED + 5))
    with capture_logs() as logs:
        assert len(list(log)) == MOST_REPORTED + 6
    assert [line["lines"] for line in logs if line["event"] == "bad lines"] == [MOST_REPORTED + 5]


@pytest.mark.parametrize("cut", ["0.1", "0.1,3,", "0.1,", '0.1,"3', "0.", "0.1,3,-", "0.1,3,1e"])
def test_a_last_line_that_was_cut_is_skipped_with_a_warning(tmp_path: Path, cut: str) -> None:
    log = log_of(tmp_path / "flight.csv", f"time[s],pitch[deg],bank[deg],mach[1]\n0,1,1,0\n0.05,2,2,0\n{cut}")
    with capture_logs() as logs:
        assert [readings["pitch"] for _, readings in log] == [1, 2]
    assert [line["line"] for line in logs] == [4]


def test_a_whole_last_line_needs_no_line_end(tmp_path: Path) -> None:
    with capture_logs() as logs:
        assert list(log_of(tmp_path / "flight.csv", "time[s],pitch[deg]\n0,1")) == [(0.0, {"pitch": 1.0})]
    assert logs == []


def test_a_bad_line_before_a_cut_one_is_named_as_well(tmp_path: Path) -> None:
    with capture_logs() as logs:
        assert len(list(log_of(tmp_path / "flight.csv", "time[s],pitch[deg]\n0,x\n0.05,2\n0.1"))) == 2
    assert "flight.csv:2" in logs[0]["detail"]
    assert logs[1]["line"] == 4


def test_blank_cells_are_no_readings_and_blank_lines_and_a_byte_order_mark_are_skipped(
    tmp_path: Path,
) -> None:
    log = log_of(
        tmp_path / "flight.csv", "\ufefftime[min],pitch[deg],heading_true[deg]\n\n1,,360\n\n2, ,\n3,4,-90\n"
    )
    assert list(log) == [
        (60.0, {"heading_true": 0.0}),
        (120.0, {}),
        (180.0, {"pitch": 4.0, "heading_true": 270.0}),
    ]


def test_a_log_can_be_read_again_and_again(tmp_path: Path) -> None:
    log = log_of(tmp_path / "flight.csv", "time[s],pitch[deg]\n0,1\n1,2\n")
    assert list(log) == list(log)


@given(st.binary(max_size=300))
def test_no_bytes_make_the_reader_raise_anything_but_a_description_error(content: bytes) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "flight.csv"
        for start in (b"", b"time[s],pitch[deg]\n0,1\n"):
            path.write_bytes(start + content)
            try:
                for _ in read_log(path):
                    pass
            except (DescriptionError, DescriptionErrors):
                pass
