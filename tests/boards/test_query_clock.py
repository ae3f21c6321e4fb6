"""When a board is asked, and when it counts as silent or blind; on a clock of the test's own."""

from __future__ import annotations

from math import inf

import pytest

from bridge.boards.query_clock import BLIND_S, LEAST_UNANSWERED, QueryClock

QUERY_S, SILENCE_S = 0.1, 0.4


@pytest.fixture
def clock() -> QueryClock:
    clock = QueryClock(QUERY_S, SILENCE_S)
    clock.start(10.0)
    return clock


def ask(clock: QueryClock, times: int, heard: bool = False) -> float:
    """Query whenever it is due; returns the time of the last one."""
    time_s = clock.due_s
    for number in range(times):
        time_s = clock.due_s
        clock.queried(time_s, number)
        if heard:
            clock.heard()
    return time_s


def test_the_first_question_is_due_at_once_and_the_next_after_the_interval(clock: QueryClock) -> None:
    assert clock.due_s == 10.0
    clock.queried(10.02, 0)
    assert clock.due_s == pytest.approx(10.12)


def test_an_answer_tells_the_round_trip_and_gives_up_what_is_older(clock: QueryClock) -> None:
    ask(clock, 3)
    assert clock.awaits(1)
    answer = clock.answered(10.13, 1)
    assert (answer.asked_s, answer.round_trip_s, answer.unanswered) == pytest.approx((10.1, 0.03, 1))
    assert not clock.awaits(0)
    assert clock.awaits(2)


def test_a_command_makes_answers_under_way_void_and_the_next_question_due(clock: QueryClock) -> None:
    ask(clock, 2)
    clock.commanded(10.15)
    assert clock.due_s == 10.15
    assert not clock.awaits(0)
    assert not clock.awaits(1)


def test_silence_begins_with_the_oldest_unanswered_question(clock: QueryClock) -> None:
    ask(clock, LEAST_UNANSWERED)
    assert clock.silent_s == pytest.approx(10.0 + SILENCE_S)
    clock.heard()
    assert clock.silent_s == inf


def test_one_question_however_old_is_no_silence(clock: QueryClock) -> None:
    """The host was paused after it: the answer may lie in a buffer."""
    ask(clock, LEAST_UNANSWERED - 1)
    assert clock.silent_s == inf


def test_frames_without_a_usable_answer_are_blindness_not_silence(clock: QueryClock) -> None:
    ask(clock, LEAST_UNANSWERED, heard=True)
    assert clock.silent_s == inf
    assert clock.blind_s == pytest.approx(10.0 + BLIND_S)
    clock.answered(10.3, LEAST_UNANSWERED - 1)
    assert clock.blind_s == inf


def test_nothing_heard_is_silence_not_blindness(clock: QueryClock) -> None:
    ask(clock, LEAST_UNANSWERED)
    assert clock.blind_s == inf


def test_what_is_remembered_is_bounded_and_counted(clock: QueryClock) -> None:
    given_up = 0
    for number in range(1000):
        given_up += clock.queried(10.0 + number, number & 255)
    assert given_up == 1000 - 16
    assert [number for number in range(256) if clock.awaits(number)] == list(range(216, 232))
