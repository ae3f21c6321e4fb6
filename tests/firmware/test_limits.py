"""Whatever a host asks, steps keep to the board's own limits, as counted at the pins of the firmware's core.

The bounds follow from how the firmware makes steps (core/steps.h, core/motion.h): a step falls on a grid of
half a microsecond, and the rate changes once a control tick of 2.048 ms, by what the acceleration allows in
that time. So two neighbouring intervals may show mean rates that differ by what the acceleration gives in
the time between their middles and one tick more (elementary kinematics of a staircase beside its ramp).
"""

from __future__ import annotations

from functools import cache
from itertools import accumulate, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.boards import codec, messages
from bridge.boards.messages import ChannelLimits, ChannelState, EventKind
from tests.firmware import built
from tests.firmware.script import SLOT_S, Log, Script

LIMITS = built.CORE / "limits"
GRID_S = 0.5e-6
TICK_S = 2.048e-3
SERVO = 6
START = (0, 0, 2000, 400, 0, 0, 1000, 0)  # where each channel is adopted; a servo knows its own

Move = tuple[list[tuple[float, float]], float]
"""Per channel a place (share of a second's full speed, from the start) and a share of speed; then a wait."""


@cache
def board() -> tuple[ChannelLimits, ...]:
    """The limits as the board introduces itself with them."""
    script = Script(LIMITS)
    script.advance(0.01)
    (introduction,) = script.run().sent
    assert isinstance(introduction, messages.Introduction)
    return introduction.channels


def adopted() -> Script:
    script = Script(LIMITS)
    places = tuple(
        messages.ChannelPosition(channel, at) for channel, at in enumerate(START) if channel != SERVO
    )
    script.send(messages.Adopt(places))
    script.advance(0.02)
    return script


def ask(script: Script, limits: tuple[ChannelLimits, ...], shares: list[tuple[float, float]]) -> None:
    script.move(
        [at + place * row.speed for at, (place, _), row in zip(START, shares, limits, strict=True)],
        [rate * row.speed for (_, rate), row in zip(shares, limits, strict=True)],
    )


def hold_limits(log: Log, limits: tuple[ChannelLimits, ...]) -> None:
    for channel, steps in log.steps.items():
        row = limits[channel]
        assert all(way in (-1, 1) for _, way in steps)
        for at in accumulate((way for _, way in steps), initial=START[channel]):
            assert row.low <= at <= row.high, f"channel {channel} at {at}"
        # A step up and the next one down pass the same place: no way was covered between them.
        rates = [
            (before, after, (way if way == last else 0) / (after - before))
            for (before, last), (after, way) in pairwise(steps)
        ]
        for before, after, rate in rates:
            most = row.speed * (1.0 + GRID_S / (after - before))
            assert abs(rate) <= most, f"channel {channel}: {rate} steps/s at {before} s"
        for (start, middle, first), (_, end, second) in pairwise(rates):
            most = row.acceleration * ((end - start) / 2 + TICK_S)
            most += GRID_S * (1 / (middle - start) ** 2 + 1 / (end - middle) ** 2)
            assert abs(second - first) <= most, (
                f"channel {channel}: {first} to {second} steps/s at {middle} s"
            )


def hold_pulses(log: Log, row: ChannelLimits) -> None:
    for (before, old), (after, new) in pairwise(log.pulses.get(SERVO, [])):
        assert 2 * row.low <= new <= 2 * row.high
        assert abs(new - old) / 2 <= row.speed * (after - before) + 0.5


shares = st.tuples(st.floats(-1.3, 1.3), st.floats(-1.5, 1.5))
wanted = st.lists(shares, min_size=len(START), max_size=len(START))
moves = st.lists(st.tuples(wanted, st.floats(0.0, 0.3)), min_size=1, max_size=12)


@settings(max_examples=60, deadline=None)
@given(moves)
def test_no_row_of_moves_beats_speed_acceleration_or_stops(given_moves: list[Move]) -> None:
    limits = board()
    script = adopted()
    for targets, wait_s in given_moves:
        ask(script, limits, targets)
        script.advance(wait_s)
    script.advance(5.0)
    script.send(messages.Query())
    log = script.run()
    hold_limits(log, limits)
    hold_pulses(log, limits[SERVO])
    for channel, row in enumerate(log.last_status().channels):
        made = sum(way for _, way in log.steps.get(channel, []))
        place, rate = given_moves[-1][0][channel]
        goal = START[channel] + place * limits[channel].speed
        goal += 0.1 * limits[channel].speed * max(-1.0, min(1.0, rate))
        goal = max(limits[channel].low, min(limits[channel].high, goal))
        assert row.velocity == 0
        assert abs(row.position - goal) <= 1.5, f"channel {channel}"
        if channel != SERVO:
            assert row.position == START[channel] + made, f"channel {channel}: every step told was made"


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-1.0, 1.0), min_size=len(START), max_size=len(START)))
def test_a_pointer_that_is_told_a_place_goes_there_without_overshoot(places: list[float]) -> None:
    limits = board()
    script = adopted()
    ask(script, limits, [(place, 0.0) for place in places])
    script.advance(4.0)
    log = script.run()
    hold_limits(log, limits)
    for channel, steps in log.steps.items():
        assert len({way for _, way in steps}) == 1, f"channel {channel} turned back"


STREAM_S = 1.5
FRAME_S = 156 * SLOT_S  # 50 frames a second


@pytest.mark.parametrize("beyond", [-(2**31), -100_000, 100_000, 2**31 - 1])
def test_a_target_far_beyond_a_stop_leads_to_that_stop(beyond: int) -> None:
    script = adopted()
    script.move([beyond], [900.0 if beyond > 0 else -900.0], 1 << 2)
    script.advance(6.0)
    script.send(messages.Query())
    row = board()[2]
    assert script.run().last_status().channels[2].position == (row.high if beyond > 0 else row.low)


def reach(channel: int) -> float:
    """How far the stream below leads a channel: at no more than half its speed, acceleration and room."""
    row = board()[channel]
    room = (row.high - START[channel]) / 2
    return min(row.speed / 2 / 1.5 * STREAM_S, row.acceleration / 2 / 6 * STREAM_S**2, room)


def stream(script: Script, lost: frozenset[int] = frozenset(), twice: bool = False) -> None:
    """A smooth move, as a host sends it: 3 t^2 - 2 t^3, with its velocities."""
    frames = round(STREAM_S / FRAME_S)
    for tick in range(frames + 1):
        share = tick / frames
        place, rate = share * share * (3 - 2 * share), 6 * share * (1 - share) / (frames * FRAME_S)
        if tick in lost:
            script.sequence = codec.sequence_after(script.sequence)
        else:
            script.move(
                [at + reach(channel) * place for channel, at in enumerate(START)],
                [reach(channel) * rate for channel in range(len(START))],
            )
            if twice:
                script.again()
        script.advance(FRAME_S)


@settings(max_examples=10, deadline=None)
@given(st.sets(st.integers(10, 73), max_size=12).filter(lambda lost: all(n + 1 not in lost for n in lost)))
def test_lost_frames_are_invisible_and_only_counted(lost: set[int]) -> None:
    limits = board()
    logs = []
    for frames in (frozenset[int](), frozenset(lost)):
        script = adopted()
        stream(script, frames)
        script.send(messages.Query())
        logs.append(script.run())
    whole, holed = logs
    hold_limits(holed, limits)
    assert holed.last_status().frames_missed == len(lost)
    for channel in whole.steps:
        for tick in range(150):
            away = whole.place(channel, tick * 0.01) - holed.place(channel, tick * 0.01)
            # Carried on at constant rate for two frames' time, it misses what acceleration gave.
            missed = reach(channel) * 6 / STREAM_S**2 * (2 * FRAME_S) ** 2 / 2
            # A frame is taken up at the next control tick, so a target is as uncertain as that is long.
            missed += limits[channel].speed / 2 * TICK_S
            assert abs(away) <= 1 + missed, f"channel {channel}, {tick * 10} ms"


def test_doubled_frames_change_nothing_at_all() -> None:
    logs = []
    for twice in (False, True):
        script = adopted()
        stream(script, twice=twice)
        script.advance(1.0)
        script.send(messages.Query())
        logs.append(script.run())
    once, doubled = logs
    assert once.steps == doubled.steps
    assert once.pulses == doubled.pulses
    assert doubled.last_status().frames_missed == 0
    assert doubled.last_status().frames_good > once.last_status().frames_good


def test_left_alone_it_slows_down_within_its_limits_then_rests_its_coils() -> None:
    limits = board()
    script = adopted()
    stream(script)
    script.advance(9.9)
    script.advance(0.3)
    script.advance(10.5)
    log = script.run()
    hold_limits(log, limits)
    (told,) = (m for m in log.sent if isinstance(m, messages.Event) and m.kind == EventKind.WATCHDOG)
    assert 10_000 <= told.value <= 10_050  # config.h says 10,000 ms
    last_frame_s = 0.02 + STREAM_S
    (on_s, on), (off_s, off) = log.current[0]  # not one that saves current: it is held for ten seconds
    assert (on, off) == (1, 0)
    assert on_s < log.steps[0][0][0]
    assert 20.0 <= off_s - last_frame_s <= 20.1


@pytest.mark.parametrize(("channel", "soonest_s"), [(2, 0.020), (7, 0.012)])
def test_a_drive_that_holds_without_current_gets_none_and_wakes_where_it_was(
    channel: int, soonest_s: float
) -> None:
    """`soonest_s`: 10 ms of current, then the time to half a step, sqrt(1 / acceleration), less a tick."""
    script = adopted()
    start = START[channel]
    moves = (start + 100.0, start + 105.0, start + 100.0)
    for place in moves:
        script.move([place], [0.0], 1 << channel)
        for _ in range(10):
            script.advance(0.3)
            script.move([place], [0.0], 1 << channel)
    script.send(messages.Query())
    log = script.run()
    switched = log.current[channel]
    assert [on for _, on in switched] == [1, 0] * len(moves)
    assert sum(way for _, way in log.steps[channel]) == 100
    assert all(way in (-1, 1) for _, way in log.steps[channel])  # current comes back without a jump
    on_at = [time_s for time_s, on in switched if on]
    for woken_s in on_at:
        first_s = next(time_s for time_s, _ in log.steps[channel] if time_s > woken_s)
        assert first_s - woken_s > soonest_s
    state = log.last_status().channels[channel]
    assert (state.state, state.position) == (ChannelState.READY, start + 100)
