"""MAVLink: frames that pymavlink made, frames by hand after the published format, and whatever else comes.

Serialization: mavlink.io/en/guide/serialization.html; fields and units: mavlink.io/en/messages/common.html.
Foot 0.3048 m, nautical mile 1852 m (NIST SP 811).
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymavlink.dialects.v10 import common as v1
from pymavlink.dialects.v20 import common as v2
from structlog.testing import capture_logs

from bridge.errors import DescriptionErrors, TelemetryError
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.decoder import Decoded, Decoder
from bridge.telemetry.layout import Layout, load_layout, make_layout
from bridge.telemetry.mavlink import MavlinkDecoder
from bridge.telemetry.mavlink_description import Mavlink
from bridge.telemetry.mavlink_messages import MESSAGES
from bridge.telemetry.monitor import lines
from bridge.telemetry.udp import UdpSource
from tests.telemetry.mavlink_frames import MAVLINK_EXAMPLE, MAVLINK_ZERO, mavlink_frame

KT = 3600 / 1852
FT = 1 / 0.3048
LIVE = ("127.0.0.1", 40_000)


def usual(**keys: Any) -> Layout:
    return make_layout(Mavlink(kind="mavlink", **keys), Path("simulator.toml"))


def decode(decoder: Decoder, datagram: bytes) -> Decoded:
    decoded = decoder.decode(datagram)
    assert isinstance(decoded, Decoded)
    return decoded


def made(dialect: Any, message: Any, system: int = 1, component: int = 1) -> bytes:
    """This message as pymavlink sends it."""
    sender = dialect.MAVLink(None, srcSystem=system, srcComponent=component)
    return bytes(message.pack(sender))


def cause(datagram: bytes, decoder: Decoder | None = None) -> str:
    with pytest.raises(TelemetryError) as raised:
        (decoder or usual().decoder()).decode(datagram)
    return raised.value.cause


@pytest.mark.parametrize("name", MESSAGES)
def test_every_message_is_as_pymavlink_generates_it_from_the_published_definitions(name: str) -> None:
    ours, theirs = MESSAGES[name], getattr(v2, f"MAVLink_{name.lower()}_message")
    assert (ours.number, ours.seed) == (theirs.id, theirs.crc_extra)
    lengths = dict(zip(theirs.ordered_fieldnames, theirs.array_lengths, strict=True))
    assert list(ours.fields) == [field for field in theirs.ordered_fieldnames if not lengths[field]]
    assert ours.struct.size == struct.calcsize(theirs.unpacker.format)


def test_the_published_example_frames() -> None:
    decoder = usual().decoder()
    decoded = decode(decoder, MAVLINK_EXAMPLE)
    assert decoded.readings == pytest.approx(
        {"indicated_airspeed": 51.5 * KT, "vertical_speed": 2.54 * FT * 60}
    )
    assert decoded.source_time_s is None  # VFR_HUD has no time
    assert decode(decoder, MAVLINK_ZERO).readings == {"indicated_airspeed": 0.0, "vertical_speed": 0.0}


@pytest.mark.parametrize("dialect", [v1, v2], ids=["version 1", "version 2"])
def test_frames_of_both_versions_that_pymavlink_made(dialect: Any) -> None:
    decoder = usual().decoder()
    attitude = dialect.MAVLink_attitude_message(120_500, -0.25, 0.1, -math.pi / 2, 0.02, -0.01, 0.05)
    decoded = decode(decoder, made(dialect, attitude))
    assert decoded.source_time_s == 120.5
    angles = {
        "bank": -0.25,
        "pitch": 0.1,
        "heading_true": 1.5 * math.pi,
        "roll_rate": 0.02,
        "pitch_rate": -0.01,
    }
    expected = {name: math.degrees(radians) for name, radians in (angles | {"yaw_rate": 0.05}).items()}
    assert decoded.readings == pytest.approx(expected, rel=1e-6)
    pressure = dialect.MAVLink_scaled_pressure_message(120_600, 843.07, 12.5, 2150)
    assert decode(decoder, made(dialect, pressure)).readings == pytest.approx({"static_pressure": 843.07})
    place = dialect.MAVLink_global_position_int_message(
        1, 470_000_000, 80_000_000, 1_524_000, 0, 0, 0, -250, 9000
    )
    assert decode(decoder, made(dialect, place)).readings == pytest.approx({"geometric_altitude": 5000.0})


def test_frames_that_are_together_in_a_datagram_are_all_read() -> None:
    attitude = v2.MAVLink_attitude_message(7000, 0.5, 0, 0, 0, 0, 0)
    heartbeat = v2.MAVLink_heartbeat_message(1, 3, 0, 0, 4, 3)
    decoded = decode(usual().decoder(), made(v2, heartbeat) + MAVLINK_EXAMPLE + made(v2, attitude))
    assert decoded.readings["bank"] == pytest.approx(math.degrees(0.5))
    assert decoded.readings["indicated_airspeed"] == pytest.approx(51.5 * KT)
    assert decoded.source_time_s == 7.0


def test_a_message_that_no_gauge_needs_is_no_trouble_and_no_telemetry() -> None:
    source = UdpSource("127.0.0.1", 0, [usual()], clock=lambda: 1.0)
    source.received(made(v2, v2.MAVLink_heartbeat_message(1, 3, 0, 0, 4, 3)), LIVE)
    (sender,) = source.senders
    assert (sender.unused, dict(sender.causes), sender.readings) == (0, {}, {})


def test_what_the_sender_does_not_know_is_left_out() -> None:
    """The most of a whole number's type, and NaN, mean that a field is not known (common.xml, "invalid")."""
    course = struct.pack("<QiiiHHHHBB", 1, 0, 0, 0, 0, 0, 0, 65_535, 3, 9)
    assert decode(usual().decoder(), mavlink_frame(24, course)).readings == {}
    hud = struct.pack("<ffffhH", math.nan, 0.0, 0.0, 1.0, 0, 0)
    assert decode(usual().decoder(), mavlink_frame(74, hud)).readings == pytest.approx(
        {"vertical_speed": 60 * FT}
    )


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (lambda frame: frame[:-1], "short"),
        (lambda frame: frame[:5], "short"),
        (lambda frame: frame[:12] + b"\x99" + frame[13:], "checksum"),
        (lambda frame: b"\x55" + frame[1:], "begins otherwise"),
        (lambda frame: b"", "begins otherwise"),
        (lambda frame: mavlink_frame(74, bytes(20), flags=0x02), "unknown flags"),
        (lambda frame: mavlink_frame(74, bytes(20), flags=0x03), "unknown flags"),
        (lambda frame: mavlink_frame(74, bytes(20), flags=0x01) + bytes(13), "signed"),
        (lambda frame: frame * 200, None),
    ],
)
def test_what_can_not_be_trusted_is_refused_and_counted(
    change: Callable[[bytes], bytes], found: str | None
) -> None:
    source = UdpSource("127.0.0.1", 0, [usual()], clock=lambda: 1.0)
    source.received(change(MAVLINK_EXAMPLE), LIVE)
    (sender,) = source.senders
    if found is None:  # what was good is used
        assert dict(sender.causes) == {"too many frames": 1}
        assert sender.readings
    else:
        assert dict(sender.causes) == {found: 1}
        assert not sender.readings


def test_a_frame_that_pymavlink_signed_is_refused_and_the_one_after_it_read() -> None:
    sender = v2.MAVLink(None, srcSystem=1, srcComponent=1)
    sender.signing.secret_key = bytes(range(32))
    sender.signing.sign_outgoing = True
    signed = bytes(v2.MAVLink_attitude_message(1, 0.5, 0, 0, 0, 0, 0).pack(sender))
    assert cause(signed) == "signed"
    decoded = decode(usual().decoder(), signed + MAVLINK_EXAMPLE)
    assert [error.cause for error in decoded.dropped] == ["signed"]
    assert set(decoded.readings) == {"indicated_airspeed", "vertical_speed"}


def banked(radians: float, system: int, component: int = 1) -> bytes:
    return made(v2, v2.MAVLink_attitude_message(1000, radians, 0, 0, 0, 0, 0), system, component)


def test_of_several_systems_of_one_sender_the_first_with_readings_is_followed_and_named() -> None:
    source = UdpSource("127.0.0.1", 0, [usual()], clock=lambda: 1.0)
    with capture_logs() as logs:
        source.received(made(v2, v2.MAVLink_heartbeat_message(6, 8, 0, 0, 4, 3), 255, 190), LIVE)
        for system in (3, 7, 3):
            source.received(banked(system / 10, system), LIVE)
    (sender,) = source.senders
    assert sender.readings["bank"] == pytest.approx(math.degrees(0.3))
    assert dict(sender.causes) == {"another system": 1}
    assert [line["follows"] for line in logs if line["event"] == "following"] == ["system 3, component 1"]
    assert "layout simulator (system 3, component 1)" in "".join(lines([source], CATALOGUE, 1.0))
    after = UdpSource("127.0.0.1", 0, [usual()], clock=lambda: 1.0)
    after.remember(source)
    after.received(banked(0.7, 7), LIVE)
    assert dict(after.senders[0].causes) == {"another system": 1}


def test_a_layout_chooses_system_and_component() -> None:
    decoder = usual(system=7, component=154).decoder()
    assert cause(banked(0.1, 3, 154), decoder) == "another system"
    assert cause(banked(0.1, 7, 1), decoder) == "another component"
    assert decode(decoder, banked(0.1, 7, 154)).readings["bank"] == pytest.approx(math.degrees(0.1))


def test_two_layouts_follow_two_systems_of_one_sender() -> None:
    first = make_layout(Mavlink(kind="mavlink", system=1, name="first"), Path("x"))
    second = make_layout(Mavlink(kind="mavlink", system=2, name="second"), Path("x"))
    source = UdpSource("127.0.0.1", 0, [first, second], clock=lambda: 1.0)
    source.received(banked(0.2, 2), LIVE)
    (sender,) = source.senders
    assert (sender.layout, sender.unused) == ("second", 0)


@pytest.mark.parametrize(
    ("field", "key", "cure"),
    [
        ('message = "ATITUDE"\nfield = "roll"\nquantity = "bank"', "fields.0.message", "ATTITUDE"),
        ('message = "ATTITUDE"\nfield = "rol"\nquantity = "bank"', "fields.0.field", "roll"),
        ('message = "ATTITUDE"\nfield = "roll"\nquantity = "time"', "fields.0.quantity", "Take it out"),
    ],
)
def test_a_mistake_in_a_layout_is_named(tmp_path: Path, field: str, key: str, cure: str) -> None:
    file = tmp_path / "own.toml"
    unit = "s" if "time" in field else "rad"
    file.write_text(f'kind = "mavlink"\n[[fields]]\n{field}\nunit = "{unit}"\n', encoding="utf-8")
    with pytest.raises(DescriptionErrors) as raised:
        load_layout(file)
    (error,) = raised.value.errors
    assert (error.key, cure in error.cure) == (key, True)


def test_the_usual_numbers_are_listed_where_a_builder_looks() -> None:
    named = set(re.findall(r"`([A-Z_]+)\.([a-z_]+)`", Mavlink.__doc__ or ""))
    assert named == {(number.message, number.field) for number in Mavlink(kind="mavlink").fields}


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """Good frames of a few messages, with bytes changed, left out or put between."""
    frames = [MAVLINK_EXAMPLE, MAVLINK_ZERO, banked(0.1, 1), mavlink_frame(74, bytes(20), version=1)]
    datagram = bytearray(b"".join(draw(st.lists(st.sampled_from(frames), min_size=1, max_size=4))))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(datagram) - 1))
        datagram[at : at + draw(st.integers(0, 2))] = draw(st.binary(max_size=3))
        if not datagram:
            break
    return bytes(datagram)


@given(st.one_of(damaged(), st.binary(max_size=400)))
def test_no_bytes_raise_anything_but_a_telemetry_error_or_give_what_is_no_reading(datagram: bytes) -> None:
    decoder = usual().decoder()
    assert isinstance(decoder, MavlinkDecoder)
    try:
        decoded = decode(decoder, datagram)
    except TelemetryError as error:
        assert error.cause and len(str(error)) < 600
        return
    assert all(math.isfinite(value) for value in decoded.readings.values())


@given(
    st.tuples(*[st.floats(-3.140625, 3.140625, width=32)] * 3),
    st.integers(0, 2**32 - 1),
    st.sampled_from([v1, v2]),
)
def test_any_attitude_that_pymavlink_sends_is_read(
    angles: tuple[float, float, float], time_ms: int, dialect: Any
) -> None:
    roll, pitch, yaw = angles[0], angles[1] / 2.1, angles[2]
    frame = made(dialect, dialect.MAVLink_attitude_message(time_ms, roll, pitch, yaw, 0, 0, 0))
    decoded = decode(usual().decoder(), frame)
    assert decoded.source_time_s == time_ms / 1000
    for name, radians in (("bank", roll), ("pitch", pitch), ("heading_true", yaw)):
        off = (decoded.readings[name] - math.degrees(radians) + 180) % 360 - 180
        assert abs(off) < 1e-4, name
