"""Counts of knobs and buttons: a lost event loses nothing, a restart turns nothing."""

from __future__ import annotations

from bridge.boards.input_counts import MOST_CLICKS, InputCounts
from bridge.boards.messages import Event, EventKind
from bridge.boards.notices import ButtonPressed, ButtonReleased, ImplausibleReport, KnobTurned, Notice

KNOB, BUTTON = EventKind.KNOB, EventKind.BUTTON


def taken(counts: InputCounts, kind: EventKind, source: int, count: int) -> list[Notice]:
    return counts.event(Event(kind, source, count))


def test_a_count_that_was_running_before_tells_no_change_but_a_press() -> None:
    counts = InputCounts()
    assert taken(counts, KNOB, 0, 37) == []
    assert taken(counts, BUTTON, 0, 37) == [ButtonPressed(0, 1)]
    assert taken(counts, KNOB, 0, 35) == [KnobTurned(0, -2)]
    assert taken(counts, KNOB, 1, 9) == [], "each input has a count of its own"


def test_a_lost_event_is_made_up_for_by_the_next() -> None:
    counts = InputCounts()
    taken(counts, KNOB, 0, 1)
    assert taken(counts, KNOB, 0, 5) == [KnobTurned(0, 4)]


def test_after_the_boards_start_the_first_count_is_the_change() -> None:
    counts = InputCounts()
    taken(counts, KNOB, 0, 100)
    counts.board_started()
    assert taken(counts, KNOB, 0, 3) == [KnobTurned(0, 3)]
    counts.forget()
    assert taken(counts, KNOB, 0, 8) == []


def test_a_count_wraps_and_a_leap_is_more_than_any_hand_turns() -> None:
    counts = InputCounts()
    taken(counts, KNOB, 0, 2**31 - 2)
    assert taken(counts, KNOB, 0, -(2**31) + 1) == [KnobTurned(0, 3)]
    most = -(2**31) + 1 + MOST_CLICKS
    assert taken(counts, KNOB, 0, most) == [KnobTurned(0, MOST_CLICKS)]
    (named,) = taken(counts, KNOB, 0, most + MOST_CLICKS + 1)
    assert isinstance(named, ImplausibleReport)
    assert f"{MOST_CLICKS + 1} more than before" in named.why


def test_a_release_is_reported_once_and_one_of_a_button_that_was_held_at_the_start_never() -> None:
    counts = InputCounts()
    counts.board_started()
    assert taken(counts, EventKind.RELEASED, 0, 0) == []
    taken(counts, BUTTON, 0, 1)
    assert taken(counts, EventKind.RELEASED, 0, 1) == [ButtonReleased(0)]
    assert taken(counts, EventKind.RELEASED, 0, 1) == []


def test_a_button_is_not_pressed_backwards() -> None:
    counts = InputCounts()
    taken(counts, BUTTON, 0, 7)
    assert taken(counts, BUTTON, 0, 6) == []
