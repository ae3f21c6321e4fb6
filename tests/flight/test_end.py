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
PART = (790.0, 820.0)  # turns and a descent, after time enough to home
BURST_S = 0.3


class InBursts(VirtualLink):
    """As a radio can be: frames to the board come late, and many at a time."""

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        now_s = self._clock()
        deliver = super().send
        asyncio.get_running_loop().call_later(BURST_S - now_s % BURST_S, deliver, payload)


@on_jumping_clock
async def test_pointers_rest_only_where_they_were_sent_also_on_a_link_that_is_late(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(links, "VirtualLink", InBursts)
    panel = load_panel(config / "panel.toml")
    log = read_log(LOG, panel.catalogue)
    service = Service(panel, sources=FixedSources(ReplaySource(log, 1.0, *PART, clock=Service.clock)))
    with capture_logs() as logs:
        await service.run()
        await asyncio.sleep(2 * BURST_S)  # what is under way arrives
    assert "stopped before every pointer had come to rest" not in {line["event"] for line in logs}
    for (board, number), needle in service.running.chain.pointers.items():
        link = service.boards[board].link
        assert isinstance(link, InBursts)
        assert link.board.channel(number).status.position == pytest.approx(needle.position, abs=1.0), (
            board,
            number,
        )
