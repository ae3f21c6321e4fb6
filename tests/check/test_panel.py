"""Whole descriptions through the check: the three classic failures, and what the finished demo panel says."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bridge.check.electrics import check_board
from bridge.check.findings import Finding, worst
from bridge.check.panel import check_panel, pointer_case
from bridge.description import validate
from bridge.errors import DescriptionErrors
from bridge.panel.hardware import BoardDescription
from bridge.panel.load import load_panel
from bridge.wiring.sheet import BoardSheet
from tests.flight.controlled import controlled

HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "config" / "panel.toml"


def checked(path: Path) -> dict[tuple[str, str], Finding]:
    """Findings by subject and check; each pair may come once only."""
    findings = check_panel(load_panel(path))
    by_name = {(finding.subject, finding.check): finding for finding in findings}
    assert len(by_name) == len(findings)
    return by_name


def changed(folder: Path, name: str, *changes: tuple[str, str]) -> dict[tuple[str, str], Finding]:
    """The findings of one of the panels beside this file, with words changed."""
    text = (HERE / name).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return checked(file)


def test_clock_wheels_on_a_dial_of_ten_are_found() -> None:
    found = checked(HERE / "clockwork.toml")
    gearing = found["altimeter.thousands", "gearing"]
    assert gearing.severity == "failure"
    # After 10,000 ft the hundreds pointer made 10 turns, the thousands 10/12 of one: 8,333 ft shown.
    assert gearing.value == pytest.approx(10_000 - 10_000 * 10 / 12)
    assert "12" in gearing.text and "behind" in gearing.text
    assert "60/12 x 48/24 (one axis)" in gearing.cure
    assert found["altimeter.ten_thousands", "gearing"].severity == "ok"
    assert [key for key, finding in found.items() if finding.severity == "failure"] == [
        ("altimeter.thousands", "gearing")
    ]


def test_the_wheels_that_the_check_proposes_pass_it(tmp_path: Path) -> None:
    found = changed(tmp_path, "clockwork.toml", ('["36/12", "32/8"]', '["60/12", "48/24"]'))
    assert worst(found.values()) != "failure"


def test_wheels_that_are_only_nearly_right_are_refused(tmp_path: Path) -> None:
    found = changed(tmp_path, "clockwork.toml", ('["36/12", "32/8"]', '["61/12", "48/24"]'))
    gearing = found["altimeter.thousands", "gearing"]
    assert gearing.severity == "failure"
    assert gearing.value == pytest.approx(10_000 * (1 - 60 / 61))


def test_without_wheels_at_hand_the_cure_asks_for_them(tmp_path: Path) -> None:
    found = changed(tmp_path, "clockwork.toml", ("teeth = [10, 12, 15, 20, 24, 30, 32, 36, 48, 60]", ""))
    assert "--teeth" in found["altimeter.thousands", "gearing"].cure


def test_an_odd_number_of_meshes_is_warned_of(tmp_path: Path) -> None:
    found = changed(tmp_path, "clockwork.toml", ('["36/12", "32/8"]', '["100/10"]'))
    assert found["altimeter.thousands", "gearing"].severity == "ok"
    assert found["altimeter.thousands", "sense"].severity == "warning"


def test_slack_between_wheels_is_a_reading(tmp_path: Path) -> None:
    found = checked(HERE / "clockwork.toml")
    assert found["altimeter.ten_thousands", "backlash"].value == pytest.approx(100_000 / 360)
    found = changed(tmp_path, "clockwork.toml", ("backlash_deg = 1.0", "backlash_deg = 5.0"))
    assert found["altimeter.ten_thousands", "backlash"].severity == "warning"


def test_the_driven_pointer_carries_the_geared_ones(tmp_path: Path) -> None:
    alone = checked(HERE / "clockwork.toml")["altimeter.hundreds", "torque"]
    loaded = changed(tmp_path, "clockwork.toml", ("length_mm = 22", "friction_mnm = 12.1"))
    torque = loaded["altimeter.hundreds", "torque"]
    assert torque.value is not None and alone.value is not None
    assert torque.value - alone.value == pytest.approx((12.1 - 0.1) / 12, rel=1e-3)


def test_the_endless_continuous_servo_is_found() -> None:
    found = checked(HERE / "endless-servo.toml")
    place = found["altimeter.hundreds", "place"]
    assert place.severity == "failure"
    # 50 turns a minute, 5 % off: 2.5 turns of 1,000 ft.
    assert place.value == pytest.approx(2500)
    assert "speed, not a place" in place.text and "0.24 s" in place.text
    assert "50 ft off" in place.text  # a twentieth of a turn between two index marks
    assert "stepper" in place.cure


def test_a_positional_servo_does_not_turn_without_end(tmp_path: Path) -> None:
    found = changed(tmp_path, "endless-servo.toml", ("continuous-servo", "standard-servo-180"))
    assert found["altimeter.hundreds", "travel"].severity == "failure"


def test_the_weak_servo_behind_a_gear_is_found() -> None:
    torque = checked(HERE / "weak-servo.toml")["attitude.bank", "torque"]
    assert torque.severity == "failure"
    # By hand: unbalance 5.4 g x 1 m of weight 52.96 mN.m, three times through the gear, over 0.9.
    weight = 5.4e-3 * 9.80665 * 1e3 * 3 / 0.9
    # 180,000 g.mm2 is 1.8e-4 kg.m2, nine times; 10,000 us/s2 of 180 deg over 1,900 us turn the servo
    # 947.4 deg/s2, 16.53 rad/s2.
    spin = 1.8e-4 * 9 / 0.9 * 16.535 * 1e3
    assert torque.value == pytest.approx(weight + spin + 2 * 3 / 0.9, rel=1e-3)
    assert "gear up less" in torque.cure


def test_the_same_horizon_balanced_and_on_a_stronger_servo_passes_for_torque(tmp_path: Path) -> None:
    changes = (("unbalance_g_mm = 5400", "unbalance_g_mm = 200"), ("micro-servo-180", "standard-servo-180"))
    assert changed(tmp_path, "weak-servo.toml", *changes)["attitude.bank", "torque"].severity == "ok"


def test_a_motor_with_a_rounded_ratio_is_suspected(tmp_path: Path) -> None:
    mine = (
        '[motors.mine]\nname = "mine"\nkind = "unipolar"\nsource = "shop page"\nrotor_steps_per_turn = 32\n'
    )
    mine += 'gear_train = ["64"]\n\n[drives.geared]'
    found = changed(tmp_path, "clockwork.toml", ("[drives.geared]", mine))
    suspected = found["motor mine", "counted teeth"]
    assert suspected.severity == "warning"
    assert suspected.value == pytest.approx(360 * (2048 / 2037.89 - 1), abs=0.001)


def test_a_supply_that_is_too_small_is_found(tmp_path: Path) -> None:
    assert checked(HERE / "weak-servo.toml")["board bench", "supply"].severity == "ok"
    for amps, severity in (("0.8", "warning"), ("0.5", "failure")):
        found = changed(tmp_path, "weak-servo.toml", ("supply_a = 2.0", f"supply_a = {amps}"))
        assert found["board bench", "supply"].severity == severity


def test_the_aircrafts_own_rates_go_before_the_defaults(tmp_path: Path) -> None:
    words = "[aircraft]\nfastest = { indicated_altitude = 500 }\n\n[drives.geared]"
    found = changed(tmp_path, "clockwork.toml", ("[drives.geared]", words))
    speed = found["altimeter.hundreds", "speed"]
    # 500 ft/s is half a turn a second: half of 4,075.77 half steps.
    assert speed.value == pytest.approx(4075.77 / 2, abs=0.01)
    assert speed.severity == "failure" and "aircraft.fastest" in speed.text


def test_the_demo_panel_has_no_failure_and_every_pointer_is_checked() -> None:
    panel = load_panel(DEMO)
    findings = check_panel(panel)
    assert worst(findings) != "failure"
    checks = {finding.subject: set() for finding in findings}  # type: dict[str, set[str]]
    for finding in findings:
        checks[finding.subject].add(finding.check)
    for pointer in panel.pointers:
        assert {"resolution", "speed", "lag", "backlash", "at rest", "torque", "voltage"} <= checks[
            pointer.key
        ]
    for board in panel.description.boards:
        assert {"supply", "board current", "pins"} <= checks[f"board {board}"]


def test_pins_and_servo_timers_are_held_against_those_of_the_part() -> None:
    # By the printing on a board with an ATmega328P: D0 to D13 and A0 to A5, two of them the serial line's.
    found = checked(HERE / "weak-servo.toml")
    pins, timers = found["board bench", "pins"], found["board bench", "servo timers"]
    assert (pins.value, pins.limit, pins.severity) == (1, 20 - 2, "ok")
    assert (timers.value, timers.limit, timers.severity) == (
        1,
        2,
        "ok",
    )  # D9 and D10: timer 1 has two outputs
    assert "6 channels" in pins.text and "D9, D10" in timers.text


@pytest.mark.parametrize(
    ("part", "outputs", "pins", "timers"),
    [
        ("atmega328p", ["servo"] * 2, (2, 18, "ok"), (2, 2, "ok")),
        ("atmega328p", ["servo"] * 3, (3, 18, "ok"), (3, 2, "failure")),
        ("atmega328p", ["four_wire"] * 4 + ["step_dir"], (18, 18, "ok"), None),
        ("atmega328p", ["four_wire"] * 4 + ["step_dir", "servo"], (19, 18, "failure"), (1, 2, "ok")),
        # D0 to D53 and A0 to A15; timers 1, 3, 4 and 5 have three outputs each.
        ("atmega2560", ["servo"] * 12, (12, 54 + 16 - 2, "ok"), (12, 12, "ok")),
    ],
)
def test_pins_are_counted_before_any_is_named(
    part: str, outputs: list[str], pins: tuple[int, int, str], timers: tuple[int, int, str] | None
) -> None:
    channels = {i: {"output": output} for i, output in enumerate(outputs)}
    board = validate(BoardDescription, {"part": part, "channels": channels}, "panel.toml")
    bare = BoardSheet("bench", part, 5.0, None, (), (), (), (), ())
    found = {f.check: (f.value, f.limit, f.severity) for f in check_board("bench", board, bare)}
    assert found["pins"] == pins
    assert found.get("servo timers") == timers


def test_a_drive_that_the_firmware_can_t_make_is_found(tmp_path: Path) -> None:
    found = changed(tmp_path, "clockwork.toml", ("microsteps = 2", "microsteps = 8"))
    board = found["altimeter.hundreds", "board microsteps"]
    assert board.severity == "failure" and "half steps" in board.text


def test_a_motor_of_unknown_current_is_not_taken_for_one_without(tmp_path: Path) -> None:
    mine = '[motors.mine]\nname = "mine"\nkind = "unipolar"\nsource = "drawer"\nrotor_steps_per_turn = 48\n'
    found = changed(
        tmp_path,
        "clockwork.toml",
        ("[drives.geared]", f"{mine}\n[drives.geared]"),
        ("geared-unipolar-5v", "mine"),
    )
    assert found["altimeter.hundreds", "current"].severity == "warning"
    assert ("altimeter.hundreds", "driver current") not in found
    measured = mine + "current_a = 0.2\n"
    found = changed(
        tmp_path,
        "clockwork.toml",
        ("[drives.geared]", f"{measured}\n[drives.geared]"),
        ("geared-unipolar-5v", "mine"),
    )
    assert found["altimeter.hundreds", "driver current"].value == pytest.approx(0.2)


def test_a_servo_on_twelve_volts_is_a_failure(tmp_path: Path) -> None:
    found = changed(tmp_path, "weak-servo.toml", ("supply_a = 2.0", "supply_a = 2.0\nsupply_v = 12"))
    assert found["attitude.bank", "voltage"].severity == "failure"


def test_a_face_that_can_t_be_drawn_is_found(tmp_path: Path) -> None:
    face = "[gauges.altimeter.face]\ndiameter_mm = 57\n[gauges.altimeter.face.pointers]\nhundreds = {}\n"
    face += "[[gauges.altimeter.face.scales]]\nlow = 0\nhigh = 1000\nnumerals = 40\n"
    found = changed(
        tmp_path,
        "clockwork.toml",
        ("[gauges.altimeter.geared.thousands]", f"{face}\n[gauges.altimeter.geared.thousands]"),
    )
    faults = [finding for (subject, _), finding in found.items() if subject == "altimeter"]
    assert {fault.severity for fault in faults} == {"failure"}
    assert any("30 mm from the axis; expected 28.5 mm" in fault.text for fault in faults)  # the needle
    assert any("'40'" in fault.text and "lettering clear" in fault.text for fault in faults)


def test_every_finding_has_its_unit_and_every_bad_one_its_cure() -> None:
    for path in (DEMO, *sorted(HERE.glob("*.toml"))):
        for finding in check_panel(load_panel(path)):
            assert finding.text.endswith((".", "there."))
            assert (finding.value is None) == (finding.unit == "")
            assert finding.formula or finding.value is None
            if finding.severity in ("warning", "failure"):
                assert finding.cure.endswith("."), finding


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('geared_to = "hundreds"', 'geared_to = "minutes"', "gauges.altimeter"),
        ('geared_to = "hundreds"', 'geared_to = "ten_thousands"', "gauges.altimeter"),
        ('gears = ["36/12", "32/8"]', "gears = []", "gauges.altimeter.geared.thousands.gears"),
        ('gears = ["36/12", "32/8"]', 'gears = ["36/0"]', "gauges.altimeter.geared.thousands.gears"),
        ("[gauges.altimeter.geared.thousands]", "[gauges.altimeter.geared.hundreds]", "gauges.altimeter"),
    ],
)
def test_wheels_that_lead_nowhere_are_a_mistake_of_the_description(
    tmp_path: Path, old: str, new: str, key: str
) -> None:
    text = (HERE / "clockwork.toml").read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / "panel.toml"
    file.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(DescriptionErrors) as caught:
        load_panel(file)
    assert any(error.key.startswith(key) for error in caught.value.errors)


def test_what_a_servo_does_through_gears_is_worked_out_by_hand() -> None:
    found = checked(HERE / "weak-servo.toml")
    assert found["attitude.bank", "travel"].value == pytest.approx(360 / 3)
    assert found["attitude.bank", "servo speed"].value == pytest.approx(90 / 3)
    # 10 us of dead band where 1,900 us turn the servo 180 degrees, the horizon three times that.
    assert found["attitude.bank", "resolution"].value == pytest.approx(10 / 1900 * 180 * 3)


def test_a_falling_curve_takes_up_backlash_where_friction_holds_the_pointer(tmp_path: Path) -> None:
    points = "[hundreds]\nunit = 'ft'\npoints = [[0, 0], [500, 180], [1000, 360]]\n"
    falling = "falling = [[0, -5], [500, 175], [1000, 355]]\n"
    calibrated = ('instrument = "altimeter"', 'instrument = "altimeter"\ncalibration = "curve.toml"')
    loose = ("acceleration_steps_s2 = 4000", "acceleration_steps_s2 = 4000\nbacklash_deg = 3.5")
    heavy = ("channel = 0", "channel = 0\nunbalance_g_mm = 50")
    for text, changes, severity, words in (
        (points, (calibrated, loose), "warning", "falling curve"),
        (points + falling, (calibrated, loose), "ok", "falling curve"),
        (points + falling, (calibrated, loose, heavy), "warning", "drops it"),
    ):
        (tmp_path / "curve.toml").write_text(text, encoding="utf-8")
        found = changed(tmp_path, "clockwork.toml", *changes)
        backlash = found["altimeter.hundreds", "backlash"]
        assert backlash.value == pytest.approx((1.5 + 3.5) / 360 * 1000)
        assert backlash.severity == found["altimeter.hundreds", "at rest"].severity == severity
        assert words in backlash.text + backlash.cure


def test_a_step_is_held_against_half_a_mark(tmp_path: Path) -> None:
    face = "\n[[gauges.altimeter.face.scales]]\nlow = 0\nhigh = 1000\nmajor = 100\nminor = MINOR\n"
    text = (HERE / "clockwork.toml").read_text(encoding="utf-8")
    file = tmp_path / "panel.toml"
    for minor, severity in ((20, "ok"), (2, "ok"), (1, "ok")):
        file.write_text(text + face.replace("MINOR", str(minor)), encoding="utf-8")
        marks = checked(file)["altimeter.hundreds", "marks"]
        assert (marks.limit, marks.severity) == (minor / 2, severity)
    coarse = text.replace("microsteps = 2", 'microsteps = 1\ngear_train = ["1/8"]')
    file.write_text(coarse + face.replace("MINOR", "5"), encoding="utf-8")  # a step is 3.9 ft
    assert checked(file)["altimeter.hundreds", "marks"].severity == "warning"


def test_the_certified_altimeter_is_held_against_the_quickest_pointer_only() -> None:
    subjects = [subject for subject, check in checked(DEMO) if check == "certified"]
    assert subjects == ["altimeter.hundreds"]


def test_a_gauge_stepper_on_the_boards_pins_gets_five_volts(tmp_path: Path) -> None:
    changes = (
        ("geared-unipolar-5v", "gauge-stepper-315"),
        ('output = "four_wire"', 'output = "gauge_stepper"'),
        ("supply_a = 1.0", "supply_a = 1.0\nsupply_v = 12"),
    )
    found = changed(tmp_path, "clockwork.toml", *changes)
    assert found["altimeter.hundreds", "voltage"].severity == "ok"
    assert found["altimeter.hundreds", "driver current"].value == pytest.approx(5 / 280)
    assert found["altimeter.hundreds", "travel"].severity == "failure"  # it has stops


def test_an_assumed_rate_that_is_too_fast_names_the_key_to_write(tmp_path: Path) -> None:
    """A clock's hand: half the dial a second, for want of better."""
    declared = '[quantities.elapsed_time]\nunit = "s"\nlow = 0\nhigh = 86400\n[drives.geared]'
    clock = (
        ("[drives.geared]", declared),
        ('instrument = "altimeter"', 'instrument = "gauge"\noptions = { quantity = "elapsed_time" }'),
        ('"indicated_altitude"', '"elapsed_time"'),
        ("per_turn = 1000\n", "per_turn = 3600\n"),
        ("per_turn = 10000\n", "per_turn = 36000\n"),
        ("per_turn = 100000\n", "per_turn = 360000\n"),
    )
    speed = changed(tmp_path, "clockwork.toml", *clock)["altimeter.hundreds", "speed"]
    assert speed.severity == "failure"
    assert "write under [aircraft] fastest = { elapsed_time = ... }, in s per s." in speed.cure
    own = ("teeth = [10,", "aircraft.fastest = { elapsed_time = 1 }\nteeth = [10,")
    assert changed(tmp_path, "clockwork.toml", *clock, own)["altimeter.hundreds", "speed"].severity == "ok"


def test_the_report_has_the_time_until_each_board_and_the_panel_are_at_home() -> None:
    found = checked(DEMO)
    boards = {
        subject: f
        for (subject, check), f in found.items()
        if check == "homing" and subject.startswith("board ")
    }
    alone = [f.value for (subject, check), f in found.items() if check == "homing" and "." in subject]
    assert set(boards) == {"board left", "board centre", "board right"}
    assert (
        found["panel", "homing"].value
        == max(f.value for f in boards.values() if f.value)
        == max(filter(None, alone))
    )


def test_gauges_that_overlap_on_the_panel_are_noted(tmp_path: Path) -> None:
    """The demo's faces are discs of 80 mm, the altimeter's bezel is a square of 86 mm."""
    file = tmp_path / "config" / "panel.toml"
    shutil.copytree(DEMO.parent, file.parent)
    text = file.read_text(encoding="utf-8")
    for place, noted in (
        ("[142, 50]", set()),
        ("[131, 50]", set()),
        ("[129, 50]", {"airspeed"}),
        ("[152, 50]", {"altimeter"}),
    ):
        file.write_text(text.replace("place = [142, 50]", f"place = {place}"), encoding="utf-8")
        found = {subject: f for (subject, check), f in checked(file).items() if check == "place"}
        assert found.keys() == noted
        assert all("Overlaps attitude" in f.text and f.severity == "note" for f in found.values())


def test_a_knob_or_button_that_a_control_has_is_not_unused(config: Path) -> None:
    assert [each.text for each in check_panel(controlled(config)) if each.check == "input"] == []


@pytest.mark.parametrize(
    ("key", "value", "link"), [("port", "/dev/ttyUSB0", "serial"), ("topic", "a", "mqtt")]
)
def test_a_virtual_board_with_a_way_to_a_real_one_is_warned_of(
    tmp_path: Path, key: str, value: str, link: str
) -> None:
    config = tmp_path / "config"
    shutil.copytree(DEMO.parent, config)
    file = config / "panel.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("[boards.left]\n", f'[boards.left]\n{key} = "{value}"\n'), encoding="utf-8")
    found = checked(file)["board left", "link"]
    assert found.severity == "warning" and f"link = '{link}'" in found.cure
    assert ("board right", "link") not in checked(file)


def test_the_fastest_change_is_the_aircrafts_else_the_pointers_else_that_of_the_quantity(
    tmp_path: Path,
) -> None:
    config = tmp_path / "config"
    shutil.copytree(DEMO.parent, config)
    file = config / "panel.toml"
    text = file.read_text(encoding="utf-8")

    def fastest(text: str) -> tuple[float, str]:
        file.write_text(text, encoding="utf-8")
        panel = load_panel(file)
        case = pointer_case(panel, next(p for p in panel.pointers if p.key == "airspeed.needle"))
        return case.fastest, case.fastest_from

    assert fastest(text) == (10.0, "fastest of this pointer")
    own = "pointers.needle = { "
    head, _, rest = text.partition("[gauges.airspeed]\n")
    assert rest.count(own) >= 1
    slower = f"{head}[gauges.airspeed]\n{rest.replace(own, own + 'fastest = 7, ', 1)}"
    assert fastest(slower) == (7.0, "fastest of this pointer")
    aircraft = slower.replace("[aircraft]\n", "[aircraft]\nfastest = { indicated_airspeed = 5 }\n")
    assert fastest(aircraft) == (5.0, "aircraft.fastest")
