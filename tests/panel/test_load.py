"""Every mistake that a builder can make in a panel description is named, with its place and a cure."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import DescriptionErrors
from bridge.panel.load import load_panel

CONFIG = Path(__file__).parents[2] / "config"


def spoil(config: Path, old: str, new: str, file: str = "panel.toml") -> Path:
    path = config / file
    text = path.read_text()
    assert old in text, f"the demo's {file} no longer holds {old!r}"
    path.write_text(text.replace(old, new, 1))
    return config / "panel.toml"


def complaints(path: Path) -> str:
    with pytest.raises(DescriptionErrors) as caught:
        load_panel(path)
    return str(caught.value)


def test_the_demo_panel_loads_with_all_of_its_pointers() -> None:
    panel = load_panel(CONFIG / "panel.toml")
    assert len(panel.pointers) == 10
    assert [p.key for p in panel.board_pointers("left")] == [
        "altimeter.hundreds",
        "altimeter.thousands",
        "altimeter.ten_thousands",
    ]
    assert CONFIG / "calibration" / "airspeed.toml" in panel.files


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'indication = "pitch"',
            'indication = "pich"',
            ["gauges.attitude.pointers.pitch.indication", "pitch"],
        ),
        (
            'instrument = "altimeter"',
            'instrument = "altimetre"',
            ["gauges.altimeter.instrument", "altimeter"],
        ),
        ("lag_s = 2.5", "lag = 2.5", ["gauges.vertical_speed.options", "lag_s"]),
        ("lag_s = 2.5", "lag_s = -1", ["gauges.vertical_speed.options", "-1"]),
        ('drive = "sweep"', 'drive = "sweeep"', ["drive", "Did you mean sweep"]),
        ('motor = "geared-unipolar-5v"', 'motor = "geared"', ["drives.geared.motor", "geared-unipolar-5v"]),
        ('board = "left"\nchannel = 0', 'board = "lefty"\nchannel = 0', ["'lefty'", "Did you mean left"]),
        (
            'board = "left"\nchannel = 1',
            'board = "left"\nchannel = 0',
            ["channel 0 of board left", "hundreds"],
        ),
        ('board = "left"\nchannel = 1', 'board = "left"\nchannel = 7', ["unknown channel '7'"]),
        ("[140, 234]", "[140, 190]", ["airspeed.pointers.needle.scale", "turns back", "192"]),
        ("microsteps = 2 ", 'gear_train = ["12/0"]  ', ["drives.geared.gear_train.0", "12/0", "teeth"]),
        ("microsteps = 2 ", "gear_train = [0]  ", ["drives.geared.gear_train.0", "above zero"]),
        ("tick_hz = 100", "tick_hertz = 100", ["tick_hertz", "unknown key", "Did you mean tick_hz"]),
        ("channel = 1", "chanel = 1", ["chanel", "Did you mean channel"]),
        ('source = "telemetry"', 'source = "simulator"', ["altimeter_setting.source", "'telemetry'"]),
        ('source = "telemetry"', 'source = "knob"\nboard = "right"', ["altimeter_setting.input", "encoder"]),
        ('listen = "127.0.0.1:58226"', 'listen = "58226"', ["sources.0.listen", "host:port"]),
        ('allow = ["127.0.0.1"]', 'allow = ["the bench"]', ["sources.0.allow", "192.168"]),
        ("layouts/labelled-text.toml", "layouts/none.toml", ["none.toml", "no such file"]),
        ("[40, 46], [60, 62]", "[40, 46], [30, 62]", ["aircraft.position_error", "rise"]),
        ("home_deg = 180", "home_deg = 60", ["attitude.pointers.pitch", "microseconds"]),
        ('output = "servo", pins = ["D9"]', 'output = "step_dir", pins = ["D9", "D12"]', ["servo", "output"]),
        (
            'homing = "index", index = { pin = "A0" }',
            'homing = "index"',
            ["boards.left.channels.0", "sensor"],
        ),
        ('pins = ["D6", "D7", "D8", "D9"]', 'pins = ["D5", "D7", "D8", "D9"]', ["boards.left", "D5"]),
        (
            "speed_steps_s = 2000",
            "microsteps = 2\nspeed_steps_s = 2000",
            ["drives.servo.microsteps", "pulse"],
        ),
        ("allow = [", "alow = [", ["sources.0.alow", "Did you mean allow"]),
        ("name = ", "name = = ", ["panel.toml", "line 5"]),
    ],
)
def test_a_mistake_is_named_with_its_key_and_a_cure(
    config: Path, old: str, new: str, words: list[str]
) -> None:
    said = complaints(spoil(config, old, new))
    assert "panel.toml" in said or "layouts" in said
    for word in words:
        assert word in said


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('unit = "kt"', 'unit = "knots"', ["needle.unit", "unknown unit 'knots'", "kt"]),
        ('unit = "kt"', 'unit = "ft"', ["needle.unit", "unit of length"]),
        ("[120, 192, 192.3]", "[120, 192, 250.3]", ["needle.points", "turns back", "233.8"]),
        ("[needle]", "[nedle]", ["unknown pointer 'nedle'", "Did you mean needle"]),
        ("[120, 192, 192.3]", '[120, "x", 192.3]', ["needle.points"]),
    ],
)
def test_a_mistake_in_a_calibration_file_is_named_with_that_file(
    config: Path, old: str, new: str, words: list[str]
) -> None:
    said = complaints(spoil(config, old, new, "calibration/airspeed.toml"))
    assert "airspeed.toml" in said
    for word in words:
        assert word in said


def test_all_mistakes_are_reported_at_once(config: Path) -> None:
    spoil(config, 'instrument = "altimeter"', 'instrument = "altimetre"')
    said = complaints(spoil(config, "[140, 234]", "[140, 190]"))
    assert "altimetre" in said
    assert "turns back" in said


def test_a_calibration_in_another_unit_is_converted(config: Path) -> None:
    kt = load_panel(config / "panel.toml")
    text = (config / "calibration" / "airspeed.toml").read_text()
    start = text.index("points")
    rows = [line.split("#")[0].strip() for line in text[start:].splitlines()[1:-1]]
    in_km_h = [
        f"[{float(r.strip('[],').split(',')[0]) * 1.852}, {r.strip('[],').split(',', 1)[1]}]," for r in rows
    ]
    (config / "calibration" / "airspeed.toml").write_text(
        '[needle]\nunit = "km/h"\npoints = [\n' + "\n".join(in_km_h) + "\n]\n"
    )
    km_h = load_panel(config / "panel.toml")
    for before, after in zip(kt.pointers, km_h.pointers, strict=True):
        assert after.position(93.0) == pytest.approx(before.position(93.0), abs=1e-6)


def test_a_channel_without_a_pointer_is_a_mistake(config: Path) -> None:
    path = config / "panel.toml"
    text = path.read_text()
    start, end = text.index("[gauges.heading]"), text.index("[gauges.attitude]")
    path.write_text(text[:start] + text[end:])
    told = complaints(path)
    assert "boards.right.channels.2" in told
    assert "without a pointer" in told
