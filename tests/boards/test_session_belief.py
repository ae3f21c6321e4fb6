"""Nothing that a board reports is believed that can't be."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from bridge.boards import codec, messages
from bridge.boards.messages import ChannelLimits, Homing, Output
from bridge.boards.notices import (
    ImplausibleReport,
    KnobTurned,
    PositionNeeded,
    StepsMissed,
)
from bridge.boards.pointer_channel import Phase
from bridge.boards.session import MOST_NOTICES
from bridge.boards.state import State
from bridge.boards.virtual.channel import VirtualChannelSpec
from bridge.errors import BoardError
from tests.boards.pair import INDEXED, LAST, Pair, ready
from tests.boards.subjects import CHANNELS

BOUNDED = VirtualChannelSpec(
    ChannelLimits(Output.GAUGE_STEPPER, Homing.SWEEP, 600, 6000, 0, 945), pointer_at=333.0
)


def lie(pair: Pair, state: int | None = None, position: int | None = None) -> None:
    """From now on channel 0 reports this in place of the truth."""

    def falsified(payload: bytes) -> list[bytes]:
        sequence, message = codec.decode(payload)
        if not isinstance(message, messages.Status):
            return [payload]
        row = message.channels[0]
        row = replace(
            row,
            state=row.state if state is None else state,
            position=row.position if position is None else position,
        )
        return [codec.encode(replace(message, channels=(row, *message.channels[1:])), sequence)]

    pair.to_host = falsified


def truth(pair: Pair) -> None:
    pair.to_host = lambda payload: [payload]


@pytest.mark.parametrize(
    ("channel", "position", "why"),
    [
        (INDEXED, 2**31 - 1, "outside"),
        (INDEXED, -(2**31), "outside"),
        (BOUNDED, 5000, "outside -32 to 977 steps"),
        (BOUNDED, -400, "outside -32 to 977 steps"),
        (INDEXED, 90_000, "more than the motor can"),
    ],
)
def test_a_position_that_can_not_be_is_unknown_named_and_found_again(
    channel: VirtualChannelSpec, position: int, why: str
) -> None:
    pair = ready((channel, CHANNELS[3]))
    pair.notices.clear()
    homed = pair.asked(messages.Home)
    lie(pair, position=position)
    for _ in range(100):
        if not pair.told(ImplausibleReport):
            pair.tick([100.0, 1500.0])
    assert pair.session.channels[0].phase is Phase.HOMING
    assert f"position {position}" in pair.session.detail
    (named,) = pair.told(ImplausibleReport)
    assert isinstance(named, ImplausibleReport)
    assert (named.channel, why in named.why) == (0, True)
    truth(pair)
    pair.run(20.0, [100.0, 1600.0])
    assert pair.asked(messages.Home) == homed + 1
    assert [pair.board.channel(n).status.position for n in range(2)] == [100, 1600]
    assert pair.session.detail == ""


def test_a_board_that_lies_again_after_homing_is_faulted_and_drives_its_other_channels() -> None:
    pair = ready((BOUNDED, CHANNELS[3]))
    lie(pair, position=2**31 - 1)
    pair.run(30.0, [100.0, 1700.0])
    assert pair.session.channels[0].phase is Phase.FAULTED
    assert "again after homing. Flash the firmware again" in pair.session.channels[0].detail
    assert pair.board.channel(1).status.position == 1700
    assert pair.session.statistics.disbelieved == 2


def test_a_lie_about_a_position_that_only_the_user_knows_is_asked_for() -> None:
    pair = Pair((LAST,)).start().run(0.5)
    pair.session.adopt(0, 200)
    pair.run(0.5)
    assert pair.state() is State.READY
    pair.notices.clear()
    lie(pair, position=2**31 - 1)
    pair.run(1.0)
    assert pair.told(PositionNeeded) == [PositionNeeded(0)]
    assert pair.session.channels[0].phase is Phase.WAITING
    assert "2147483647" in pair.session.detail


def test_a_state_that_does_not_exist_is_not_ready() -> None:
    pair = Pair((BOUNDED,))
    lie(pair, state=255)
    pair.start().run(3.0, [100.0])
    assert pair.told(ImplausibleReport)
    assert not [message for message in pair.sent if isinstance(message, messages.Move)]
    truth(pair)
    pair.run(20.0)
    assert pair.state() is State.READY


def test_a_position_outside_the_travel_is_not_adopted() -> None:
    pair = Pair((VirtualChannelSpec(replace(BOUNDED.limits, homing=Homing.LAST_POSITION)),)).start().run(0.5)
    with pytest.raises(BoardError, match="board left, channel 0: can't be at 1000000000000 steps: outside"):
        pair.session.adopt(0, 10**12)
    assert pair.state() is State.HOMING


def sent_positions(pair: Pair) -> list[float]:
    targets = [message.targets[0] for message in pair.sent if isinstance(message, messages.Move)]
    return [target.position + target.fraction / 256 for target in targets]


def test_homed_unasked_while_steps_are_corrected_moves_nothing_and_is_named() -> None:
    pair = ready((INDEXED,))
    pair.board.channel(0).lose(200)
    for tick in range(800):
        pair.tick([tick * 8.0])
    pair.run(3.0, [6400.0])
    assert pair.told(StepsMissed)
    pair.sent.clear()
    pair.run(0.1, [6400.0])
    pair.session.receive(pair.time_s, codec.encode(messages.Event(messages.EventKind.HOMED, 0, 0), 0))
    pair.run(0.3, [6400.0])
    jumps = [abs(after - before) for before, after in pairwise(sent_positions(pair))]
    assert max(jumps) <= 1.0  # a fiftieth of 2,000 steps/s, in 10 ms
    assert [notice.channel for notice in pair.notices if isinstance(notice, ImplausibleReport)] == [0]


def test_an_index_mark_that_the_motor_can_not_have_reached_is_not_audited() -> None:
    pair = ready((INDEXED,))
    pair.session.receive(pair.time_s, codec.encode(messages.Event(messages.EventKind.INDEX, 0, 10**9 + 7), 0))
    pair.run(0.5)
    assert pair.told(StepsMissed) == []
    assert pair.told(ImplausibleReport)
    assert pair.state() is State.READY


def test_a_count_that_no_hand_can_have_turned_is_not_used() -> None:
    pair = ready((INDEXED,))
    for count in (10, 2**31 - 1, -(2**31) + 1):
        pair.session.receive(
            pair.time_s, codec.encode(messages.Event(messages.EventKind.KNOB, 0, count), count & 255)
        )
    pair.run(0.1)
    assert pair.told(KnobTurned) == [KnobTurned(0, 10), KnobTurned(0, 2)]  # the count wraps
    assert len(pair.told(ImplausibleReport)) == 1


def test_notices_that_nobody_takes_are_bounded_and_counted() -> None:
    session = ready((INDEXED,)).session
    for _ in range(MOST_NOTICES + 7):
        session.corrupted(1)
    assert session.statistics.notices_dropped == 7
    assert len(session.take_notices()) == MOST_NOTICES


def test_a_position_taken_anew_within_one_tick_is_counted_as_taken() -> None:
    pair = ready((BOUNDED,))
    channel = pair.session.channels[0]
    takes = channel.takes
    introduction = messages.Introduction(pair.board.board_id, 1, 0, 500, (BOUNDED.limits,))
    pair.session.receive(pair.time_s, codec.encode(introduction, 0))
    for payload in pair.session.outgoing(pair.time_s):
        pair.send(payload)
    assert channel.phase is Phase.READY
    assert channel.takes == takes + 1
