"""What was heard is sorted into families, and stays within bounds whatever is sent."""

from __future__ import annotations

import json
import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.telemetry.finding.history import MOST_FAMILIES, MOST_KEPT, MOST_KEPT_BYTES, Family, History
from bridge.telemetry.finding.shown import WIDTH, content_rows


def heard(*datagrams: bytes, sender: str = "127.0.0.1:4000") -> History:
    history = History()
    for i, datagram in enumerate(datagrams):
        history.add(sender, datagram, float(i))
    return history


def only(*datagrams: bytes) -> Family:
    [family] = heard(*datagrams).families
    return family


@pytest.mark.parametrize(
    ("datagram", "head"),
    [
        (b"1,2.5,-3\r\n", {"kind": "delimited", "separator": ",", "columns": 3}),
        (b"DATA,1,2,3", {"kind": "delimited", "separator": ",", "begins": "DATA,", "columns": 3}),
        (b"1.0   2.0\t3\n", {"kind": "delimited", "separator": " ", "columns": 3}),
        (b"alt=3 ias=4\nhdg=5", {"kind": "keyvalue", "separator": " ", "assign": "="}),
        (b"AIR a=1;b=2", {"kind": "keyvalue", "separator": ";", "assign": "=", "begins": "AIR "}),
        (b"a:1,b:2,c:north", {"kind": "keyvalue", "separator": ",", "assign": ":"}),
        (b'{"a": [1, {"b": 2}]}\0', {"kind": "json"}),
        (b"[1, 2, 3]", {"kind": "json"}),
    ],
)
def test_the_kind_of_a_text_is_seen(datagram: bytes, head: dict[str, Any]) -> None:
    assert only(datagram).head == head


def test_labels_belong_to_the_columns_that_follow() -> None:
    family = only(b"<NAMES>,Time,alt ft,ias", b"1,2,3")
    [shape] = family.shapes()
    assert shape.head["header"] == "<NAMES>"
    assert [str(place) for place in shape.places] == [
        "column 1 (Time)",
        "column 2 (alt ft)",
        "column 3 (ias)",
    ]


def test_paths_of_a_document_lead_to_its_numbers() -> None:
    [shape] = only(
        json.dumps({"a": [1, {"b": 2.5}], "on": True, "name": "x", "none": None}).encode()
    ).shapes()
    assert {str(place) for place in shape.places} == {"path a.0", "path a.1.b"}


def test_lengths_first_bytes_and_senders_are_told_apart() -> None:
    history = heard(b"ONE\0" + bytes(8), b"TWO\0" + bytes(8), bytes(20), bytes(24), b"ONE\0" + bytes(8))
    history.add("127.0.0.1:4001", bytes(20), 9.0)
    told = [(f.sender[-1], f.head.get("begins"), f.length, f.count) for f in history.families]
    assert told == [("0", "ONE", 12, 2), ("0", "TWO", 12, 1), ("0", None, 20, 1), ("0", None, 24, 1),
                    ("0", None, 0, 1), ("1", None, 20, 1)]  # fmt: skip


def test_groups_are_seen_by_their_tags_in_whatever_order_they_come() -> None:
    def groups(*tags: int) -> bytes:
        return b"GRP\x01" + b"".join(struct.pack(">H2f", tag, tag / 3, -tag / 7) for tag in tags)

    family = only(groups(17, 20, 3), groups(3, 17, 20), groups(20, 3, 17))
    [shape] = [s for s in family.shapes() if s.head.get("number_type") == "float32"]
    assert shape.head == {
        "kind": "groups", "begins": "GRP", "header_length": 4, "byte_order": "big", "tag_type": "uint16",
        "number_type": "float32", "numbers": 2,
    }  # fmt: skip
    numbers = dict(zip(map(str, shape.places), shape.numbers(groups(17, 20, 3)), strict=True))
    assert numbers["tag 20 number 1"] == pytest.approx(20 / 3)
    assert len(numbers) == 6


def test_a_long_flight_keeps_its_beginning_and_its_end_within_bounds() -> None:
    history = History()
    for i in range(3 * MOST_KEPT):
        history.add("a", struct.pack("<I", i), float(i))
    [family] = history.families
    assert family.count == 3 * MOST_KEPT
    assert len(family.datagrams) <= MOST_KEPT
    kept = [int(time_s) for time_s in family.times_s]
    assert kept == sorted(kept) and kept[0] == 0 and kept[-1] == 3 * MOST_KEPT - 1
    assert [struct.unpack("<I", datagram)[0] for datagram in family.datagrams] == kept
    large = Family("a", {}, 16_000, [])
    for i in range(300):
        large.add(bytes(16_000), float(i))
    assert sum(map(len, large.datagrams)) <= MOST_KEPT_BYTES


@pytest.mark.slow
@settings(max_examples=60)
@given(st.lists(st.one_of(st.binary(max_size=80), st.text(max_size=80).map(str.encode)), max_size=40))
def test_any_datagrams_are_kept_or_counted_and_shown_within_80_columns(datagrams: list[bytes]) -> None:
    history = heard(*datagrams)
    assert len(history.families) <= MOST_FAMILIES
    for family in history.families:
        for row in content_rows(family):
            assert len(row) <= WIDTH


def test_packed_numbers_are_shown_with_the_range_seen() -> None:
    family = only(struct.pack("<fH2x", 1.5, 7), struct.pack("<fH2x", -2.25, 7))
    rows = [row.split() for row in content_rows(family)]
    assert rows[1][0] == "0*" and rows[1][3] == "-2.25..1.5"
    assert rows[2][:2] == ["4", "7"]
    [_, first, *_] = content_rows(family, 4, "int16")
    assert first.split() == ["4", "7", "1792"]
