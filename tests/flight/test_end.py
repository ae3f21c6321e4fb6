"""How a flight ends for its pointers: on a clock that jumps, with virtual boards."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from bridge.boards.virtual.link import VirtualLink
from bridge.flight import links
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.replay import ReplaySource
from tests.clock import on_jumping_clock

LOG = Path(__file__).parents[2] / "replay_logs" / "circuit.csv"
BEGIN_S = 790.0  # turns and a descent, after time enough to home
BURST_S = 0.3


class InBursts(VirtualLink):
    """A link that delivers frames to the board late, and many at a time."""

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        now_s = self._clock()
        deliver = super().send
        asyncio.get_running_loop().call_later(BURST_S - now_s % BURST_S, deliver, payload)


class Silent(VirtualLink):
    """A link to a board that never answers."""

    async def open(self) -> None:
        self.board.silent = True
        await super().open()


@on_jumping_clock
async def test_boards_that_are_not_there_are_not_waited_for(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(links, "VirtualLink", Silent)
    panel = load_panel(config / "panel.toml")
    service = Service(panel, sources=FixedSources())
    running = asyncio.create_task(service.run())
    with capture_logs() as logs:
        await service.started.wait()
        await asyncio.sleep(1.0)
        service.running.park()
        service.stop()
        stopped_s = service.clock()
        await running
        assert not service.running.still, "the paths are on their way to park"
        assert service.clock() - stopped_s < 0.5
    assert "stopped before every pointer was reported at rest" not in {line["event"] for line in logs}


@pytest.mark.parametrize("end_s", [820.0, 819.95, 819.9, 819.85, 819.8, 819.75])
@on_jumping_clock
async def test_pointers_rest_only_where_they_were_sent_also_on_a_link_that_is_late(
    config: Path, monkeypatch: pytest.MonkeyPatch, end_s: float
) -> None:
    monkeypatch.setattr(links, "VirtualLink", InBursts)
    panel = load_panel(config / "panel.toml")
    log = read_log(LOG, panel.catalogue)
    service = Service(
        panel, sources=FixedSources(ReplaySource(log, 1.0, BEGIN_S, end_s, clock=Service.clock))
    )
    with capture_logs() as logs:
        await service.run()
        await asyncio.sleep(2 * BURST_S)  # what is under way arrives
    assert "stopped before every pointer was reported at rest" not in {line["event"] for line in logs}
    for (board, number), needle in service.running.chain.pointers.items():
        link = service.boards[board].link
        assert isinstance(link, InBursts)
        assert link.board.channel(number).status.position == pytest.approx(needle.position, abs=1.0), (
            board,
            number,
        )
