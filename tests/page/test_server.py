"""The page on real sockets: what browsers are sent, what they may ask, and those that misbehave."""

from __future__ import annotations

import asyncio
import json
import socket
from contextlib import suppress
from pathlib import Path

import httpx
import pytest
import websockets

from bridge.boards.state import State
from bridge.flight import bench
from bridge.flight.service import Service
from bridge.flight.sources import FixedSources
from bridge.logs import LogTail
from bridge.page import http
from bridge.page.access import Address
from bridge.page.http import bind
from bridge.page.hub import Browser
from bridge.page.server import Page
from bridge.panel.load import load_panel
from bridge.telemetry.flightlog import read_log
from tests.conftest import PATIENCE_S, until
from tests.flight.one_gauge import one_gauge
from tests.page.served import served, watching
from tests.ports import free_port

pytestmark = pytest.mark.slow


@pytest.fixture
def panel(tmp_path: Path) -> Path:
    path = tmp_path / "panel.toml"
    path.write_text(one_gauge("last"))
    return path


def frames(service: Service) -> int:
    """How many frames the board was sent; it answers, and has missed none."""
    (session,) = service.running.sessions.values()
    assert session.state is State.READY
    assert session.statistics.board_missed == 0
    return session.statistics.sent


async def go_on(service: Service) -> None:
    """The board gets frames as before."""
    before = frames(service)
    await until(lambda: frames(service) > before + 20, "frames go on")


async def test_a_log_that_is_read_otherwise_is_drawn_anew(panel: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_text("time[s],pressure_altitude[ft]\n0,100\n600,150\n900,200\n")
    async with served(panel) as (service, page), watching(page) as browser:
        await browser.until("panel", lambda message: message["replay"]["end_s"] > 1000)
        assert service.replay is not None
        service.replay._log = read_log(other)
        service.read_again(frozenset())
        described = await browser.until("panel", lambda message: message["replay"]["end_s"] == 900)
        assert described["replay"]["altitude"]["points"] == [[600, 150], [900, 200]]


async def test_a_browser_sees_the_panel_its_needles_and_its_health(panel: Path) -> None:
    async with served(panel) as (_, page), watching(page) as browser:
        described = await browser.until("panel", lambda message: True)
        assert browser.latest["you"] == {"type": "you", "name": "guest 1", "may_move": True}
        (gauge,) = described["gauges"]
        assert (gauge["name"], gauge["trouble"]) == ("tachometer", "")
        (pointer,) = gauge["pointers"]
        assert (pointer["unit"], pointer["low"], pointer["high"]) == ("rpm", 0, 3000)
        assert described["replay"]["file"] == "circuit.csv"
        needles = await browser.until("needles", lambda message: message["p"]["tachometer.needle"][1])
        _, wanted_deg, indication, _, _ = needles["p"]["tachometer.needle"]
        assert wanted_deg == pytest.approx(indication * 270 / 3000, abs=0.01)
        assert needles["replay"]["playing"]
        health = await browser.until("health", lambda message: message["telemetry"]["state"] == "live")
        assert health["boards"][0]["state"] == "ready"
        assert health["pointers"]["tachometer.needle"]["missed_steps"] is None
        async with httpx.AsyncClient(base_url=page.address.url) as client:
            for layer in gauge["layers"]:
                drawn = await client.get(layer["url"])
                assert drawn.headers["content-type"] == "image/svg+xml"
                assert "style=" not in drawn.text, "the policy forbids it"
            index = await client.get("/")
            assert index.status_code == 200
            assert "default-src 'none'" in index.headers["content-security-policy"]
            for nothing in ("/static/none.js", "/static/..%2fserver.py", "/faces/none/0.svg", "/other"):
                assert (await client.get(nothing)).status_code == 404


async def test_nothing_is_made_while_nobody_watches(panel: Path) -> None:
    async with served(panel) as (_, page):
        async with watching(page) as browser:
            await browser.until("health", lambda message: True)
        await until(lambda: not page.hub.watched.is_set(), "the browser is gone")
        assert page.hub.latest == {}


async def test_a_foreign_origin_and_a_foreign_host_are_refused_in_words(panel: Path) -> None:
    async with served(panel) as (_, page):
        with pytest.raises(websockets.InvalidStatus) as refused:
            async with watching(page, origin="http://other.example"):
                pass
        assert refused.value.response.status_code == 403
        assert b"Another page (http://other.example) may not use this one" in refused.value.response.body
        async with httpx.AsyncClient(base_url=page.address.url) as client:
            answer = await client.get("/", headers={"Host": "rebound.example"})
            assert answer.status_code == 403
            assert "rebound.example" in answer.text


async def test_elsewhere_a_token_is_needed_for_what_moves_but_not_to_watch_or_to_stop(panel: Path) -> None:
    async with served(panel, "0.0.0.0") as (service, page), watching(page) as browser:
        await browser.until("needles", lambda message: True)
        assert browser.latest["you"]["may_move"] is False
        for do, fields in (("take", {"gauge": "tachometer"}), ("pause", {}), ("go_on", {})):
            assert "only watch" in (await browser.ask(do, **fields) or "")
        assert await browser.ask("stop") is None
        assert service.benches.stopped == "guest 1"
        assert "not the token" in (await browser.ask("enter", token="guessed") or "")
        assert await browser.ask("enter", token=page.access.token) is None
        assert browser.latest["you"]["may_move"] is True
        assert await browser.ask("go_on") is None
        assert await browser.ask("read", value=100.0) == "No gauge is being tested."
        assert service.benches.stopped is None
        async with watching(page) as guesser:
            for _ in range(2):
                await guesser.ask("enter", token="guessed")
            await guesser.line.send(json.dumps({"id": 9, "do": "enter", "token": "guessed"}))
            with pytest.raises(websockets.ConnectionClosed) as closed:
                while True:
                    await guesser.hear()
            assert closed.value.rcvd is not None
            assert "not the token" in closed.value.rcvd.reason


async def test_a_stop_waits_for_no_disk(panel: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with served(panel) as (service, page), watching(page) as browser:
        answers = asyncio.Event()

        async def hangs(gauge: str, holder: str) -> None:
            await answers.wait()

        monkeypatch.setattr(service.saves, "save", hangs)
        await browser.line.send(json.dumps({"id": 90, "do": "save", "gauge": "tachometer"}))
        assert await browser.ask("stop") is None
        assert service.benches.stopped == "guest 1"
        assert browser.latest["answer"]["id"] != 90
        answers.set()
        saved = await browser.until("answer", lambda message: message["id"] == 90)
        assert saved["error"] is None


async def test_a_flood_and_a_message_too_long_are_told_why_and_closed_and_the_board_does_not_notice(
    panel: Path,
) -> None:
    async with served(panel) as (service, page):
        async with watching(page) as flooding:
            with pytest.raises(websockets.ConnectionClosed) as closed:  # while it sends, or thereafter
                for number in range(2000):
                    await flooding.line.send(json.dumps({"id": number, "do": "alive"}))
                    if number % 50 == 0:
                        await asyncio.sleep(0)
                while True:
                    await flooding.hear()
            assert "messages a second" in closed.value.rcvd.reason  # type: ignore[union-attr]
        async with watching(page) as long:
            await long.line.send("x" * 5000)
            with pytest.raises(websockets.ConnectionClosed):
                while True:
                    await long.hear()
            assert "4,096 at most" in long.latest["answer"]["error"]
        async with watching(page) as longer:
            await longer.line.send("x" * 1_000_000)
            with pytest.raises(websockets.ConnectionClosed):
                while True:
                    await longer.hear()
        async with watching(page) as binary:
            await binary.line.send(b"\x00\x01")
            answer = await binary.until("answer", lambda message: True)
            assert "no JSON object" in answer["error"]
        await go_on(service)


HANDSHAKE = (
    "GET /live HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: MDEyMzQ1Njc4OTAxMjM0NQ==\r\n\r\n"
)


@pytest.mark.parametrize(
    ("protocol", "begun", "burst"),
    [
        (http._Protocol, HANDSHAKE, b"\x81\x80\0\0\0\0"),
        (
            http._Requests,
            "POST / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nTransfer-Encoding: chunked\r\n\r\n",
            b"1\r\na\r\n",
        ),
    ],
    ids=["frames", "chunks"],
)
async def test_of_a_burst_little_is_taken_apart_in_one_turn(
    panel: Path, monkeypatch: pytest.MonkeyPatch, protocol: type, begun: str, burst: bytes
) -> None:
    """The shortest frames (RFC 6455, 5.2) and chunks (RFC 9112, 7.1), 2 MB at once: read at once they held up
    the boards for 100 ms and more."""
    sizes = []
    received = protocol.data_received  # type: ignore[attr-defined]

    def noted(connection: object, data: bytes) -> None:
        sizes.append(len(data))
        received(connection, data)

    monkeypatch.setattr(protocol, "data_received", noted)
    async with served(panel) as (service, page):
        reader, writer = await asyncio.open_connection("127.0.0.1", page.address.port)
        writer.write(begun.format(port=page.address.port).encode())
        await reader.readuntil(b"\r\n\r\n")
        sizes.clear()
        writer.write(burst * 350_000)
        await until(lambda: len(page.hub) == 0 and len(sizes) > 3, "it is read")
        assert max(sizes) <= http.READ_BYTES
        await go_on(service)
        writer.transport.abort()
        with suppress(ConnectionError):
            await writer.wait_closed()


async def test_a_browser_that_never_reads_loses_its_place_and_delays_nobody(
    panel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(http, "STALLED_S", 0.3)
    async with served(panel) as (service, page):
        reader, writer = await asyncio.open_connection("127.0.0.1", page.address.port, limit=1024)
        writer.write(HANDSHAKE.format(port=page.address.port).encode())
        await until(lambda: len(page.hub) == 1, "it watches")
        # Its window is full as soon as nobody reads: messages of a mebibyte stand for hours of watching.
        (hung,) = page.hub
        hung.post("needles", json.dumps("x" * 8_000_000))
        async with watching(page) as other:
            await other.until("needles", lambda message: True)
            await until(lambda: len(page.hub) == 1, "the hung one is gone")
            await other.until("needles", lambda message: True)
        await go_on(service)
        writer.close()
        reader.feed_eof()


async def test_one_who_holds_a_gauge_and_vanishes_gives_it_back_and_others_see_who_holds_it(
    panel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with served(panel) as (service, page), watching(page) as other:
        async with watching(page) as holder:
            assert await holder.ask("enter", name="Ann\x1b[31m") is None
            name = holder.latest["you"]["name"]
            assert name == "Ann\\x1b[31m"
            assert await holder.ask("take", gauge="tachometer") is None
            seen = await other.until("bench", lambda message: message["gauges"])
            assert (seen["gauges"]["tachometer"]["holder"], seen["gauges"]["tachometer"]["yours"]) == (
                name,
                False,
            )
            own = await holder.until("bench", lambda message: message["gauges"])
            assert own["gauges"]["tachometer"]["yours"] is True
            assert name in (await other.ask("take", gauge="tachometer") or "")
            assert "Give it back" in (await holder.ask("enter", name="Bea") or "")
            assert await holder.ask("turn", gauge="tachometer", way=1, fast=True) is None
            await holder.line.close()
        with monkeypatch.context() as soon:
            soon.setattr(bench, "GIVE_BACK_S", 0.5)
            await other.until("bench", lambda message: not message["gauges"])
        assert await other.ask("take", gauge="tachometer") is None
        assert await other.ask("release", gauge="tachometer") is None
        await go_on(service)


async def test_a_reload_draws_the_panel_again_and_a_mistake_is_in_the_health(panel: Path) -> None:
    async with served(panel) as (_, page), watching(page) as browser:
        first = await browser.until("panel", lambda message: True)
        text = panel.read_text()
        panel.write_text(text.replace('instrument = "gauge"', 'instrument = "gauge"\nplace = [100, 80]'))
        again = await browser.until("panel", lambda message: message["revision"] > first["revision"])
        (gauge,) = again["gauges"]
        assert gauge["x_mm"] + gauge["middle_mm"][0] == pytest.approx(100)
        assert gauge["y_mm"] + gauge["middle_mm"][1] == pytest.approx(80)
        await browser.until("health", lambda message: message["reload"] and message["reload"]["taken"])
        panel.write_text(text.replace("tachometer", ""))
        health = await browser.until("health", lambda message: not message["reload"]["taken"])
        assert any("description is not taken" in fault["text"] for fault in health["faults"])


async def test_a_replay_is_controlled_and_a_pause_is_no_fault(panel: Path) -> None:
    async with served(panel) as (_, page), watching(page) as browser:
        await browser.until("needles", lambda message: message["replay"]["playing"])
        assert await browser.ask("pause") is None
        await browser.until("needles", lambda message: not message["replay"]["playing"])
        health = await browser.until("health", lambda message: message["telemetry"]["state"] == "paused")
        # That a busy machine held up the board before is one.
        assert [fault["text"] for fault in health["faults"] if "heard nothing" not in fault["text"]] == []
        assert await browser.ask("seek", time_s=600) is None
        await browser.until("needles", lambda message: abs(message["replay"]["time_s"] - 600) < 1)
        assert await browser.ask("speed", factor=2) is None
        assert await browser.ask("play") is None
        await browser.until(
            "needles", lambda message: message["replay"]["speed"] == 2 and message["replay"]["time_s"] > 602
        )


@pytest.mark.parametrize("turns", range(8))
async def test_a_stop_while_the_page_starts_leaves_nothing_that_listens(panel: Path, turns: int) -> None:
    """Wherever in its first turns of the loop: the port is free, and the loop looks at its socket no more."""
    service = Service(load_panel(panel), sources=FixedSources())
    listener = bind(Address("127.0.0.1", free_port(socket.SOCK_STREAM)), exactly=True, option="--page")
    number = listener.fileno()
    page = Page(service, listener, LogTail())
    starting = asyncio.create_task(page.run())
    for _ in range(turns):
        await asyncio.sleep(0)
    starting.cancel()
    await asyncio.wait({starting})
    assert starting.cancelled()
    page.close()
    assert listener.fileno() == -1
    assert not asyncio.get_running_loop().remove_reader(number), "the socket was still looked at"
    bind(page.address, exactly=True, option="--page").close()


async def test_the_page_fails_and_restarts_alone_at_the_same_address(
    panel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with served(panel) as (service, page):
        async with watching(page) as browser:
            await browser.until("needles", lambda message: True)
            with monkeypatch.context() as broken:
                broken.setattr("bridge.page.feed.needles_message", None)
                with pytest.raises(websockets.ConnectionClosed):
                    while True:
                        await browser.hear()
            await go_on(service)
        async with asyncio.timeout(PATIENCE_S):
            while True:
                try:
                    async with watching(page) as again:
                        await again.until("needles", lambda message: True)
                        break
                except OSError:
                    await asyncio.sleep(0.01)


async def test_the_latest_message_of_a_kind_takes_the_place_of_one_that_waits() -> None:
    browser = Browser("guest 1", may_move=True)
    for number in range(100):
        browser.post("needles", str(number))
    browser.post("health", "fine")
    assert [await browser.next(), await browser.next()] == ["99", "fine"]
