"""A session that is stopped: searches for home end and none begins, corrections stay, until it goes on."""

from __future__ import annotations

import pytest

from bridge.boards import messages
from bridge.boards.messages import ChannelState
from bridge.boards.pointer_channel import Phase
from bridge.boards.state import State
from bridge.errors import BoardError
from tests.boards.pair import HOMING_BY_ITSELF, INDEXED, TICK_S, Pair, ready

STOPPED_S = 0.4
"""A search ends with the next frames, and what turns brakes: sooner than a board that hears nothing would."""


def places(pair: Pair) -> list[float]:
    return [pair.board.channel(number).place for number in range(len(pair.session.channels))]


def test_searches_end_and_begin_again_when_it_goes_on() -> None:
    pair = Pair(HOMING_BY_ITSELF).start().run(0.5)
    assert {pair.board.channel(number).state for number in range(3)} == {ChannelState.HOMING}
    pair.session.stop()
    pair.run(STOPPED_S)
    still = places(pair)
    homes = pair.asked(messages.Home)
    pair.run(5.0)
    assert places(pair) == still
    assert {pair.board.channel(number).state for number in range(3)} == {ChannelState.UNKNOWN}
    assert pair.asked(messages.Home) == homes
    assert pair.state() is State.HOMING
    assert "all pointers are stopped" in pair.session.channels[0].detail
    with pytest.raises(BoardError, match="can't home while all pointers are stopped"):
        pair.session.home(0)
    pair.session.go_on()
    pair.run(20.0)
    assert pair.state() is State.READY
    assert {channel.detail for channel in pair.session.channels} == {""}


def test_a_board_that_starts_while_all_is_stopped_searches_only_when_it_goes_on() -> None:
    pair = Pair(HOMING_BY_ITSELF)
    pair.session.stop()
    pair.start().run(3.0)
    assert pair.asked(messages.Home) == 0
    assert pair.state() is State.HOMING
    pair.session.go_on()
    assert pair.run(20.0).state() is State.READY


def test_a_board_that_is_reset_while_all_is_stopped_stays_where_it_is() -> None:
    pair = ready()
    pair.session.stop()
    pair.reset()
    still = places(pair)
    pair.run(3.0)
    assert places(pair) == still
    assert pair.session.channels[0].phase is Phase.HOMING
    pair.session.go_on()
    assert pair.run(20.0).state() is State.READY


def test_a_lost_rest_is_sent_again() -> None:
    pair = Pair(HOMING_BY_ITSELF).start().run(0.5)
    pair.session.stop()
    lost: list[bytes] = []

    def lose_the_first_rest(payload: bytes) -> list[bytes]:
        if payload[1] == messages.FrameType.REST and not lost:
            lost.append(payload)
            return []
        return [payload]

    pair.to_board = lose_the_first_rest
    pair.run(1.0)
    assert lost
    assert {pair.board.channel(number).state for number in range(3)} == {ChannelState.UNKNOWN}


def test_a_search_that_ends_well_just_before_it_is_stopped_counts() -> None:
    pair = Pair((INDEXED,)).start()
    while pair.board.channel(0).state != ChannelState.READY:
        pair.run(TICK_S)
    pair.session.stop()
    pair.run(1.0)
    assert pair.session.channels[0].phase is Phase.READY
    pair.session.go_on()
    homes = pair.asked(messages.Home)
    assert pair.run(1.0).asked(messages.Home) == homes


def test_missed_steps_are_not_corrected_while_it_is_stopped() -> None:
    pair = ready((INDEXED,))
    pair.run(0.5, [100.0])
    pair.board.channel(0).lose(-40)
    for step in range(400):
        pair.tick([min(100.0 + 10.0 * step, 3600.0)])
    audit = pair.session.channels[0].audit
    assert audit is not None and audit.missed == -40
    pair.session.stop()
    pair.run(0.2, [3600.0])
    still = places(pair)
    pair.run(3.0, [3600.0])
    assert places(pair) == still
    assert audit.offset != -40.0
    pair.session.go_on()
    pair.run(3.0, [3600.0])
    assert audit.offset == -40.0
    assert pair.board.channel(0).place == pytest.approx(3600.0, abs=1.0)
