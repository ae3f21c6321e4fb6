"""Gaps in the count of frames: board and host count them alike; what a board can't tell its host is one."""

from __future__ import annotations

import pytest

from bridge.boards import codec, messages
from bridge.boards.messages import LATE_GAP, EventKind
from tests.firmware.script import Script

LEVELS = (0b01, 0b00, 0b10, 0b11)  # of the two phases over one click of the knob, clockwise
CLICKS, REFUSED = 60, 60


def turn(script: Script, clicks: int) -> None:
    for _ in range(clicks):
        for levels in LEVELS:
            script.lines.append(f"input 0 {levels}")
            script.advance(0.001)


def knob(sent: list[messages.Message]) -> list[int]:
    return [m.value for m in sent if isinstance(m, messages.Event) and m.kind == EventKind.KNOB]


def test_events_that_find_the_queue_full_are_counted_and_their_count_is_made_up() -> None:
    script = Script()
    script.advance(0.1)
    script.lines.append("stuck 1")
    turn(script, CLICKS)
    script.lines.append("stuck 0")
    script.advance(0.1)
    turn(script, 1)
    script.advance(0.1)
    log = script.run()
    told = knob(log.sent)
    assert told[-1] == CLICKS + 1
    assert 0 < len(told) < CLICKS, "some were dropped"
    assert sum(log.gaps) == CLICKS + 1 - len(told)


def test_refusals_for_which_there_is_no_room_are_counted() -> None:
    script = Script()
    script.advance(0.1)
    script.lines.append("stuck 1")
    for _ in range(REFUSED):
        script.move([0.0], [0.0])  # to a channel that must find its home position first
        script.advance(0.01)
    script.lines.append("stuck 0")
    script.advance(0.1)
    turn(script, 1)
    script.advance(0.1)
    log = script.run()
    refusals = [m for m in log.sent if isinstance(m, messages.Refusal)]
    assert 0 < len(refusals) < REFUSED
    assert sum(log.gaps) == REFUSED - len(refusals)


@pytest.mark.parametrize("ahead", [0, 1, LATE_GAP - 1, LATE_GAP, 255])
def test_a_board_takes_the_same_gap_for_a_late_frame_as_its_host(ahead: int) -> None:
    script = Script()
    script.advance(0.1)
    script.send(messages.Identify())
    expected = script.sequence
    script.sequence = (expected + ahead) % 256
    missed = codec.sequence_gap(expected, script.sequence)
    assert missed == (ahead if ahead < LATE_GAP else None)
    script.send(messages.Query())
    assert script.run().last_status().frames_missed == (missed or 0)
