"""The record while a test is flown: a disk that hangs holds nothing up, one that refuses is tried again."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.proof import keeper as keeping
from bridge.proof.keeper import Keeper
from bridge.proof.readers import Reader
from bridge.proof.work import Work
from tests.conftest import until
from tests.proof.altimeter import altimeter


@pytest.fixture
def work(tmp_path: Path) -> Work:
    panel = altimeter()
    return Work(panel, panel.pointers[0], Reader("eye", "Ada, by eye", 1.0), tmp_path / "proof", 1, 1.0)


def readings(work: Work) -> list[float]:
    return [row["read"] for row in json.loads(work.json.read_text())["readings"]]


async def test_a_disk_that_hangs_holds_up_neither_the_loop_nor_the_next_reading(
    work: Work, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers, write = threading.Event(), work.keeping

    def hanging() -> Callable[[], None]:
        put = write()

        def put_later() -> None:
            answers.wait()
            put()

        return put_later

    monkeypatch.setattr(work, "keeping", hanging)
    monkeypatch.setattr(keeping, "SLOW_S", 0.0)
    keeper = Keeper(work)
    running = asyncio.create_task(keeper.run())
    try:
        for reading in (-1004.0, 3.0):
            work.run.take(reading)
            keeper.changed()
            await until(lambda: keeper.trouble == "the disk does not answer", "reported")
        assert not work.json.exists()
        answers.set()
        await until(lambda: work.json.exists() and len(readings(work)) == 2, "written")
        await until(lambda: not keeper.trouble, "no trouble any more")
    finally:
        answers.set()
        running.cancel()
    assert readings(work) == [-1004.0, 3.0]


async def test_a_disk_that_refuses_is_reported_and_tried_again(
    work: Work, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "AGAIN_S", 0.0)
    folder = work.json.parent
    folder.write_text("a file where the folder belongs")
    keeper = Keeper(work)
    running = asyncio.create_task(keeper.run())
    try:
        work.run.take(-1004.0)
        keeper.changed()
        await until(lambda: keeper.trouble, "reported")
        folder.unlink()
        await until(lambda: work.json.exists() and not keeper.trouble, "written")
    finally:
        running.cancel()
    assert readings(work) == [-1004.0]


def test_a_record_that_comes_late_does_not_replace_a_later_one(work: Work) -> None:
    work.run.take(-1004.0)
    late = work.keeping()
    work.run.take(3.0)
    work.keep()
    late()
    assert readings(work) == [-1004.0, 3.0]
