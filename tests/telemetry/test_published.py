"""Readings from panel to panel: what is published arrives as it was, and nonsense does no harm."""

from __future__ import annotations

import contextlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import TelemetryError
from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.published import Reader, encode

READER = Reader(CATALOGUE)
READINGS = st.dictionaries(
    st.sampled_from(sorted(CATALOGUE)), st.floats(0.0, 1.0, allow_nan=False), max_size=20
)


@given(READINGS, st.floats(0, 1e9), st.booleans())
def test_what_is_published_arrives_as_it_was(readings: dict[str, float], time_s: float, jumped: bool) -> None:
    wanted = {name: value for name, value in readings.items() if CATALOGUE[name].low <= value}
    published = READER.decode(encode(time_s, wanted, jumped=jumped))
    wraps = {name for name, v in wanted.items() if CATALOGUE[name].circular and v == CATALOGUE[name].high}
    taken = {name: value for name, value in wanted.items() if name not in wraps}
    assert {name: published.readings[name] for name in taken} == taken
    assert published.time_s == pytest.approx(time_s, abs=1e-4)
    assert published.jumped is jumped
    assert not published.dropped


@pytest.mark.parametrize(
    ("payload", "cause"),
    [
        (b"", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 10_000, "not JSON"),
        (b"[1, 2]", "no readings"),
        (b"{}", "no readings"),
        (b'{"time_s": 1}', "no readings"),
        (b'{"time_s": 1e999, "readings": {}}', "no readings"),
        (b'{"time_s": NaN, "readings": {}}', "no readings"),
        (b'{"time_s": "1", "readings": {}}', "no readings"),
        (b'{"time_s": 1, "readings": [1]}', "no readings"),
    ],
)
def test_what_is_no_message_is_refused_by_its_cause(payload: bytes, cause: str) -> None:
    with pytest.raises(TelemetryError) as error:
        READER.decode(payload)
    assert error.value.cause == cause


@pytest.mark.parametrize(
    ("value", "cause"),
    [
        ("NaN", "not finite"),
        ("-Infinity", "not finite"),
        ("1e12", "out of range"),
        ('"high"', "not a number"),
        ("true", "not a number"),
        ("null", "not a number"),
        ("{}", "not a number"),
    ],
)
def test_nonsense_in_one_quantity_leaves_the_others(value: str, cause: str) -> None:
    payload = '{"time_s":1,"readings":{"pressure_altitude":%s,"mach":0.5,"no_such":1}}' % value  # noqa: UP031
    published = READER.decode(payload.encode())
    assert published.readings == {"mach": 0.5}
    assert [error.cause for error in published.dropped] == [cause, "unknown quantity"]


@given(st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists, max_leaves=20))
def test_whatever_is_valid_json_is_a_message_or_refused(value: object) -> None:
    for text in (value, {"time_s": value, "readings": value}, {"time_s": 1, "readings": {"mach": value}}):
        with contextlib.suppress(TelemetryError):
            READER.decode(json.dumps(text).encode())
