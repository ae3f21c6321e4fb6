"""The live service: real datagrams in, virtual boards, hot reload, recording, state, and a clean stop."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from bridge.boards.pointer_channel import Phase
from bridge.boards.state import State
from bridge.boards.virtual.channel import VirtualChannelSpec
from bridge.boards.virtual.link import VirtualLink
from bridge.errors import DescriptionError, DescriptionErrors
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.flight.state_file import StateFile, positions_as_left
from bridge.flight.telemetry_watch import Telemetry
from bridge.panel.expected import expected_channels
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from bridge.telemetry.recorder import LogWriter
from bridge.telemetry.udp import UdpSource
from tests.boards.pty_board import PtyBoard
from tests.clock import on_jumping_clock
from tests.conftest import KEYVALUE_LAYOUT, until
from tests.flight.one_gauge import one_gauge
from tests.ports import free_port


@pytest.fixture
def panel_file(config: Path) -> Path:
    """The demo panel on a port of its own, with a key=value layout and pointers that are homed at once."""
    (config / "layouts" / "test.toml").write_text(KEYVALUE_LAYOUT)
    path = config / "panel.toml"
    text = path.read_text().replace("127.0.0.1:58226", "127.0.0.1:0")
    path.write_text(text.replace("layouts/labelled-text.toml", "layouts/test.toml"))
    return path


ANY_PORT = 58_227
"""Never opened."""


class Sender:
    """Sends key=value datagrams to a service, for as long as it is open."""

    def __init__(self, service: Service) -> None:
        source = service.intake.sources[0]
        assert isinstance(source, UdpSource)
        self._to = ("127.0.0.1", source.port)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.altitude_ft = 2140.0
        self.airspeed_kt = 90.0
        self.words = ""
        """The whole datagram, if it is to be another."""
        self.sent = 0

    async def feed(self) -> None:
        """Send the same until cancelled."""
        while True:
            usual = f"alt={self.altitude_ft} set=29.92126 cas={self.airspeed_kt}"
            self.send((self.words or usual).encode())
            await asyncio.sleep(0.03)

    def send(self, datagram: bytes) -> None:
        self._socket.sendto(datagram, self._to)
        self.sent += 1

    def close(self) -> None:
        self._socket.close()


@asynccontextmanager
async def started(service: Service) -> AsyncIterator[None]:
    """The service running; stopped cleanly at the end, whatever the test finds."""
    run = asyncio.create_task(service.run())
    try:
        await until(lambda: service.started.is_set() or run.done(), "the start")
        if not run.done():
            yield
    finally:
        service.stop()
        await asyncio.wait({run})
    run.result()


@asynccontextmanager
async def sending(service: Service) -> AsyncIterator[Sender]:
    """The service running, with a sender that sends when the test wants it."""
    async with started(service):
        with closing(Sender(service)) as sender:
            yield sender


@asynccontextmanager
async def flying(service: Service) -> AsyncIterator[Sender]:
    """The service running and fed."""
    async with sending(service) as sender:
        feed = asyncio.create_task(sender.feed())
        try:
            yield sender
        finally:
            feed.cancel()


async def until_ready(service: Service) -> None:
    await until(
        lambda: all(s.state is State.READY for s in service.running.sessions.values()), "boards ready"
    )


def airspeed_deg(service: Service) -> float:
    needle = service.running.chain.pointers["right", 0]
    return needle.pointer.face_deg(needle.position)


def airspeed_stands(service: Service) -> bool:
    """True when the needle itself, not only its path, is where its reading wants it."""
    link = service.boards["right"].link
    assert isinstance(link, VirtualLink)
    target = service.running.chain.pointers["right", 0].target
    return target is not None and abs(link.board.channel(0).place - target) < 1.5


@on_jumping_clock
async def test_a_datagram_moves_the_needle_on_its_board(panel_file: Path) -> None:
    service = Service(load_panel(panel_file))
    async with flying(service) as sender:
        await until_ready(service)
        sender.airspeed_kt = 120.0
        await until(
            lambda: service.running.chain.pointers["right", 0].indication == pytest.approx(121.5, abs=0.1)
        )
        await until(lambda: airspeed_stands(service))
        assert service.running.telemetry.state is Telemetry.LIVE
    assert service.running.still


@on_jumping_clock
async def test_what_a_layout_names_but_nobody_sends_is_had_another_way(panel_file: Path) -> None:
    """With the altitude of the layout the altimeter would be planned from it, and stay still for ever."""
    layout = panel_file.parent / "layouts" / "test.toml"
    pressure = '[[fields]]\nquantity = "static_pressure"\nkey = "p"\nunit = "hPa"\n'
    layout.write_text(layout.read_text() + pressure)
    service = Service(load_panel(panel_file))
    async with flying(service) as sender:
        sender.words = "p=908.12 set=29.92126 cas=90"
        hundreds = ("left", 0)
        await until(lambda: service.running.chain.pointers[hundreds].indication is not None)
        # 3,000 ft: U.S. Standard Atmosphere 1976, 908.12 hPa
        assert service.running.chain.pointers[hundreds].indication == pytest.approx(3000, abs=1)
        sender.words = "alt=4000 p=908.12 set=29.92126 cas=90"
        await until(
            lambda: service.running.chain.pointers[hundreds].indication == pytest.approx(4000, abs=0.1)
        )


@on_jumping_clock
async def test_saving_a_calibration_moves_the_needle_and_a_bad_one_changes_nothing(
    panel_file: Path, tmp_path: Path
) -> None:
    service = Service(load_panel(panel_file))
    recording = LogWriter(tmp_path / "flight.csv", sorted(service.running.chain.given))
    service.record(recording)
    file = panel_file.parent / "calibration" / "airspeed.toml"
    good = file.read_text()
    async with flying(service) as sender:
        await until_ready(service)
        await until(lambda: airspeed_stands(service))
        stood_deg = airspeed_deg(service)
        panel = service.running.panel
        with capture_logs() as logs:
            file.write_text(good.replace("[80, 108, 109.1]", "[80, 108, 90.0"))
            await until(lambda: "description not taken" in {line["event"] for line in logs})
        assert service.running.panel is panel, "a file that can't be read changes nothing"
        file.write_text(good.replace("[80, 108, 109.1]", "[80, 112, 113.1]"))
        await until(lambda: service.running.panel is not panel)
        await until(lambda: airspeed_deg(service) > stood_deg + 1.0)
        assert service.boards["right"].session.state is State.READY, "no board was disturbed"
        sent = sender.sent
    await asyncio.to_thread(recording.close)
    rows = list(read_log(tmp_path / "flight.csv"))
    assert len(rows) >= sent - 2, "no row was lost by the reload"


@on_jumping_clock
async def test_a_changed_source_listens_anew_and_a_port_in_use_leaves_the_old_one(panel_file: Path) -> None:
    service = Service(load_panel(panel_file))
    async with flying(service):
        await until(lambda: service.running.telemetry.state is Telemetry.LIVE)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
            taken = free_port(socket.SOCK_DGRAM)  # one that stays free once it is closed
            other.bind(("127.0.0.1", taken))
            panel = service.running.panel
            text = panel_file.read_text()
            panel_file.write_text(text.replace("127.0.0.1:0", f"127.0.0.1:{taken}"))
            await service.reload(load_panel(panel_file))
            assert service.running.panel is panel
        await service.reload(load_panel(panel_file))
        assert service.intake.sources[0].name == f"127.0.0.1:{taken}"
        with closing(Sender(service)) as late:
            late.send(b"alt=5000 set=29.92126 cas=90")
            await until(
                lambda: service.running.chain.pointers["left", 0].indication == pytest.approx(5000, abs=0.1)
            )


@on_jumping_clock
async def test_telemetry_comes_back_after_a_reload_at_which_no_port_could_be_had(
    panel_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The new port is taken, and so is the old one by the time it is wanted again."""
    service = Service(load_panel(panel_file))
    opened, taken = UdpSource.open, [True]

    async def open_or_refuse(source: UdpSource) -> None:
        if taken:
            raise DescriptionError("listen", "", "that port in use", "a free port", "Stop the other program")
        await opened(source)

    async with flying(service):
        await until(lambda: service.running.telemetry.state is Telemetry.LIVE)
        panel = service.running.panel
        monkeypatch.setattr(UdpSource, "open", open_or_refuse)
        other = panel_file.with_name("other.toml")
        other.write_text(panel_file.read_text().replace("127.0.0.1:0", f"127.0.0.1:{ANY_PORT}"))
        with capture_logs() as logs:
            await service.reload(load_panel(other))
            await until(lambda: "telemetry is off" in {line["event"] for line in logs})
        assert service.running.panel is panel
        taken.clear()
        source = service.intake.sources[0]
        assert isinstance(source, UdpSource)
        await until(lambda: source.port != 0, "the old source open again")
        with closing(Sender(service)) as late:
            late.send(b"alt=5000 set=29.92126 cas=90")
            await until(
                lambda: service.running.chain.pointers["left", 0].indication == pytest.approx(5000, abs=0.1)
            )


@pytest.mark.slow
@on_jumping_clock
async def test_silent_telemetry_holds_then_rests_and_comes_back(panel_file: Path) -> None:
    text = panel_file.read_text().replace("after_s = 10.0", "after_s = 1.5")
    panel_file.write_text(text.replace('behaviour = "hold"', 'behaviour = "park"'))
    service = Service(load_panel(panel_file))
    async with sending(service) as sender:
        await until_ready(service)
        sender.send(b"alt=2140 set=29.92126 cas=100")
        await until(lambda: service.running.telemetry.state is Telemetry.SILENT)
        assert service.running.chain.pointers["right", 0].indication is not None
        await until(lambda: service.running.telemetry.state is Telemetry.RESTING)
        await until(lambda: abs(airspeed_deg(service)) < 0.5)
        sender.send(b"alt=2140 set=29.92126 cas=100")
        await until(lambda: service.running.telemetry.state is Telemetry.LIVE)
        await until(lambda: airspeed_deg(service) > 100)


@pytest.mark.slow
async def test_a_needle_without_mark_or_stop_is_driven_only_when_the_user_vouches_for_it(
    tmp_path: Path,
) -> None:
    """Law 8: never driven as if its position were known; and where it was left outlives any run."""
    path = tmp_path / "panel.toml"
    path.write_text(one_gauge("last", "PORT"))
    panel = load_panel(path)
    limits = expected_channels(panel, "only")[0].limits
    double = PtyBoard(tmp_path, [VirtualChannelSpec(limits)], watchdog_ms=500)
    path.write_text(one_gauge("last", double.device))
    panel = load_panel(path)
    state_path = tmp_path / "state" / "panel.json"

    async def fly(vouched: bool, until_phase: Phase, rpm: float | None = None) -> float:
        state = StateFile(state_path)
        confirmed = positions_as_left(panel, state) if vouched else {}
        service = Service(panel, sources=FixedSources(), state=state, confirmed=confirmed)
        needle = service.running.chain.pointers["only", 0]
        async with started(service):
            await until(lambda: service.running.sessions["only"].channels[0].phase is until_phase)
            if rpm is not None:
                await until(lambda: ("only", 0) in service.running.positions())
                needle.glide(rpm)
                await until(lambda: needle.position == needle.target)
        assert not list(state_path.parent.glob("*.new"))
        return needle.position

    double.plug()
    try:
        await fly(vouched=False, until_phase=Phase.WAITING)
        left_at = await fly(vouched=True, until_phase=Phase.READY, rpm=1500.0)
        assert left_at == pytest.approx(135 * 3, abs=1), "a third of a degree a step, home at reading 0"
        double.reset()
        await fly(vouched=False, until_phase=Phase.WAITING)
        assert StateFile(state_path).read().positions["only", 0] == pytest.approx(left_at, abs=0.01)
        double.reset()
        assert await fly(vouched=True, until_phase=Phase.READY) == pytest.approx(left_at, abs=1)
    finally:
        double.unplug()


@on_jumping_clock
async def test_a_virtual_board_vouches_for_itself_and_leaves_no_position_to_a_real_one(
    panel_file: Path, tmp_path: Path
) -> None:
    text = panel_file.read_text()
    panel_file.write_text(text.replace('homing = "index", index = { pin = "A0" }', 'homing = "last"'))
    state = StateFile(tmp_path / "panel.json")
    service = Service(load_panel(panel_file), state=state)
    async with flying(service):
        await until_ready(service)
    assert state.read().positions == {}


@on_jumping_clock
async def test_a_board_that_homes_while_telemetry_is_silent_goes_back_to_its_reading(
    panel_file: Path,
) -> None:
    service = Service(load_panel(panel_file))
    async with sending(service) as sender:
        sender.send(b"alt=2140 set=29.92126 cas=100")
        await until(lambda: service.running.telemetry.state is Telemetry.SILENT)
        await until_ready(service)
        await until(lambda: airspeed_deg(service) > 100)


@on_jumping_clock
async def test_an_arrival_that_can_not_be_shown_does_not_end_its_source(
    panel_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service = Service(load_panel(panel_file))
    feed = service.running.chain.feed
    failed = False

    def failing(*arguments: Any) -> None:
        nonlocal failed
        if not failed:
            failed = True
            raise ZeroDivisionError
        feed(*arguments)

    monkeypatch.setattr(service.running.chain, "feed", failing)
    async with flying(service) as sender:
        sender.airspeed_kt = 120.0
        await until(
            lambda: service.running.chain.pointers["right", 0].indication == pytest.approx(121.5, abs=0.1)
        )
    assert failed


@on_jumping_clock
async def test_a_port_in_use_is_logged_at_the_start(panel_file: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        taken = other.getsockname()[1]
        panel_file.write_text(panel_file.read_text().replace("127.0.0.1:0", f"127.0.0.1:{taken}"))
        with pytest.raises(DescriptionErrors, match=str(taken)):
            await Service(load_panel(panel_file)).run()


@pytest.mark.slow
@on_jumping_clock
async def test_a_serial_board_that_is_not_there_stops_no_other(panel_file: Path) -> None:
    text = panel_file.read_text()
    panel_file.write_text(
        text.replace("[boards.centre]\n", '[boards.centre]\nlink = "serial"\nport = "no-such-port"\n')
    )
    service = Service(load_panel(panel_file))
    async with flying(service):
        await until(lambda: service.running.sessions["left"].state is State.READY, "board ready")
        centre = service.running.sessions["centre"]
        assert centre.state is State.ABSENT
        assert "no-such-port" in centre.detail


@on_jumping_clock
async def test_a_stop_while_pointers_move_does_not_call_telemetry_silent(panel_file: Path) -> None:
    """A slew over 5,000 ft takes longer than telemetry may be silent."""
    service = Service(load_panel(panel_file))
    with capture_logs() as logs:
        async with flying(service) as sender:
            await until_ready(service)
            sender.altitude_ft = 7140.0
            await until(lambda: not service.running.still)
            service.stop()
            stopped_s = service.clock()
        assert service.clock() - stopped_s > 0.6, "longer than the silence that is reported in flight"
    assert [line for line in logs if line["event"] == "telemetry" and line["state"] != "live"] == []
