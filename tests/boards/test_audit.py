"""Index audit: missed steps are found at the mark, corrected slowly, and a fault past their limit."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.boards import messages
from bridge.boards.audit import IndexAudit
from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, ChannelState, Homing, Output
from bridge.boards.notices import ChannelFaulted, StepsMissed
from bridge.boards.pointer_channel import Phase
from bridge.boards.state import State
from bridge.boards.virtual.channel import VirtualChannelSpec
from tests.boards.pair import Pair

TURN = Fraction(32 * 22 * 26 * 31 * 100, 9 * 11 * 9 * 10)  # a gear train that never comes out even
POINTER = VirtualChannelSpec(
    ChannelLimits(Output.STEP_DIR, Homing.INDEX, 4000, 40_000, ENDLESS_LOW, ENDLESS_HIGH),
    TURN,
    pointer_at=-50.0,
)


def homed() -> Pair:
    pair = Pair((POINTER,)).start().run(6.0)
    assert pair.session.state is State.READY
    return pair


def sweep(pair: Pair, start: float, end: float, rate: float = 2000.0) -> None:
    ticks = max(1, round(abs(end - start) / rate * 100))
    for tick in range(1, ticks + 1):
        pair.tick([start + (end - start) * tick / ticks])
    pair.run(0.2, [end])


def true_place(pair: Pair) -> float:
    """Where the pointer really is, counted from the mark it homed on."""
    return pair.board.channel(0).place


@given(st.integers(-200, 200), st.integers(-2, 2))
def test_marks_at_exact_multiples_find_nothing_however_many_turns(turn: int, off: int) -> None:
    audit = IndexAudit(TURN, 3.0, None, 10.0)
    assert audit.mark(round(turn * TURN) + off) == 0
    assert audit.missed == 0


@given(st.integers(-200, 200), st.integers(-300, 300).filter(lambda steps: abs(steps) > 4))
def test_a_mark_that_comes_late_tells_the_steps_missed(turn: int, steps: int) -> None:
    audit = IndexAudit(TURN, 3.0, None, 10.0)
    assert audit.mark(round(turn * TURN) + steps) == pytest.approx(steps, abs=1)
    assert audit.mark(round((turn + 1) * TURN) + steps) == 0  # known by now


@pytest.mark.slow
def test_a_thousand_turns_find_no_missed_step() -> None:
    pair = homed()
    far = float(200 * TURN)
    sweep(pair, 0.0, far, 3900.0)
    pair.run(1.0, [far])
    assert pair.told(StepsMissed) == []
    assert pair.session.channels[0].audit is not None
    assert pair.session.channels[0].audit.unseen == 0
    assert pair.board.channel(0).status.position == round(far)


@pytest.mark.parametrize("lost", [40, -40])
def test_forty_lost_steps_are_found_shown_and_corrected(lost: int) -> None:
    pair = homed()
    start, end = 1000.0, 1000.0 + float(TURN)
    sweep(pair, 0.0, start)
    pair.board.channel(0).lose(lost)
    assert true_place(pair) == pytest.approx(start - lost, abs=1)
    sweep(pair, start, end)
    (found,) = pair.told(StepsMissed)
    assert isinstance(found, StepsMissed)
    assert found.channel == 0
    assert found.total == pytest.approx(lost, abs=1)
    assert "missed steps" in pair.session.channels[0].detail
    pair.run(3.0, [end])
    assert "missed steps were corrected" in pair.session.channels[0].detail
    assert true_place(pair) == pytest.approx(end, abs=2)
    assert pair.session.channels[0].position == pytest.approx(end, abs=2)
    assert pair.session.channels[0].has_reached(end)
    assert not pair.session.channels[0].has_reached(end + 10)
    sweep(pair, end, 0.0)
    pair.run(1.0, [0.0])
    assert len(pair.told(StepsMissed)) == 1  # the marks on the way back are where they should


def test_the_correction_is_slow() -> None:
    pair = homed()
    sweep(pair, 0.0, 1000.0)
    pair.board.channel(0).lose(60)
    end = float(TURN) + 80.0
    sweep(pair, 1000.0, end)
    places = []
    for _ in range(100):
        pair.tick([end])
        places.append(true_place(pair))
    assert places[-1] - places[20] > 5
    steps = [later - earlier for earlier, later in pairwise(places[20:])]
    assert max(steps) <= 0.02 * 4000 * 0.01 * 1.5 + 0.01  # 2 % of the channel's speed, a tick at a time


def test_more_lost_steps_than_the_limit_fault_the_pointer_and_rest_it() -> None:
    pair = homed()
    sweep(pair, 0.0, 1000.0)
    pair.board.channel(0).lose(int(TURN / 8) + 20)
    sweep(pair, 1000.0, 1000.0 + float(TURN))
    channel = pair.session.channels[0]
    assert channel.phase is Phase.FAULTED
    assert "steps missed since homing, more than" in channel.detail
    assert len(pair.told(ChannelFaulted)) == 1
    pair.run(1.0, [0.0])
    assert pair.board.channel(0).state == ChannelState.RESTING
    assert isinstance([m for m in pair.sent if not isinstance(m, messages.Query)][-1], messages.Rest)
    pair.session.home(0)
    pair.run(8.0, [0.0])
    assert pair.session.state is State.READY
    off_mark = (true_place(pair) + float(TURN) / 2) % float(TURN) - float(TURN) / 2
    assert off_mark == pytest.approx(0.0, abs=1.0)


def test_a_dead_index_sensor_is_noticed_and_named() -> None:
    pair = homed()
    pair.board.channel(0).marks_dead = True
    sweep(pair, 0.0, float(TURN) * 4.5)
    pair.run(0.3, [float(TURN) * 4.5])
    channel = pair.session.channels[0]
    assert channel.audit is not None
    assert channel.audit.unseen == 4
    assert "index marks unseen: look at the sensor" in channel.detail
    assert pair.session.state is State.READY
    pair.board.channel(0).marks_dead = False
    sweep(pair, float(TURN) * 4.5, float(TURN) * 5.5)
    assert channel.detail == ""


@given(st.lists(st.tuples(st.integers(-10_000, 10_000), st.booleans()), max_size=50))
def test_dithering_about_a_mark_counts_no_mark_as_unseen(places: list[tuple[int, bool]]) -> None:
    audit = IndexAudit(Fraction(3200), 2.0, None, 10.0)
    audit.watch(100)
    position = 100
    for place, _ in places:
        low, high = sorted((position, place))
        for mark in range(-(-(low + 1) // 3200), high // 3200 + 1):
            audit.mark(mark * 3200)
        position = place
        assert audit.watch(position) == 0
