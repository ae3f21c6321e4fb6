"""What all browsers are sent, on a clock that jumps."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import pytest

from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.logs import LogTail
from bridge.page.feed import Feed
from bridge.page.hub import Hub
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.clock import on_jumping_clock
from tests.conftest import ROOT, until

FLOWN_S = 5.0


@pytest.mark.slow
@on_jumping_clock
async def test_needles_that_move_are_sent_thirty_times_a_second() -> None:
    """In the turn of the climb, to a browser that takes what comes."""
    clock = asyncio.get_running_loop().time
    source = ReplaySource(read_log(ROOT / "replay_logs" / "circuit.csv"), 1.0, 325.0, clock=clock)
    panel = load_panel(ROOT / "config" / "panel.toml")
    service = Service(panel, sources=FixedSources(source), replayed=True)
    hub = Hub()
    browser = hub.join(may_move=True)
    sent_s: list[float] = []

    def post(kind: str, text: str) -> None:
        if kind == "needles":
            sent_s.append(clock())

    browser.post = post  # type: ignore[method-assign]
    tasks = [asyncio.create_task(run) for run in (service.run(), Feed(service, hub, LogTail()).run())]
    await until(lambda: sent_s and service.running.knows(("centre", 2)), "homed")
    begun_s = clock()
    await asyncio.sleep(FLOWN_S)
    flown = [at_s for at_s in sent_s if begun_s < at_s <= begun_s + FLOWN_S]
    assert len(flown) == pytest.approx(30.0 * FLOWN_S, abs=2)
    service.stop()
    await tasks[0]
    tasks[1].cancel()
    with suppress(asyncio.CancelledError):
        await tasks[1]
