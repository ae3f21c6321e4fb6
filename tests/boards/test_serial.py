"""The serial link over ptys: opening, pacing, newest MOVE first, loss."""

from __future__ import annotations

import asyncio
import os
import time
import tty
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from bridge.boards import codec, messages
from bridge.boards.line import to_line
from bridge.boards.serial import SerialLink
from bridge.errors import BoardError
from tests.boards.pty_board import PtyBoard
from tests.boards.subjects import CHANNELS

ANSWER_S = 20.0


@pytest.fixture
async def double(tmp_path: Path) -> AsyncIterator[PtyBoard]:
    board = PtyBoard(tmp_path, CHANNELS, watchdog_ms=60_000)
    board.plug()
    yield board
    board.unplug()


async def answer(link: SerialLink, kind: type[messages.Message]) -> messages.Message:
    async with asyncio.timeout(ANSWER_S):
        while True:
            _, message = codec.decode(await link.receive())
            if isinstance(message, kind):
                return message


async def arrival(double: PtyBoard, payload: bytes) -> None:
    deadline_s = time.monotonic() + ANSWER_S
    while payload not in double.received:
        assert time.monotonic() < deadline_s, f"{payload.hex()} did not arrive"
        await asyncio.sleep(0.01)


async def test_a_board_answers_over_the_line(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device))
    await link.open()
    link.send(codec.encode(messages.Identify(), 0))
    introduction = await answer(link, messages.Introduction)
    assert isinstance(introduction, messages.Introduction)
    assert introduction.board_id == double.board.board_id
    assert link.bad_frames == 0
    await link.close()
    await link.close()


async def test_a_pyserial_url_is_a_port_too() -> None:
    link = SerialLink("left", "loop://")
    await link.open()
    payload = codec.encode(messages.Query(), 9)
    link.send(payload)
    async with asyncio.timeout(ANSWER_S):
        assert await link.receive() == payload
    await link.close()


async def test_a_device_that_is_not_there_is_named_with_the_cure(tmp_path: Path) -> None:
    with pytest.raises(BoardError, match=r"board left: no device at .*/ttyNONE: plug the board in"):
        await SerialLink("left", str(tmp_path / "ttyNONE")).open()


async def test_a_port_in_use_is_named_with_the_cure(double: PtyBoard) -> None:
    first, second = SerialLink("left", str(double.device)), SerialLink("right", str(double.device))
    await first.open()
    with pytest.raises(BoardError, match="in use by another program: close that program"):
        await second.open()
    await first.close()
    await second.open()
    await second.close()


async def test_a_port_that_no_one_understands_is_named_with_the_cure() -> None:
    with pytest.raises(BoardError, match="mend the board's port"):
        await SerialLink("left", "nonsense://port").open()


async def test_a_slow_line_carries_the_newest_move_and_every_other_frame_in_order(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device), baud=9600)  # a MOVE for five channels takes 56 ms
    await link.open()
    started_s = time.monotonic()
    sent = []
    for tick in range(60):
        payload = codec.encode_move(2 * tick, [float(tick)] * 5, [0.0] * 5)
        link.send(payload)
        if tick % 10 == 0:
            query = codec.encode(messages.Query(), 2 * tick + 1)
            link.send(query)
            sent.append(query)
    assert time.monotonic() - started_s < 5.0  # the whole takes the line 3 s and more: nothing waited for it
    last = codec.encode(messages.Query(), 255)
    link.send(last)
    await answer(link, messages.Status)
    await arrival(double, last)
    await link.close()
    arrived = list(double.received)
    assert [p for p in arrived if p[1] == messages.FrameType.QUERY] == [*sent, last]
    moves = [p for p in arrived if p[1] == messages.FrameType.MOVE]
    assert moves[-1] == payload
    assert len(moves) < 30
    assert len(moves) + link.superseded == 60


async def test_a_line_that_takes_no_byte_never_holds_the_caller_up(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    link = SerialLink("left", os.ttyname(slave), baud=2_000_000)
    await link.open()
    longest_s = 0.0
    for tick in range(3000):  # far more than the pty holds; nobody reads
        before_s = time.perf_counter()
        link.send(codec.encode_move(tick, [1.0] * 12, [0.0] * 12))
        longest_s = max(longest_s, time.perf_counter() - before_s)
        if tick % 50 == 0:
            await asyncio.sleep(0.001)
    assert longest_s < 2.0
    assert link.superseded > 1000
    await link.close()
    os.close(master)
    os.close(slave)


async def test_a_board_unplugged_is_a_lost_link_and_can_be_opened_again(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device))
    await link.open()
    double.unplug()
    with pytest.raises(BoardError, match=r"was lost .*: look at its cable and supply"):
        async with asyncio.timeout(ANSWER_S):
            await link.receive()
    link.send(codec.encode(messages.Query(), 0))  # into nothing
    await link.close()
    double.plug()
    await link.open()
    link.send(codec.encode(messages.Query(), 1))
    await answer(link, messages.Status)
    await link.close()


async def test_the_last_frame_before_closing_still_goes_out(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device), baud=57_600)
    await link.open()
    rest = codec.encode(messages.Rest((0, 1, 2)), 3)
    for sequence in range(3):
        link.send(codec.encode(messages.Query(), sequence))
    link.send(rest)
    await link.close()
    await arrival(double, rest)


async def test_what_arrives_hurt_is_counted_and_left_out(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device))
    await link.open()
    hurt = to_line(codec.encode(messages.Status(0, 0, 0, 0, ()), 77))
    double.hurt_out = lambda data: hurt[:3] + b"\x01" + hurt[4:] + data if data else data
    link.send(codec.encode(messages.Query(), 5))
    async with asyncio.timeout(ANSWER_S):
        while True:
            sequence, message = codec.decode(await link.receive())
            if isinstance(message, messages.Status):
                break
    assert sequence == 5
    assert link.bad_frames >= 1
    await link.close()
