"""The dialogue of `listen --find`: real datagrams in, typed lines in a pipe, and a layout file out."""

from __future__ import annotations

import asyncio
import io
import os
import re
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.commands.find import HELP, find
from bridge.quantities.units import convert
from bridge.telemetry.decoder import Decoded
from bridge.telemetry.layout import load_layout
from bridge.telemetry.udp import UdpSource
from tests.commands.started import environment
from tests.conftest import PATIENCE_S, until

READ = [  # altitude ft, airspeed kt, heading deg, pitch deg, bank deg, vertical speed ft/min
    (3763.0, 92.0, 243.0, 3.0, -12.0, 0.0),
    (5210.0, 120.0, 10.0, -8.0, 31.0, -900.0),
    (4480.0, 75.0, 121.0, 12.0, 5.0, 700.0),
]


def datagram(state: tuple[float, ...], count: int) -> bytes:
    """Packed big-endian, with a counter, a constant, and headings of a target beside the heading flown."""
    altitude, airspeed, heading, pitch, bank, climb = state
    return struct.pack(
        ">4sIfddhhfhf", b"PKD1", count, 7.5, altitude * 0.3048, convert(airspeed, "kt", "m/s"),
        round(heading / 360 * 65536) - (65536 if heading >= 180 else 0), round(pitch * 100), -bank,
        round(convert(climb, "ft/min", "m/s") * 100), heading + 15,
    )  # fmt: skip


class Talk:
    """The dialogue running in this process: lines are typed into a pipe, its output gathers in `said`."""

    def __init__(self) -> None:
        reader, writer = os.pipe()
        self._typed = os.fdopen(reader, encoding="utf-8")
        self._pipe = os.fdopen(writer, "w", encoding="utf-8")
        self._out = io.StringIO()
        self.now_s = 0.0
        self.task = asyncio.create_task(
            find("127.0.0.1", 0, ["127.0.0.0/8"], self._typed, self._out, lambda: self.now_s)
        )

    @property
    def said(self) -> str:
        return self._out.getvalue()

    async def port(self) -> int:
        await until(lambda: self.said.endswith("> "), "the first prompt")
        [port] = re.findall(r"127\.0\.0\.1:(\d+)", self.said)
        return int(port)

    async def ask(self, line: str) -> str:
        """The answer to a line."""
        before = len(self.said)
        self._pipe.write(line + "\n")
        self._pipe.flush()
        await until(lambda: self.task.done() or (self.said.endswith("> ") and len(self.said) > before), line)
        return self.said[before:].removesuffix("> ")

    async def shown(self) -> None:
        """Wait until it has shown what it heard first, which nobody asks for."""
        await until(lambda: "offset" in self.said and self.said.endswith("> "), "what was heard first")

    async def end(self) -> None:
        self._pipe.close()
        assert await self.task == 0
        self._typed.close()


@pytest.fixture(autouse=True)
def show_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is heard first is shown without a second of patience."""
    monkeypatch.setattr("bridge.commands.find._FIRST_S", 0.0)


@pytest.fixture
def sender() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as opened:
        yield opened


async def hear(
    talk: Talk, sender: socket.socket, port: int, state: tuple[float, ...], already: int, many: int = 6
) -> None:
    """Send datagrams half a minute after the last, and wait until the dialogue reports them."""
    talk.now_s += 30.0
    for i in range(many):
        sender.sendto(datagram(state, already + i), ("127.0.0.1", port))
    await talk.shown()
    while f" {already + many} datagrams" not in await talk.ask("senders"):
        pass


def typed(state: tuple[float, ...]) -> str:
    return (
        f"altitude {state[0]:.0f} ft, airspeed {state[1]:.0f} kt, heading {state[2]:.0f} deg, "
        f"pitch {state[3]:.0f}, bank {state[4]:.0f}, vertical speed {state[5]:.0f} ft/min"
    )


@pytest.mark.slow
async def test_three_readings_lead_to_a_layout_that_decodes_them(
    tmp_path: Path, sender: socket.socket
) -> None:
    talk = Talk()
    port = await talk.port()
    assert "Nothing has been heard" in await talk.ask("altitude 3763 ft")
    assert "Nothing has been read" in await talk.ask("found")
    answers = []
    for i, state in enumerate(READ):
        await hear(talk, sender, port, state, 6 * i)
        answers.append(await talk.ask(typed(state)))
    assert "move the aircraft and type again" in answers[0] and "sure" not in answers[0]
    assert "All is sure" in answers[2], answers[2]
    assert all(len(line) <= 80 for line in talk.said.splitlines())

    path = tmp_path / "simulator.toml"
    path.write_text("mine")
    assert "found a file that is there already" in " ".join((await talk.ask(f"write {path}")).split())
    assert path.read_text() == "mine"
    path.unlink()
    answer = await talk.ask(f"write {path}")
    assert "pointer-bridge listen --on" in answer and 'layouts = ["simulator.toml"]' in answer
    await talk.end()
    assert [file.name for file in tmp_path.iterdir()] == ["simulator.toml"]

    fresh = (8000.0, 143.0, 300.0, -4.0, -40.0, 350.0)
    decoded = load_layout(path).decoder().decode(datagram(fresh, 99))
    assert isinstance(decoded, Decoded)
    names = [
        "indicated_altitude",
        "indicated_airspeed",
        "heading_magnetic",
        "pitch",
        "bank",
        "vertical_speed",
    ]
    assert [decoded.readings[name] for name in names] == pytest.approx(fresh, rel=1e-2)


async def test_what_is_typed_wrongly_is_answered_and_nothing_is_lost(
    tmp_path: Path, sender: socket.socket
) -> None:
    talk = Talk()
    port = await talk.port()
    await hear(talk, sender, port, READ[0], 0)
    assert "Known: altimeter_setting, bank" in " ".join((await talk.ask("altitud 3763")).split())
    answer = " ".join((await talk.ask("altitude 3763 kt")).split())
    assert "expected a unit of length." in answer and "Known: NM, ft, km, m" in answer
    assert "found '7'; expected a number that `senders` lists: 1 to 1" in await talk.ask("pick 7")
    assert "expected a number that `readings` lists, and none is" in await talk.ask("drop 1")
    assert "found nothing that is sure or likely yet" in await talk.ask(f"write {tmp_path / 'x.toml'}")
    assert "expected one of int8, uint8" in " ".join((await talk.ask("show 8 float16")).split())
    assert await talk.ask("help") == HELP
    assert "float32 big" in await talk.ask("show 8")
    assert "unclear" in await talk.ask("altitude 3763 ft")
    assert "1: altitude 3763 ft" in await talk.ask("readings")
    assert "Nothing has been read" in await talk.ask("drop 1")
    assert "begins 'PKD'" in await talk.ask("pick 1")
    await talk.ask("quit")
    await talk.end()
    assert list(tmp_path.iterdir()) == []


async def test_datagrams_are_heard_while_a_line_is_answered(
    sender: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The search waits, in its thread, until the dialogue's source has heard three more."""
    sources: list[UdpSource] = []

    class Kept(UdpSource):
        async def open(self) -> None:
            sources.append(self)
            await super().open()

    monkeypatch.setattr("bridge.commands.find.UdpSource", Kept)
    talk = Talk()
    port = await talk.port()
    await hear(talk, sender, port, READ[0], 0)
    loop, searching, heard = asyncio.get_running_loop(), asyncio.Event(), threading.Event()

    def search(*_: object) -> None:
        loop.call_soon_threadsafe(searching.set)
        assert heard.wait(PATIENCE_S)

    monkeypatch.setattr("bridge.commands.find.judge", search)
    answer = asyncio.create_task(talk.ask("altitude 3763 ft"))
    await until(searching.is_set, "the search")
    for count in range(3):
        sender.sendto(datagram(READ[0], 6 + count), ("127.0.0.1", port))
    await until(lambda: sources[0].datagrams == 9, "three more datagrams")
    heard.set()
    assert "Nothing has been read yet" in await answer
    assert " 9 datagrams" in await talk.ask("senders")
    await talk.end()


def run(folder: Path, *words: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "bridge.cli", "listen", *words],
        cwd=folder,
        env=environment(folder),
        input=typed,
        capture_output=True,
        encoding="utf-8",
        errors="surrogateescape",
        timeout=PATIENCE_S,
    )


@pytest.mark.slow
def test_the_command_talks_through_a_pipe_and_ends_with_its_input(tmp_path: Path) -> None:
    ended = run(tmp_path, "--on", "127.0.0.1:0", "--find", typed="help\n\udcff\nsenders\n")
    assert (ended.returncode, ended.stderr) == (0, "")
    assert HELP in ended.stdout
    assert "expected a quantity, a number and its unit" in ended.stdout
    assert "Nothing has been heard on 127.0.0.1:" in ended.stdout


@pytest.mark.slow
def test_it_needs_an_address_and_no_layout(tmp_path: Path) -> None:
    ended = run(tmp_path, "--find")
    assert ended.returncode == 2
    assert "listen: --find: found no --on; expected an address to listen on" in ended.stderr
