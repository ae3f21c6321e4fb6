"""Boards that do not fit the description are refused with the cure, and taken once they fit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bridge.boards import codec, messages
from bridge.boards.compatibility import ExpectedChannel
from bridge.boards.messages import Homing, Output
from bridge.boards.session import FAULTED_ASK_S, BoardSession
from bridge.boards.state import State
from bridge.boards.virtual.board import VirtualBoard
from tests.boards.pair import INDEXED, Pair, expected
from tests.boards.subjects import CHANNELS

REFLASH = "Flash the firmware again: pointer-bridge firmware left --panel PANEL.toml --out firmware-left"


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
    pair.session = BoardSession("left", expected((INDEXED,)), board_id=b"HOBNAILS")
    pair.start().run(1.0)
    assert pair.state() is State.FAULTED
    assert f"is board {pair.board.board_id.hex()}, expected {b'HOBNAILS'.hex()}" in pair.session.detail


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
