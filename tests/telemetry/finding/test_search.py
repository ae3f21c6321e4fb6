"""The finder against senders made at random: what it finds, and that it is right when it is sure.

What is written is decoded by the project's own loader and decoder, at states that were never read.
How sure something is is a matter of odds, so hypothesis takes the same examples in every run.
"""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.decoder import Decoded
from bridge.telemetry.finding.history import MOST_KEPT, History
from bridge.telemetry.finding.questions import next_question
from bridge.telemetry.finding.readings import typed_readings
from bridge.telemetry.finding.search import Moment
from bridge.telemetry.finding.verdict import Result, judge
from bridge.telemetry.finding.written import layout_text
from bridge.telemetry.layout import KINDS as LAYOUT_KINDS
from tests.telemetry.finding.senders import ENVELOPE, Flight, Sender, any_state, tolerance
from tests.telemetry.written import layout_of

LAYOUTS = {  # what sends, and the kind of layout that is found of it
    "packed-little": "binary", "packed-big": "binary", "groups": "groups", "columns": "delimited",
    "labelled": "delimited", "keyvalue": "keyvalue", "json": "json", "mavlink": "mavlink",
}  # fmt: skip
KINDS = list(LAYOUTS)


def wrong(flight: Flight, sender: Sender, result: Result, draw: random.Random) -> set[str]:
    """The quantities of the written layout that it decodes otherwise than the aircraft flies."""
    layout = layout_of(layout_text(result))
    decoder = layout.decoder()
    found: set[str] = set()
    seen: set[str] = set()
    for i in range(8):
        state = any_state(draw)
        for datagram in sender.datagrams(state, 1000.0 + i):
            decoded = decoder.decode(datagram)
            if not isinstance(decoded, Decoded):
                continue
            seen |= decoded.readings.keys()
            for name, value in decoded.readings.items():
                off = value - state[name]
                if CATALOGUE[name].circular:
                    off = (off + 180) % 360 - 180
                if abs(off) > tolerance(flight.moments, name):
                    found.add(name)
    return found | {verdict.quantity for verdict in result.written} - seen


@pytest.mark.slow
@settings(max_examples=5, derandomize=True)
@given(seed=st.integers(0, 2**32), order=st.sampled_from(["little", "big"]))
def test_six_quantities_are_found_among_200_packed_fields_within_three_readings(
    seed: int, order: str
) -> None:
    draw = random.Random(seed)
    sender = Sender(draw, f"packed-{order}", 200)
    flight = Flight(draw, sender)
    result = flight.result()
    assert {verdict.quantity for verdict in result.written} == set(ENVELOPE)
    assert result.shape.head["byte_order"] == order
    assert result.clock is None, "no decoy is taken for a clock"
    assert wrong(flight, sender, result, draw) == set()
    assert sum(verdict.sure for verdict in result.verdicts) >= 4


@pytest.mark.slow
@settings(max_examples=20, derandomize=True)
@given(
    seed=st.integers(0, 2**32),
    kind=st.sampled_from(KINDS[:-1]),
    absent=st.sets(st.sampled_from(sorted(ENVELOPE)), max_size=4),
    readings=st.integers(1, 3),
)
def test_what_is_sure_is_right(seed: int, kind: str, absent: set[str], readings: int) -> None:
    draw = random.Random(seed)
    sender = Sender(draw, kind, 30, sorted(absent))
    flight = Flight(draw, sender, readings=readings)
    result = flight.result()
    sure = {verdict.quantity for verdict in result.verdicts if verdict.sure}
    assert not sure & absent
    if sure:
        assert not wrong(flight, sender, result, draw) & sure
    assert bool(next_question(result.verdicts, {}, CATALOGUE)) == (sure != set(ENVELOPE))


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_layout_is_found_and_written(kind: str) -> None:
    draw = random.Random(7)
    sender = Sender(draw, kind, 24)
    flight = Flight(draw, sender)
    result = flight.result()
    assert {verdict.quantity for verdict in result.written} == set(ENVELOPE)
    assert sum(verdict.sure for verdict in result.verdicts) >= 4
    assert result.shape.head["kind"] == LAYOUTS[kind]
    assert wrong(flight, sender, result, draw) == set()


def test_of_two_senders_the_one_that_fits_is_taken() -> None:
    draw = random.Random(11)
    half = list(ENVELOPE)[:4]
    fits, other = Sender(draw, "keyvalue", 24), Sender(draw, "keyvalue", 24, absent=half)
    flight = Flight(draw, other, fits)
    result = flight.result()
    assert result.family.sender == "127.0.0.1:4001"
    assert {verdict.quantity for verdict in result.written} == set(ENVELOPE)
    [beside] = [one for one in flight.results() if one.family.sender == "127.0.0.1:4000"]
    assert not {verdict.quantity for verdict in beside.verdicts if verdict.sure} & set(half)


def test_a_reading_that_parts_two_candidates_now_is_asked_for() -> None:
    """Two numbers were alike at the only reading, and differ since."""
    history = History()

    def read(typed: str, time_s: float) -> Moment:
        history.keep(time_s)
        return Moment(tuple(typed_readings(typed, CATALOGUE)), time_s)

    for i in range(20):
        history.add("a", b"one=3760;two=3755;three=7", i / 10)
    moments = [read("altitude 3760 ft", 2.0)]
    for i in range(20):
        history.add("a", f"one=3760;two={3755 + 40 * i};three=7".encode(), 2.0 + i / 10)
    [family] = history.families
    result = judge(family, moments, CATALOGUE)
    assert result is not None
    assert next_question(result.verdicts, {"indicated_altitude": 20.0}, CATALOGUE) == (
        "Read indicated_altitude again now: 3,760.0 ft is key one, 4,515.0 ft is key two."
    )
    for i in range(40):
        history.add("a", b"one=3760;two=4515;three=7", 4.0 + i / 10)
    moments.append(read("altitude 4520 ft", 8.0))
    result = judge(family, moments, CATALOGUE)
    assert result is not None and [str(v.best.place) for v in result.verdicts if v.best] == ["key two"]


@pytest.mark.slow
def test_what_was_read_long_ago_still_counts() -> None:
    """However long the flight between the readings: of its datagrams most are dropped."""
    history = History()
    moments: list[Moment] = []
    count = 0
    for altitude, other in ((2000, 5), (5000, 5), (3000, 7000)):
        for _ in range(120):
            count += 1
            history.add("a", f"one={altitude};two={other};three={count}".encode(), count / 50)
        history.keep(count / 50)
        moments.append(Moment(tuple(typed_readings(f"altitude {altitude} ft", CATALOGUE)), count / 50))
        for i in range(3 * MOST_KEPT):
            count += 1
            here = altitude + 400 * math.sin(i / 500)
            history.add("a", f"one={here};two={other};three={count}".encode(), count / 50)
    [family] = history.families
    result = judge(family, moments, CATALOGUE)
    assert result is not None
    assert [(v.sure, str(v.best.place)) for v in result.verdicts if v.best] == [(True, "key one")]


def test_a_fourth_reading_makes_an_unusual_scale_sure() -> None:
    """Fractions of a turn in a text: so seldom that three readings leave a doubt."""
    history = History()
    moments: list[Moment] = []
    words: list[str] = []
    for i, heading in enumerate((243, 10, 121, 300)):
        for n in range(20):
            history.add("a", f"one={heading / 360 * 65536:.1f};two=5;three={n}".encode(), 5 * i + n / 10)
        history.keep(5.0 * i + 2)
        moments.append(Moment(tuple(typed_readings(f"heading {heading}", CATALOGUE)), 5.0 * i + 2))
        result = judge(history.families[0], moments, CATALOGUE)
        assert result is not None
        words += [verdict.word for verdict in result.verdicts]
    assert words[2:] == ["likely", "sure"]


def test_no_kind_of_layout_is_left_out() -> None:
    assert set(LAYOUTS.values()) == set(LAYOUT_KINDS)
