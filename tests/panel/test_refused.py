"""Descriptions that could not fly right, and files that are none: each refused with its cure."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.check.panel import check_panel
from bridge.description import LARGEST_FILE_BYTES
from bridge.errors import MOST_MISTAKES, BridgeError, DescriptionError, DescriptionErrors
from bridge.flight.dry_run import virtual_board
from bridge.gauges.curve import Curve, CurveTurnsBackError
from bridge.panel.load import load_panel
from bridge.panel.names import is_port, name_faults
from bridge.telemetry.layout_description import MOST_FIELDS

SERIAL = 'part = "atmega328p"\nlink = "serial"\nport = "{}"\n[boards.{}.channels]'


def changed(config: Path, *pairs: tuple[str, str]) -> Path:
    file = config / "panel.toml"
    text = file.read_text()
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    file.write_text(text)
    return file


def refusal(file: Path) -> str:
    with pytest.raises(BridgeError) as raised:
        load_panel(file)
    return str(raised.value)


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        (
            [('indication = "indicated_airspeed"\n', 'indication = "indicated_airspeed"\npark = 300\n')],
            ["airspeed.pointers.needle.park", "at 300", "0 to 180"],
        ),
        (
            [("per_turn = 1000 ", "per_turn = 1000\nscale = [[0, 0], [1, 1]] ")],
            ["endless pointer with a scale"],
        ),
        ([("scale = [[0, 0], [40", "per_turn = 5\nscale = [[0, 0], [40")], ["bounded pointer with per_turn"]),
        ([("per_turn = 360", "per_turn = 350")], ["heading.pointers.card.per_turn", "wraps after 360 deg"]),
        (
            [("per_turn = 360", 'per_turn = 6.28319\nunit = "rad"')],
            ["wraps after 6.28318530718 rad", "Write per_turn = 6.28318530718"],
        ),
        (
            [('kind = "endless"\nper_turn = 360', 'kind = "bounded"\nscale = [[-45, -90], [45, 90]]')],
            ["heading.pointers.card.scale", "-45", "wraps: no reading is outside 0 to 360 deg"],
        ),
        (
            [
                ('part = "atmega328p"\n[boards.right.channels]', SERIAL.format("/dev/ttyUSB0", "right")),
                ('part = "atmega328p"\n[boards.centre.channels]', SERIAL.format("/dev/ttyUSB0", "centre")),
            ],
            ["boards.centre.port", "the port of board right"],
        ),
        ([("tick_hz = 100", "tick_hz = true")], ["tick_hz", "found true", "neither true nor false"]),
        ([("options = { lag_s = 2.5 }", "options = { lag_s = true }")], ["gauges.vertical_speed.options"]),
    ],
    ids=lambda value: "" if isinstance(value, list) and isinstance(value[0], tuple) else str(value[0]),
)
def test_it_is_refused(pairs: list[tuple[str, str]], words: list[str], config: Path) -> None:
    said = refusal(changed(config, *pairs))
    for word in words:
        assert word in said


def test_pointers_that_park_where_nobody_stated_are_named(config: Path) -> None:
    file = changed(config, ('behaviour = "hold"', 'behaviour = "park"'))
    notes = [f for f in check_panel(load_panel(file)) if f.check == "park"]
    assert len(notes) == 10 and "parks at 0 kt" in next(f for f in notes if "airspeed" in f.subject).text


def test_a_calibration_file_that_is_empty_for_a_moment_is_not_taken(config: Path) -> None:
    (config / "calibration" / "airspeed.toml").write_text("# just a comment\n")
    said = refusal(config / "panel.toml")
    assert "airspeed.toml: found no pointer; expected a table for one of needle" in said


def test_a_gauge_stepper_homed_by_its_last_position_is_warned_of_and_unused_inputs_are_named(
    config: Path,
) -> None:
    swept = 'pins = ["D2", "D3", "D4", "D5"], homing = "sweep"'
    file = changed(config, (swept, 'pins = ["D2", "D3", "D4", "D5"], homing = "last"'))
    findings = check_panel(load_panel(file))
    (homing,) = (f for f in findings if f.check == "homing" and f.severity == "warning")
    assert homing.subject == "airspeed.needle" and "sweep" in homing.cure
    assert any(f.check == "input" and "encoder at input 0" in f.text for f in findings)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"\x00\x01", ["panel.toml", "line 1"]),
        (b'name = "a"\n# \xff\n', ["panel.toml: line 2", "0xff", "UTF-8"]),
        (b"a = " + b"[" * 5000, ["nested too deeply"]),
        (b"a = " + b"9" * 5000, ["panel.toml", "digits"]),
        (b"#" * (LARGEST_FILE_BYTES + 1), ["250,001 bytes", "at most 250,000"]),
    ],
    ids=["null", "not UTF-8", "deep", "long number", "large"],
)
def test_a_file_that_can_not_be_a_description_is_one_clear_line(
    content: bytes, words: list[str], config: Path
) -> None:
    (config / "panel.toml").write_bytes(content)
    said = refusal(config / "panel.toml")
    for word in words:
        assert word in said
    assert len(said) < 500


def test_a_byte_order_mark_is_no_mistake(config: Path) -> None:
    file = config / "panel.toml"
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    assert load_panel(file).description.name == "Hobnail, six gauges"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="Windows has no FIFO in its file system")
def test_a_fifo_is_refused_without_waiting_for_its_writer(config: Path) -> None:
    (config / "calibration" / "airspeed.toml").unlink()
    os.mkfifo(config / "calibration" / "airspeed.toml")
    assert "airspeed.toml: found no regular file" in refusal(config / "panel.toml")


@pytest.mark.parametrize(
    "port",
    [
        "/dev/ttyUSB0\n$(shell touch x)", "$(shell id)", "spy:///dev/ttyUSB0?file=/tmp/x", "alt://x", "loop://",
        "/dev/../etc/passwd", "a b", "", "socket://host", "socket://host:7000?logging=debug;x", "-P",
    ],
)  # fmt: skip
def test_what_could_do_harm_is_no_port(port: str) -> None:
    assert not is_port(port)


@pytest.mark.parametrize(
    "port",
    [
        "/dev/ttyUSB0", "/dev/serial/by-id/usb-1a86_USB2.0-if00-port0", "COM3", r"\\.\COM12", "ttyACM0",
        "socket://127.0.0.1:7000", "rfc2217://[::1]:2217", "/dev/pts/4", "/dev/cu.usbmodem1101",
    ],
)  # fmt: skip
def test_real_ports_are(port: str) -> None:
    assert is_port(port)


@given(st.text(max_size=50))
def test_a_name_is_letters_digits_and_two_signs_or_refused(name: str) -> None:
    fine = 0 < len(name) <= 40 and name.isascii() and name.replace("_", "a").replace("-", "a").isalnum()
    fine = fine and name[0] not in "_-"
    assert bool(list(name_faults("boards", [name]))) is not fine


def test_names_that_would_make_one_file_are_refused() -> None:
    faults = list(name_faults("boards", ["b_1", "b-1", "B-1", "other"]))
    assert [found for _, found, _, _ in faults] == ["'b-1' beside 'b_1'", "'B-1' beside 'b_1'"]


def test_points_that_are_as_good_as_one_are_refused() -> None:
    with pytest.raises(CurveTurnsBackError, match="as good as one"):
        Curve([(0.0, 0.0), (5e-324, 1.0), (100.0, 200.0)])


def test_an_unknown_name_gets_the_nearest_and_the_list(config: Path) -> None:
    said = refusal(changed(config, ('instrument = "altimeter"', 'instrument = "tachometer"')))
    assert "Did you mean altimeter? Known: airspeed, altimeter, attitude" in said


def test_words_of_the_library_do_not_leak(config: Path) -> None:
    file = changed(config, ("scale = [[0, 0], [40, 28]", 'scale = "none"\nx = [[0, 0], [40, 28]'))
    with pytest.raises(DescriptionErrors) as raised:
        load_panel(file)
    assert "a list in square brackets" in str(raised.value)
    assert "valid" not in str(raised.value)
    assert all(isinstance(error, DescriptionError) for error in raised.value.errors)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("scale = [[0, 0], [40, 28]", "scale = [[false, 0], [40, 28]", "needle.scale: found false"),
        ("position_error = [[0, 0]", "position_error = [[true, 0]", "position_error: found true"),
        ("magnetic_variation = 4.0", "magnetic_variation = true", "fixed: found true"),
        ("[aircraft]", "[aircraft]\nfastest = { bank = true }", "aircraft.fastest: found true"),
        ("tick_hz = 100", "tick_hz = 100\nteeth = [true]", "teeth: found true"),
    ],
)
def test_true_and_false_are_no_numbers_in_lists_and_tables_either(
    old: str, new: str, words: str, config: Path
) -> None:
    assert words in refusal(changed(config, (old, new)))


def test_true_and_false_stay_where_they_belong(config: Path) -> None:
    file = changed(config, ("microsteps = 2", "microsteps = 2\nhair_spring = true"))
    assert load_panel(file).description.drives["geared"].hair_spring


NUMBER = re.compile(r"(?<![\w.\"#-])-?\d+(\.\d+)?(?![\w.\"])")
ABSURD = (
    "0",
    "-1",
    "5e-324",
    "1e-300",
    "1e-30",
    "1e-10",
    "0.001",
    "1e6",
    "1e12",
    "1e30",
    "1e308",
    "9" * 40,
    "2147483648",
)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_number_can_be_absurd_and_is_refused_in_words_or_checked(
    data: st.DataObject, config: Path
) -> None:
    """What `check` gets through can be shown to a board as well."""
    file = config / "panel.toml"
    text = file.read_text()
    code = [
        (m.start(), m.end())
        for m in NUMBER.finditer(text)
        if "#" not in text[text.rfind("\n", 0, m.start()) : m.start()]
    ]
    start, end = data.draw(st.sampled_from(code))
    absurd = data.draw(st.sampled_from(ABSURD))
    other = config / "absurd.toml"
    other.write_text(text[:start] + absurd + text[end:])
    try:
        panel = load_panel(other)
    except DescriptionErrors as errors:
        assert all(len(str(error)) < 1500 and "\n" not in str(error) for error in errors.errors)
        return
    assert check_panel(panel)
    for board in panel.description.boards:
        assert virtual_board(panel, board).reset(0.0)


@pytest.mark.parametrize(
    "gears", ["9" * 500, "1e999999999", "1e400", "20000", "1/20000", "0", "-3", "1/0", "nan", "3/4/5", "1_0"]
)
def test_a_ratio_is_teeth_over_teeth_of_a_sensible_size(gears: str, config: Path) -> None:
    said = refusal(changed(config, ("microsteps = 2", f'microsteps = 2\ngear_train = ["{gears}"]')))
    assert "drives.geared.gear_train.0" in said and "ratio" in said and len(said) < 500


def test_a_train_that_no_motor_could_drive_is_refused(config: Path) -> None:
    said = refusal(changed(config, ("microsteps = 2", "microsteps = 2\ngear_train = [5000, 5000]")))
    assert "drives.geared: found" in said and "steps for a turn of the pointer" in said


def test_wheels_that_never_come_back_to_the_same_place_are_refused(config: Path) -> None:
    wheels = '[gauges.altimeter.geared.odd]\ngeared_to = "hundreds"\ngears = ["9973/9967", "9949/9941"]\n'
    wheels += "per_turn = 1000\n[gauges.airspeed]\n"
    said = refusal(changed(config, ("[gauges.airspeed]\n", wheels)))
    assert "gauges.altimeter.geared: found wheels that bring all pointers back" in said


def test_a_quantity_that_is_wrongly_declared_causes_no_further_mistakes(config: Path) -> None:
    own = '[quantities.suction]\nunit = "furlongs"\nlow = 0\nhigh = 10\n[fixed]\nsuction = 3\n'
    said = refusal(
        changed(
            config,
            ("[fixed]", own),
            (
                '[gauges.attitude]\ninstrument = "attitude"',
                '[gauges.attitude]\ninstrument = "gauge"\noptions = { quantity = "suction" }',
            ),
        )
    )
    assert len(said.splitlines()) == 1
    assert "quantities.suction.unit: found an unknown unit 'furlongs'" in said and ", inHg," in said


def test_a_gauge_of_an_unknown_quantity_is_told_all_that_are_known(config: Path) -> None:
    gauge = '[gauges.attitude]\ninstrument = "gauge"\noptions = { quantity = "suctoin" }'
    said = refusal(changed(config, ('[gauges.attitude]\ninstrument = "attitude"', gauge)))
    assert "gauges.attitude.options.quantity: found an unknown quantity 'suctoin'; expected a known" in said
    assert "altimeter_setting, " in said and ", yaw_rate" in said


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[-2000, 117]", "[-2000, 117, 3]", "scale.0: found too many; expected at most 2"),
        ("[-2000, 117]", "[-2000]", "scale.0.1: found nothing; expected one more number"),
        ('58226"', '\N{SUPERSCRIPT TWO}"', "expected host:port"),
        ("127.0.0.1:58226", "a b\\n:5", "expected host:port"),
    ],
)
def test_the_words_are_those_of_the_file(old: str, new: str, words: str, config: Path) -> None:
    assert words in refusal(changed(config, (old, new)))


def test_points_of_a_calibration_are_refused_in_words_of_the_file(config: Path) -> None:
    file = config / "calibration" / "airspeed.toml"
    file.write_text('[needle]\nunit = "kt"\npoints = [[0, "x"], [180, 310]]\n')
    said = refusal(config / "panel.toml")
    assert "needle.points.0.1: found 'x'; expected a number" in said
    assert "tuple" not in said and "float" not in said


def test_what_is_quoted_can_not_steer_a_terminal_nor_flood_it(config: Path) -> None:
    hostile = 'name = "' + "\\u001b[2J" * 100 + '"\n[gauges."a\\u001b[2Jb"]\n'
    said = refusal(changed(config, ('name = "Hobnail, six gauges"', ""), ("[gauges.altimeter]", hostile)))
    assert "\x1b" not in said
    long = refusal(changed(config, ("channel = 0", "channel = 0\n" + "x" * 5000 + " = 1")))
    assert max(map(len, long.splitlines())) < 1500


@pytest.mark.parametrize(("table", "said_first"), [("fixed", "quantity 'no0'"), ("rest", "rest.no0")])
def test_of_thousands_of_mistakes_the_first_are_listed_and_the_others_counted(
    table: str, said_first: str, config: Path
) -> None:
    nonsense = "".join(f"no{number} = 1\n" for number in range(3000))
    said = refusal(changed(config, (f"\n[{table}]", f"\n[{table}]\n{nonsense}#"))).splitlines()
    assert len(said) == MOST_MISTAKES + 1
    assert said_first in said[0]
    assert said[-1].startswith(f"{3000 - MOST_MISTAKES} more mistakes are not listed")


def test_a_layout_has_no_thousands_of_fields(config: Path) -> None:
    file = config / "layouts" / "labelled-text.toml"
    field = '[[fields]]\nquantity = "pitch"\ncolumn = 1\nunit = "deg"\n'
    file.write_text('kind = "delimited"\n' + field * (MOST_FIELDS + 1))
    assert f"fields: found too many; expected at most {MOST_FIELDS}" in refusal(config / "panel.toml")


def test_a_name_with_a_null_character_is_no_file(config: Path) -> None:
    said = refusal(
        changed(config, ('calibration = "calibration/airspeed.toml"', 'calibration = "a\\u0000b"'))
    )
    assert "a\\x00b: found a file that can't be read" in said
