"""The supervisor: parts start, fail, start again and end, each without a bearing on the others."""

from __future__ import annotations

import asyncio
from itertools import pairwise

import pytest
from structlog.testing import capture_logs

from bridge.flight.supervisor import Supervisor
from tests.clock import on_jumping_clock


async def for_ever() -> None:
    await asyncio.Event().wait()


@on_jumping_clock
async def test_a_part_that_fails_is_logged_and_starts_again_after_the_delay() -> None:
    loop = asyncio.get_running_loop()
    starts: list[float] = []

    async def fails_twice() -> None:
        starts.append(loop.time())
        if len(starts) < 3:
            raise RuntimeError("by chance")

    with capture_logs() as logs:
        async with Supervisor(restart_delay_s=2.0) as parts:
            parts.start("weak", fails_twice)
            parts.start("strong", for_ever)
            await asyncio.sleep(10.0)
            assert parts.names == ("strong",), "one that is done is no part any more"
    assert [b - a for a, b in pairwise(starts)] == pytest.approx([2.0, 2.0], abs=1e-3)
    assert [(line["event"], line["part"]) for line in logs] == [("part failed", "weak")] * 2


@on_jumping_clock
async def test_every_part_has_ended_at_the_end() -> None:
    ended: list[str] = []

    async def part(name: str) -> None:
        try:
            await for_ever()
        finally:
            await asyncio.sleep(0.1)
            ended.append(name)

    async with Supervisor() as parts:
        for name in ("a", "b", "c"):
            parts.start(name, lambda name=name: part(name))  # type: ignore[misc]
        await asyncio.sleep(0)
    assert sorted(ended) == ["a", "b", "c"]
    assert len(asyncio.all_tasks()) == 1


@on_jumping_clock
async def test_a_part_that_does_not_end_is_reported_and_left() -> None:
    stuck = asyncio.Event()

    async def stubborn() -> None:
        while not stuck.is_set():
            try:
                await stuck.wait()
            except asyncio.CancelledError:
                continue

    loop = asyncio.get_running_loop()
    with capture_logs() as logs:
        async with Supervisor(end_s=0.5) as parts:
            parts.start("stubborn", stubborn)
            await asyncio.sleep(0)
            begun_s = loop.time()
        assert loop.time() - begun_s == pytest.approx(0.5, abs=1e-3)
    assert [(line["event"], line["part"]) for line in logs] == [("part does not end", "stubborn")]
    stuck.set()
    await asyncio.sleep(0)


@on_jumping_clock
async def test_a_cancellation_while_a_part_ends_is_passed_on() -> None:
    """What hung before: somebody ends a part, and is cancelled while it waits for that."""

    async def slow_to_end() -> None:
        try:
            await for_ever()
        finally:
            await asyncio.sleep(0.6)

    async with Supervisor() as parts:
        parts.start("slow", slow_to_end)
        await asyncio.sleep(0)
        ending = asyncio.create_task(parts.end("slow"))
        await asyncio.sleep(0.1)
        ending.cancel()
        with pytest.raises(asyncio.CancelledError):
            await ending


@on_jumping_clock
async def test_two_parts_of_one_name_are_refused() -> None:
    async with Supervisor() as parts:
        parts.start("one", for_ever)
        with pytest.raises(ValueError, match="runs already"):
            parts.start("one", for_ever)
        await parts.end("one", "nobody")
        parts.start("one", for_ever)
