"""Reloads and stops that meet, hosts that pause: on a clock that jumps, with virtual boards."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.boards.state import State
from bridge.boards.virtual.link import VirtualLink
from bridge.flight import links
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import Panel, load_panel
from tests.clock import JumpingLoop, on_jumping_clock


class SlowToClose(VirtualLink):
    """As a serial port can be."""

    async def close(self) -> None:
        await asyncio.sleep(0.3)


@pytest.fixture(autouse=True)
def slow_links(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(links, "VirtualLink", SlowToClose)


@asynccontextmanager
async def flying(panel: Panel) -> AsyncIterator[tuple[Service, asyncio.Task[None]]]:
    service = Service(panel, sources=FixedSources())
    run = asyncio.create_task(service.run())
    await service.started.wait()
    try:
        yield service, run
    finally:
        service.stop()
        await asyncio.wait({run})


def with_id(config: Path, board_id: str) -> Panel:
    """The panel with another left board: its session and link are new."""
    file = config / "panel.toml"
    text = file.read_text().replace("[boards.left]\n", f'[boards.left]\nid = "{board_id}"\n')
    other = config / f"{board_id}.toml"
    other.write_text(text)
    return load_panel(other)


def of_board_left() -> list[asyncio.Task[object]]:
    return [task for task in asyncio.all_tasks() if task.get_name() == "board left" and not task.done()]


@on_jumping_clock
async def test_a_stop_that_meets_a_reload_ends_in_time(config: Path) -> None:
    loop = asyncio.get_running_loop()
    changed = with_id(config, "0123456789abcdef")
    async with flying(load_panel(config / "panel.toml")) as (service, run):
        reload = asyncio.create_task(service.reload(changed))
        while "board left" in service.parts:
            await asyncio.sleep(0.001)
        service.stop()
        begun_s = loop.time()
        await asyncio.wait({run})
        assert loop.time() - begun_s < 3.0
        assert run.exception() is None
        await asyncio.wait({reload})
    assert not of_board_left()


@on_jumping_clock
async def test_two_reloads_at_once_are_taken_one_after_the_other(config: Path) -> None:
    first, second = with_id(config, "0123456789abcdef"), with_id(config, "fedcba9876543210")
    async with flying(load_panel(config / "panel.toml")) as (service, _):
        await asyncio.gather(service.reload(first), service.reload(second))
        assert service.running.panel is second
        assert len(of_board_left()) == 1
        assert all(service.boards[name].session is s for name, s in service.running.sessions.items())


@on_jumping_clock
async def test_reloads_that_a_stop_leaves_undone_still_return(config: Path) -> None:
    """One that is being taken, one that waits for its turn, and one that comes too late."""
    before = load_panel(config / "panel.toml")
    first, second = with_id(config, "0123456789abcdef"), with_id(config, "fedcba9876543210")
    async with flying(before) as (service, _):
        reloads = [asyncio.create_task(service.reload(panel)) for panel in (first, second)]
        while "board left" in service.parts:
            await asyncio.sleep(0.001)
        service.stop()
    reloads.append(asyncio.create_task(service.reload(second)))
    _, waiting = await asyncio.wait(reloads, timeout=10.0)
    assert not waiting
    assert service.running.panel is first


@on_jumping_clock
async def test_a_host_that_was_paused_takes_no_board_for_dead(config: Path) -> None:
    """A slow memory card, a suspended machine, a long collection: the boards were never asked."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, JumpingLoop)
    async with flying(load_panel(config / "panel.toml")) as (service, _):
        while not all(s.state is State.READY for s in service.running.sessions.values()):
            await asyncio.sleep(0.05)
        await asyncio.sleep(1.0)  # of the loop's own time: the last of it is logged
        for pause_s in (0.3, 0.7, 5.0):
            with capture_logs() as logs:
                loop.pause(pause_s)
                await asyncio.sleep(2.0)
            assert not [line for line in logs if line["event"] == "board"], pause_s
            assert all(s.state is State.READY for s in service.running.sessions.values())
