"""The jumping clock: no waiting, the order of timers, real I/O and threads in real time."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable, Coroutine

import pytest

from bridge.threads import in_thread
from tests.clock import on_jumping_clock


@on_jumping_clock
async def test_an_hour_passes_at_once_and_timers_come_in_order() -> None:
    loop = asyncio.get_running_loop()
    begun_s, really_s = loop.time(), time.perf_counter()
    rung: list[tuple[str, float]] = []

    async def ring(name: str, after_s: float) -> None:
        await asyncio.sleep(after_s)
        rung.append((name, loop.time() - begun_s))

    await asyncio.gather(ring("late", 3600.0), ring("early", 0.5), ring("middle", 60.0))
    assert [name for name, _ in rung] == ["early", "middle", "late"]
    assert [at_s for _, at_s in rung] == pytest.approx([0.5, 60.0, 3600.0], abs=1e-3)
    assert time.perf_counter() - really_s < 60.0


@on_jumping_clock
async def test_what_can_be_read_comes_before_a_timer() -> None:
    loop = asyncio.get_running_loop()
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        theirs.send(b"first")
        timer = asyncio.create_task(asyncio.sleep(1.0))
        assert await loop.sock_recv(ours, 10) == b"first"
        assert not timer.done()
        await timer


@pytest.mark.parametrize(
    "call",
    [lambda: asyncio.to_thread(time.sleep, 0.05), lambda: in_thread("nap", lambda: time.sleep(0.05))],
    ids=["executor", "thread of its own"],
)
@on_jumping_clock
async def test_time_does_not_jump_while_a_thread_works(
    call: Callable[[], Coroutine[None, None, None]],
) -> None:
    loop = asyncio.get_running_loop()
    timer = asyncio.create_task(asyncio.sleep(0.5))
    work = asyncio.create_task(call())
    await asyncio.sleep(0)
    begun_s = loop.time()
    await work
    assert loop.time() - begun_s < 0.001
    assert not timer.done()
    await timer


@on_jumping_clock
async def test_a_timeout_is_one_of_the_loops_own() -> None:
    try:
        async with asyncio.timeout(1000.0):
            await asyncio.Event().wait()
    except TimeoutError:
        return
    raise AssertionError("no timeout")
