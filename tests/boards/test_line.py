"""Framing on a serial line against published check values, its own rule, and any bytes at all."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.boards import codec, line, messages
from tests.boards.test_codec import any_message, u8


def test_the_crc_has_the_check_value_of_the_catalogue() -> None:
    """Source: catalogue of parametrised CRC algorithms (G. Cook), CRC-16/IBM-3740, check 0x29B1."""
    assert line.crc16(b"123456789") == 0x29B1


def by_the_definition_of_the_crc(data: bytes) -> int:
    """Bit by bit: polynomial 0x1021, initial 0xFFFF, most significant bit first, no final exclusive or."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def by_the_rule_of_cobs(data: bytes) -> bytes:
    """Cheshire and Baker, Consistent Overhead Byte Stuffing, SIGCOMM 1997, section 3, for up to 253 bytes.

    Each run of non-zero bytes is preceded by its length plus one; the zero after it is left out.
    """
    return b"".join(bytes([len(run) + 1]) + run for run in data.split(b"\0"))


@given(any_message, u8)
def test_the_line_carries_cobs_of_payload_and_crc_and_one_zero(
    message: messages.Message, sequence: int
) -> None:
    payload = codec.encode(message, sequence)
    got = line.to_line(payload)
    checked = payload + struct.pack("<H", by_the_definition_of_the_crc(payload))
    assert got == by_the_rule_of_cobs(checked) + b"\0"
    assert got.count(b"\0") == 1


@given(st.lists(st.binary(max_size=700), max_size=8))
def test_any_bytes_leave_the_reader_whole_and_bounded(pieces: list[bytes]) -> None:
    reader = line.FrameReader()
    for piece in pieces:
        reader.feed(piece)
        assert len(reader._rest) <= messages.MAX_PAYLOAD + 3
    reader.feed(b"\0")  # ends whatever was open
    payload = codec.encode(messages.Query(), 5)
    assert reader.feed(line.to_line(payload)) == [payload]


@pytest.mark.slow
@given(st.lists(any_message, min_size=1, max_size=5), st.integers(1, 40))
def test_frames_come_whole_out_of_any_pieces(sent: list[messages.Message], size: int) -> None:
    payloads = [codec.encode(message, number) for number, message in enumerate(sent)]
    stream = b"".join(line.to_line(payload) for payload in payloads)
    reader = line.FrameReader()
    got = [payload for at in range(0, len(stream), size) for payload in reader.feed(stream[at : at + size])]
    assert got == payloads
    assert reader.bad == 0


@given(st.lists(any_message, min_size=3, max_size=3), st.data())
def test_one_flipped_bit_costs_at_most_the_frames_it_touches(
    sent: list[messages.Message], data: st.DataObject
) -> None:
    payloads = [codec.encode(message, number) for number, message in enumerate(sent)]
    lines = [line.to_line(payload) for payload in payloads]
    at = data.draw(st.integers(0, len(lines[1]) - 1))
    corrupted = bytearray(lines[1])
    corrupted[at] ^= 1 << data.draw(st.integers(0, 7))
    reader = line.FrameReader()
    got = reader.feed(lines[0] + bytes(corrupted) + lines[2])
    assert got[0] == payloads[0]
    assert all(payload in payloads for payload in got)
    assert payloads[1] not in got or payloads[1] in (payloads[0], payloads[2])
    assert reader.bad >= 1
    if at < len(lines[1]) - 1:  # the zero between the frames is still there
        assert got[-1] == payloads[2]


def test_a_run_without_an_end_is_dropped_once_and_the_next_frame_is_read() -> None:
    reader = line.FrameReader()
    for _ in range(100):
        assert reader.feed(b"\x55" * 97) == []
    payload = codec.encode(messages.Identify(), 1)
    assert reader.feed(b"\0" + line.to_line(payload)) == [payload]
    assert reader.bad == 1
