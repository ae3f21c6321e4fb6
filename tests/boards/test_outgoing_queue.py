"""The queue of one line: its order, its pace, the newest replaceable frame; on a clock of the test's own."""

from __future__ import annotations

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.boards.outgoing_queue import AHEAD_S, MOST_WAITING, OutgoingQueue

BAUD = 10_000  # 1 ms a byte, with start and stop bit


def drain(queue: OutgoingQueue, now_s: float = 0.0) -> list[tuple[float, bytes]]:
    """Write all that waits as soon as it may be written: times and frames."""
    out = []
    while not queue.empty:
        if wait_s := queue.wait_s(now_s):
            now_s += wait_s + 1e-9  # the sum rounds
        frame = queue.next(now_s)
        assert frame
        queue.written(len(frame), now_s)
        out.append((now_s, frame))
    return out


def test_nothing_waits_at_first() -> None:
    queue = OutgoingQueue(BAUD)
    assert queue.empty
    assert queue.wait_s(0.0) == inf
    assert queue.next(0.0) == b""


def test_frames_go_out_in_order_at_the_pace_of_the_line() -> None:
    queue = OutgoingQueue(BAUD)
    for frame in (b"a" * 20, b"b" * 30, b"c" * 10):
        queue.put(frame)
    times, frames = zip(*drain(queue, 7.0), strict=True)
    assert frames == (b"a" * 20, b"b" * 30, b"c" * 10)
    assert times == pytest.approx((7.0, 7.020 - AHEAD_S, 7.050 - AHEAD_S))


def test_a_line_that_was_idle_is_free_at_once() -> None:
    queue = OutgoingQueue(BAUD)
    queue.put(b"a" * 20)
    drain(queue, 1.0)
    queue.put(b"b")
    assert queue.wait_s(1.001) == pytest.approx(1.020 - AHEAD_S - 1.001)
    assert queue.wait_s(30.0) == 0.0
    assert queue.next(30.0) == b"b"


def test_without_a_pace_everything_may_go_at_once() -> None:
    queue = OutgoingQueue()
    queue.put(b"a" * 1000)
    queue.put(b"b")
    assert [time_s for time_s, _ in drain(queue, 3.0)] == [3.0, 3.0]


def test_a_newer_replaceable_frame_takes_the_place_of_an_older_and_goes_to_the_end() -> None:
    queue = OutgoingQueue(BAUD)
    queue.put(b"move 1", replaceable=True)
    queue.put(b"query")
    queue.put(b"move 2", replaceable=True)
    queue.put(b"move 3", replaceable=True)
    assert [frame for _, frame in drain(queue)] == [b"query", b"move 3"]
    assert queue.superseded == 2


def test_a_frame_that_has_begun_is_finished_first() -> None:
    queue = OutgoingQueue(BAUD)
    queue.put(b"move 1", replaceable=True)
    assert queue.next(0.0) == b"move 1"
    queue.written(2, 0.0)
    queue.put(b"move 2", replaceable=True)
    assert queue.next(0.0) == b"ve 1"
    queue.written(0, 0.0)  # the driver took nothing
    assert [frame for _, frame in drain(queue)] == [b"ve 1", b"move 2"]
    assert queue.superseded == 0


def test_what_a_line_does_not_take_is_bounded_and_counted() -> None:
    queue = OutgoingQueue(BAUD)
    for number in range(MOST_WAITING + 3):
        queue.put(number.to_bytes(2, "big"))
    assert queue.dropped == 3
    assert [frame for _, frame in drain(queue)] == [n.to_bytes(2, "big") for n in range(MOST_WAITING)]


@given(st.lists(st.tuples(st.booleans(), st.integers(1, 40), st.floats(0.0, 0.05)), max_size=60))
def test_never_more_is_in_front_of_a_frame_than_the_line_carries_in_the_time_ahead(
    frames: list[tuple[bool, int, float]],
) -> None:
    queue = OutgoingQueue(BAUD)
    now_s = busy_until_s = 0.0
    put, out = [], []
    for number, (replaceable, size, later_s) in enumerate(frames):
        frame = bytes([number]) * size
        queue.put(frame, replaceable)
        put.append((replaceable, frame))
        now_s += later_s
        while data := queue.next(now_s):
            assert busy_until_s - now_s <= AHEAD_S + 1e-9
            queue.written(len(data), now_s)
            busy_until_s = max(busy_until_s, now_s) + len(data) / 1000
            out.append(data)
    out += [frame for _, frame in drain(queue, now_s)]
    firm = [frame for replaceable, frame in put if not replaceable]
    assert [frame for frame in out if frame in firm] == firm
    assert len(out) + queue.superseded == len(put)
    newest = [frame for replaceable, frame in put if replaceable][-1:]
    assert set(newest) <= set(out)
