"""The virtual board on any frames at all, and its ways to fail."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.boards import codec, messages
from bridge.boards.messages import ChannelLimits, ChannelState, Homing, Output
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec
from tests.boards.subjects import CHANNELS
from tests.boards.test_codec import any_message

BOUNDED = VirtualChannelSpec(ChannelLimits(Output.SERVO, Homing.LAST_POSITION, 900, 7000, 1000, 2000))

moves = st.lists(
    st.tuples(
        st.floats(-(2**20), 2**20), st.floats(-(2**18), 2**18), st.sampled_from([0.001, 0.01, 0.02, 0.3, 2.0])
    ),
    max_size=60,
)


def status(board: VirtualBoard, time_s: float) -> messages.Status:
    answers = [
        codec.decode(payload)[1] for payload in board.receive(time_s, codec.encode(messages.Query(), 0))
    ]
    return next(message for message in answers if isinstance(message, messages.Status))


@given(moves)
def test_no_sequence_of_moves_beats_speed_acceleration_or_stops(
    wanted: list[tuple[float, float, float]],
) -> None:
    limits = BOUNDED.limits
    board = VirtualBoard([BOUNDED])
    board.reset(0.0)
    time_s, before = 0.0, status(board, 0.0).channels[0]
    for position, velocity, wait_s in wanted:
        board.receive(time_s, codec.encode_move(0, [position], [velocity]))
        time_s += wait_s
        now = status(board, time_s).channels[0]
        assert limits.low <= now.position <= limits.high
        assert abs(now.position - before.position) <= limits.speed * wait_s + 1
        assert abs(now.velocity) <= limits.speed * 256 + 1
        assert abs(now.velocity - before.velocity) <= limits.acceleration * 256 * wait_s + 2
        before = now


@pytest.mark.slow
@settings(deadline=None)
@given(st.lists(st.one_of(st.binary(max_size=40), any_message.map(lambda message: codec.encode(message, 0)))))
def test_any_frames_are_answered_by_frames_and_raise_nothing(payloads: list[bytes]) -> None:
    board = VirtualBoard(CHANNELS)
    board.reset(0.0)
    for number, payload in enumerate(payloads):
        for answer in board.receive(number * 0.02, payload):
            _, message = codec.decode(answer)
            assert isinstance(
                message, messages.Introduction | messages.Status | messages.Event | messages.Refusal
            )


@given(moves)
def test_the_same_frames_at_the_same_times_give_the_same_bytes(
    wanted: list[tuple[float, float, float]],
) -> None:
    def said() -> list[bytes]:
        board = VirtualBoard(CHANNELS)
        out = board.reset(0.0)
        out += board.receive(0.0, codec.encode(messages.Home((0, 1, 2)), 0))
        time_s = 0.0
        for position, velocity, wait_s in wanted:
            time_s += wait_s
            out += board.receive(time_s, codec.encode_move(0, [position], [velocity]))
            out += board.receive(time_s, codec.encode(messages.Query(), 1))
        return out

    assert said() == said()


def test_a_silent_board_hears_and_sends_nothing() -> None:
    board = VirtualBoard(CHANNELS)
    board.reset(0.0)
    board.silent = True
    board.turn_knob(0, 1)
    assert board.receive(1.0, codec.encode(messages.Identify(), 0)) == []
    assert board.advance(2.0) == []


def test_every_nth_frame_can_be_dropped() -> None:
    board = VirtualBoard(CHANNELS)
    board.reset(0.0)
    board.drop_every = 3
    answered = [bool(board.receive(0.01 * n, codec.encode(messages.Query(), n))) for n in range(9)]
    assert answered == [True, True, False] * 3
    board.drop_every = 0
    assert status(board, 1.0).frames_missed >= 2


def test_the_watchdog_of_a_board_that_homes_stops_the_search() -> None:
    board = VirtualBoard(CHANNELS)
    board.reset(0.0)
    board.receive(0.1, codec.encode(messages.Home((1,)), 0))
    events = [codec.decode(payload)[1] for payload in board.advance(5.0)]
    assert messages.Event(messages.EventKind.WATCHDOG, 0, 500) in events
    assert status(board, 5.0).channels[1].state == ChannelState.UNKNOWN


# -- a motor with stops of its own -----------------------------------------------------------------

SWEPT = VirtualChannelSpec(
    ChannelLimits(Output.GAUGE_STEPPER, Homing.SWEEP, 600, 6000, 0, 945), stops=(0.0, 945.0)
)


def swept(adopted: int) -> VirtualBoard:
    """A board whose pointer is at its lower stop and was adopted at another place."""
    board = VirtualBoard([SWEPT])
    board.reset(0.0)
    board.receive(0.0, codec.encode(messages.Adopt((messages.ChannelPosition(0, adopted),)), 0))
    return board


def go(board: VirtualBoard, start_s: float, position: float) -> float:
    for tick in range(300):
        board.receive(start_s + tick / 100, codec.encode_move(0, [position], [0.0]))
    return start_s + 3.0


def test_a_pointer_adopted_at_a_wrong_place_slips_at_its_motors_own_stop_and_its_count_goes_on() -> None:
    board = swept(adopted=500)
    channel = board.channel(0)
    time_s = go(board, 0.0, 700)
    assert (status(board, time_s).channels[0].position, channel.place) == (700, 200)
    time_s = go(board, time_s, 300)
    assert (status(board, time_s).channels[0].position, channel.place) == (300, 0), "not 200 below its stop"
    time_s = go(board, time_s, 400)
    assert (status(board, time_s).channels[0].position, channel.place) == (400, 100)


def test_homing_puts_it_right() -> None:
    board = swept(adopted=500)
    time_s = go(board, 0.0, 700)
    board.receive(time_s, codec.encode(messages.Home((0,)), 0))
    for tick in range(1000):
        board.receive(time_s + tick / 100, codec.encode(messages.Query(), 0))
    time_s = go(board, time_s + 10.0, 400)
    assert (status(board, time_s).channels[0].position, board.channel(0).place) == (400, 400)


def test_a_servo_is_never_adopted() -> None:
    board = VirtualBoard([BOUNDED])
    board.reset(0.0)
    board.receive(0.0, codec.encode(messages.Adopt((messages.ChannelPosition(0, 1500),)), 0))
    assert (status(board, 0.1).channels[0].position, board.channel(0).place) == (1000, 1000)
