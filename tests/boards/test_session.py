"""The session: every way from state to state, and what it asks of a board."""

from __future__ import annotations

from itertools import pairwise

import pytest

from bridge.boards import codec, messages
from bridge.boards.messages import ChannelState
from bridge.boards.notices import (
    ButtonPressed,
    ChannelFaulted,
    ChannelHomed,
    FramesCorrupted,
    KnobTurned,
    PositionNeeded,
    PositionsForgotten,
    SlotsLost,
)
from bridge.boards.pointer_channel import Phase
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.errors import BoardError
from tests.boards.pair import HOMING_BY_ITSELF, INDEXED, LAST, Pair, expected, ready
from tests.boards.subjects import CHANNELS

# -- the states, one way after another -----------------------------------------------------------


def test_a_session_begins_absent_and_sends_nothing() -> None:
    session = BoardSession("left", expected(CHANNELS))
    assert session.state is State.ABSENT
    assert session.outgoing(0.0) == []
    assert session.move(0.0, [0.0] * 5, [0.0] * 5) == b""


def test_an_open_link_makes_it_ask_for_an_introduction_with_growing_pauses() -> None:
    session = BoardSession("left", expected(CHANNELS), silence_s=60.0)
    session.link_opened(10.0)
    assert session.state is State.INTRODUCING
    times = []
    for _ in range(8):
        time_s = session.due_s()
        times.append(time_s)
        assert [codec.decode(payload)[1] for payload in session.outgoing(time_s)] == [messages.Identify()]
        assert session.outgoing(time_s) == []
    pauses = [later - earlier for earlier, later in pairwise(times)]
    assert times[0] == 10.0
    assert pauses == pytest.approx([0.05, 0.1, 0.2, 0.4, 0.5, 0.5, 0.5])


def test_an_open_link_without_an_answer_is_an_absent_board_that_is_still_asked() -> None:
    pair = Pair()
    pair.board.silent = True
    pair.board.reset(0.0)
    pair.start().run(3.0)
    assert pair.state() is State.ABSENT
    assert "no board answers" in pair.session.detail
    asked = pair.asked(messages.Identify)
    pair.run(2.0)
    assert pair.asked(messages.Identify) >= asked + 3
    pair.board.silent = False
    pair.run(1.0)
    assert pair.state() is State.HOMING


def test_it_homes_channels_by_their_own_way_and_is_ready_then() -> None:
    pair = Pair(HOMING_BY_ITSELF).start()
    pair.run(0.2)
    assert pair.state() is State.HOMING
    pair.run(20.0)
    assert pair.state() is State.READY
    assert pair.asked(messages.Home) == 1
    assert {notice.channel for notice in pair.notices if isinstance(notice, ChannelHomed)} == {0, 1, 2}
    for number in range(3):
        assert (
            pair.board.channel(number).place
            == pytest.approx(pair.board.channel(number).status.position, abs=1.0)
            or CHANNELS[number].steps_per_turn
        )  # an index mark may be another turn's


def test_known_channels_are_driven_while_others_still_home() -> None:
    pair = Pair(HOMING_BY_ITSELF).start().run(0.3, [0.0, 0.0, 0.0, 1800.0])
    assert pair.state() is State.HOMING
    moves = [message for message in pair.sent if isinstance(message, messages.Move)]
    assert {tuple(target.channel for target in move.targets) for move in moves} == {(3,)}
    pair.run(1.0, [0.0, 0.0, 0.0, 1800.0])
    assert pair.board.channel(3).status.position == 1800


def test_a_position_that_only_the_user_knows_is_asked_for_and_adopted() -> None:
    pair = Pair((LAST,)).start().run(1.0, [250.0])
    assert pair.state() is State.HOMING
    assert pair.told(PositionNeeded) == [PositionNeeded(0)]
    assert pair.board.channel(0).state == ChannelState.UNKNOWN  # nothing was driven
    pair.session.adopt(0, 200)
    pair.run(0.5)
    assert pair.state() is State.READY
    assert pair.board.channel(0).status.position == 200
    pair.run(2.0, [250.0])
    assert pair.board.channel(0).status.position == 250
    with pytest.raises(BoardError, match="outside"):
        pair.session.adopt(0, 2_000_000_000)
    assert pair.state() is State.READY
    pair.session.adopt(0, 260)  # it has slipped
    assert pair.state() is State.HOMING, "nothing is driven until the board has taken it"
    pair.run(0.5, [260.0])
    assert pair.state() is State.READY
    assert pair.board.channel(0).status.position == 260


def test_a_channel_with_a_mark_is_not_told_where_it_is() -> None:
    pair = Pair((INDEXED,)).start().run(10.0)
    assert pair.state() is State.READY
    with pytest.raises(BoardError, match="does not wait"):
        pair.session.adopt(0, 0)


def test_a_lost_adopt_is_sent_again() -> None:
    pair = Pair((LAST,)).start().run(0.5)
    lost: list[bytes] = []

    def lose_the_first(payload: bytes) -> list[bytes]:
        if payload[1] == messages.FrameType.ADOPT and not lost:
            lost.append(payload)
            return []
        return [payload]

    pair.to_board = lose_the_first
    pair.session.adopt(0, 77)
    pair.run(1.0)
    assert lost
    assert pair.state() is State.READY
    assert pair.board.channel(0).status.position == 77


def test_a_lost_home_is_sent_again() -> None:
    pair = Pair((INDEXED,))
    pair.to_board = lambda payload: (
        [] if payload[1] == messages.FrameType.HOME and pair.time_s < 1.0 else [payload]
    )
    pair.start().run(6.0)
    assert pair.state() is State.READY
    assert pair.asked(messages.Home) > 2
    assert pair.board.channel(0).place == pytest.approx(pair.board.channel(0).status.position, abs=1.0)


def test_silence_makes_a_ready_board_absent_and_its_return_needs_no_homing() -> None:
    pair = ready()
    homed = pair.asked(messages.Home)
    pair.board.silent = True
    pair.run(1.0)
    assert pair.state() is State.ABSENT
    assert pair.session.move(pair.time_s, [0.0] * 4, [0.0] * 4) == b""
    pair.board.silent = False
    pair.run(2.0)
    assert pair.state() is State.READY
    assert pair.asked(messages.Home) == homed


def test_a_lost_link_makes_it_absent_and_states_why() -> None:
    pair = ready()
    pair.session.link_lost("the port was lost: look at its cable")
    assert pair.state() is State.ABSENT
    assert pair.session.detail == "the port was lost: look at its cable"
    assert pair.session.outgoing(pair.time_s + 1) == []
    assert pair.session.due_s() == float("inf")


@pytest.mark.parametrize("heard", [True, False])
def test_a_reset_is_seen_and_answered_by_homing(heard: bool) -> None:
    pair = ready()
    homed = pair.asked(messages.Home)
    pair.reset(heard=heard)
    pair.run(0.3, [0.0, 100.0, 100.0, 1500.0])
    assert pair.state() is State.HOMING
    pair.run(20.0, [0.0, 100.0, 100.0, 1500.0])
    assert pair.state() is State.READY
    assert pair.asked(messages.Home) == homed + 1
    assert pair.session.statistics.resets == 1
    assert [pair.board.channel(n).status.position for n in range(4)] == [0, 100, 100, 1500]


@pytest.mark.parametrize("ended", ["by a stop", "by the watchdog"])
def test_a_search_that_is_ended_is_no_reset_and_the_knobs_keep_their_counts(ended: str) -> None:
    pair = ready()
    pair.board.turn_knob(0, 5)
    homed = pair.asked(messages.Home)
    pair.session.home(0)
    pair.run(0.2)
    assert pair.state() is State.HOMING
    if ended == "by a stop":
        pair.session.stop()
        pair.run(0.2)
        pair.session.go_on()
    else:
        pair.hold_up(pair.board.watchdog_ms / 1000 + 0.1)
        assert pair.board.trips == 1
    pair.run(20.0)
    assert pair.state() is State.READY
    assert pair.asked(messages.Home) == homed + 2
    pair.board.turn_knob(0, 2)
    pair.run(0.1)
    assert pair.session.statistics.resets == 0
    assert pair.told(PositionsForgotten) == []
    assert pair.told(KnobTurned)[-1] == KnobTurned(0, 2)


@pytest.mark.parametrize("heard", [True, False])
def test_a_reset_in_a_search_is_seen(heard: bool) -> None:
    pair = ready((INDEXED,))
    pair.board.turn_knob(0, 30)
    pair.session.home(0)
    pair.run(0.2)
    assert pair.state() is State.HOMING
    pair.reset(heard=heard)
    pair.run(20.0)
    pair.board.turn_knob(0, 1)
    pair.run(0.1)
    assert pair.session.statistics.resets == 1
    assert pair.told(PositionsForgotten) == [PositionsForgotten((0,))]
    assert pair.told(KnobTurned) == [KnobTurned(0, 30), KnobTurned(0, 1)]


def test_a_link_that_was_down_in_a_search_makes_no_turn_of_a_knob() -> None:
    pair = ready((INDEXED,))
    pair.board.turn_knob(0, 30)
    pair.session.home(0)
    pair.run(0.2)
    pair.session.link_lost("unplugged")
    pair.hold_up(1.0)
    pair.session.link_opened(pair.time_s)
    pair.run(20.0)
    assert pair.state() is State.READY
    pair.board.turn_knob(0, 1)  # tells what the count is
    pair.board.turn_knob(0, 2)
    pair.run(0.1)
    assert pair.session.statistics.resets == 0
    assert pair.told(KnobTurned) == [KnobTurned(0, 30), KnobTurned(0, 2)]


def test_a_search_that_nobody_saw_end_or_begin_is_no_reset() -> None:
    pair = ready((INDEXED,))
    pair.session.home(0)
    lost = {messages.FrameType.STATUS, messages.FrameType.EVENT}
    pair.to_host = lambda payload: [] if payload[1] in lost else [payload]
    pair.run(0.05)
    pair.hold_up(pair.board.watchdog_ms / 1000 + 0.1)
    pair.to_host = lambda payload: [payload]
    pair.run(20.0)
    assert pair.state() is State.READY
    assert pair.session.statistics.resets == 0


def test_a_host_that_starts_again_finds_the_count_and_does_not_home() -> None:
    first = ready()
    first.run(5.0, [1234.5, 1000.0, 300.0, 1700.0])
    again = Pair(HOMING_BY_ITSELF, first.board)
    again.time_s = first.time_s + 3.0  # long enough for the watchdog to hold
    again.start().run(1.0)
    assert again.state() is State.READY
    assert again.asked(messages.Home) == 0
    assert [channel.position for channel in again.session.channels] == [1235, 1000, 300, 1700]


def test_a_channel_that_cannot_home_is_named_and_stops_no_other() -> None:
    pair = Pair(HOMING_BY_ITSELF).start()
    pair.board.channel(0).marks_dead = True
    pair.run(40.0, [0.0, 500.0, 500.0, 1500.0])
    assert pair.state() is State.READY
    assert "channel 0 no index mark found" in pair.session.detail
    assert [c.number for c in pair.session.channels if c.phase is Phase.FAULTED] == [0]
    assert pair.board.channel(1).status.position == 500
    pair.board.channel(0).marks_dead = False
    pair.session.home(0)
    assert pair.state() is State.HOMING
    pair.run(20.0)
    assert pair.session.detail == ""
    assert {channel.phase for channel in pair.session.channels} == {Phase.READY}


def test_a_stop_that_never_closes_is_named() -> None:
    pair = Pair((CHANNELS[1],)).start()
    pair.board.channel(0).stop_dead = True
    pair.run(40.0)
    assert pair.state() is State.FAULTED
    assert "stop not found" in pair.session.detail
    pair.board.channel(0).stop_dead = False
    pair.session.home(0)
    pair.run(40.0)
    assert pair.state() is State.READY


def test_homing_a_board_that_is_not_there_is_refused_in_words() -> None:
    with pytest.raises(BoardError, match="board left, channel 0: can't home while the board is absent"):
        BoardSession("left", expected(CHANNELS)).home(0)


# -- knobs and buttons -----------------------------------------------------------------------------


def test_a_knob_tells_its_changes_and_a_lost_event_is_made_up_by_the_next() -> None:
    pair = ready((INDEXED,))
    pair.board.turn_knob(0, 3)
    pair.board.turn_knob(0, -1)
    pair.board.press(1)
    pair.run(0.1)
    assert pair.told(KnobTurned) == [KnobTurned(0, 3), KnobTurned(0, -1)]
    assert pair.told(ButtonPressed) == [ButtonPressed(1, 1)]


def test_after_a_restart_of_the_host_an_old_count_is_not_taken_for_a_turn() -> None:
    first = ready((INDEXED,))
    first.board.turn_knob(0, 30)
    first.board.press(1)
    again = Pair((INDEXED,), first.board)
    again.time_s = first.time_s
    again.start().run(1.0)
    again.board.turn_knob(0, 1)  # tells what the count is
    again.board.turn_knob(0, 2)
    again.board.press(1)
    again.run(0.2)
    assert again.told(KnobTurned) == [KnobTurned(0, 2)]
    assert again.told(ButtonPressed) == [ButtonPressed(1, 1)]


def test_a_reset_of_the_board_starts_its_counts_again() -> None:
    pair = ready((INDEXED,))
    pair.board.turn_knob(0, 5)
    pair.run(0.1)
    pair.reset()
    pair.run(1.0)
    pair.board.turn_knob(0, 2)
    pair.run(0.1)
    assert pair.told(KnobTurned) == [KnobTurned(0, 5), KnobTurned(0, 2)]


def test_a_search_that_is_ended_under_a_new_host_leaves_the_old_counts() -> None:
    first = ready((INDEXED,))
    first.board.turn_knob(0, 30)
    again = Pair((INDEXED,), first.board)
    again.time_s = first.time_s
    again.start().run(1.0)
    again.board.turn_knob(0, 1)  # tells what the count is
    again.session.home(0)
    again.run(0.2)
    again.session.stop()
    again.run(1.0)
    assert again.board.channel(0).status.state == ChannelState.UNKNOWN
    again.board.turn_knob(0, 2)
    again.run(0.2)
    assert again.told(KnobTurned) == [KnobTurned(0, 2)]


def test_statistics_tell_what_was_measured() -> None:
    pair = ready((INDEXED,))
    figures = pair.session.statistics
    assert figures.board_good == pytest.approx(figures.sent, abs=2)
    assert (figures.board_missed, figures.unanswered, figures.undecodable) == (0, 0, 0)
    pair.board.drop_every = 3
    pair.run(3.0)
    assert figures.board_missed > 3
    assert figures.unanswered > 3
    assert pair.told(ChannelFaulted) == []


def test_time_slots_that_a_board_loses_are_counted_and_reported_when_they_grow() -> None:
    pair = ready()
    pair.run(1.0)
    assert pair.told(SlotsLost) == []
    for lost in (5, 65_000):
        pair.board.slots_lost = lost
        pair.run(1.0)
    assert pair.session.statistics.slots_lost == 65_000
    assert pair.told(SlotsLost) == [SlotsLost(5), SlotsLost(65_000)]
    assert pair.state() is State.READY


def test_corrupted_frames_are_reported_with_both_counts() -> None:
    pair = ready()
    pair.board.bad += 7
    pair.run(0.5)
    pair.session.corrupted(3)
    pair.run(0.5)
    assert pair.told(FramesCorrupted) == [FramesCorrupted(7, 0), FramesCorrupted(7, 3)]
    assert pair.state() is State.READY
