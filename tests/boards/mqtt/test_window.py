"""The window of MOVE frames: what a board that stalls can find waiting; one that answers never waits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.boards.messages import FrameType
from bridge.boards.mqtt.window import MOST_UNCONFIRMED, MoveWindow, query_s


def frame(kind: FrameType, sequence: int = 0) -> bytes:
    return bytes([2, kind, sequence % 256])


def move(number: int) -> bytes:
    return frame(FrameType.MOVE) + number.to_bytes(4, "little")


def test_a_board_that_confirms_nothing_gets_ten_moves_and_no_more() -> None:
    window = MoveWindow()
    sent = [window.send(move(number)) for number in range(1000)]
    assert [payload for payload in sent if payload] == [move(n) for n in range(MOST_UNCONFIRMED)]
    assert window.superseded == 1000 - MOST_UNCONFIRMED - 1


def test_once_it_confirms_it_gets_the_newest_and_none_of_those_before() -> None:
    window = MoveWindow()
    for number in range(100):
        window.send(move(number))
    assert window.send(frame(FrameType.QUERY, 7))
    assert window.received(frame(FrameType.STATUS, 7)) == move(99)


def test_a_status_confirms_only_what_was_sent_before_its_query() -> None:
    window = MoveWindow()
    for number in range(4):
        window.send(move(number))
    window.send(frame(FrameType.QUERY, 1))
    for number in range(6):
        assert window.send(move(number))
    assert window.send(move(10)) is None
    assert window.received(frame(FrameType.STATUS, 1)) == move(10)
    assert [window.send(move(n)) is not None for n in range(4)] == [True, True, True, False]


def test_a_status_that_nobody_asked_for_confirms_nothing() -> None:
    window = MoveWindow()
    for number in range(11):
        window.send(move(number))
    assert window.received(frame(FrameType.STATUS, 99)) is None


@pytest.mark.parametrize("kind", [FrameType.REST, FrameType.HOME, FrameType.ADOPT, FrameType.IDENTIFY])
def test_a_move_that_waits_does_not_come_after_a_command(kind: FrameType) -> None:
    window = MoveWindow()
    for number in range(11):
        window.send(move(number))
    window.send(frame(FrameType.QUERY, 1))
    assert window.send(frame(kind))
    assert window.received(frame(FrameType.STATUS, 1)) is None
    assert window.superseded == 1


def test_queries_go_out_while_moves_wait() -> None:
    window = MoveWindow()
    for number in range(50):
        window.send(move(number))
    assert window.send(frame(FrameType.QUERY, 3)) == frame(FrameType.QUERY, 3)


def test_a_new_link_begins_with_nothing_on_its_way() -> None:
    window = MoveWindow()
    for number in range(50):
        window.send(move(number))
    window.restart()
    assert window.received(frame(FrameType.STATUS, 0)) is None
    assert window.send(move(51)) == move(51)


@pytest.mark.parametrize("tick_hz", [20.0, 60.0, 100.0, 500.0])
def test_a_board_that_answers_within_five_ticks_never_waits(tick_hz: float) -> None:
    window = MoveWindow()
    every = round(query_s(tick_hz) * tick_hz)
    answers: dict[int, int] = {}
    for tick in range(500):
        if tick in answers:
            assert window.received(frame(FrameType.STATUS, answers.pop(tick))) is None
        if tick % every == 0:
            window.send(frame(FrameType.QUERY, tick))
            answers[tick + 5] = tick
        assert window.send(move(tick)), f"at tick {tick}"


@given(st.lists(st.sampled_from(["move", "query", "answer", "lose"]), max_size=200))
def test_never_more_than_ten_are_on_their_way(steps: list[str]) -> None:
    window, sequence, way = MoveWindow(), 0, []  # type: ignore[var-annotated]
    for number, step in enumerate(steps):
        if step == "move":
            out = window.send(move(number))
        elif step == "query":
            sequence += 1
            out = window.send(frame(FrameType.QUERY, sequence))
        elif step == "answer" and way:
            first = way.pop(0)
            out = window.received(frame(FrameType.STATUS, first[2])) if first[1] == FrameType.QUERY else None
        else:
            out = None
            if step == "lose" and way:
                way.pop(0)
        if out is not None:
            way.append(out)
        assert sum(payload[1] == FrameType.MOVE for payload in way) <= MOST_UNCONFIRMED
