"""Counts of knobs and buttons: a lost event loses nothing, a restart turns nothing."""

from __future__ import annotations

from bridge.boards.input_counts import MOST_CLICKS, InputCounts

KNOB, BUTTON = 4, 5


def test_a_count_that_was_running_before_tells_no_change_but_a_press() -> None:
    counts = InputCounts()
    assert counts.change(KNOB, 0, 37, 0) == 0
    assert counts.change(BUTTON, 0, 37, 1) == 1
    assert counts.change(KNOB, 0, 35, 0) == -2
    assert counts.change(KNOB, 1, 9, 0) == 0, "each input has a count of its own"


def test_a_lost_event_is_made_up_for_by_the_next() -> None:
    counts = InputCounts()
    counts.change(KNOB, 0, 1, 0)
    assert counts.change(KNOB, 0, 5, 0) == 4


def test_after_the_boards_start_the_first_count_is_the_change() -> None:
    counts = InputCounts()
    counts.change(KNOB, 0, 100, 0)
    counts.board_started()
    assert counts.change(KNOB, 0, 3, 0) == 3
    counts.forget()
    assert counts.change(KNOB, 0, 8, 0) == 0


def test_a_count_wraps_and_a_leap_is_more_than_any_hand_turns() -> None:
    counts = InputCounts()
    counts.change(KNOB, 0, 2**31 - 2, 0)
    assert counts.change(KNOB, 0, -(2**31) + 1, 0) == 3
    assert abs(counts.change(KNOB, 0, 5, 0)) > MOST_CLICKS
