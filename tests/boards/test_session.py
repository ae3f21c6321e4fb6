"""The session: every way from state to state, and what it asks of a board."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.boards import codec, messages
from bridge.boards.compatibility import ExpectedChannel
from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, ChannelState, Homing, Output
from bridge.boards.notices import (
    ButtonPressed,
    ChannelFaulted,
    ChannelHomed,
    FramesCorrupted,
    KnobTurned,
    PositionNeeded,
    SlotsLost,
    StateChanged,
)
from bridge.boards.pointer_channel import Phase
from bridge.boards.session import FAULTED_ASK_S, BoardSession
from bridge.boards.state import State
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec
from bridge.errors import BoardError
from tests.boards.pair import Pair, expected
from tests.boards.subjects import CHANNELS

HOMING_BY_ITSELF = CHANNELS[:4]
INDEXED = VirtualChannelSpec(
    ChannelLimits(Output.STEP_DIR, Homing.INDEX, 2000, 20_000, ENDLESS_LOW, ENDLESS_HIGH),
    Fraction(3200),
    pointer_at=-100.0,
)
LAST = CHANNELS[4]
REFLASH = "Flash the firmware again: pointer-bridge firmware left --panel PANEL.toml --out firmware-left"


def ready(channels: tuple[VirtualChannelSpec, ...] = HOMING_BY_ITSELF) -> Pair:
    pair = Pair(channels).start().run(20.0)
    assert pair.state() is State.READY, pair.session.detail
    return pair


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


def test_a_lost_link_makes_it_absent_and_says_why() -> None:
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


# -- refusing ------------------------------------------------------------------------------------


def described(**changes: int) -> list[ExpectedChannel]:
    return [ExpectedChannel(replace(INDEXED.limits, **changes), INDEXED.steps_per_turn)]


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (described() * 2, "has 1 channels, expected 2"),
        (described(output=Output.SERVO), "channel 0 drives step dir, expected servo"),
        (described(homing=Homing.STOP), "channel 0 homes by index, expected stop"),
        (described(speed=2001), "runs at 2000 steps/s at most, expected 2001"),
        (described(acceleration=20_001), "accelerates at 20000 steps/s² at most, expected 20001"),
    ],
)
def test_a_board_that_does_not_fit_is_refused_with_the_cure(
    wanted: list[ExpectedChannel], words: str
) -> None:
    pair = Pair((INDEXED,))
    pair.session = BoardSession("left", wanted)
    pair.start().run(10.0)
    assert pair.state() is State.FAULTED
    assert words in pair.session.detail
    assert pair.session.detail.endswith(REFLASH)
    assert not pair.asked(messages.Home)
    assert 10.0 / FAULTED_ASK_S - 2 <= pair.asked(messages.Identify) <= 10.0 / FAULTED_ASK_S + 3


def test_a_board_with_narrower_stops_is_refused() -> None:
    pair = Pair((CHANNELS[1],))
    pair.session = BoardSession("left", [ExpectedChannel(replace(CHANNELS[1].limits, high=4001))])
    pair.start().run(1.0)
    assert "travels from -20 to 4000 steps, expected -20 to 4001" in pair.session.detail


def test_a_board_that_can_do_more_than_described_is_taken() -> None:
    pair = Pair((INDEXED,))
    pair.session = BoardSession("left", described(speed=1000, acceleration=1000))
    pair.start().run(10.0)
    assert pair.state() is State.READY


def test_another_board_at_the_port_is_refused_by_its_id() -> None:
    pair = Pair((INDEXED,))
    pair.session = BoardSession("left", expected((INDEXED,)), board_id=b"LARKMOOR")
    pair.start().run(1.0)
    assert pair.state() is State.FAULTED
    assert f"is board {pair.board.board_id.hex()}, expected {b'LARKMOOR'.hex()}" in pair.session.detail


def test_a_board_flashed_again_is_taken() -> None:
    pair = Pair((INDEXED,))
    pair.session = BoardSession("left", expected((CHANNELS[1],)))
    pair.start().run(3.0)
    assert pair.state() is State.FAULTED
    pair.board = VirtualBoard((CHANNELS[1],))
    pair.board.reset(pair.time_s)  # its INTRODUCTION falls into the gap
    pair.run(FAULTED_ASK_S + 1.0)
    assert pair.state() is State.HOMING


@pytest.mark.parametrize(
    "payload",
    [
        codec.encode(
            messages.Refusal(messages.FrameType.IDENTIFY, messages.Reason.VERSION_NOT_SPOKEN, version=1), 0
        ),
        b"\x01\x81\x00 whatever version 1 means",
    ],
)
def test_a_board_of_another_version_is_refused_with_the_cure(payload: bytes) -> None:
    session = BoardSession("left", expected((INDEXED,)), panel_file="my panel.toml")
    session.link_opened(0.0)
    session.receive(0.1, payload)
    assert session.state is State.FAULTED
    assert session.detail == (
        "speaks version 1 of the frame format, this program speaks 2. "
        "Flash the firmware again: pointer-bridge firmware left --panel 'my panel.toml' --out firmware-left"
    )


# -- lines that lose, double and change ------------------------------------------------------------


def test_a_late_or_doubled_status_is_no_news() -> None:
    pair = Pair((INDEXED,)).start().run(10.0)
    row = messages.ChannelStatus(ChannelState.UNKNOWN, 0, 0)
    old = codec.encode(messages.Status(0, 0, 0, 0, 0, (row,)), 3)
    for _ in range(3):
        pair.session.receive(pair.time_s, old)
    assert pair.state() is State.READY


def test_gaps_in_what_the_board_says_are_counted() -> None:
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
    pair.start().run(30.0, [700.0, 200.0])
    pair.to_board = pair.to_host = lambda payload: [payload]
    pair.run(20.0, [700.0, 200.0])
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
