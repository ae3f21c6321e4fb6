"""What `listen` shows: sender, rate, size, decoded quantities, what failed and why."""

from __future__ import annotations

import asyncio
import io
import socket

from rich.console import Console

from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.layout import load_layout
from bridge.telemetry.monitor import listen, sample_rows, table
from bridge.telemetry.udp import UdpSource
from tests.conftest import until
from tests.telemetry.written import EXAMPLES


def written(console: Console) -> str:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


async def listened(is_terminal: bool, word: str) -> str:
    """The output of `listen` up to and with a word, while one sender sends a good and a bad datagram."""
    console = Console(file=io.StringIO(), force_terminal=is_terminal, width=150)
    source = UdpSource("127.0.0.1", 0, [load_layout(EXAMPLES / "keyvalue.toml")])
    listening = asyncio.create_task(listen([source], console))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.bind(("127.0.0.1", 0))

        def heard() -> bool:
            assert not listening.done(), "listening ended by itself"
            if source.port:
                sender.sendto(b"AIR alt_m=304.8;hdg=361", ("127.0.0.1", source.port))
                sender.sendto(b"AIR hdg=north", ("127.0.0.1", source.port))
            return word in written(console)

        try:
            await until(heard, word)
        finally:
            listening.cancel()
            await asyncio.wait({listening})
    assert listening.cancelled()
    return written(console)


async def test_away_from_a_terminal_it_prints_plain_lines() -> None:
    output = await listened(False, "not a number")
    assert "\x1b" not in output
    assert "waiting for datagrams" in output.splitlines()[0]
    line = next(line for line in output.splitlines() if "not a number" in line)
    for word in (
        "Hz",
        "13 bytes",
        "layout keyvalue",
        "pressure_altitude 1000.00 ft",
        "heading_magnetic 1.00 deg",
    ):
        assert word in line
    assert "field heading_magnetic: not a number: 'north'" in line


async def test_on_a_terminal_it_draws_a_table() -> None:
    output = await listened(True, "latest that could not be used")
    assert "\x1b[" in output
    for word in ("1,000.000", "not seen yet", "41 49 52 20", "Ctrl-C stops"):
        assert word in output


def test_a_sender_that_is_not_allowed_is_shown_with_the_cure() -> None:
    source = UdpSource("127.0.0.1", 58226, [], allow=["10.0.0.1"])
    source.received(b"1", ("127.0.0.1", 4000))
    console = Console(file=io.StringIO(), width=150)
    console.print(table([source], CATALOGUE, 0.0))
    assert "127.0.0.1 is not allowed: 1 datagrams passed over; add it to allow" in written(console)


def test_bytes_are_shown_with_their_offset_in_hexadecimal_and_as_text() -> None:
    assert list(sample_rows(b"LKM1" + bytes(range(14)))) == [
        "    0  4c 4b 4d 31 00 01 02 03 04 05 06 07 08 09 0a 0b  LKM1............",
        f"   16  {'0c 0d':<47}  ..",
    ]
