"""Whole boards over ptys: corrupted lines, unplugging, resets, a paused host, a slow neighbour."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from fractions import Fraction
from pathlib import Path
from random import Random

import pytest

from bridge.boards import messages
from bridge.boards.messages import ENDLESS_HIGH, ENDLESS_LOW, ChannelLimits, Homing, Output
from bridge.boards.notices import KnobTurned, StateChanged
from bridge.boards.runner import Board, InstantBoard
from bridge.boards.serial import SerialLink
from bridge.boards.session import BoardSession
from bridge.boards.state import State
from bridge.boards.virtual.board import VirtualBoard
from bridge.boards.virtual.channel import VirtualChannelSpec
from bridge.boards.virtual.link import VirtualLink
from tests.boards.pair import expected
from tests.boards.pty_board import PtyBoard
from tests.conftest import PATIENCE_S, until

CHANNELS = (
    VirtualChannelSpec(
        ChannelLimits(Output.STEP_DIR, Homing.INDEX, 16_000, 160_000, ENDLESS_LOW, ENDLESS_HIGH),
        Fraction(6400, 3),
        pointer_at=-300.0,
    ),
    VirtualChannelSpec(
        ChannelLimits(Output.GAUGE_STEPPER, Homing.SWEEP, 24_000, 240_000, 0, 945), pointer_at=500.0
    ),
)


@pytest.fixture
def double(tmp_path: Path) -> Iterator[PtyBoard]:
    board = PtyBoard(tmp_path, CHANNELS, watchdog_ms=5000)
    yield board
    board.unplug()


def make(device: Path, name: str = "left", baud: int = 1_000_000) -> Board:
    session = BoardSession(name, expected(CHANNELS))
    return Board(session, SerialLink(name, str(device), baud))


@asynccontextmanager
async def running(*boards: Board) -> AsyncIterator[None]:
    tasks = [asyncio.create_task(board.run()) for board in boards]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
        for task in tasks:
            assert task.cancelled() or task.exception() is None, task.exception()


async def ready(board: Board) -> None:
    await until(lambda: board.session.state is State.READY)


async def fly(board: Board, goals: list[float], done: Callable[[], bool]) -> None:
    """MOVE at 100 Hz until it is done."""

    def tick() -> bool:
        board.move(time.monotonic(), goals, [0.0] * len(goals))
        return done()

    await until(tick)


def stands_at(double: PtyBoard, goals: list[float]) -> Callable[[], bool]:
    """True when count and pointer are both at the goals (a mark may be another turn's)."""

    def check() -> bool:
        with double.lock:
            channels = [double.board.channel(number) for number in range(len(goals))]
            counts = [channel.status.position for channel in channels]
            places = [channel.place for channel in channels]
        turn = 6400 / 3
        off_mark = (places[0] - goals[0] + turn / 2) % turn - turn / 2
        return (
            counts == [round(goal) for goal in goals]
            and abs(off_mark) <= 2
            and abs(places[1] - goals[1]) <= 1
        )

    return check


@pytest.mark.slow
async def test_a_board_that_is_not_there_at_the_start_is_taken_when_it_comes(double: PtyBoard) -> None:
    board = make(double.device)
    async with running(board):
        await until(lambda: "no device at" in board.session.detail)
        assert board.session.state is State.ABSENT
        board.move(0.0, [1.0, 1.0], [0.0, 0.0])  # goes nowhere and raises nothing
        double.plug()
        await ready(board)


@pytest.mark.slow
async def test_a_board_unplugged_and_back_goes_on_without_homing(double: PtyBoard) -> None:
    double.plug()
    board = make(double.device)
    async with running(board):
        await ready(board)
        await fly(board, [500.0, 300.0], stands_at(double, [500.0, 300.0]))
        homes = sum(payload[1] == messages.FrameType.HOME for payload in double.received)
        double.unplug()
        await until(lambda: board.session.state is State.ABSENT)
        assert "look at its cable" in board.session.detail or "plug the board in" in board.session.detail
        double.plug()
        await ready(board)
        await fly(board, [100.0, 200.0], stands_at(double, [100.0, 200.0]))
        assert sum(payload[1] == messages.FrameType.HOME for payload in double.received) == homes


async def test_a_host_that_starts_again_goes_on_without_homing(double: PtyBoard) -> None:
    double.plug()
    first = make(double.device)
    async with running(first):
        await ready(first)
        await fly(first, [500.0, 300.0], stands_at(double, [500.0, 300.0]))
    homes = sum(payload[1] == messages.FrameType.HOME for payload in double.received)
    second = make(double.device)
    async with running(second):
        await ready(second)
        assert [channel.position for channel in second.session.channels] == [500, 300]
        await fly(second, [100.0, 200.0], stands_at(double, [100.0, 200.0]))
    assert sum(payload[1] == messages.FrameType.HOME for payload in double.received) == homes


@pytest.mark.slow
async def test_a_board_reset_in_flight_homes_again_and_follows(double: PtyBoard) -> None:
    double.plug()
    board = make(double.device)
    async with running(board):
        await ready(board)
        await fly(board, [5000.0, 900.0], lambda: double.board.channel(1).status.position > 450)
        double.reset()
        await fly(board, [5000.0, 900.0], lambda: board.session.statistics.resets == 1)
        await fly(board, [700.0, 400.0], stands_at(double, [700.0, 400.0]))
        assert board.session.state is State.READY


def flipper(random: Random) -> Callable[[bytes], bytes]:
    def flip(data: bytes) -> bytes:
        flipped = bytearray(data)
        for at in range(len(flipped)):
            if random.random() < 0.002:
                flipped[at] ^= 1 << random.randrange(8)
        return bytes(flipped)

    return flip


def loser(random: Random) -> Callable[[bytes], bytes]:
    return lambda data: bytes(byte for byte in data if random.random() > 0.002)


def doubler(random: Random) -> Callable[[bytes], bytes]:
    return lambda data: b"".join(
        (line + b"\0") * (2 if random.random() < 0.2 else 1) for line in data.split(b"\0") if line
    )


def cutter(random: Random) -> Callable[[bytes], bytes]:
    return lambda data: data[: len(data) // 2] if random.random() < 0.05 else data


@pytest.mark.slow
@pytest.mark.parametrize("corrupt", [flipper, loser, doubler, cutter])
async def test_on_a_corrupted_line_nothing_moves_wrongly(
    corrupt: Callable[[Random], Callable[[bytes], bytes]], double: PtyBoard
) -> None:
    double.plug()
    double.corrupt_in, double.corrupt_out = corrupt(Random(1)), corrupt(Random(2))
    board = make(double.device)
    async with running(board):
        await until(lambda: board.session.state is State.READY)
        for goals in ([900.0, 900.0], [-1500.0, 10.0], [4000.0, 500.0]):
            await fly(board, goals, stands_at(double, goals))
            with double.lock:
                double.board.turn_knob(0, 1)
        figures = board.session.statistics
        if corrupt is not doubler:
            await until(lambda: figures.board_bad + board.link.bad_frames > 0)


@pytest.mark.slow
async def test_a_slow_board_delays_no_fast_one(tmp_path: Path, double: PtyBoard) -> None:
    (tmp_path / "slow").mkdir()
    slow_double = PtyBoard(tmp_path / "slow", CHANNELS, watchdog_ms=20_000)
    slow_double.plug()
    double.plug()
    slow = make(slow_double.device, "slow", baud=4800)  # a MOVE for two channels takes 60 ms
    fast = make(double.device, "fast")
    async with running(slow, fast):
        await ready(slow)
        await ready(fast)
        before, sent = len(double.received), 200
        for tick in range(sent):  # far more than the slow line carries meanwhile
            goals = [float(tick * 5), float(tick * 4)]
            slow.move(time.monotonic(), goals, [0.0, 0.0])
            fast.move(time.monotonic(), goals, [0.0, 0.0])
            await asyncio.sleep(0)
        assert isinstance(fast.link, SerialLink)
        assert isinstance(slow.link, SerialLink)
        assert slow.link.waiting
        last = [995.0, 796.0]
        await until(stands_at(double, last))
        await until(stands_at(slow_double, last))
        moves = sum(payload[1] == messages.FrameType.MOVE for payload in double.received[before:])
        assert moves + fast.link.superseded == sent
        assert slow.link.superseded > fast.link.superseded
    slow_double.unplug()


def more_received(board: Board, payloads: int) -> Callable[[], bool]:
    """True when the board has sent so many more from now on."""
    enough = board.session.statistics.received + payloads
    return lambda: board.session.statistics.received >= enough


@pytest.mark.slow
async def test_a_paused_host_declares_no_board_absent(double: PtyBoard) -> None:
    double.plug()
    serial = make(double.device)
    virtual = Board(BoardSession("right", expected(CHANNELS)), VirtualLink(VirtualBoard(CHANNELS)))
    async with running(serial, virtual):
        for board in (serial, virtual):
            await ready(board)
            board.session.take_notices()
        boards = (serial, virtual)
        for pause_s in (0.3, 0.7, 1.5):
            time.sleep(pause_s)  # noqa: ASYNC251 - the pause is what is tested
            for answered in [more_received(board, 8) for board in boards]:
                await until(answered)
        notices = [notice for board in boards for notice in board.session.take_notices()]
        assert [notice for notice in notices if isinstance(notice, StateChanged)] == []


async def test_a_board_that_can_be_cancelled_at_any_await_can_be_run_again(double: PtyBoard) -> None:
    double.plug()
    board = make(double.device)
    for turns in range(12):  # so many turns of the loop after the start: while opening, talking, closing
        task = asyncio.create_task(board.run())
        for _ in range(turns):
            await asyncio.sleep(0)
        task.cancel()
        await asyncio.wait({task}, timeout=PATIENCE_S)
        assert task.cancelled() or turns == 0
        assert board.session.state is State.ABSENT
    async with running(board):
        await ready(board)


async def test_what_was_sent_last_still_goes_out_when_the_task_is_cancelled(double: PtyBoard) -> None:
    double.plug()
    board = make(double.device)
    async with running(board):
        await ready(board)
        board.move(time.monotonic(), [10.0, 20.0], [0.0, 0.0])
        board.rest()
    await until(lambda: any(payload[1] == messages.FrameType.REST for payload in double.received))


@pytest.mark.slow
async def test_the_wrong_baud_rate_is_named(double: PtyBoard) -> None:
    noise = bytes(range(1, 200)) + b"\x00"
    double.corrupt_out = lambda data: noise if data else data
    double.plug()
    board = make(double.device)
    async with running(board):
        await until(lambda: "give board and panel description the same baud rate" in board.session.detail)
        assert board.session.state is State.ABSENT
        double.corrupt_out = bytes
        await ready(board)


async def test_a_dead_board_delays_no_other(tmp_path: Path, double: PtyBoard) -> None:
    double.plug()
    dead = make(tmp_path / "ttyNONE", "dead")
    fast = make(double.device, "fast")
    async with running(dead, fast):
        await ready(fast)
        await fly(fast, [50.0, 60.0], stands_at(double, [50.0, 60.0]))
        assert dead.session.state is State.ABSENT


async def test_a_knob_reaches_the_caller(double: PtyBoard) -> None:
    double.plug()
    board = make(double.device)
    async with running(board):
        await ready(board)

        def turned() -> bool:
            """Again and again: with a board that was lost for a moment the count begins anew."""
            with double.lock:
                double.board.turn_knob(2, -4)
            return KnobTurned(2, -4) in board.session.take_notices()

        await until(turned, "the knob's turn")


async def test_a_virtual_board_runs_on_the_same_terms() -> None:
    virtual = VirtualBoard(CHANNELS)
    session = BoardSession("left", expected(CHANNELS))
    board = Board(session, VirtualLink(virtual))
    async with running(board):
        await ready(board)
        await fly(board, [123.0, 45.0], lambda: virtual.channel(0).status.position == 123)
        board.rest()
        await until(
            lambda: {c.reported.state for c in session.channels} == {messages.ChannelState.RESTING},
        )


def test_an_instant_board_gives_the_same_bytes_every_time() -> None:
    def flight() -> list[int]:
        board = InstantBoard(BoardSession("left", expected(CHANNELS)), VirtualBoard(CHANNELS))
        board.start(0.0)
        places = []
        for tick in range(2000):
            board.move(tick / 100, [tick * 3.0, tick / 3], [300.0, 100 / 3])
            places += [channel.status.position for channel in map(board.board.channel, range(2))]
        assert board.session.state is State.READY
        return places

    first = flight()
    assert first == flight()
    assert first[-1] == pytest.approx(1999 / 3, abs=2)


class Noted(VirtualLink):
    """Notes the type of every frame."""

    def __init__(self, board: VirtualBoard) -> None:
        super().__init__(board)
        self.sent: list[int] = []

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        self.sent.append(payload[1])


def test_a_query_that_is_due_before_the_next_move_goes_with_this_one() -> None:
    session = BoardSession("left", expected(CHANNELS), query_s=0.045)
    instant = InstantBoard(session, VirtualBoard(CHANNELS))
    instant.start(0.0)
    time_s = 0.0
    while session.state is not State.READY:
        time_s += 0.01
        instant.talk(time_s)
    link = Noted(instant.board)
    board = Board(session, link)
    for tick in range(1, 13):
        board.move(time_s + tick / 100, [0.0, 100.0], [0.0, 0.0])
        for payload in session.outgoing(time_s + tick / 100 + 0.009):
            link.send(payload)  # by its own timer, which has nothing left to ask
    ticks = "".join("M" if kind == messages.FrameType.MOVE else "Q" for kind in link.sent)
    assert ticks.strip("M").count("Q") >= 2
    assert set(ticks[ticks.index("Q") + 1 : ticks.rindex("Q")].split("Q")) == {"MMMM"}
