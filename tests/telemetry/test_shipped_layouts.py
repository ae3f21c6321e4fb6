"""The shipped layouts read the datagrams that they explain.

Units by hand: international foot 0.3048 m, nautical mile 1852 m, 1 inHg = 3386.389 Pa as in NIST SP 811.
"""

from __future__ import annotations

import math
import struct

import pytest

from bridge.errors import TelemetryError
from bridge.telemetry.decoder import Decoded, Labels
from bridge.telemetry.layout import load_layout
from tests.telemetry.written import DATA, EXAMPLES


def test_what_jsbsim_itself_sends_is_read_by_the_shipped_layout() -> None:
    """Bytes captured from jsbsim's socket output; factors by hand: 1 psf = 47.88026 Pa (NIST SP 811)."""
    decoder = load_layout(EXAMPLES / "labelled-text.toml").decoder()
    first, labels, later = ((DATA / f"jsbsim-udp-{n}.bin").read_bytes() for n in ("first", "labels", "later"))
    with pytest.raises(TelemetryError, match="waiting for labels"):
        decoder.decode(first)
    named = decoder.decode(labels)
    assert isinstance(named, Labels)
    assert named.dropped == ()
    at_start = decoder.decode(first)
    assert isinstance(at_start, Decoded)
    assert at_start.source_time_s == 0
    assert at_start.readings["pressure_altitude"] == 10309.86
    assert at_start.readings["heading_true"] == 270
    decoded = decoder.decode(later)
    assert isinstance(decoded, Decoded)
    assert decoded.dropped == ()
    assert decoded.source_time_s == 3.3
    assert decoded.readings["static_pressure"] == pytest.approx(1435.987 * 0.4788026, rel=1e-6)
    assert decoded.readings["sea_level_setting"] == pytest.approx(2130.273 * 47.88026 / 3386.389, rel=1e-6)
    assert decoded.readings["vertical_speed"] == pytest.approx(20.86012 * 60)
    assert decoded.readings["roll_rate"] == pytest.approx(math.degrees(-0.01416068))
    assert decoded.readings["calibrated_airspeed"] == 80.85034
    assert decoded.readings["geometric_altitude"] == 10519.73


def test_the_shipped_key_and_value_layout_reads_the_datagram_that_it_explains() -> None:
    layout = load_layout(EXAMPLES / "keyvalue.toml")
    datagram = b"AIR t_ms=120500;alt_m=652.3;qnh_hpa=1009.1;ias_kmh=166.7;vs_ms=2.5;hdg=358.2\n"
    decoded = layout.decoder().decode(datagram)
    assert isinstance(decoded, Decoded)
    assert decoded.source_time_s == pytest.approx(120.5)
    assert decoded.readings == pytest.approx(
        {
            "pressure_altitude": 652.3 / 0.3048,
            "altimeter_setting": 100_910 / 3386.389,
            "indicated_airspeed": 166.7 / 1.852,
            "vertical_speed": 2.5 / 0.3048 * 60,
            "heading_magnetic": 358.2,
        }
    )


def test_the_shipped_json_layout_reads_the_datagram_that_it_explains() -> None:
    text = (EXAMPLES / "json.toml").read_text(encoding="utf-8")
    datagram = "".join(line.lstrip("# ") for line in text.splitlines()[2:4])
    decoded = load_layout(EXAMPLES / "json.toml").decoder().decode(datagram.encode())
    assert isinstance(decoded, Decoded)
    assert decoded.source_time_s == 120.5
    assert decoded.readings == pytest.approx(
        {
            "pressure_altitude": 2140, "indicated_airspeed": 62,
            "pitch": 3.1, "bank": 12, "heading_true": 187.5,
            "engine_speed": 2310, "oil_pressure": 61, "oil_temperature": (180 - 32) * 5 / 9,
        }
    )  # fmt: skip


def test_the_shipped_packed_layout_reads_the_datagram_that_it_explains() -> None:
    datagram = b"LKM1" + struct.pack("<IdfhHhh", 120_500, 652.272, 46.3, -250, 49_152, -1250, 0)
    decoded = load_layout(EXAMPLES / "packed.toml").decoder().decode(datagram)
    assert isinstance(decoded, Decoded)
    assert decoded.source_time_s == pytest.approx(120.5)
    assert decoded.readings == pytest.approx(
        {
            "pressure_altitude": 2140, "indicated_airspeed": 90, "vertical_speed": -2.5 / 0.3048 * 60,
            "heading_magnetic": 270, "bank": -12.5,
        }
    )  # fmt: skip


def test_the_shipped_groups_layout_reads_groups_in_any_order_and_over_several_datagrams() -> None:
    decoder = load_layout(EXAMPLES / "groups.toml").decoder()
    attitude = struct.pack(">H4f", 613, math.pi / 2, -0.2, 7, 0.1)
    height = struct.pack(">H4f", 742, 2.0, 0, 652.272, 0)
    first = decoder.decode(b"GRP\x01" + attitude + struct.pack(">H4f", 77, 1, 2, 3, 4) + height)
    assert isinstance(first, Decoded)
    assert first.readings == pytest.approx(
        {
            "pitch": math.degrees(0.1), "bank": math.degrees(-0.2), "heading_true": 90,
            "geometric_altitude": 2140, "vertical_speed": 2 / 0.3048 * 60,
        },
        rel=1e-6,
    )  # fmt: skip
    second = decoder.decode(b"GRP\x01" + struct.pack(">H4f", 500, 0, 2300, 0, 5.5))
    assert second == Decoded({"engine_speed": 2300}, 5.5)
