"""The wiring of a board: every pin once, currents that add up, warnings that fit."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.hardware.microcontrollers import PARTS
from bridge.panel.description import PanelDescription
from bridge.panel.hardware import BoardDescription
from bridge.panel.load import load_panel, shipped_motors
from bridge.wiring.devices import rating_a
from bridge.wiring.sheet import BOARD, SUPPLY, BoardSheet, board_sheet
from bridge.wiring.tables import tables
from tests.flight.test_geared import GEARS, QUICK_DRIVEN

DEMO = Path(__file__).parents[2] / "config" / "panel.toml"
BOARDS = ["left", "right", "centre"]


def panel() -> PanelDescription:
    return load_panel(DEMO).description


def sheet(board: str) -> BoardSheet:
    return board_sheet(panel(), shipped_motors(), board)


def pins(board: BoardDescription) -> list[str]:
    """Every pin that the description names, channel by channel."""
    found: list[str] = []
    for channel in board.channels.values():
        found += channel.pins
        found += [sensor.pin for sensor in (channel.index, channel.stop) if sensor]
    for knob in board.inputs.values():
        found += knob.pins
    found += [lamp.pin for lamp in board.lamps.values()]
    return found


@pytest.mark.parametrize("board", BOARDS)
def test_every_pin_of_the_description_is_once_in_the_table(board: str) -> None:
    described = Counter(pins(panel().boards[board]))
    connections = tables(sheet(board))[0]
    listed = Counter(row[1] for row in connections.rows if row[0] == BOARD and row[1] not in ("5V", "GND"))
    assert listed == described
    assert set(described.values()) == {1}


@pytest.mark.parametrize("board", BOARDS)
def test_the_motor_supply_s_wires_add_up_to_its_loads_out_and_back(board: str) -> None:
    drawn = sheet(board)
    out = sum(wire.current_a for wire in drawn.wires if wire.start == SUPPLY and wire.carries == "motor +")
    back = sum(
        wire.current_a
        for wire in drawn.wires
        if wire.start == SUPPLY and wire.carries == "ground" and wire.end != BOARD
    )
    assert out == pytest.approx(drawn.total_a("motors"))
    assert back == pytest.approx(out)


def test_the_sums_are_those_of_the_motors_counted_by_hand() -> None:
    """Three steppers of 2 x 0.1 A; one of 0.2 A and a stalled servo of 0.7 A; two stalled servos, and six
    strings of (5 - 3.1) V / 130 ohm.

    Board: 0.05 A itself; 0.02 A a sensor; 0.001 A a knob; 2 x 0.02 A a gauge stepper on its pins, 3 V / 300
    ohm a lamp.
    """
    motors = {board: sheet(board).total_a("motors") for board in BOARDS}
    assert motors == pytest.approx({"left": 0.6, "right": 0.9, "centre": 1.4 + 6 * 1.9 / 130})
    boards = {board: sheet(board).total_a("board") for board in BOARDS}
    assert boards == pytest.approx({"left": 0.111, "right": 0.15, "centre": 0.1})


def test_coil_wires_of_a_driver_carry_the_coil_s_current() -> None:
    coils = [wire for wire in sheet("left").wires if wire.carries == "coil"]
    assert len(coils) == 12
    assert {wire.current_a for wire in coils} == {0.1}


def test_everything_that_is_wired_is_on_the_list_of_parts() -> None:
    parts = dict(sheet("right").parts)
    assert parts["Darlington array with clamp diodes (ULN2003 class)"] == 1
    assert parts["small Schottky diode, pin to logic supply and ground to pin"] == 16
    assert parts["capacitor 470 uF, 10 V, across the servo's supply"] == 1
    assert parts["index sensor, open-collector or switch, active low"] == 1
    assert parts["fuse 2 A with holder, in the positive lead"] == 1
    assert sum(n for part, n in parts.items() if "gauge stepper" in part and "driver" not in part) == 2


@pytest.mark.parametrize("board", BOARDS)
def test_every_board_shares_its_ground_with_the_motor_supply_once(board: str) -> None:
    ties = [wire for wire in sheet(board).wires if (wire.start, wire.end) == (SUPPLY, BOARD)]
    assert [(tie.start_terminal, tie.end_terminal) for tie in ties] == [("-", "GND")]


@pytest.mark.parametrize("board", BOARDS)
def test_no_terminal_of_a_device_has_two_wires(board: str) -> None:
    ends = Counter((wire.end, wire.end_terminal) for wire in sheet(board).wires if wire.end != BOARD)
    assert set(ends.values()) == {1}


def changed(board: str, **changes: Any) -> BoardSheet:
    described = panel()
    altered = described.boards[board].model_copy(update=changes)
    boards = described.model_copy(update={"boards": described.boards | {board: altered}})
    return board_sheet(boards, shipped_motors(), board)


def test_a_supply_that_is_too_small_is_reported() -> None:
    assert any(
        "0.60 A with a quarter to spare are 0.75 A" in line for line in changed("left", supply_a=0.7).warnings
    )
    assert not changed("left", supply_a=0.75).warnings


def test_a_motor_on_the_wrong_voltage_is_reported() -> None:
    warnings = changed("left", supply_v=12.0).warnings
    assert len(warnings) == 3
    assert "altimeter hundreds: its motor is made for 5 V, its supply has 12 V" in warnings


def test_a_board_with_an_atmega2560_has_five_volts_and_pins_like_its_smaller_brother_s() -> None:
    """ATmega2560 data sheet, electrical characteristics: 20 mA a pin at 5 V (from memory)."""
    drawn = changed("right", part="atmega2560")
    assert {wire.start_terminal for wire in drawn.wires if wire.carries == "logic +"} == {"5V"}
    assert not drawn.warnings


def test_a_board_of_three_volts_feeds_its_sensors_with_three_and_spares_its_pins(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """RP2040 data sheet: pins are not 5 V tolerant and drive 12 mA at most (from memory)."""
    small = replace(PARTS["atmega328p"], name="rp2040", logic_v=3.3, pin_a=0.012)
    monkeypatch.setattr("bridge.wiring.sheet.PARTS", {"rp2040": small})
    drawn = changed("right", part="rp2040")
    assert {wire.start_terminal for wire in drawn.wires if wire.carries == "logic +"} == {"3V3"}
    assert "airspeed needle: a coil draws 20 mA, a pin of the rp2040 drives 12 mA" in " ".join(drawn.warnings)
    assert "airspeed needle: its motor is made for 5 V, its supply has 3.3 V" in drawn.warnings


def test_a_motor_of_unknown_current_is_reported() -> None:
    motors = shipped_motors()
    unknown = motors["micro-servo-180"].model_copy(update={"current_a": None})
    drawn = board_sheet(panel(), motors | {"micro-servo-180": unknown}, "centre")
    assert [w.split(",")[0] for w in drawn.warnings] == [
        "turn aeroplane: its current isn't known",
        "turn ball: its current isn't known",
    ]


def test_too_many_coils_straight_on_the_pins_are_reported() -> None:
    """ATmega328P data sheet: 200 mA through all pins at most (from memory); five gauge steppers draw 200."""
    described = panel()
    channel = described.boards["right"].channels[0]
    needle = described.gauges["airspeed"].pointers["needle"]
    gauge = described.gauges["airspeed"].model_copy(
        update={"pointers": {f"needle {i}": needle.model_copy(update={"channel": i}) for i in range(5)}}
    )
    board = described.boards["right"].model_copy(update={"channels": dict.fromkeys(range(5), channel)})
    full = described.model_copy(update={"gauges": {"engine": gauge}, "boards": {"right": board}})
    warnings = " ".join(board_sheet(full, shipped_motors(), "right").warnings)
    assert "coils and lamps straight on the board's pins draw 0.20 A" in warnings
    assert not sheet("right").warnings


def test_a_channel_without_a_pointer_keeps_its_pins_in_the_table() -> None:
    described = panel()
    gauges = {name: gauge for name, gauge in described.gauges.items() if name != "heading"}
    alone = board_sheet(described.model_copy(update={"gauges": gauges}), shipped_motors(), "right")
    assert "channel 2 has no pointer: its pins are listed, its motor is unknown" in alone.warnings
    wired = {wire.start_terminal for wire in alone.wires if wire.end == "channel 2"}
    assert wired == {"A0", "A1", "A2", "A3"}


def test_wires_behind_the_fuse_are_as_strong_as_the_fuse() -> None:
    """The right board's fuse is 2 A, though no motor on it draws more than 0.7."""
    drawn = sheet("right")
    assert drawn.needed_a == 2.0
    rows = tables(drawn)[0].rows
    assert {row[6] for row in rows if row[0] == SUPPLY} == {"0.5 mm² (20 AWG)"}
    assert {row[6] for row in rows if row[0] != SUPPLY} == {"0.25 mm² (24 AWG)"}


def test_a_gauge_stepper_s_wires_name_both_ends_of_each_coil() -> None:
    """As the pins are described: both ends of one coil, then of the other."""
    needle = [wire for wire in sheet("right").wires if wire.end == "airspeed needle motor"]
    assert [(wire.start_terminal, wire.end_terminal) for wire in needle] == [
        ("D2", "coil A+"), ("D3", "coil A-"), ("D4", "coil B+"), ("D5", "coil B-"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("load", "rating"), [(0.4, 0.5), (0.6, 1.0), (0.8, 1.0), (0.9, 2.0), (4.0, 5.0), (20.0, 25.0)]
)
def test_supply_and_fuse_are_the_next_usual_size_a_quarter_above(load: float, rating: float) -> None:
    assert rating_a(load) == rating


def test_index_mark_and_wheels_are_listed_with_arbor_angle_and_teeth(tmp_path: Path) -> None:
    """Hundreds to thousands by 50/10 and 20/10: the mark is on the slow arbor.

    Home is half a turn of the hundreds pointer, 500 ft: the thousands pointer is then at 18 degrees.
    """
    file = tmp_path / "panel.toml"
    words = GEARS.format(**QUICK_DRIVEN).replace("channel = 0\n", "channel = 0\nhome_deg = 180\n")
    file.write_text(words)
    loaded = load_panel(file)
    mounting = tables(board_sheet(loaded.description, loaded.motors, "bench"))[-1]
    assert mounting.title == "Mounting"
    assert mounting.rows == (
        (
            "index mark of channel 0",
            "the altimeter thousands arbor",
            "its sensor sees it come, turning clockwise, as altimeter hundreds is at 180 deg"
            " and altimeter thousands at 18 deg",
        ),
        (
            "altimeter thousands wheels",
            "from the altimeter hundreds arbor to the altimeter thousands arbor",
            "10 teeth on the altimeter hundreds arbor into 50 on arbor 1;"
            " 10 teeth on arbor 1 into 20 on the altimeter thousands arbor",
        ),
    )


@pytest.mark.parametrize("board", BOARDS)
def test_every_pointer_of_the_demo_has_its_home_on_the_sheet(board: str) -> None:
    rows = tables(sheet(board))[-1].rows
    described = panel()
    count = sum(p.board == board for gauge in described.gauges.values() for p in gauge.pointers.values())
    assert sum(" deg" in row[2] for row in rows) == count
