"""The demo panel flies on three boards whose firmware runs as processes: real service, real serial links.

Faults in flight are tried on the emulated chip (avr/test_faults.py).
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from bridge.boards.messages import ChannelState
from bridge.boards.state import State
from bridge.firmware.generate import config_h
from bridge.flight.service import Service
from bridge.panel.load import load_panel
from bridge.telemetry.udp import UdpSource
from tests.conftest import KEYVALUE_LAYOUT, PATIENCE_S, until
from tests.firmware import built
from tests.firmware.process import FirmwareProcess

pytestmark = pytest.mark.usefixtures("patient_host")

LAYOUT = (
    KEYVALUE_LAYOUT
    + """
[[fields]]
quantity = "heading_magnetic"
key = "hdg"
unit = "deg"
"""
)
AHEAD_OF_MARK = -150  # steps: homing by index is short, and still has to be done
MARKS = {"left": (0, 1, 2), "right": (2,)}
SWEPT = {"right": (0, 1), "centre": (2,)}
SERVOS = {("right", 3), ("centre", 0), ("centre", 1)}


class Cockpit:
    """The three boards with their plants, and the description that reaches them."""

    def __init__(self, config: Path) -> None:
        (config / "layouts" / "test.toml").write_text(LAYOUT)
        self.path = config / "panel.toml"
        text = self.path.read_text().replace("127.0.0.1:58226", "127.0.0.1:0")
        text = text.replace("lag_s = 2.5", "lag_s = 0.4")  # the test need not wait for it
        self.path.write_text(text.replace("layouts/labelled-text.toml", "layouts/test.toml"))
        panel = load_panel(self.path)
        self.processes: dict[str, FirmwareProcess] = {}
        for board in panel.description.boards:
            folder = config / board
            folder.mkdir()
            (folder / "config.h").write_text(config_h(panel, board))
            process = self.processes[board] = FirmwareProcess([built.program("host", folder)]).start()
            for channel in MARKS.get(board, ()):
                turn = next(p for p in panel.pointers if (p.board, p.channel) == (board, channel)).drive
                numbers = turn.steps_per_turn
                process.tell("turn", channel, numbers.numerator, numbers.denominator)
                process.tell("at", channel, AHEAD_OF_MARK)
            for channel in SWEPT.get(board, ()):
                process.tell("at", channel, 40)
            described = f'[boards.{board}]\nlink = "serial"\nport = "{process.device}"'
            self.path.write_text(self.path.read_text().replace(f"[boards.{board}]", described))
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.altitude_ft, self.airspeed_kt, self.heading_deg = 2140.0, 0.0, 90.0
        self.climb_ft_s = self.gain_kt_s = self.turn_deg_s = 0.0

    def close(self) -> None:
        self._socket.close()
        for process in self.processes.values():
            process.stop()

    async def send(self, port: int) -> None:
        """Telemetry at some 30 Hz, for ever."""
        while True:
            heading = self.heading_deg % 360.0
            text = f"alt={self.altitude_ft} set=29.92126 cas={self.airspeed_kt} hdg={heading}"
            self._socket.sendto(text.encode(), ("127.0.0.1", port))
            await asyncio.sleep(0.03)
            self.altitude_ft += 0.03 * self.climb_ft_s
            self.airspeed_kt += 0.03 * self.gain_kt_s
            self.heading_deg += 0.03 * self.turn_deg_s

    def level(self) -> None:
        self.climb_ft_s = self.gain_kt_s = self.turn_deg_s = 0.0

    def climb(self) -> None:
        self.climb_ft_s, self.gain_kt_s, self.turn_deg_s = 33.3, 9.0, 3.0  # 2,000 ft/min, standard rate


@pytest.fixture
def cockpit(config: Path) -> Iterator[Cockpit]:
    cockpit = Cockpit(config)
    yield cockpit
    cockpit.close()


@asynccontextmanager
async def flying(cockpit: Cockpit) -> AsyncIterator[Service]:
    service = Service(load_panel(cockpit.path))
    source = service.intake.sources[0]
    assert isinstance(source, UdpSource)
    run = asyncio.create_task(service.run())
    feed: asyncio.Task[None] | None = None
    try:
        await until(lambda: service.started.is_set() or run.done(), "the start")
        feed = asyncio.create_task(cockpit.send(source.port))
        await until(lambda: ready(service), "boards ready")
        yield service
    finally:
        if feed is not None:
            feed.cancel()
        service.stop()
        await asyncio.wait_for(run, PATIENCE_S)


def ready(service: Service) -> bool:
    return all(session.state is State.READY for session in service.running.sessions.values())


def wrong(cockpit: Cockpit, service: Service) -> list[str]:
    """Pointers that are not, within a step, where the chain wants them.

    Servos have no mark to be seen by. An endless pointer may be in another turn than the count
    began in: there only the face matters.
    """
    found = []
    for (board, channel), needle in service.running.chain.pointers.items():
        if (board, channel) in SERVOS:
            continue
        off = cockpit.processes[board].positions()[channel] - needle.position
        if needle.pointer.endless:
            off = needle.pointer.nearest(off, 0.0)
        if abs(off) > 1.0:
            found.append(f"{needle.pointer.key} is off by {off:.1f} steps")
    return found


def at_rest(service: Service) -> bool:
    """Whether chain and boards agree that every pointer has arrived: instruments lag, and needles settle."""
    return all(
        abs(pointer.velocity) < 1.0
        and (pointer.target is None or abs(pointer.position - pointer.target) < 0.5)
        and channel.reported.velocity == 0
        and abs(channel.position - pointer.position) <= 1
        for session in service.running.sessions.values()
        for channel in session.channels
        for pointer in [service.running.chain.pointers[session.name, channel.number]]
    )


async def test_a_flight_leaves_every_needle_where_the_chain_wants_it(cockpit: Cockpit) -> None:
    async with flying(cockpit) as service:
        cockpit.climb()
        await until(lambda: cockpit.altitude_ft > 2230.0, "a climb")
        cockpit.level()
        await until(lambda: at_rest(service), "needles at rest")
        assert wrong(cockpit, service) == []
        for session in service.running.sessions.values():
            assert session.statistics.board_bad == 0
            assert session.statistics.refused == 0
            for row, needle in zip(
                (channel.reported for channel in session.channels),
                (service.running.chain.pointers[session.name, n] for n in range(len(session.channels))),
                strict=True,
            ):
                assert row.state == ChannelState.READY
                assert abs(row.position - needle.position) <= 1.0
