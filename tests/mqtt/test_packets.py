"""Packets of MQTT 3.1.1: the standard's own examples, another library's bytes, and whatever may come."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from bridge.mqtt import packets
from bridge.mqtt.packets import MOST_BYTES, Message, Packet, PacketError, PacketReader
from bridge.mqtt.topics import is_topic


class Wire(Client):
    """paho-mqtt, whose packets are kept rather than sent."""

    def __init__(self, client_id: str) -> None:
        super().__init__(CallbackAPIVersion.VERSION2, client_id)
        self.wire: list[bytes] = []

    def _packet_queue(self, command: int, packet: bytes, *rest: object) -> int:  # type: ignore[override]
        self.wire.append(bytes(packet))
        return 0


def test_remaining_lengths_are_those_of_the_standard() -> None:
    """MQTT 3.1.1, table 2.4: the ends of one, two and three digits."""
    for size, digits in (
        (127, "7f"),
        (128, "8001"),
        (16_383, "ff7f"),
        (16_384, "808001"),
    ):
        topic = "a/b"
        packet = packets.publish(topic, bytes(size - 2 - len(topic)))
        assert packet[1 : 1 + len(digits) // 2].hex() == digits


def test_publish_is_the_standards_example() -> None:
    """MQTT 3.1.1, 3.3.2.3: topic a/b; here at QoS 0, so without a packet identifier."""
    assert packets.publish("a/b", b"") == bytes.fromhex("30 05 00 03 61 2f 62")


@pytest.mark.parametrize(("user", "password"), [(None, None), ("me", None), ("me", "secret")])
def test_connect_has_the_bytes_of_another_library(user: str | None, password: str | None) -> None:
    other = Wire("pb1")
    if user is not None:
        other.username_pw_set(user, password)
    other._send_connect(30)
    assert packets.connect("pb1", 30, user, password) == other.wire[0]


def test_subscribe_has_the_bytes_of_another_library() -> None:
    other = Wire("pb1")
    other._send_subscribe(False, [(b"p/+/from", 0), (b"q", 0)])
    (theirs,) = other.wire
    assert packets.subscribe(int.from_bytes(theirs[2:4], "big"), ["p/+/from", "q"]) == theirs


@given(st.lists(st.binary(max_size=200), max_size=5), st.integers(1, 50))
def test_packets_come_out_as_they_went_in_however_they_are_cut(payloads: list[bytes], cut: int) -> None:
    data = b"".join(packets.publish("p/left/from", payload) for payload in payloads)
    reader = PacketReader()
    found = [p for i in range(0, len(data), cut) for p in reader.feed(data[i : i + cut])]
    assert [packets.message(p) for p in found] == [Message("p/left/from", p, False) for p in payloads]


@given(st.binary(max_size=300))
def test_whatever_comes_is_packets_or_a_packet_error(data: bytes) -> None:
    reader = PacketReader()
    try:
        for packet in reader.feed(data):
            if packet.type == packets.PUBLISH:
                packets.message(packet)
    except PacketError:
        pass


def test_a_packet_of_256_mb_is_skipped_as_it_comes_and_kept_nowhere() -> None:
    reader = PacketReader()
    size = 268_435_455  # the most that four digits can announce (table 2.4)
    assert not list(reader.feed(b"\x30\xff\xff\xff\x7f"))
    piece = bytes(1_000_000)
    for _ in range(size // len(piece)):
        assert not list(reader.feed(piece))
        assert len(reader._buffer) == 0
    rest = bytes(size % len(piece))
    assert list(reader.feed(rest + packets.publish("a", b"x"))) == [Packet(packets.PUBLISH, 0, b"\0\1ax")]
    assert reader.oversized == 1


def test_a_packet_just_within_the_bound_is_read_and_one_beyond_it_is_not() -> None:
    reader = PacketReader()
    room = MOST_BYTES - 3
    assert len(list(reader.feed(packets.publish("a", bytes(room))))) == 1
    assert len(list(reader.feed(packets.publish("a", bytes(room + 1))))) == 0
    assert reader.oversized == 1


@pytest.mark.parametrize("topic", ["a", "pointer-bridge/left", "class.1/readings", "A/b_c/0"])
def test_plain_names_are_topics(topic: str) -> None:
    assert is_topic(topic)


@pytest.mark.parametrize(
    "topic", ["", "/a", "a/", "a//b", "a/+", "#", "$SYS/a", "a\0b", "a b", "ä", "../a", "a" * 121, "a\n"]
)
def test_wild_cards_and_what_could_harm_are_no_topics(topic: str) -> None:
    assert not is_topic(topic)
