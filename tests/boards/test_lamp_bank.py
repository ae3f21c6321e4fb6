"""Lamps in a session with a board: asked for, sent, healed; and boards that have none or others."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from bridge.boards import messages
from bridge.boards.messages import FULL_LEVEL, LampCapability, LampOutput
from bridge.boards.notices import LampsUnusable
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.boards.virtual.board import VirtualBoard
from tests.boards.lamp_conformance import LAMPS, WITHOUT_HOST
from tests.boards.pair import HOMING_BY_ITSELF, Pair, expected

LEVELS = [FULL_LEVEL, 1000, 2000, 0, FULL_LEVEL]


class LampPair(Pair):
    """A pair whose host wants lamps and sends `levels` at every tick."""

    levels = LEVELS

    def __init__(self, board: VirtualBoard) -> None:
        super().__init__(HOMING_BY_ITSELF, board)
        self.session = BoardSession("left", expected(HOMING_BY_ITSELF), panel_file="own.toml", lamps=LAMPS)

    def tick(self, positions: Sequence[float] | None = None) -> None:
        super().tick(positions)
        if payload := self.session.light(self.time_s, self.levels):
            self.send(payload)

    def lit(self) -> list[int]:
        return [lamp.level(self.time_s) for lamp in self.board.lamps]

    def lights(self) -> list[messages.Light]:
        return [message for message in self.sent if isinstance(message, messages.Light)]


def board(lamps: tuple[LampCapability, ...] = LAMPS) -> VirtualBoard:
    return VirtualBoard(HOMING_BY_ITSELF, lamps=lamps)


def test_lamps_are_lit_soon_after_the_introduction() -> None:
    pair = LampPair(board()).start()
    assert pair.lit() == WITHOUT_HOST
    assert pair.run(0.5).lit() == LEVELS
    assert pair.session.lamps.usable


def test_only_what_changes_is_sent_and_everything_once_a_second() -> None:
    pair = LampPair(board()).start().run(0.5)
    pair.sent.clear()
    pair.run(4.0)
    assert [len(light.levels) for light in pair.lights()] == [5] * 4
    pair.sent.clear()
    pair.levels = [*LEVELS[:2], 2100, *LEVELS[3:]]
    pair.run(0.1)
    assert pair.lights()[0].levels == (messages.LampLevel(2, 2100, 50),)


def test_levels_that_change_all_the_time_take_no_more_than_twenty_frames_a_second() -> None:
    pair = LampPair(board()).start().run(0.5)
    pair.sent.clear()
    for tick in range(100):
        pair.levels = [tick * 600, *LEVELS[1:]]
        pair.tick()
    assert 15 <= len(pair.lights()) <= 21


def test_a_lost_frame_heals_within_a_second() -> None:
    pair = LampPair(board()).start().run(0.5)
    pair.to_board = lambda payload: [] if payload[1] == messages.FrameType.LIGHT else [payload]
    pair.levels = [0] * 5
    pair.run(0.2)
    assert pair.lit() == LEVELS
    pair.to_board = lambda payload: [payload]
    assert pair.run(1.1).lit() == [0] * 5


@pytest.mark.parametrize("lost", [messages.FrameType.INQUIRE, messages.FrameType.CAPABILITIES])
def test_a_lost_question_or_answer_is_asked_again(lost: messages.FrameType) -> None:
    pair = LampPair(board())
    drop = lambda payload: [] if payload[1] == lost else [payload]  # noqa: E731
    pair.to_board = pair.to_host = drop
    pair.start().run(0.5)
    assert pair.lit() == WITHOUT_HOST
    pair.to_board = pair.to_host = lambda payload: [payload]
    assert pair.run(1.2).lit() == LEVELS


def test_a_board_that_was_reset_is_lit_again() -> None:
    pair = LampPair(board()).start().run(0.5)
    pair.reset()
    assert pair.lit() == WITHOUT_HOST
    assert pair.run(0.5).lit() == LEVELS


def test_a_board_whose_firmware_knows_no_lamps_is_told_of_none_and_its_pointers_go_on() -> None:
    old = board(())
    old.firmware = (2, 1)
    pair = LampPair(old).start().run(20.0)
    assert pair.state() is State.READY
    assert not pair.lights() and not pair.asked(messages.Inquire)
    assert pair.session.statistics.refused == 0
    [notice] = pair.told(LampsUnusable)
    assert isinstance(notice, LampsUnusable)
    assert "has firmware 2.1, which knows no lamps; they need 2.2" in notice.why
    assert "pointer-bridge firmware left --panel own.toml" in notice.why
    assert pair.session.lamps.why == notice.why


@pytest.mark.parametrize(
    ("lamps", "words"),
    [
        (LAMPS[:2], "has 2 lamps, expected 5"),
        (
            (*LAMPS[:4], LampCapability(LampOutput.DIMMED, 7)),
            "lamp 4 is dimmed with level 7 when no host is heard, expected switched with level 0",
        ),
        ((*LAMPS[:4], LampCapability(9, 0)), "lamp 4 is output 9 with"),
    ],
)
def test_a_board_with_other_lamps_lights_none_and_its_pointers_go_on(
    lamps: tuple[LampCapability, ...], words: str
) -> None:
    pair = LampPair(board(lamps)).start().run(20.0)
    assert pair.state() is State.READY
    assert not pair.lights()
    assert words in pair.session.lamps.why
    assert "Flash the firmware again" in pair.session.lamps.why


def test_a_panel_without_lamps_sends_a_new_board_what_it_always_did() -> None:
    pair = Pair(HOMING_BY_ITSELF, board()).start().run(5.0)
    assert not {messages.Inquire, messages.Light} & {type(message) for message in pair.sent}


def test_an_answer_that_nobody_asked_for_changes_nothing() -> None:
    pair = LampPair(board()).start().run(0.5)
    pair.session.lamps.answered(messages.Capabilities(()))
    assert pair.session.lamps.usable


def test_a_board_whose_introduction_is_lost_after_a_reset_is_lit_again_too() -> None:
    pair = LampPair(board()).start().run(0.5)
    pair.reset(heard=False)
    assert pair.lit() == WITHOUT_HOST
    assert pair.run(1.1).lit() == LEVELS
