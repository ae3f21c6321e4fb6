"""Commands as they are sent: what a decoder reads of them is what was put in."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.conversion import make_measure
from bridge.telemetry.decoder import Decoded
from bridge.telemetry.encoder import Encoder, Number
from bridge.telemetry.layout import make_layout
from bridge.telemetry.layout_description import Packed


def number(quantity: str, unit: str, scale: float = 1.0, **more: object) -> Number:
    measure = make_measure(quantity, unit, CATALOGUE, scale)
    return Number(
        measure, str(more.get("name", "")), int(str(more.get("decimals", 2))), str(more.get("type", ""))
    )


def test_a_text_has_each_number_in_its_unit() -> None:
    """1 inHg = 33.86389 hPa (NIST SP 811)."""
    numbers = (
        number("altimeter_setting", "hPa", name="setting", decimals=1),
        number("heading_magnetic", "deg", name="bug", decimals=0),
    )
    encoder = Encoder("QNH {setting} {{HDG}} {bug}\n", "", "little", numbers)
    sent = encoder.encode({"altimeter_setting": 29.92, "heading_magnetic": 270.4})
    assert sent == b"QNH 1013.2 {HDG} 270\n"


def test_packed_numbers_follow_each_other() -> None:
    numbers = (
        number("altimeter_setting", "inHg", 0.01, type="uint16"),
        number("heading_magnetic", "deg", type="float32"),
    )
    encoder = Encoder(None, "0x434d", "big", numbers)
    sent = encoder.encode({"altimeter_setting": 29.92, "heading_magnetic": 270.0})
    assert sent == b"CM" + struct.pack(">Hf", 2992, 270.0)


@pytest.mark.parametrize(("kind", "low", "high"), [("uint8", 0, 255), ("int16", -32_768, 32_767)])
def test_a_whole_number_is_held_within_its_type(kind: str, low: int, high: int) -> None:
    encoder = Encoder(None, "", "little", (number("vertical_speed", "ft/min", type=kind),))
    code = {"uint8": "<B", "int16": "<h"}[kind]
    assert struct.unpack(code, encoder.encode({"vertical_speed": 60_000.0})) == (high,)
    assert struct.unpack(code, encoder.encode({"vertical_speed": -60_000.0})) == (low,)


@given(st.floats(25.0, 33.0), st.sampled_from(["hPa", "inHg", "Pa"]), st.sampled_from([1.0, 0.1, -1.0]))
def test_what_is_sent_is_read_back_by_a_layout_of_the_same_numbers(
    value: float, unit: str, scale: float
) -> None:
    encoder = Encoder(None, "", "little", (number("altimeter_setting", unit, scale, type="float64"),))
    field = {"quantity": "altimeter_setting", "unit": unit, "scale": scale, "offset": 0, "type": "float64"}
    described = Packed.model_validate({"kind": "binary", "byte_order": "little", "fields": [field]})
    decoded = make_layout(described, Path("x")).decoder().decode(encoder.encode({"altimeter_setting": value}))
    assert isinstance(decoded, Decoded)
    assert decoded.readings["altimeter_setting"] == pytest.approx(value)
