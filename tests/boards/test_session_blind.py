"""A board that would be driven blind is named, with what it sends and why that can't be used."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from bridge.boards import codec, messages
from bridge.boards.notices import (
    StateChanged,
)
from bridge.boards.session import FAULTED_ASK_S
from bridge.boards.state import State
from tests.boards.pair import Pair, ready
from tests.boards.test_session_belief import BOUNDED, truth


def renumbered(payload: bytes) -> list[bytes]:
    sequence, message = codec.decode(payload)
    return [codec.encode(message, sequence + 100)] if isinstance(message, messages.Status) else [payload]


def of_other_size(payload: bytes) -> list[bytes]:
    sequence, message = codec.decode(payload)
    if not isinstance(message, messages.Status):
        return [payload]
    return [codec.encode(replace(message, channels=message.channels * 2), sequence)]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (renumbered, "answers QUERY with a STATUS of another number"),
        (of_other_size, "answers with a STATUS for 2 channels, expected 1"),
        (
            lambda payload: [bytes([messages.VERSION, 0x99, 0])],
            "sends frames that can't be read (unknown frame type 0x99)",
        ),
        (
            lambda _: [codec.encode(messages.Event(messages.EventKind.STOP, 0, 0), 0)],
            "sends frames, but does not answer QUERY",
        ),
    ],
)
def test_a_board_whose_answers_can_not_be_used_is_named_and_not_driven(
    change: Callable[[bytes], list[bytes]], words: str
) -> None:
    pair = ready((BOUNDED,))
    pair.to_host = change
    pair.run(2.0, [100.0])
    assert pair.state() is State.FAULTED
    assert words in pair.session.detail
    assert "Flash the firmware again" in pair.session.detail
    assert pair.session.move(pair.time_s, [0.0], [0.0]) == b""
    changes = pair.told(StateChanged)
    pair.run(10.0, [100.0])
    assert len(pair.told(StateChanged)) <= len(changes) + 10, "it does not go to and fro"
    truth(pair)
    pair.run(1.0, [100.0])
    assert pair.state() is State.READY


def test_only_corrupted_frames_are_told_apart_from_silence() -> None:
    pair = ready((BOUNDED,))
    pair.board.silent = True
    for _ in range(10):
        pair.session.corrupted(3)
        pair.run(0.1)
    assert pair.state() is State.ABSENT
    assert "only corrupted frames arrive: give board and panel description the same baud rate" in (
        pair.session.detail
    )
    assert pair.session.statistics.corrupted == 30


@pytest.mark.parametrize(
    ("babble", "words"),
    [
        (messages.Event(messages.EventKind.STOP, 0, 0), "sends frames, but does not introduce itself"),
        (None, "sends frames that can't be read (unknown frame type 0x99)"),
    ],
)
def test_a_board_that_sends_but_never_introduces_itself_is_named(
    babble: messages.Event | None, words: str
) -> None:
    pair = Pair((BOUNDED,))
    payload = bytes([messages.VERSION, 0x99, 0]) if babble is None else codec.encode(babble, 0)
    pair.to_host = lambda _: [payload]
    pair.start()
    for _ in range(300):
        pair.session.receive(pair.time_s, payload)
        pair.tick()
    assert pair.state() is State.FAULTED
    assert words in pair.session.detail
    assert len(pair.told(StateChanged)) <= 6
    truth(pair)
    pair.run(FAULTED_ASK_S + 20.0)
    assert pair.state() is State.READY
