"""Lamps on the wiring sheet and in the check: resistors, currents, transistors, diodes."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.check.findings import Finding
from bridge.check.panel import check_panel
from bridge.hardware.microcontrollers import PARTS
from bridge.panel.hardware import BoardDescription, Coil, Led
from bridge.panel.hardware import LampOutput as Output
from bridge.wiring.lamps import E24, lamp_circuit, preferred_ohm
from bridge.wiring.sheet import BoardSheet, board_sheet, pin_currents_a
from tests.panel.test_lamps import panel

SMALL = PARTS["atmega328p"]
BOARD = BoardDescription(supply_v=12.0, channels={})
RED = Led(forward_v=2.0, current_a=0.01)
WHITE = Led(forward_v=3.1, current_a=0.015, strings=6)


def test_preferred_values_are_those_of_iec_60063() -> None:
    """IEC 60063, E24: the rounded 24th roots of ten, but for those that the standard keeps from history.

    2.7 to 4.7 and 8.2 differ from the formula there (from memory).
    """
    historical = {27, 30, 33, 36, 39, 43, 47, 82}
    for n, value in enumerate(E24):
        assert value in historical or value == round(10 * 10 ** (n / 24)), value
    assert [preferred_ohm(ohm) for ohm in (300.0, 300.5, 91.1, 9.5, 1900 / 15, 9101)] == [
        300, 330, 100, 10, 130, 10_000,
    ]  # fmt: skip


def test_a_small_lamp_hangs_on_its_pin_with_a_resistor_by_ohms_law() -> None:
    """(5 V - 2 V) / 10 mA = 300 ohm, which is in E24; 30 mW of heat."""
    circuit = lamp_circuit(Output(pin="A0", led=RED), BOARD, SMALL)
    assert (circuit.resistor_ohm, circuit.resistor_w, circuit.switched) == (300.0, 0.25, False)
    assert circuit.total_a == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("output", "ohm", "amps"),
    [
        (Output(pin="D6", led=WHITE), 130.0, 6 * 1.9 / 130),  # 90 mA at 5 V: more than a pin's 20 mA
        (Output(pin="D6", led=RED, supply="motors"), 1000.0, 0.01),  # 10 V / 10 mA
        (Output(pin="D6", led=RED.model_copy(update={"in_series": 5}), supply="motors"), 200.0, 0.01),
    ],
)
def test_a_transistor_carries_what_a_pin_cannot(output: Output, ohm: float, amps: float) -> None:
    circuit = lamp_circuit(output, BOARD, SMALL)
    assert circuit.switched
    assert circuit.resistor_ohm == ohm
    assert circuit.total_a == pytest.approx(amps)


def test_no_more_current_flows_than_is_wanted() -> None:
    for milliamps in range(1, 21):
        led = Led(forward_v=1.83, current_a=milliamps / 1000)
        circuit = lamp_circuit(Output(pin="A0", led=led), BOARD, SMALL)
        assert 0.9 * led.current_a < circuit.total_a <= led.current_a * (1 + 1e-9)


def test_a_coil_gets_a_transistor_and_its_flyback_diode(tmp_path: Path) -> None:
    drawn = sheet(tmp_path, (RED_TEXT, "coil = { resistance_ohm = 100 }"))
    parts = dict(drawn.parts)
    assert parts["diode 1N4007 class across the coil, its ring at plus"] == 1
    assert parts["logic-level N-channel MOSFET, fully on at 4.5 V, for 1 A or more"] == 1
    assert parts["resistor 10 kohm, 0.25 W, gate to ground"] == 1
    [load] = [load for load in drawn.loads if load.name == "flag low oil"]
    assert load.supply == "board" and load.current_a == pytest.approx(0.05)
    assert [(w.end, w.end_terminal) for w in drawn.wires if w.start_terminal == "D6"] == [
        ("switch 1", "gate, 100 ohm")
    ]
    assert Coil(resistance_ohm=100).resistance_ohm == 100


def sheet(folder: Path, *changes: tuple[str, str]) -> BoardSheet:
    described = panel(folder, *changes)
    return board_sheet(described.description, described.motors, "only")


def test_the_sheet_has_the_resistor_at_the_lamp_and_its_current_in_the_budget(tmp_path: Path) -> None:
    """3.1 V at 10 mA: 190 ohm, so 200; (5 - 3.1) V / 200 ohm = 9.5 mA. The red one takes 10 mA."""
    drawn = sheet(tmp_path)
    [back] = [wire for wire in drawn.wires if wire.start_terminal == "D9"]
    assert (back.end, back.end_terminal, back.carries) == ("lamp back", "+, 200 ohm", "lamp")
    assert back.current_a == pytest.approx(0.0095)
    lamps = {load.name: load.current_a for load in drawn.loads if load.name.startswith("lamp")}
    assert lamps == {"lamp back": pytest.approx(0.0095), "lamp low oil": pytest.approx(0.01)}
    pins = pin_currents_a(drawn.wires)
    assert pins["D9"] == pytest.approx(0.0095) and pins["D6"] == pytest.approx(0.01)


def found(folder: Path, *changes: tuple[str, str]) -> dict[tuple[str, str], Finding]:
    return {(each.subject, each.check): each for each in check_panel(panel(folder, *changes))}


RED_TEXT = "led = { forward_v = 2.0, current_a = 0.01 }"


def test_lamps_that_are_right_are_found_so(tmp_path: Path) -> None:
    findings = found(tmp_path)
    for key in (("lamp back", "resistor"), ("lamp back", "current"), ("board only", "port current")):
        assert findings[key].severity == "ok", findings[key]
    assert "200 ohm (0.25 W) leave 0.0095 A" in findings["lamp back", "resistor"].text
    assert findings["lamp back", "current"].limit == SMALL.pin_a
    unused = [each.text for each in check_panel(panel(tmp_path)) if each.check == "input"]
    assert unused == ["Nothing uses the button at input 1."], "the knob sets the backlight"


def test_diodes_that_the_supply_cannot_feed_are_a_failure_and_a_close_one_a_warning(tmp_path: Path) -> None:
    three = (RED_TEXT, "led = { forward_v = 2.0, current_a = 0.01, in_series = 3 }")
    failed = found(tmp_path, three)["lamp low_oil", "resistor"]
    assert failed.severity == "failure"
    assert "Its diodes take 6 V of 5 V" in failed.text and failed.cure
    close = (RED_TEXT, "led = { forward_v = 2.4, current_a = 0.01, in_series = 2 }")
    assert found(tmp_path, close)["lamp low_oil", "resistor"].severity == "warning"
    assert any("its diodes want 6 V" in line for line in sheet(tmp_path, three).warnings)


def test_ports_that_supply_too_much_together_are_reported(tmp_path: Path) -> None:
    """Eight lamps of 20 mA at D0 to D4 and A0 to A5 of an atmega328p: 160 mA, where 150 are the most."""
    pins = ("A0", "A1", "A2", "A3", "A4", "A5", "D4", "D3")
    lamp = "{{ pin = {!r}, led = {{ forward_v = 2.0, current_a = 0.02 }} }}"
    rows = "".join(f"{n} = {lamp.format(pin)}\n" for n, pin in enumerate(pins)).replace("'", '"')
    text = '0 = { pin = "D9", output = "dimmed", led = { forward_v = 3.1, current_a = 0.01 } }\n'
    own = f'1 = {{ pin = "D6", {RED_TEXT} }}\n'
    more = "".join(f'[lamps.more_{n}]\nboard = "only"\nlamp = {n}\n' for n in range(2, 8))
    findings = found(
        tmp_path,
        (text, rows),
        (own, ""),
        ('[boards.only.inputs]\n0 = { kind = "encoder", pins = ["A3", "A4"] }\n', ""),
        ('1 = { kind = "button", pins = ["A5"] }\n', ""),
        ("brightness = 0.8\nknob = { board = \"only\", input = 0 }\nfade_s = 1\nwhen_lost = 0.5\n", ""),
        ("[lamps.low_oil]", f"{more}[lamps.low_oil]"),
        ('["D2", "D3", "D4", "D5"]', '["D8", "D9", "D10", "D11"]'),
    )  # fmt: skip
    finding = findings["board only", "port current"]
    assert finding.severity == "failure"
    assert finding.value == pytest.approx(8 * 0.02)
    assert "bears 0.15 A there" in finding.text


def test_a_lamp_whose_reading_no_source_has_is_reported(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text(
        'kind = "keyvalue"\n[[fields]]\nkey = "rpm"\nquantity = "engine_speed"\nunit = "rpm"\n'
    )
    source = 'name = "x"\n[[sources]]\nlisten = "127.0.0.1:0"\nlayouts = ["own.toml"]\n[drives.sweep]'
    finding = found(tmp_path, ("[drives.sweep]", source))["lamp low_oil", "telemetry"]
    assert finding.severity == "failure" and "oil_pressure" in finding.text
