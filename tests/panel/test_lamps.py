"""Lamps as they are described: worked out, or refused with the cure."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.boards.messages import FULL_LEVEL, LampCapability, LampOutput
from bridge.errors import BridgeError
from bridge.instruments.condition import Condition
from bridge.panel.load import Panel, load_panel
from tests.flight.one_gauge import one_gauge

OUTPUTS = """
[boards.only.lamps]
0 = { pin = "D9", output = "dimmed", led = { forward_v = 3.1, current_a = 0.01 } }
1 = { pin = "D6", led = { forward_v = 2.0, current_a = 0.01 } }
[boards.only.inputs]
0 = { kind = "encoder", pins = ["A3", "A4"] }
1 = { kind = "button", pins = ["A5"] }
"""
LAMPS = """
[lamps.back]
board = "only"
lamp = 0
brightness = 0.8
knob = { board = "only", input = 0 }
fade_s = 1
when_lost = 0.5
[lamps.low_oil]
board = "only"
lamp = 1
when = "oil_pressure < 20 psi"
hysteresis = 5
delay_s = 2
"""


def panel(folder: Path, *changes: tuple[str, str]) -> Panel:
    text = one_gauge("sweep") + OUTPUTS + LAMPS
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    file = folder / "panel.toml"
    file.write_text(text)
    return load_panel(file)


def test_a_backlight_and_an_annunciator_are_worked_out(tmp_path: Path) -> None:
    back, oil = panel(tmp_path).lamps
    assert back.capability == LampCapability(LampOutput.DIMMED, 12_071)  # L* 50, see test_lightness
    assert (back.condition, back.quantities, back.fade_s) == (None, frozenset(), 1.0)
    assert oil.capability == LampCapability(LampOutput.SWITCHED, 0)
    assert oil.condition == Condition("oil_pressure", False, 20.0, 5.0, 2.0)
    assert (oil.level(0.0), oil.level(1.0)) == (0, FULL_LEVEL)


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([('board = "only"\nlamp = 0', 'board = "onyl"\nlamp = 0')], ["lamps.back.board", "mean only"]),
        ([("lamp = 1", "lamp = 2")], ["lamps.low_oil.lamp", "lamp 2", "boards.only.lamps.2"]),
        ([("lamp = 1", "lamp = 0")], ["which lamps.back has", "boards.only.lamps.1", "without a lamp"]),
        ([("oil_pressure <", "oil_presure <")], ["lamps.low_oil.when", "oil_presure"]),
        ([("20 psi", "20 kt")], ["lamps.low_oil.when", "'kt'"]),
        ([("fade_s = 1", "fade_s = 11")], ["lamps.back.fade_s"]),
        ([("when_lost = 0.5", "when_lost = 1.5")], ["lamps.back.when_lost"]),
        (
            [("hysteresis = 5", "hysteresis = 5\nwhen_lost = 0.5")],
            ["lamps.low_oil.when_lost", "0.5 for a lamp that is only switched", 'output = "dimmed"'],
        ),
        ([("brightness = 0.8", 'brightness = "lightning"')], ["lamps.back.brightness", "lightning"]),
        ([("brightness = 0.8", 'brightness = "pitch"')], ["pitch beside a knob"]),
        ([("input = 0 }", "input = 1 }")], ["lamps.back.knob.input", "an encoder"]),
        ([('pin = "D9"', 'pin = "D8"')], ["boards.only.lamps.0.pin", "D8 for a dimmed", "D5, D6, D9, D10"]),
        ([('pin = "D6"', 'pin = "D5"')], ["boards.only.lamps.1.pin", "which channels.0 has"]),
        ([('pin = "D6"', 'pin = "D66"')], ["boards.only.lamps.1.pin", "a pin of an atmega328p"]),
        ([('1 = { pin = "D6"', '2 = { pin = "D6"')], ["lamps [0, 2]", "without a gap"]),
        ([("led = { forward_v = 2.0, current_a = 0.01 }", 'supply = "board"')], ["neither led nor coil"]),
        (
            [("led = { forward_v = 3.1, current_a = 0.01 }", "coil = { resistance_ohm = 100 }")],
            ["a dimmed coil"],
        ),
    ],
)
def test_what_is_wrong_is_refused_with_its_place_and_cure(
    pairs: list[tuple[str, str]], words: list[str], tmp_path: Path
) -> None:
    with pytest.raises(BridgeError) as raised:
        panel(tmp_path, *pairs)
    for word in words:
        assert word in str(raised.value)


def test_a_lamp_is_not_dimmed_by_the_timer_of_a_servo(tmp_path: Path) -> None:
    stepper = 'output = "gauge_stepper", pins = ["D2", "D3", "D4", "D5"], homing = "sweep"'
    servo = (stepper, 'output = "servo", pins = ["D10"]')
    drive = ('motor = "gauge-stepper-315"', 'motor = "micro-servo-180"')
    with pytest.raises(BridgeError, match="of the timer that makes the pulses of the servo at D10") as raised:
        panel(tmp_path, servo, drive)
    assert "Choose one of D5, D6" in str(raised.value)
