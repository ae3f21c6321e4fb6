"""Decoders: what a datagram says is what comes out, in the unit of the face; whatever else comes, is refused.

The encoders here are independent of the decoders, and so are the units: definitions by hand (international
foot 0.3048 m, nautical mile 1852 m, 1 inHg = 3386.389 Pa as in NIST SP 811, radian 180/pi degrees).
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import TelemetryError
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.decoder import Decoded, Labels
from bridge.telemetry.layout import Layout, load_layout
from bridge.telemetry.layout_description import Delimited, Groups, Json, KeyValue, Packed
from bridge.telemetry.mavlink_description import Mavlink
from tests.telemetry.mavlink_frames import MAVLINK_EXAMPLE, mavlink_frame
from tests.telemetry.written import EXAMPLES, layout_of, toml

# quantity, unit as sent, low and high in the canonical unit, from canonical unit to the sent one
SENT: list[tuple[str, str, float, float, Callable[[float], float]]] = [
    ("pressure_altitude", "m", -5000, 120_000, lambda ft: ft * 0.3048),
    ("geometric_altitude", "ft", -5000, 400_000, lambda ft: ft),
    ("indicated_airspeed", "m/s", -60, 1500, lambda kt: kt * 1852 / 3600),
    ("true_airspeed", "km/h", -60, 4000, lambda kt: kt * 1.852),
    ("vertical_speed", "m/s", -60_000, 60_000, lambda ft_min: ft_min * 0.3048 / 60),
    ("altimeter_setting", "hPa", 25, 33, lambda inhg: inhg * 33.86389),
    ("heading_true", "rad", 0, 359.9, lambda deg: deg * math.pi / 180),
    ("bank", "deg", -180, 179.9, lambda deg: deg),
    ("turn_rate", "rad/s", -1000, 1000, lambda deg_s: deg_s * math.pi / 180),
    ("outside_air_temperature", "degF", -110, 70, lambda degc: degc * 9 / 5 + 32),
    ("engine_speed", "rpm", 0, 100_000, lambda rpm: rpm),
    ("time", "ms", 0, 1e6, lambda s: s * 1000),
]
TYPES = {"float32": "f", "float64": "d"}


@st.composite
def some_sent(draw: st.DrawFn) -> tuple[list[tuple[str, str]], list[float], list[float]]:
    """(quantity, unit) of some fields, their values in the canonical unit, the same as sent."""
    chosen = draw(st.lists(st.sampled_from(SENT), min_size=1, max_size=8, unique_by=lambda row: row[0]))
    if [row[0] for row in chosen] == ["time"]:
        chosen.append(SENT[0])
    values = [draw(st.floats(row[2], row[3])) for row in chosen]
    sent = [row[4](value) for row, value in zip(chosen, values, strict=True)]
    return [(row[0], row[1]) for row in chosen], values, sent


def check(layout: Layout, datagram: bytes, names: list[str], values: list[float], rel: float = 1e-9) -> None:
    """The datagram decodes to these values, `time` among them."""
    decoded = layout.decoder().decode(datagram)
    assert isinstance(decoded, Decoded)
    assert decoded.dropped == ()
    expected = dict(zip(names, values, strict=True))
    time_s = expected.pop("time", None)
    assert set(decoded.readings) == set(expected)
    for name, value in expected.items():
        assert decoded.readings[name] == pytest.approx(value, rel=rel, abs=rel * 400), name
    assert decoded.source_time_s == (None if time_s is None else pytest.approx(time_s, rel=rel, abs=1e-9))


Sent = tuple[list[tuple[str, str]], list[float], list[float]]


@pytest.mark.slow
@given(some_sent(), st.sampled_from([",", ";", "\t", " ", "|"]), st.randoms(use_true_random=False))
def test_columns_by_place_come_back_as_sent(sent: Sent, separator: str, random: object) -> None:
    fields, values, raw = sent
    places = list(range(1, 2 * len(fields) + 1))
    random.shuffle(places)  # type: ignore[attr-defined]
    columns = ["0"] * (2 * len(fields))
    described: list[dict[str, object]] = []
    for (quantity, unit), place, number in zip(fields, places, raw, strict=False):
        columns[place - 1] = repr(number)
        described.append({"quantity": quantity, "unit": unit, "column": place})
    layout = layout_of(toml({"kind": "delimited", "separator": separator}, described))
    check(layout, separator.join(columns).encode() + b"\r\n", [f[0] for f in fields], values)


@given(some_sent())
def test_pairs_in_any_order_among_others_come_back_as_sent(sent: Sent) -> None:
    fields, values, raw = sent
    described: list[dict[str, object]] = [
        {"quantity": q, "unit": u, "key": f"k {i}"} for i, (q, u) in enumerate(fields)
    ]
    layout = layout_of(toml({"kind": "keyvalue", "begins": "S:", "separator": ";", "assign": ":"}, described))
    pairs = [f" k {i} : {number!r}" for i, number in enumerate(raw)]
    datagram = "S:" + ";".join(["other:abc", *reversed(pairs)]) + ";\n"
    check(layout, datagram.encode(), [f[0] for f in fields], values)


@given(some_sent())
def test_json_values_deep_in_objects_and_arrays_come_back_as_sent(sent: Sent) -> None:
    fields, values, raw = sent
    described: list[dict[str, object]] = []
    document: dict[str, object] = {"numbers": [[None, number] for number in raw[::2]]}
    for i, (quantity, unit) in enumerate(fields):
        path: list[object] = ["numbers", i // 2, 1] if i % 2 == 0 else ["named", f"n{i}"]
        described.append({"quantity": quantity, "unit": unit, "path": path})
    document["named"] = {f"n{i}": raw[i] for i in range(1, len(raw), 2)}
    layout = layout_of(toml({"kind": "json"}, described))
    check(layout, json.dumps(document).encode(), [f[0] for f in fields], values)


@given(some_sent(), st.sampled_from(["little", "big"]), st.data())
def test_packed_numbers_come_back_as_sent(sent: Sent, order: str, data: st.DataObject) -> None:
    fields, values, raw = sent
    datagram = bytearray(b"\x01SB\xff")
    described: list[dict[str, object]] = []
    for (quantity, unit), number in zip(fields, raw, strict=True):
        datagram += bytes(data.draw(st.integers(0, 5)))
        kind = data.draw(st.sampled_from(sorted(TYPES)))
        described.append({"quantity": quantity, "unit": unit, "offset": len(datagram), "type": kind})
        datagram += struct.pack((">" if order == "big" else "<") + TYPES[kind], number)
    data.draw(st.randoms(use_true_random=False)).shuffle(described)
    head = {"kind": "binary", "byte_order": order, "begins": "0x015342ff", "length": len(datagram)}
    expected = {q: v for (q, _), v in zip(fields, values, strict=True)}
    names = [str(field["quantity"]) for field in described]
    check(layout_of(toml(head, described)), bytes(datagram), names, [expected[name] for name in names], 3e-7)


@pytest.mark.slow
@given(some_sent(), st.integers(1, 4), st.sampled_from(["little", "big"]))
def test_numbers_in_tagged_groups_come_back_as_sent(sent: Sent, numbers: int, order: str) -> None:
    fields, values, raw = sent
    described: list[dict[str, object]] = []
    pack = (">" if order == "big" else "<") + "h" + "d" * numbers
    groups = [struct.pack(pack, 9999, *([math.nan] * numbers))]
    for start in range(0, len(raw), numbers):
        part = raw[start : start + numbers]
        groups.append(struct.pack(pack, -start, *part, *([0.0] * (numbers - len(part)))))
    for i, (quantity, unit) in enumerate(fields):
        tag, number = -(i - i % numbers), i % numbers + 1
        described.append({"quantity": quantity, "unit": unit, "tag": tag, "number": number})
    head = {
        "kind": "groups", "byte_order": order, "begins": "G", "header_length": 3,
        "tag_type": "int16", "number_type": "float64", "numbers": numbers,
    }  # fmt: skip
    check(layout_of(toml(head, described)), b"G__" + b"".join(groups), [f[0] for f in fields], values)


WHOLE = {f"{sign}int{bits}": bits // 8 for sign in ("", "u") for bits in (8, 16, 32, 64)}


@pytest.mark.parametrize("kind", WHOLE)
@pytest.mark.parametrize("order", ["little", "big"])
def test_every_whole_number_type_is_read_with_its_scale(kind: str, order: str) -> None:
    head = {"kind": "binary", "byte_order": order}
    field = {"quantity": "pitch", "unit": "deg", "offset": 1, "type": kind, "scale": -0.25}
    layout = layout_of(toml(head, [field]))
    raw = 100 if kind.startswith("u") else -100
    datagram = b"?" + raw.to_bytes(WHOLE[kind], order, signed=raw < 0)  # type: ignore[arg-type]
    check(layout, datagram, ["pitch"], [-0.25 * raw])


EXAMPLE_LAYOUTS = [load_layout(path) for path in sorted(EXAMPLES.glob("*.toml"))]
SEEDS = [
    b"<LABELS> ,Time,pressure_altitude_ft",
    b"1,2,3\n",
    b"AIR hdg=5;alt_m=1",
    b'{"air": {"altitude_ft": 1e400}}',
    b'{"air": []}',
    b"[" * 100_000,
    b"LKM1" + bytes(24),
    MAVLINK_EXAMPLE,
    MAVLINK_EXAMPLE[:10] + bytes(4),
    b"GRP\x01" + bytes(14),
    b'{"clock":' + b"9" * 5000 + b"}",
    b'{"attitude": [true, "x", {}]}',
    b"\xff\xfe1\x00",
    b"\xff" * 28,
]


@given(
    st.one_of(
        st.binary(max_size=200), st.builds(bytes.__add__, st.sampled_from(SEEDS), st.binary(max_size=60))
    )
)
def test_no_bytes_make_a_decoder_raise_anything_but_a_telemetry_error(datagram: bytes) -> None:
    for layout in EXAMPLE_LAYOUTS:
        decoder = layout.decoder()
        for _ in range(2):
            try:
                decoded = decoder.decode(datagram)
            except TelemetryError as error:
                assert error.layout == layout.name
                continue
            if isinstance(decoded, Decoded):
                assert all(math.isfinite(value) for value in decoded.readings.values())


def test_a_number_of_thousands_of_digits_spoils_its_own_field_only() -> None:
    layout = next(layout for layout in EXAMPLE_LAYOUTS if layout.name == "json")
    datagram = b'{"air": {"altitude_ft": ' + b"9" * 5000 + b'}, "attitude": [2.5, -3, 90]}'
    decoded = layout.decoder().decode(datagram)
    assert isinstance(decoded, Decoded)
    assert decoded.readings
    assert [(error.field, error.cause) for error in decoded.dropped] == [("pressure_altitude", "not finite")]


EXTREME = [
    *(sign * number for sign in (1, -1) for number in (0.0, 5e-324, 1e-300, 2.0**31, 2.0**63, 1e38, 1.7e308)),
    *(math.inf, -math.inf, math.nan),
]
FLOATS = st.one_of(st.sampled_from(EXTREME), st.floats(), st.floats(-400, 400))
WHOLE_NUMBERS = st.one_of(st.integers(-400, 400), st.integers(-(10**400), 10**400))


def packed(kind: str, big: bool) -> st.SearchStrategy[bytes]:
    """Any number of this type."""
    if kind in WHOLE:
        return st.binary(min_size=WHOLE[kind], max_size=WHOLE[kind])
    order, single = ">" if big else "<", kind == "float32"
    extreme = [number for number in EXTREME if not single or not 1e38 < abs(number) < math.inf]
    numbers = st.one_of(st.sampled_from(extreme), st.floats(width=32 if single else 64), st.floats(-400, 400))
    return numbers.map(lambda number: struct.pack(order + TYPES[kind], number))


@st.composite
def packed_numbers(draw: st.DrawFn, described: Packed) -> bytes:
    assert described.length is not None
    datagram = bytearray(described.begins.encode().ljust(described.length, b"\0"))
    for field in described.fields:
        number = draw(packed(field.type, described.byte_order == "big"))
        datagram[field.offset : field.offset + len(number)] = number
    return bytes(datagram)


@st.composite
def grouped_numbers(draw: st.DrawFn, described: Groups) -> bytes:
    assert described.header_length is not None
    datagram = described.begins.encode().ljust(described.header_length, b"\0")
    for tag in sorted({field.tag for field in described.fields}):
        datagram += tag.to_bytes(WHOLE[described.tag_type], described.byte_order)
        for _ in range(described.numbers):
            datagram += draw(packed(described.number_type, described.byte_order == "big"))
    return datagram


@st.composite
def json_numbers(draw: st.DrawFn, described: Json) -> bytes:
    """Objects by name, arrays as objects by place first, and turned into arrays in the end."""
    document: dict[str | int, Any] = {}
    for field in described.fields:
        place = document
        for part in field.path[:-1]:
            place = place.setdefault(part, {})
        place[field.path[-1]] = draw(st.one_of(FLOATS, WHOLE_NUMBERS))

    def with_arrays(value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        inner = {key: with_arrays(item) for key, item in value.items()}
        if all(isinstance(key, int) for key in inner):
            return [inner.get(key) for key in range(max(inner) + 1)]
        return inner

    return json.dumps(with_arrays(document)).encode()


@st.composite
def mavlink_numbers(draw: st.DrawFn) -> bytes:
    """The frames of the shipped layout, whose payloads may be any."""
    datagram = b""
    for number in (29, 74, 33, 30):
        size = {29: 16, 74: 20, 33: 28, 30: 28}[number]
        datagram += mavlink_frame(number, draw(st.binary(min_size=size, max_size=size)))
    return datagram


def numbers_as_sent(layout: Layout) -> st.SearchStrategy[bytes]:
    """Datagrams of this layout that are right in all but their numbers, which may be any."""
    described = layout.described
    match described:
        case Packed():
            return packed_numbers(described)
        case Groups():
            return grouped_numbers(described)
        case Json():
            return json_numbers(described)
        case Mavlink():
            return mavlink_numbers()
    text = st.one_of(FLOATS.map(repr), WHOLE_NUMBERS.map(str), FLOATS.map("{:.3f}".format))
    texts = st.lists(text, min_size=len(described.fields), max_size=len(described.fields))
    if isinstance(described, KeyValue):
        return texts.map(
            lambda found: (
                described.begins
                + described.separator.join(
                    f"{field.key}{described.assign}{value}"
                    for field, value in zip(described.fields, found, strict=True)
                )
            ).encode()
        )
    return texts.map(lambda found: described.separator.join(found).encode())


@pytest.mark.slow
@settings(max_examples=300)
@given(st.data())
@pytest.mark.parametrize("layout", EXAMPLE_LAYOUTS, ids=lambda layout: layout.name)
def test_only_readings_within_their_range_get_through_whatever_the_numbers(
    layout: Layout, data: st.DataObject
) -> None:
    decoder = layout.decoder()
    if isinstance(layout.described, Delimited):
        named = [field.label or "" for field in layout.described.fields]
        labels = layout.described.header + layout.described.separator + layout.described.separator.join(named)
        assert isinstance(decoder.decode(labels.encode()), Labels)
    try:
        decoded = decoder.decode(data.draw(numbers_as_sent(layout)))
    except TelemetryError as error:
        assert error.cause in ("not finite", "out of range"), error  # every number was
        return
    assert isinstance(decoded, Decoded)
    for name, value in decoded.readings.items():
        assert CATALOGUE[name].low <= value <= CATALOGUE[name].high, name
    assert decoded.source_time_s is None or math.isfinite(decoded.source_time_s)
    if isinstance(layout.described, Mavlink):
        return  # its numbers may be unknown, and its time is not among the fields
    found = len(decoded.readings) + (decoded.source_time_s is not None) + len(decoded.dropped)
    assert found + sum(decoded.others.values()) == len(layout.described.fields)


@pytest.mark.slow
@given(st.lists(st.text(alphabet="0123456789.,-+eE_ <>LABSTime;=nanif\n\0", max_size=60), max_size=5))
def test_no_text_makes_a_labelled_decoder_raise_anything_but_a_telemetry_error(texts: list[str]) -> None:
    layout = layout_of(
        toml({"kind": "delimited"}, [{"quantity": "pitch", "unit": "deg", "label": "L", "column": 1}])
    )
    decoder = layout.decoder()
    for text in [*texts, "L,Time"]:
        try:
            decoder.decode(text.encode())
        except TelemetryError as error:
            assert error.layout == "sample"


def cause(layout: Layout, datagram: bytes) -> str:
    with pytest.raises(TelemetryError) as raised:
        layout.decoder().decode(datagram)
    return raised.value.cause


def test_a_datagram_that_can_not_be_trusted_is_refused_whole() -> None:
    by_name = {layout.name: layout for layout in EXAMPLE_LAYOUTS}
    packed, groups = by_name["packed"], by_name["groups"]
    assert cause(packed, b"LKM2" + bytes(24)) == "begins otherwise"
    assert cause(packed, b"LKM1" + bytes(23)) == "wrong length"
    assert cause(groups, b"GRP\x01" + bytes(17)) == "short"
    assert cause(groups, b"GRP\x01" + bytes(19)) == "wrong length"
    assert cause(groups, b"GRP\x01" + struct.pack(">H4f", 99, 1, 2, 3, 4)) == "nothing known"
    assert cause(by_name["json"], b"{") == "not JSON"
    assert cause(by_name["json"], b"[1, 2]") == "nothing known"
    assert cause(by_name["keyvalue"], b"AIR hdg=5;rubbish") == "not pairs"
    assert cause(by_name["keyvalue"], b"WIND from=240") == "begins otherwise"
    columns = layout_of(toml({"kind": "delimited"}, [{"quantity": "pitch", "unit": "deg", "column": 2}]))
    assert cause(columns, b"1") == "short"
    assert cause(columns, b"1,2\n3,4\n") == "several lines"
    exact = layout_of(
        toml({"kind": "delimited", "columns": 3}, [{"quantity": "pitch", "unit": "deg", "column": 2}])
    )
    assert cause(exact, b"1,2,3,4") == "wrong columns"


@pytest.mark.parametrize(
    ("token", "why"),
    [
        (b"nan", "not finite"),
        (b"-inf", "not finite"),
        (b"91", "out of range"),
        (b"", "blank"),
        (b"up", "not a number"),
        (b"1_0", "not a number"),
        (b"1e400", "not finite"),
        (b"0x10", "not a number"),
    ],
)
def test_a_number_that_is_no_reading_is_left_out_and_the_others_kept(token: bytes, why: str) -> None:
    fields: list[dict[str, object]] = [
        {"quantity": "pitch", "unit": "deg", "column": 1},
        {"quantity": "bank", "unit": "deg", "column": 2},
    ]
    decoded = layout_of(toml({"kind": "delimited"}, fields)).decoder().decode(token + b",-3.5")
    assert isinstance(decoded, Decoded)
    assert decoded.readings == {"bank": -3.5}
    assert [(error.field, error.cause) for error in decoded.dropped] == [("pitch", why)]


@given(st.floats(-100_000, 100_000))
def test_a_direction_is_wrapped_whatever_way_the_sender_counts(value: float) -> None:
    fields: list[dict[str, object]] = [
        {"quantity": "heading_true", "unit": "deg", "column": 1},
        {"quantity": "bank", "unit": "deg", "column": 1},
    ]
    decoded = layout_of(toml({"kind": "delimited"}, fields)).decoder().decode(repr(value).encode())
    assert isinstance(decoded, Decoded)
    heading, bank = decoded.readings["heading_true"], decoded.readings["bank"]
    assert 0 <= heading < 360
    assert -180 <= bank < 180
    for wrapped in (heading, bank):
        turns = (value - wrapped) / 360
        assert turns == pytest.approx(round(turns), abs=1e-9)


def test_a_quarter_turn_in_float32_radians_is_still_a_pitch_of_90_degrees() -> None:
    field = {"quantity": "pitch", "unit": "rad", "offset": 0, "type": "float32"}
    layout = layout_of(toml({"kind": "binary", "byte_order": "big"}, [field]))
    datagram = struct.pack(">f", math.pi / 2)
    assert math.degrees(struct.unpack(">f", datagram)[0]) > 90
    assert layout.decoder().decode(datagram) == Decoded({"pitch": 90.0}, None)


@pytest.mark.parametrize(("sent", "heading"), [("360", 0), ("-90", 270), ("-1e-17", 0), ("719.5", 359.5)])
def test_headings_on_the_seam(sent: str, heading: float) -> None:
    layout = layout_of(
        toml({"kind": "delimited"}, [{"quantity": "heading_true", "unit": "deg", "column": 1}])
    )
    check(layout, sent.encode(), ["heading_true"], [heading])
    assert cause(layout, b"1e30") == "out of range"


LABELLED: list[dict[str, object]] = [
    {"quantity": "pitch", "unit": "deg", "label": "p"},
    {"quantity": "bank", "unit": "deg", "label": "b"},
]


def test_labels_name_the_columns_and_may_come_again_in_another_order() -> None:
    decoder = layout_of(toml({"kind": "delimited"}, LABELLED)).decoder()
    with pytest.raises(TelemetryError, match="waiting for labels"):
        decoder.decode(b"1,2,3")
    assert decoder.decode(b"x, p ,b\n") == Labels(("x", "p", "b"))
    assert decoder.decode(b"1,2,3") == Decoded({"pitch": 2, "bank": 3}, None)
    assert decoder.decode(b"b,x,p,y") == Labels(("b", "x", "p", "y"))
    assert decoder.decode(b"1,2,3,4") == Decoded({"pitch": 3, "bank": 1}, None)
    with pytest.raises(TelemetryError, match="wrong columns"):
        decoder.decode(b"1,2,3")


def test_a_label_that_is_missing_or_repeated_is_reported_and_a_column_settles_which_is_meant() -> None:
    text = toml({"kind": "delimited", "header": "#"}, LABELLED)
    decoder = layout_of(text).decoder()
    labels = decoder.decode(b"# p,bb,p")
    assert [(error.field, error.cause) for error in labels.dropped] == [
        ("pitch", "label twice"),
        ("bank", "label missing"),
    ]
    assert "3 labels, the first: p, bb, p" in labels.dropped[1].detail
    with pytest.raises(TelemetryError, match="no known label"):
        decoder.decode(b"#a,c")
    settled = layout_of(text.replace('"p"', '"p"\ncolumn = 3')).decoder()
    assert settled.decode(b"4,5,6") == Decoded({"pitch": 6}, None)
    settled.decode(b"#p,b,p")
    assert settled.decode(b"4,5,6") == Decoded({"pitch": 6, "bank": 5}, None)
