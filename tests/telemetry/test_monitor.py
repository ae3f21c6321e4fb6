"""What `listen` shows: sender, rate, size, decoded quantities, what failed and why."""

from __future__ import annotations

import asyncio
import io
import re
import socket
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from bridge.quantities.catalogue import CATALOGUE
from bridge.telemetry.layout import Layout, load_layout
from bridge.telemetry.monitor import lines, listen, number_rows, sample_rows, table
from bridge.telemetry.udp import UdpSource
from tests.conftest import until
from tests.telemetry.written import EXAMPLES, layout_of, toml


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


@pytest.mark.slow
async def test_away_from_a_terminal_it_prints_plain_lines() -> None:
    output = await listened(False, "not a number")
    assert "\x1b" not in output
    assert "waiting for datagrams" in output.splitlines()[0]
    line = next(line for line in output.splitlines() if "not a number" in line)
    for word in (
        "Hz",
        "layout keyvalue",
        "pressure_altitude 1000.00 ft",
        "heading_magnetic 1.00 deg",
    ):
        assert word in line
    assert re.search(r"\b(23|13) bytes", line), "the length of whichever datagram came last"
    assert "field heading_magnetic: not a number: 'north'" in line


async def test_on_a_terminal_it_draws_a_table() -> None:
    output = await listened(True, "latest that could not be used")
    assert "\x1b[" in output
    for word in ("1,000.000", "not seen yet", "41 49 52 20", "Ctrl-C stops"):
        assert word in output
    assert "--find" not in output


def test_without_a_layout_it_names_the_ways_to_one() -> None:
    console = Console(file=io.StringIO(), width=80)
    console.print(table([UdpSource("127.0.0.1", 58226, [])], CATALOGUE, 0.0))
    ways = "Ctrl-C stops; with --find it works out a layout, with --layout it reads by one"
    assert ways in written(console)


def test_a_sender_that_is_not_allowed_is_shown_with_the_cure() -> None:
    source = UdpSource("127.0.0.1", 58226, [], allow=["10.0.0.1"])
    source.received(b"1", ("127.0.0.1", 4000))
    console = Console(file=io.StringIO(), width=150)
    console.print(table([source], CATALOGUE, 0.0))
    assert "127.0.0.1: not allowed, 1 datagrams skipped; add it to allow" in written(console)


def test_bytes_are_shown_with_their_offset_in_hexadecimal_and_as_text() -> None:
    assert list(sample_rows(b"LKM1" + bytes(range(14)))) == [
        "    0  4c 4b 4d 31 00 01 02 03 04 05 06 07 08 09 0a 0b  LKM1............",
        f"   16  {'0c 0d':<47}  ..",
    ]


def heard(layouts: list[Layout], *datagrams: tuple[float, bytes]) -> UdpSource:
    """A source that was sent these datagrams, each at its time."""
    now_s = [0.0]
    source = UdpSource("127.0.0.1", 58226, layouts, clock=lambda: now_s[0])
    for now_s[0], datagram in datagrams:
        source.received(datagram, ("127.0.0.1", 4000))
    return source


def test_every_quantity_has_an_age_of_its_own() -> None:
    """One that has stopped while others go on is seen."""
    layout = load_layout(EXAMPLES / "keyvalue.toml")
    source = heard([layout], (1.0, b"AIR alt_m=304.8;hdg=361"), (8.5, b"AIR hdg=10"))
    [line] = lines([source], CATALOGUE, 9.0)
    assert "pressure_altitude 1000.00 ft (8.0 s)" in line
    assert "heading_magnetic 10.00 deg (0.5 s)" in line
    console = Console(file=io.StringIO(), width=150)
    console.print(table([source], CATALOGUE, 9.0))
    assert re.search(r"pressure_altitude +ft +1,000.000 +8.0 s", written(console))
    assert re.search(r"heading_magnetic +deg +10.000 +0.5 s", written(console))


def test_without_a_layout_the_bytes_are_shown_also_away_from_a_terminal() -> None:
    shown = list(lines([heard([], (0.0, b"LKM1\x00\x01"))], CATALOGUE, 0.0))
    assert f"    0  {'4c 4b 4d 31 00 01':<47}  LKM1.." in shown


def test_packed_bytes_are_shown_as_numbers_in_both_byte_orders_after_an_odd_header() -> None:
    sample = b"\xffABC\x00" + struct.pack("<3fi", 29.92, 2140.0, -17.5, 77) + struct.pack("<d", 123.25)
    rows = [row.split() for row in number_rows(sample)]
    by_offset = {row[0]: row[1:] for row in rows[1:]}
    assert by_offset["5"][2] == "29.9"
    assert by_offset["9"][2] == "2.14e+03"
    assert by_offset["17"][0] == "77"
    assert by_offset["17"][1] == str(77 << 24)  # the same bytes, big-endian
    assert by_offset["21"][4] == "123"
    assert list(number_rows(b"alt=2140\r\n")) == [], "text is read as it is"


@pytest.mark.slow
@given(st.binary(max_size=256))
def test_any_bytes_are_shown_and_none_steers_the_terminal(sample: bytes) -> None:
    source = heard([load_layout(file) for file in sorted(EXAMPLES.glob("*.toml"))], (0.0, sample))
    shown = lines([source], CATALOGUE, 0.0)
    assert shown and all(line.isprintable() for line in shown)


def test_labels_can_not_steer_the_terminal() -> None:
    layout = layout_of(
        toml({"kind": "delimited", "header": "H"}, [{"quantity": "pitch", "unit": "deg", "label": "p"}])
    )
    source = heard([layout], (0.0, b"H,\x1b]0;title\x07,\xc2\x9b2J"))
    [line, *_] = lines([source], CATALOGUE, 0.0)
    assert r"\x1b]0;title\x07" in line and r"\x9b2J" in line
    console = Console(file=io.StringIO(), width=150)
    console.print(table([source], CATALOGUE, 0.0))
    assert "\x1b" not in written(console) and "\x9b" not in written(console)
