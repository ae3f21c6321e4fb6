"""Sessions on lines that lose, double and change frames, and with hosts that pause."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.boards import codec, messages
from bridge.boards.messages import ChannelState
from bridge.boards.notices import KnobTurned, StateChanged
from bridge.boards.state import State
from tests.boards.pair import INDEXED, LAST, Pair, ready
from tests.boards.subjects import CHANNELS


def test_a_late_or_doubled_status_is_no_news() -> None:
    pair = Pair((INDEXED,)).start().run(10.0)
    row = messages.ChannelStatus(ChannelState.UNKNOWN, 0, 0)
    old = codec.encode(messages.Status(0, 0, 0, 0, 0, (row,)), 3)
    for _ in range(3):
        pair.session.receive(pair.time_s, old)
    assert pair.state() is State.READY


def test_gaps_in_what_the_board_sends_are_counted() -> None:
    pair = ready((INDEXED,))
    pair.to_host = lambda payload: (
        [] if payload[1] == messages.FrameType.EVENT and payload[5] < 3 else [payload]
    )
    before = pair.session.statistics.missed
    for _ in range(4):
        pair.board.turn_knob(0, 1)
        pair.run(0.2)
    assert pair.session.statistics.missed - before >= 2
    assert [notice.change for notice in pair.notices if isinstance(notice, KnobTurned)] == [3, 1]


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(st.randoms(use_true_random=False), st.integers(2, 6))
def test_a_line_that_loses_and_doubles_frames_still_brings_every_pointer_home(
    random: Random, one_in: int
) -> None:
    def fate(payload: bytes) -> list[bytes]:
        roll = random.randrange(3 * one_in)
        return [] if roll < 2 else [payload, payload] if roll == 2 else [payload]

    pair = Pair((INDEXED, CHANNELS[2]))
    pair.to_board = pair.to_host = fate
    pair.start().run(15.0, [700.0, 200.0])
    pair.to_board = pair.to_host = lambda payload: [payload]
    pair.run(10.0, [700.0, 200.0])
    assert pair.state() is State.READY
    assert [pair.board.channel(n).status.position for n in range(2)] == [700, 200]
    assert pair.board.channel(1).place == pytest.approx(200, abs=1)
    assert pair.board.channel(0).place % 3200 == pytest.approx(700, abs=1)


@settings(deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=30))
def test_any_payloads_at_all_raise_nothing_and_drive_nothing_unknown(payloads: list[bytes]) -> None:
    pair = Pair((INDEXED, LAST)).start()
    for payload in payloads:
        pair.session.receive(pair.time_s, payload)
        pair.session.receive(pair.time_s, bytes([messages.VERSION]) + payload)
        pair.tick([100.0, 100.0])
    assert pair.board.channel(1).state == ChannelState.UNKNOWN


# -- silence is the age of a question ------------------------------------------------------------------


@pytest.mark.parametrize("pause_s", [0.3, 0.6, 5.0, 3600.0])
def test_a_paused_host_finds_the_answer_that_waited_and_declares_nothing(pause_s: float) -> None:
    pair = ready((INDEXED,))
    pair.session.take_notices()
    late: list[bytes] = []
    pair.to_host = lambda payload: late.append(payload) or []  # type: ignore[func-returns-value]
    pair.run(0.11)
    assert late, "a question is out, its answer in a buffer"
    pair.to_host = lambda payload: [payload]
    pair.time_s += pause_s
    for payload in late:
        pair.session.receive(pair.time_s, payload)
    pair.notices.clear()
    pair.run(1.0)
    assert pair.told(StateChanged) == []


def test_nor_does_one_whose_buffers_are_read_only_a_while_after_the_pause() -> None:
    pair = ready((INDEXED,))
    late: list[bytes] = []
    pair.to_host = lambda payload: late.append(payload) or []  # type: ignore[func-returns-value]
    while not late:
        pair.tick()
    pair.time_s += 5.0
    pair.notices.clear()
    pair.run(0.15)
    assert pair.state() is State.READY
    pair.to_host = lambda payload: [payload]
    for payload in late:
        pair.session.receive(pair.time_s, payload)
    pair.run(1.0)
    assert pair.told(StateChanged) == []


def test_a_dead_board_is_found_within_six_tenths_of_a_second() -> None:
    pair = ready((INDEXED,))
    pair.board.silent = True
    died_s = pair.time_s
    for _ in range(100):
        if pair.state() is not State.ABSENT:
            pair.tick()
    assert 0.4 <= pair.time_s - died_s <= 0.6
    assert "no board answers" in pair.session.detail


def test_a_payload_that_comes_after_the_link_is_lost_is_not_taken() -> None:
    pair = ready((INDEXED,))
    pair.session.link_lost("unplugged")
    pair.session.receive(pair.time_s, codec.encode(messages.Event(1, 0, 5), 0))
    assert pair.state() is State.ABSENT
    assert pair.session.detail == "unplugged"
