"""The serial link over ptys: opening, closing, loss, and lines that take or bring too much."""

from __future__ import annotations

import asyncio
import os
import threading
import tty
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path

import pytest
import serial

from bridge.boards import codec, messages
from bridge.boards.line import to_line
from bridge.boards.serial import SerialLink
from bridge.boards.serial_line import MOST_READ_BYTES, MOST_RECEIVED, SerialLine
from bridge.errors import BoardError
from tests.boards.pty_board import PtyBoard
from tests.boards.subjects import CHANNELS
from tests.conftest import PATIENCE_S, until


@pytest.fixture
async def double(tmp_path: Path) -> AsyncIterator[PtyBoard]:
    board = PtyBoard(tmp_path, CHANNELS, watchdog_ms=60_000)
    board.plug()
    yield board
    board.unplug()


async def answer(link: SerialLink, kind: type[messages.Message]) -> tuple[int, messages.Message]:
    """Sequence and message of the first payload of this kind."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            for payload in await link.receive():
                sequence, message = codec.decode(payload)
                if isinstance(message, kind):
                    return sequence, message


async def test_a_board_answers_over_the_line(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device))
    await link.open()
    link.send(codec.encode(messages.Identify(), 0))
    _, introduction = await answer(link, messages.Introduction)
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
    async with asyncio.timeout(PATIENCE_S):
        assert await link.receive() == [payload]
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
    with pytest.raises(BoardError, match="correct the board's port"):
        await SerialLink("left", "nonsense://port").open()


async def test_a_slow_line_carries_the_newest_move_and_every_other_frame_in_order(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device), baud=9600)  # a MOVE for five channels takes 56 ms
    await link.open()
    sent = []
    for tick in range(60):  # all at once: the line takes 3 s and more for them
        payload = codec.encode_move(2 * tick, [float(tick)] * 5, [0.0] * 5)
        link.send(payload, replaceable=True)
        if tick % 10 == 0:
            query = codec.encode(messages.Query(), 2 * tick + 1)
            link.send(query)
            sent.append(query)
    last = codec.encode(messages.Query(), 255)
    link.send(last)
    await until(lambda: last in double.received)
    await link.close()
    arrived = list(double.received)
    assert [p for p in arrived if p[1] == messages.FrameType.QUERY] == [*sent, last]
    moves = [p for p in arrived if p[1] == messages.FrameType.MOVE]
    assert moves[-1] == payload
    assert link.superseded > 0
    assert len(moves) + link.superseded == 60


@pytest.mark.slow
async def test_a_line_that_takes_no_byte_holds_up_neither_sender_nor_close(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    link = SerialLink("left", os.ttyname(slave), baud=2_000_000)
    await link.open()
    tick = 0

    def send() -> bool:
        nonlocal tick
        tick += 1
        link.send(codec.encode_move(tick, [1.0] * 12, [0.0] * 12), replaceable=True)
        return link.superseded > 100

    await until(send)  # the pty is full and nobody reads; a sender that waited would never come back
    assert link.waiting
    async with asyncio.timeout(PATIENCE_S):
        await link.close()
    os.close(master)
    os.close(slave)


async def test_a_line_that_takes_no_byte_for_long_is_lost(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    link = SerialLink("left", os.ttyname(slave), baud=2_000_000)
    await link.open()
    query = codec.encode(messages.Query(), 1)
    for _ in range(4000):
        link.send(query)
    with pytest.raises(BoardError, match="takes no bytes"):
        async with asyncio.timeout(PATIENCE_S):
            await link.receive()
    await link.close()
    os.close(master)
    os.close(slave)


async def test_a_board_unplugged_is_a_lost_link_and_can_be_opened_again(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device))
    await link.open()
    double.unplug()
    with pytest.raises(BoardError, match=r"was lost .*: look at its cable and supply"):
        async with asyncio.timeout(PATIENCE_S):
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
    await until(lambda: rest in double.received)


async def test_a_frame_that_finds_the_line_free_wakes_no_thread(
    double: PtyBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = SerialLink("left", str(double.device))
    await link.open()
    line = link._line
    assert line is not None
    await until(lambda: not line.waiting)
    woken: list[bool] = []
    monkeypatch.setattr(line._change, "notify_all", lambda: woken.append(True))
    link.send(codec.encode(messages.Query(), 7))
    assert not line.waiting and not woken
    monkeypatch.undo()
    await link.close()


async def test_what_arrives_corrupted_is_counted_and_left_out(double: PtyBoard) -> None:
    link = SerialLink("left", str(double.device))
    await link.open()
    corrupted = to_line(codec.encode(messages.Status(0, 0, 0, 0, 0, ()), 77))
    double.corrupt_out = lambda data: corrupted[:3] + b"\x01" + corrupted[4:] + data if data else data
    link.send(codec.encode(messages.Query(), 5))
    sequence, _ = await answer(link, messages.Status)
    assert sequence == 5
    assert link.bad_frames >= 1
    counted = link.bad_frames
    await link.close()
    assert link.bad_frames >= counted, "the count outlives the opening"


async def test_opening_a_port_that_hangs_can_be_cancelled_and_what_opens_late_is_closed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    release, closed = threading.Event(), threading.Event()

    class Late(serial.Serial):
        def close(self) -> None:
            if release.is_set():
                closed.set()

    def hang(*_: object, **__: object) -> serial.Serial:
        release.wait(PATIENCE_S)
        return Late()

    monkeypatch.setattr(serial, "serial_for_url", hang)
    opening = asyncio.create_task(SerialLink("left", "COM99").open())
    await asyncio.sleep(0)
    opening.cancel()
    await asyncio.wait({opening}, timeout=PATIENCE_S)
    assert opening.cancelled()
    release.set()
    await until(closed.is_set)


@pytest.mark.slow
async def test_closing_a_port_that_hangs_ends_all_the_same(
    double: PtyBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    release = threading.Event()
    close = SerialLine.close

    def hang(line: SerialLine) -> None:
        release.wait(PATIENCE_S)
        close(line)

    monkeypatch.setattr(SerialLine, "close", hang)
    link = SerialLink("left", str(double.device))
    await link.open()
    async with asyncio.timeout(PATIENCE_S):
        await link.close()
    assert not release.is_set()
    release.set()
    await link.open()  # waits for the port to be free again
    await link.close()


@pytest.mark.slow
def test_a_board_that_babbles_is_read_in_bounded_batches_and_wakes_once_for_all_that_wait() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    tty.setraw(master)
    frame = to_line(codec.encode(messages.Event(messages.EventKind.BUTTON, 0, 1), 0))
    frames = 6_000

    def babble() -> None:
        data = memoryview(frame * frames)
        with suppress(OSError):  # the line is closed, because a check below has failed
            while data:
                data = data[os.write(master, data[:4096]) :]

    woken, wakes = threading.Event(), 0

    def arrived() -> None:
        nonlocal wakes
        wakes += 1
        woken.set()

    port = serial.Serial(os.ttyname(slave), timeout=0.2)
    line = SerialLine(port, "babble", 1_000_000, arrived)
    babbler = threading.Thread(target=babble)
    babbler.start()
    taken = takes = 0
    try:
        while taken + line.dropped < frames:
            assert woken.wait(PATIENCE_S)
            woken.clear()
            payloads = line.take()
            assert len(payloads) <= MOST_RECEIVED
            taken += len(payloads)
            takes += bool(payloads)
    finally:
        line.close()
        os.close(slave)  # a write that waits for room ends
        babbler.join()
        os.close(master)
    assert wakes <= takes + 1
    assert wakes < frames * len(frame) / MOST_READ_BYTES * 3
