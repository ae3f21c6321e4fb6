"""One suite for everything that calls itself a board: virtual, firmware on the host, firmware on a chip.

A `host.Subject` says how to reach a freshly reset board and what it is; the checks below speak the frame
format of DEVELOPERS.md to it and nothing else. Whoever has a board writes a Subject and runs

    @pytest.mark.parametrize("check", conformance.CHECKS, ids=lambda check: check.__name__)
    async def test_it_conforms(check: conformance.Check) -> None:
        await conformance.run(check, MySubject())

A check needs at least one channel; those for index marks, stops, servos, inputs and raw bytes are skipped
where the subject has none. Times are the board's own seconds, so an emulated board may be slower or
faster than the wall clock; nothing here depends on how long the host takes.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from fractions import Fraction

import pytest

from bridge.boards import codec, messages
from bridge.boards.line import to_line
from bridge.boards.messages import ChannelLimits, ChannelState, EventKind, FrameType, Homing, Output, Reason
from tests.boards.host import POLL_S, Host, Subject, endless, middle

KNOWN = (ChannelState.READY, ChannelState.HOLDING, ChannelState.RESTING)


Check = Callable[[Subject, Host], Awaitable[None]]
CHECKS: list[Check] = []


def _check(check: Check) -> Check:
    CHECKS.append(check)
    return check


async def run(check: Check, subject: Subject) -> None:
    link = await subject.start()
    try:
        await check(subject, Host(subject, link))
    finally:
        await subject.stop()


def _every(subject: Subject) -> tuple[int, ...]:
    return tuple(range(len(subject.channels)))


def _first(subject: Subject, wanted: Callable[[ChannelLimits], bool], what: str) -> int:
    for number, limits in enumerate(subject.channels):
        if wanted(limits):
            return number
    pytest.skip(f"{subject.name} has no {what}")


def _excursion(limits: ChannelLimits) -> int:
    """A place about a third of a second's full speed away from the middle, within the stops."""
    span = limits.speed // 3 if endless(limits) else min(limits.speed // 3, (limits.high - limits.low) // 3)
    return middle(limits) + span


@_check
async def introduces_itself_with_its_table(subject: Subject, host: Host) -> None:
    host.send(messages.Identify())
    await host.status()
    assert host.introductions
    introduction = host.introductions[-1]
    assert introduction.channels == subject.channels
    assert introduction.watchdog_ms == subject.watchdog_ms
    assert len(introduction.board_id) == 8


@_check
async def starts_with_unknown_positions_but_for_servos(subject: Subject, host: Host) -> None:
    status = await host.status()
    for limits, channel in zip(subject.channels, status.channels, strict=True):
        servo = limits.output == Output.SERVO
        assert channel.state == (ChannelState.READY if servo else ChannelState.UNKNOWN)
        assert channel.velocity == 0


@_check
async def never_drives_an_unknown_position(subject: Subject, host: Host) -> None:
    channel = _first(subject, lambda limits: limits.output != Output.SERVO, "channel that must home")
    before = (await host.status()).channels[channel]
    host.move(**{f"c{channel}": (_excursion(subject.channels[channel]), 0.0)})
    await host.status()
    await subject.elapse(0.2)
    assert (await host.status()).channels[channel] == before
    assert messages.Refusal(FrameType.MOVE, Reason.POSITION_NOT_KNOWN) in host.refusals


@_check
async def moves_the_known_channels_of_a_frame_that_names_an_unknown_one(subject: Subject, host: Host) -> None:
    unknown = _first(subject, lambda limits: limits.output != Output.SERVO, "channel that must home")
    known = next((c for c in _every(subject) if c != unknown), None)
    if known is None:
        pytest.skip("one channel only")
    await host.make_known(known)
    goal = _excursion(subject.channels[known])
    host.move(**{f"c{known}": (goal, 0.0), f"c{unknown}": (500.0, 0.0)})
    status = await host.settled(known, goal, "the known channel's target")
    assert status.channels[unknown].state == ChannelState.UNKNOWN
    assert status.channels[unknown].velocity == 0


@_check
async def homes_every_channel_by_its_own_way(subject: Subject, host: Host) -> None:
    await host.make_known(*_every(subject))
    for number, limits in enumerate(subject.channels):
        if limits.homing != Homing.LAST_POSITION:
            assert (await host.wait_event(EventKind.HOMED, number)).value == 0  # it was not known
        if limits.homing == Homing.STOP:
            assert host.values(EventKind.STOP, number)
    host.move(**{f"c{number}": (middle(limits), 0.0) for number, limits in enumerate(subject.channels)})
    for number, limits in enumerate(subject.channels):
        await host.settled(number, middle(limits), "the middle")


@_check
async def goes_where_it_is_sent_and_stays_there(subject: Subject, host: Host) -> None:
    await host.make_known(*_every(subject))
    for goals in (
        [_excursion(limits) for limits in subject.channels],
        [middle(c) for c in subject.channels],
    ):
        host.move(**{f"c{number}": (goal, 0.0) for number, goal in enumerate(goals)})
        for number, goal in enumerate(goals):
            await host.settled(number, goal, f"channel {number} at {goal}")


@_check
async def carries_a_target_on_for_a_tenth_of_a_second_only(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    limits = subject.channels[0]
    start = middle(limits)
    host.move(c0=(start, 0.0))
    await host.settled(0, start, "the start")
    rate = min(limits.speed / 4, (_excursion(limits) - start) * 4)
    host.move(c0=(start, rate))
    await host.until(lambda status: abs(status.channels[0].position - start) > rate * 0.05, "movement")
    status = await host.until(lambda status: status.channels[0].velocity == 0, "standstill")
    await subject.elapse(0.2)
    status = await host.until(lambda status: status.channels[0].velocity == 0, "standstill")
    assert abs(status.channels[0].position - (start + 0.1 * rate)) <= 2 + 0.012 * rate


@_check
async def follows_a_stream_and_ends_on_its_last_target(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    limits = subject.channels[0]
    start, span = middle(limits), _excursion(limits) - middle(limits)
    for tick in range(51):
        share = tick / 50
        position = start + span * share * share * (3 - 2 * share)
        host.move(c0=(position, span * 6 * share * (1 - share)))
        await subject.elapse(0.02)
    await host.settled(0, start + span, "the last target")


@_check
async def never_passes_its_stops(subject: Subject, host: Host) -> None:
    number = _first(subject, lambda limits: not endless(limits), "channel with stops")
    limits = subject.channels[number]
    await host.make_known(number)
    host.move(**{f"c{number}": (middle(limits), 0.0)})
    await host.settled(number, middle(limits), "the middle")
    for stop, beyond in ((limits.high, 5000), (limits.low, -5000)):
        host.move(**{f"c{number}": (stop + beyond, limits.speed * (1 if beyond > 0 else -1))})

        def there(status: messages.Status, stop: int = stop) -> bool:
            position = status.channels[number].position
            assert limits.low <= position <= limits.high
            return status.channels[number].velocity == 0 and abs(position - stop) <= 1

        await host.until(there, f"the stop at {stop}")
        for _ in range(10):
            status = await host.status()
            assert limits.low <= status.channels[number].position <= limits.high
            await subject.elapse(POLL_S)


@_check
async def counts_gaps_and_ignores_doubled_frames(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    goal = _excursion(subject.channels[0])
    before = await host.status()
    host.move(c0=(goal, 0.0))
    host.sequence = host.sequence - 1 & 255
    host.move(c0=(goal, 0.0))  # the same once more
    doubled = await host.status()
    assert doubled.frames_missed == before.frames_missed
    assert doubled.frames_good - before.frames_good & 0xFFFF == 3
    host.sequence = host.sequence + 5 & 255
    after = await host.status()
    assert after.frames_missed - doubled.frames_missed & 0xFFFF == 5
    await host.settled(0, goal, "the target told twice")


@_check
async def numbers_its_own_frames_without_a_gap(subject: Subject, host: Host) -> None:
    """A STATUS carries the number of its QUERY and does not use up the board's own count."""
    for _ in range(4):
        host.send(messages.Identify())
        await host.status()
        await host.status()
    steps = {
        later - earlier & 255
        for earlier, later in zip(host.own_sequences, host.own_sequences[1:], strict=False)
    }
    assert steps == {1}


@_check
async def refuses_for_the_reasons_of_the_table(subject: Subject, host: Host) -> None:
    good = codec.encode(messages.Query(), host.sequence)
    for payload, refused, reason in (
        (bytes([messages.VERSION + 1]) + good[1:], FrameType.QUERY, Reason.VERSION_NOT_SPOKEN),
        (good[:1] + b"\x55" + good[2:], 0x55, Reason.UNKNOWN_TYPE),
        (good + b"\x00", FrameType.QUERY, Reason.WRONG_LENGTH),
        (codec.encode(messages.Home((15,)), 0), FrameType.HOME, Reason.NO_SUCH_CHANNEL),
        (codec.encode_move(0, [0.0], [0.0], 1 << 15), FrameType.MOVE, Reason.NO_SUCH_CHANNEL),
        (codec.encode_move(0, [0.0], [0.0])[:-1], FrameType.MOVE, Reason.WRONG_LENGTH),
    ):
        host.link.send(payload)
        await host.status()
        assert messages.Refusal(refused, reason) in host.refusals, reason.name


@_check
async def corrupted_lines_cost_frames_and_nothing_else(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    goal = _excursion(subject.channels[0])
    before = await host.status()
    whole = to_line(codec.encode_move(host.sequence, [before.channels[0].position + 9000.0], [0.0], 1))
    flipped = bytearray(whole)
    flipped[6] ^= 0x10
    lost = whole[:4] + whole[6:]
    noise = bytes(range(1, 256)) * 3 + b"\0"
    for corrupted in (bytes(flipped), lost, whole[: len(whole) // 2] + b"\0", noise):
        await subject.raw(corrupted)
    await subject.raw(whole[: len(whole) // 2])  # cut in the middle, and the next frame runs into it
    await subject.raw(to_line(codec.encode(messages.Query(), 0)))
    after = await host.status()
    assert after.frames_bad - before.frames_bad & 0xFFFF >= 4
    assert abs(after.channels[0].position - before.channels[0].position) <= 1
    host.move(c0=(goal, 0.0))
    await host.settled(0, goal, "the target after noise")


@_check
async def left_alone_it_stops_holds_and_rests(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    limits = subject.channels[0]
    before = await host.status()
    host.move(c0=(_excursion(limits), 0.0))
    await subject.elapse(subject.watchdog_ms / 1000 + 1.0)
    await host.wait_event(EventKind.WATCHDOG, 0)
    assert (
        subject.watchdog_ms * 0.8 <= host.values(EventKind.WATCHDOG, 0)[0] <= subject.watchdog_ms * 1.5 + 50
    )
    status = await host.status()
    assert status.watchdog_trips - before.watchdog_trips & 0xFF == 1
    assert status.channels[0].state == ChannelState.HOLDING
    assert status.channels[0].velocity == 0
    await host.until(lambda status: status.channels[0].state == ChannelState.RESTING, "rest", 15.0)
    goal = middle(limits)
    host.move(c0=(goal, 0.0))
    status = await host.settled(0, goal, "the target after rest")
    assert status.channels[0].state == ChannelState.READY


@_check
async def rests_when_told_and_wakes_at_the_next_move(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    goal = _excursion(subject.channels[0])
    host.move(c0=(goal, 0.0))
    await host.settled(0, goal, "the target")
    host.send(messages.Rest((0,)))
    status = await host.until(lambda status: status.channels[0].state == ChannelState.RESTING, "rest", 10.0)
    assert abs(status.channels[0].position - goal) <= 1
    goal = middle(subject.channels[0])
    host.move(c0=(goal, 0.0))
    status = await host.settled(0, goal, "the target after rest")
    assert status.channels[0].state == ChannelState.READY


async def _search_and_rest(host: Host, number: int, found: int) -> messages.Status:
    """HOME, and REST once it searches or, `found` times before, has found it again; the status after that."""
    host.send(messages.Home((number,)))
    await host.until(
        lambda status: (
            status.channels[number].velocity != 0 or len(host.values(EventKind.HOMED, number)) > found
        ),
        "a search",
    )
    host.send(messages.Rest((number,)))
    return await host.until(
        lambda status: status.channels[number].state != ChannelState.HOMING, "an end", 1.0
    )


@_check
async def ends_a_search_for_home_when_told_to_rest_and_knows_no_position_then(
    subject: Subject, host: Host
) -> None:
    searching = [n for n, limits in enumerate(subject.channels) if limits.homing != Homing.LAST_POSITION]
    for number in searching[:2]:
        for _ in range(10):
            found = len(host.values(EventKind.HOMED, number))
            status = await _search_and_rest(host, number, found)
            if len(host.values(EventKind.HOMED, number)) == found:
                break
            # We were held up, and the search ended before the REST came: again, from another place.
            goal = _excursion(subject.channels[number])
            host.move(**{f"c{number}": (goal, 0.0)})
            await host.settled(number, goal, "a place away from home")
        assert status.channels[number].state == ChannelState.UNKNOWN
        assert status.channels[number].velocity == 0
        await subject.elapse(0.5)
        later = await host.status()
        assert later.channels[number] == status.channels[number], "it stays there"
        assert len(host.values(EventKind.HOMED, number)) == found
    await host.make_known(*searching[:2])


@_check
async def keeps_its_count_when_the_host_comes_back(subject: Subject, host: Host) -> None:
    await host.make_known(0)
    goal = _excursion(subject.channels[0])
    host.move(c0=(goal, 0.0))
    await host.settled(0, goal, "the target")
    again = Host(subject, await subject.reopen())
    again.send(messages.Identify())
    status = await again.status()
    assert status.channels[0].state in KNOWN
    assert abs(status.channels[0].position - goal) <= 1


@_check
async def forgets_its_position_in_a_reset_and_reports_it(subject: Subject, host: Host) -> None:
    channel = _first(subject, lambda limits: limits.output != Output.SERVO, "channel that must home")
    await host.make_known(channel)
    host.move(**{f"c{channel}": (_excursion(subject.channels[channel]), 0.0)})
    await host.status()
    seen = len(host.introductions)
    await subject.reset()

    def forgot(status: messages.Status) -> bool:
        return status.channels[channel].state == ChannelState.UNKNOWN

    await host.until(forgot, "an unknown position")
    assert len(host.introductions) > seen


@_check
async def reports_every_index_mark_at_the_same_edge(subject: Subject, host: Host) -> None:
    number = _first(subject, lambda c: c.homing == Homing.INDEX and endless(c), "endless channel with index")
    turn = subject.steps_per_turn[number]
    assert turn is not None
    await host.make_known(number)
    host.events.clear()
    far = round(turn * Fraction(5, 2))
    for goal in (far, -round(turn / 2)):
        host.move(**{f"c{number}": (goal, 0.0)})
        await host.settled(number, goal, f"{goal} steps")
    marks = host.values(EventKind.INDEX, number)
    expected = [1, 2, 2, 1, 0] if len(marks) == 5 else [0, 1, 2, 2, 1, 0]  # it may be just before its mark
    assert len(marks) == len(expected), marks
    for value, mark in zip(marks, expected, strict=True):
        assert abs(value - mark * turn) <= 2, (value, mark)


@_check
async def shows_lost_steps_at_the_next_mark(subject: Subject, host: Host) -> None:
    number = _first(subject, lambda c: c.homing == Homing.INDEX and endless(c), "endless channel with index")
    turn = subject.steps_per_turn[number]
    assert turn is not None
    await host.make_known(number)
    half = round(turn / 2)
    host.move(**{f"c{number}": (half, 0.0)})
    await host.settled(number, half, "half a turn")
    host.events.clear()
    await subject.lose_steps(number, 40)
    host.move(**{f"c{number}": (half + round(turn), 0.0)})
    await host.settled(number, half + round(turn), "one and a half turns")
    (value,) = host.values(EventKind.INDEX, number)
    assert abs(value - (turn + 40)) <= 2  # the mark comes 40 counts late
    host.send(messages.Home((number,)))
    await host.until(lambda status: status.channels[number].state == ChannelState.READY, "home again")
    old = (await host.wait_event(EventKind.HOMED, number)).value
    nearest = round((old - 40) / turn)
    assert abs(old - 40 - nearest * turn) <= 2  # what is now zero was 40 counts off a mark


@_check
async def reports_how_far_a_knob_was_turned(subject: Subject, host: Host) -> None:
    source = await subject.turn_knob(3)
    await host.until(lambda _: host.values(EventKind.KNOB, source)[-1:] == [3], "three clicks", 10.0)
    await subject.turn_knob(-5)
    await host.until(lambda _: host.values(EventKind.KNOB, source)[-1:] == [-2], "five clicks back", 10.0)


@_check
async def reports_that_a_button_was_pressed(subject: Subject, host: Host) -> None:
    source = await subject.press()
    await host.until(lambda _: host.values(EventKind.BUTTON, source)[-1:] == [1], "one press", 10.0)
    await subject.press()
    await host.until(lambda _: host.values(EventKind.BUTTON, source)[-1:] == [2], "two presses", 10.0)
    await host.until(lambda _: host.values(EventKind.RELEASED, source) == [1, 2], "let go twice", 10.0)
