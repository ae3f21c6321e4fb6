"""The UDP source, with real sockets on loopback."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from structlog.testing import capture_logs

from bridge.errors import DescriptionError
from bridge.logs import LogThrottle
from bridge.telemetry.layout import load_layout
from bridge.telemetry.source import Arrival, Sender
from bridge.telemetry.udp import UdpSource
from tests.conftest import until
from tests.telemetry.written import DATA, EXAMPLES, layout_of, opened, toml

TEXT = layout_of(toml({"kind": "delimited"}, [{"quantity": "pitch", "unit": "deg", "column": 1}]))
PAIRS = layout_of(
    toml(
        {"kind": "keyvalue", "begins": "K "},
        [{"quantity": "bank", "unit": "deg", "key": "b"}, {"quantity": "time", "unit": "s", "key": "t"}],
    )
)


@contextmanager
def a_sender(host: str = "127.0.0.1") -> Iterator[socket.socket]:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as sender:
        sender.bind((host, 0))
        yield sender


async def heard(source: UdpSource, datagrams: list[bytes], host: str = "127.0.0.1") -> list[Arrival]:
    """What the source delivers when one sender sends these, in an order that is kept."""
    arrivals: list[Arrival] = []
    async with opened(source):
        running = asyncio.create_task(source.run(arrivals.append))
        with a_sender(host) as sender:
            for count, datagram in enumerate(datagrams, 1):
                sender.sendto(datagram, (host, source.port))
                await until(lambda n=count: sum(s.datagrams for s in source.senders) == n)  # type: ignore[misc]
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
    return arrivals


async def test_readings_are_delivered_with_their_time_of_arrival() -> None:
    now_s = iter([10.0, 10.05, 10.1])
    source = UdpSource("127.0.0.1", 0, [PAIRS], clock=lambda: next(now_s))
    arrivals = await heard(source, [b"K b=1", b"K b=2,t=7.5"])
    assert arrivals == [Arrival(10.0, {"bank": 1}), Arrival(10.05, {"bank": 2}, 7.5)]
    assert source.given == {"bank"}


async def test_several_layouts_share_a_port_and_the_first_that_can_use_a_datagram_has_it() -> None:
    source = UdpSource("127.0.0.1", 0, [PAIRS, TEXT])
    arrivals = await heard(source, [b"12.5", b"K b=3", b"nonsense"])
    assert [arrival.readings for arrival in arrivals] == [{"pitch": 12.5}, {"bank": 3}]
    [sender] = source.senders
    assert (sender.datagrams, sender.unused, sender.size_bytes) == (3, 1, 17)
    assert sender.causes == {"no layout fits": 1}
    assert sender.sample == b"nonsense"
    assert sender.readings == {"pitch": 12.5, "bank": 3}
    assert source.given == {"pitch", "bank"}


@pytest.mark.slow
async def test_what_is_dropped_is_counted_by_cause_and_logged_sparingly() -> None:
    fields: list[dict[str, object]] = [
        {"quantity": "pitch", "unit": "deg", "column": 1},
        {"quantity": "bank", "unit": "deg", "column": 2},
    ]
    source = UdpSource("127.0.0.1", 0, [layout_of(toml({"kind": "delimited"}, fields))], clock=lambda: 5.0)
    with capture_logs() as logs:
        arrivals = await heard(source, [b"1"] * 30 + [b"nan,2"] * 20 + [b"1,2"])
    assert [arrival.readings for arrival in arrivals] == [{"bank": 2}] * 20 + [{"pitch": 1, "bank": 2}]
    [sender] = source.senders
    assert sender.causes == {"short": 30, "not finite": 20}
    assert sender.unused == 30
    dropped = [line for line in logs if line["event"].endswith("dropped")]
    assert [line["cause"] for line in dropped] == ["short", "not finite"]


def test_the_same_trouble_is_logged_again_after_a_while_with_how_often_it_was_not() -> None:
    throttle = LogThrottle(10.0)
    assert throttle.due("a", 0.0) == {}
    assert [throttle.due("a", time_s) for time_s in (1.0, 5.0, 9.9)] == [None] * 3
    assert throttle.due("b", 9.9) == {}
    assert throttle.due("a", 10.0) == {"more": 3}
    for number in range(5000):
        throttle.due(number, 11.0)
    assert len(throttle._logged) <= 1000


async def test_only_senders_on_the_list_are_heard() -> None:
    source = UdpSource("127.0.0.1", 0, [TEXT], allow=["127.0.0.2", "10.0.0.0/8"])
    with capture_logs() as logs:
        async with opened(source):
            running = asyncio.create_task(source.run(lambda arrival: None))
            with a_sender() as stranger:
                for _ in range(5):
                    stranger.sendto(b"1", ("127.0.0.1", source.port))
                await until(lambda: source.refused["127.0.0.1"] == 5)
            running.cancel()
    assert source.senders == ()
    assert [line["cure"] for line in logs if line["event"] == "sender not allowed"] == ["add it to allow"]


@pytest.mark.parametrize(
    ("host", "allow", "is_heard"),
    [
        ("127.9.9.9", ["127.0.0.0/8"], True),
        ("192.168.1.20", ["192.168.1.20"], True),
        ("192.168.1.21", ["192.168.1.20"], False),
        ("192.168.1.21", ["192.168.1.20/24"], True),
        ("::ffff:192.168.1.20", ["192.168.1.0/24"], True),
        ("fe80::1%eth0", ["fe80::/10"], True),
        ("::1", ["127.0.0.0/8"], False),
    ],
)
def test_the_list_takes_addresses_and_networks_of_both_families(
    host: str, allow: list[str], is_heard: bool
) -> None:
    assert UdpSource("127.0.0.1", 0, [], allow)._is_allowed(host) is is_heard


def has_ipv6() -> bool:
    try:
        with a_sender("::1"):
            return True
    except OSError:
        return False


@pytest.mark.skipif(not has_ipv6(), reason="this machine has no IPv6 loopback")
async def test_it_listens_on_ipv6_too() -> None:
    source = UdpSource("::1", 0, [TEXT])
    assert [arrival.readings for arrival in await heard(source, [b"4"], "::1")] == [{"pitch": 4}]


async def test_a_port_in_use_is_explained() -> None:
    with a_sender() as other:
        port = other.getsockname()[1]
        with pytest.raises(DescriptionError) as raised:
            async with opened(UdpSource("127.0.0.1", port, [TEXT])):
                pass
    assert raised.value.where == f"listen 127.0.0.1:{port}"
    assert raised.value.found == "that port in use by another program"
    assert raised.value.cure


async def test_the_port_is_free_again_at_once_when_the_source_is_closed() -> None:
    port = 0
    for _ in range(5):
        source = UdpSource("127.0.0.1", port, [TEXT])
        async with opened(source):
            port = source.port


async def test_an_address_of_another_machine_is_explained() -> None:
    # 192.0.2.0/24 is set aside for documentation (RFC 5737): no machine has it.
    with pytest.raises(DescriptionError, match="an address that is not this machine's"):
        async with opened(UdpSource("192.0.2.1", 0, [TEXT])):
            pass


async def test_jsbsims_datagrams_are_heard_and_a_reset_of_its_clock_shows_as_a_jump() -> None:
    first, labels, later = ((DATA / f"jsbsim-udp-{n}.bin").read_bytes() for n in ("first", "labels", "later"))
    source = UdpSource("127.0.0.1", 0, [load_layout(EXAMPLES / "labelled-text.toml")])
    arrivals = await heard(source, [later, labels, first, later, labels, first, later])
    assert [arrival.source_time_s for arrival in arrivals] == [0, 3.3, 0, 3.3]
    assert [arrival.jumped for arrival in arrivals] == [False, False, True, False]
    assert source.senders[0].causes == {"waiting for labels": 1}


async def test_datagrams_that_overtake_each_other_are_no_jump() -> None:
    source = UdpSource("127.0.0.1", 0, [PAIRS])
    times = [5.0, 5.05, 5.15, 5.1, 5.2]
    arrivals = await heard(source, [f"K b=1,t={time_s}".encode() for time_s in times])
    assert [(arrival.source_time_s, arrival.jumped) for arrival in arrivals] == [(t, False) for t in times]


async def test_each_sender_has_its_own_clock() -> None:
    """Two simulators on one port, an hour apart: neither sets the other's clock back."""
    source = UdpSource("127.0.0.1", 0, [PAIRS])
    arrivals: list[Arrival] = []
    async with opened(source):
        run = asyncio.create_task(source.run(arrivals.append))
        await asyncio.sleep(0)
        for n in range(20):
            for port, time_s in ((1, 3600.0 + n), (2, 0.0 + n)):
                source.received(f"K b=1,t={time_s}".encode(), ("127.0.0.1", port))
        run.cancel()
    assert len(arrivals) == 40
    assert not any(arrival.jumped for arrival in arrivals)


async def test_each_sender_has_its_own_labels_and_counts() -> None:
    field: dict[str, object] = {"quantity": "pitch", "unit": "deg", "label": "p"}
    source = UdpSource("127.0.0.1", 0, [layout_of(toml({"kind": "delimited"}, [field]))])
    arrivals: list[Arrival] = []
    async with opened(source):
        running = asyncio.create_task(source.run(arrivals.append))
        with a_sender() as one, a_sender() as two:
            for count, (sender, datagram) in enumerate(
                [(one, b"p,x"), (two, b"x,p"), (one, b"1,2"), (two, b"1,2")], 1
            ):
                sender.sendto(datagram, ("127.0.0.1", source.port))
                await until(lambda n=count: sum(s.datagrams for s in source.senders) == n)  # type: ignore[misc]
        running.cancel()
    assert [arrival.readings["pitch"] for arrival in arrivals] == [1, 2]
    assert [sender.datagrams for sender in source.senders] == [2, 2]


async def test_what_the_receiver_raises_ends_the_run_and_is_not_swallowed() -> None:
    def fail(arrival: Arrival) -> None:
        raise RuntimeError("no")

    source = UdpSource("127.0.0.1", 0, [TEXT])
    async with opened(source):
        running = asyncio.create_task(source.run(fail))
        with a_sender() as sender:
            sender.sendto(b"1", ("127.0.0.1", source.port))
            with pytest.raises(RuntimeError, match="no"):
                await running


def test_a_rate_is_counted_over_the_last_seconds() -> None:
    sender = Sender("somebody")
    for i in range(101):
        sender.arrived(i / 20, 10)
    assert sender.rate_hz(5.0) == pytest.approx(20)
    assert sender.rate_hz(9.0) == 0


def test_by_default_only_this_machine_is_heard() -> None:
    source = UdpSource("127.0.0.1", 0, [TEXT])
    assert source._is_allowed("127.0.0.1")
    assert not source._is_allowed("192.168.1.20")
