"""Telemetry over UDP: one port, the senders that are heard on it, the layouts that they may use.

Every datagram goes one way: is its sender allowed; which layout takes it; deliver. Layouts are tried in the
order in which they are listed and the first that can use a datagram has it, so that what is done with a
datagram depends on that datagram and the list alone; a layout tells its own by `begins`, `length`,
`columns` or labels. Each sender has decoders of its own, since labels are that sender's.

What can't be used is counted by cause and logged, the same trouble of the same sender at most once in
`LOG_EVERY_S`; what was not logged is counted in the next line of that cause.
"""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from math import inf

import structlog

from bridge.errors import DescriptionError, TelemetryError
from bridge.logs import LogThrottle, printable
from bridge.telemetry.decoder import Decoder, Labels
from bridge.telemetry.delivery import Delivery
from bridge.telemetry.layout import Layout
from bridge.telemetry.source import Arrival, Deliver, Sender
from bridge.telemetry.time_base import TimeBase

LOOPBACK = ("127.0.0.0/8", "::1/128")

MOST_DATAGRAM_BYTES = 16_384
"""A longer datagram is dropped unread: ten times what a network carries in one piece."""
MOST_IN_SLICE, SLICE_S = 100, 0.1
"""Datagrams of one sender beyond this rate, 1,000 a second, are dropped unread: so they are cheap, and the
boards' frames keep time. Simulators send a tenth of it at most (common practice, no source)."""
MOST_SENDERS = 32
"""On one port. One that has sent nothing useful gives way first; useful ones only after `FORGOTTEN_S`."""
FORGOTTEN_S = 60.0
OTHERS = "other hosts"
LOG_BURST = 4
"""Lines of one cause in `LOG_EVERY_S`, over all senders; each has one."""
# A sample of what couldn't be used, for whoever is writing a layout.
_SAMPLE_BYTES = 256
_SHOWN_LABELS = 8

_log = structlog.get_logger()

_NO_BIND = {  # Windows numbers its socket errors otherwise, from 10000 up
    errno.EADDRINUSE: ("that port in use by another program", "a free port"),
    errno.EADDRNOTAVAIL: ("an address that is not this machine's", "an address of this machine"),
    errno.EACCES: ("a port that this user may not open", "a port above 1023"),
    10013: ("a port that this user may not open, or that another program holds", "a free port"),
}


class UdpSource:
    """Readings from the datagrams that arrive on `host`:`port`.

    `allow` lists addresses and networks that are heard; all others are counted and skipped. Opening
    raises `DescriptionError` when the port can't be had. `clock` returns seconds that never go back.
    `raw` takes every datagram within the bounds in place of the layouts: sender, datagram, time of arrival.
    """

    carries = "datagrams"

    def __init__(
        self,
        host: str,
        port: int,
        layouts: Iterable[Layout],
        allow: Iterable[str] = LOOPBACK,
        clock: Callable[[], float] = time.monotonic,
        raw: Callable[[str, bytes, float], None] | None = None,
    ) -> None:
        self._host = host
        self._port = port
        self.layouts = tuple(layouts)
        self._allow = tuple(ipaddress.ip_network(item, strict=False) for item in allow)
        self._clock = clock
        self._raw = raw
        self._streams: dict[tuple[str, int], _Stream] = {}
        self._throttle = LogThrottle(burst=LOG_BURST)
        self._remembered: dict[tuple[str, int], dict[str, tuple[str, ...]]] = {}
        self._transport: asyncio.DatagramTransport | None = None
        self._delivery = Delivery()
        self._closed = asyncio.Event()
        self.given = frozenset[str]().union(*(layout.given for layout in self.layouts))
        self.datagrams = 0
        """Datagrams that came from allowed senders."""
        self.refused: Counter[str] = Counter()
        """Datagrams of senders that are not allowed, by host; beyond MOST_SENDERS hosts those of OTHERS."""
        self.turned_away = 0
        """Datagrams of allowed senders for which there was no place, see MOST_SENDERS."""
        self.forgotten = 0
        """Senders that gave way to others, and senders whose labels did."""

    @property
    def name(self) -> str:
        """As `Source.name`: host:port, an IPv6 host in brackets."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"{host}:{self.port}"

    @property
    def port(self) -> int:
        """The port listened on; when 0 was asked for, the one that was given once open."""
        if self._transport is not None:
            return int(self._transport.get_extra_info("sockname")[1])
        return self._port

    @property
    def senders(self) -> tuple[Sender, ...]:
        """As `Source.senders`: at most `MOST_SENDERS`, in the order in which they came."""
        return tuple(stream.sender for stream in self._streams.values())

    @property
    def notes(self) -> tuple[str, ...]:
        """As `LiveSource.notes`: what its bounds have cost, where they have acted."""
        notes = []
        if self.turned_away:
            notes.append(f"{self.turned_away} datagrams skipped: more than {MOST_SENDERS} senders at a time")
        if self.forgotten:
            notes.append(f"{self.forgotten} senders gave way to others: more than {MOST_SENDERS} of them")
        return tuple(notes)

    def unseen(self, sender: Sender) -> frozenset[str]:
        """As `LiveSource.unseen`: those of the layout that fits."""
        for layout in self.layouts:
            if layout.name == sender.layout:
                return layout.given - sender.readings.keys()
        return frozenset()

    async def open(self) -> None:
        """As `Source.open`: listens on the port."""
        loop = asyncio.get_running_loop()
        self._closed.clear()
        try:
            self._transport, _ = await loop.create_datagram_endpoint(
                lambda: _Protocol(self), local_addr=(self._host, self._port)
            )
        except OSError as error:
            found, expected = _NO_BIND.get(
                error.errno or 0, (str(error), "an address and a port to listen on")
            )
            raise DescriptionError(
                f"listen {self.name}",
                "",
                found,
                expected,
                "Stop the other program, or change the address here and in the sender",
            ) from None
        _log.info("listening", source=self.name, layouts=[layout.name for layout in self.layouts])

    async def close(self) -> None:
        """As `Source.close`; returns once the port is free again."""
        self._delivery.end()
        if self._transport is not None:
            self._transport.close()
            # The port is free only once the loop has come round to it, and somebody may want it next.
            await self._closed.wait()
            fields = {"source": self.name, "datagrams": self.datagrams, "refused": self.refused.total()}
            self._transport = None
            costs = {"turned_away": self.turned_away, "forgotten_senders": self.forgotten}
            _log.info("no longer listening", **fields, **{name: n for name, n in costs.items() if n})

    async def run(self, deliver: Deliver) -> None:
        """Delivers until cancelled; ends with what `deliver` raised, if it did."""
        assert self._transport is not None, "the source isn't open"
        with self._delivery.to(deliver) as failed:
            await failed

    def received(self, datagram: bytes, address: tuple[str, int]) -> None:
        """Takes one datagram: called by the transport."""
        now_s = self._clock()
        stream = self._streams.get(address)
        if stream is None:
            if not self._is_allowed(address[0]):
                self._refuse(address[0])
                return
            stream = self._new_stream(address, now_s)
            if stream is None:
                return
        self.datagrams += 1
        sender = stream.sender
        sender.arrived(now_s, len(datagram))
        if len(datagram) > MOST_DATAGRAM_BYTES:
            sender.unused += 1
            detail = f"{len(datagram)} bytes, at most {MOST_DATAGRAM_BYTES}"
            self._note(sender, "too long", detail, now_s)
            return
        if not stream.has_room(now_s):
            sender.unused += 1
            self._note(sender, "too many", f"more than {MOST_IN_SLICE} in {SLICE_S} s", now_s)
            return
        if self._raw is not None:
            stream.useful = True
            self._raw(sender.address, datagram, now_s)
            return
        arrival = self._arrival(stream, datagram, now_s)
        if arrival is not None:
            self._delivery.pass_on(arrival)

    def trouble(self, error: Exception) -> None:
        """Takes an error of the socket itself, after which it goes on: called by the transport."""
        fields = {"source": self.name, "error": str(error)}
        self._throttle.warning("socket trouble", str(error), self._clock(), **fields)

    def closed(self) -> None:
        """The port is free again: called by the transport."""
        self._closed.set()

    def _arrival(self, stream: _Stream, datagram: bytes, now_s: float) -> Arrival | None:
        """What the first layout that can use this datagram makes of it, if any can."""
        errors: list[TelemetryError] = []
        for layout, decoder in stream.decoders:
            try:
                decoded = decoder.decode(datagram)
            except TelemetryError as error:
                error.__context__ = None  # with its traceback it would keep itself, and this call, alive
                errors.append(error.with_traceback(None))
                continue
            stream.sender.layout = layout.name
            stream.sender.causes.update(decoded.others)
            for dropped in decoded.dropped:
                what = "field dropped" if dropped.field else "frame dropped"
                self._note(stream.sender, dropped.cause, str(dropped), now_s, what, dropped.field)
            if decoder.follows and decoder.follows != stream.sender.follows:
                stream.sender.follows = decoder.follows
                found = {"sender": stream.sender.address, "layout": layout.name, "follows": decoder.follows}
                self._throttle.info("following", "following", now_s, source=self.name, **found)
            if isinstance(decoded, Labels):
                shown = [printable(label) for label in decoded.labels[:_SHOWN_LABELS]]
                named = {"sender": stream.sender.address, "count": len(decoded.labels), "first": shown}
                self._throttle.info("labels", "labels", now_s, source=self.name, **named)
                stream.useful = True
                return None
            stream.useful = True
            if not decoded.readings:
                return None
            stream.sender.read(now_s, decoded.readings)
            source_time_s = decoded.source_time_s
            age_s, set_back = stream.time_base.arrived(now_s, source_time_s)
            return Arrival(now_s, decoded.readings, source_time_s, set_back, age_s)
        sender = stream.sender
        sender.unused += 1
        sender.sample = datagram[:_SAMPLE_BYTES]
        detail = "; ".join(str(error) for error in errors) or "no layout is listed"
        self._note(sender, errors[0].cause if len(errors) == 1 else "no layout fits", detail, now_s)
        return None

    def _note(
        self,
        sender: Sender,
        cause: str,
        detail: str,
        now_s: float,
        what: str = "datagram dropped",
        field: str = "",
    ) -> None:
        sender.causes[cause] += 1
        sender.trouble = detail = printable(detail)
        fields = {"source": self.name, "sender": sender.address, "cause": cause, "detail": detail}
        self._throttle.warning(what, (cause, field), now_s, sender.address, **fields)

    def remember(self, before: UdpSource) -> None:
        """What the decoders of a source before this one have learnt: senders may never send it again."""
        named = {address: stream.learnt for address, stream in before._streams.items() if stream.learnt}
        forgotten = {
            address: labels for address, labels in before._remembered.items() if address not in named
        }
        # The senders that were heard last come last, and stay.
        all_of_them = [*forgotten.items(), *named.items()]
        self._remembered = dict(all_of_them[-MOST_SENDERS:])
        self.forgotten += len(all_of_them) - len(self._remembered)

    def _new_stream(self, address: tuple[str, int], now_s: float) -> _Stream | None:
        """A stream for a new sender; None while every place is taken by one that sends what can be used."""
        name = f"{address[0]}:{address[1]}"
        if len(self._streams) >= MOST_SENDERS:
            streams = self._streams
            oldest = min(streams, key=lambda known: (streams[known].useful, streams[known].sender.latest_s))
            if streams[oldest].useful and now_s - streams[oldest].sender.latest_s < FORGOTTEN_S:
                self.turned_away += 1
                fields = {"source": self.name, "sender": name, "most": MOST_SENDERS}
                self._throttle.warning("too many senders", "senders", now_s, **fields)
                return None
            del streams[oldest]
            self.forgotten += 1
        stream = _Stream(name, self.layouts, self._remembered.get(address, {}))
        self._streams[address] = stream
        self._throttle.info("new sender", "new sender", now_s, source=self.name, sender=name)
        return stream

    def _is_allowed(self, host: str) -> bool:
        address = ipaddress.ip_address(host)
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped:
            address = address.ipv4_mapped  # how a socket for both families writes an IPv4 sender
        return any(address.version == network.version and address in network for network in self._allow)

    def _refuse(self, host: str) -> None:
        known = host in self.refused or len(self.refused) < MOST_SENDERS
        self.refused[host if known else OTHERS] += 1
        fields = {"source": self.name, "sender": host, "cure": "add it to allow"}
        self._throttle.warning("sender not allowed", "not allowed", self._clock(), host, **fields)


class _Stream:
    """One sender's datagrams: its decoders, and its clock beside ours."""

    def __init__(
        self, address: str, layouts: tuple[Layout, ...], learnt: Mapping[str, tuple[str, ...]]
    ) -> None:
        self.sender = Sender(address)
        self.useful = False
        """Whether a layout could use anything that it sent."""
        self.decoders: list[tuple[Layout, Decoder]] = [(layout, layout.decoder()) for layout in layouts]
        self.time_base = TimeBase()
        self._slice_ends_s = -inf
        self._in_slice = 0
        for layout, decoder in self.decoders:
            if layout.name in learnt:
                decoder.remember(learnt[layout.name])

    def has_room(self, now_s: float) -> bool:
        """Whether one more datagram is within the rate of `MOST_IN_SLICE`; counts it."""
        if now_s >= self._slice_ends_s:
            self._slice_ends_s = now_s + SLICE_S
            self._in_slice = 0
        self._in_slice += 1
        return self._in_slice <= MOST_IN_SLICE

    @property
    def learnt(self) -> dict[str, tuple[str, ...]]:
        """What the decoders have learnt from the sender, by layout."""
        return {layout.name: decoder.learnt for layout, decoder in self.decoders if decoder.learnt}


class _Protocol(asyncio.DatagramProtocol):
    def __init__(self, source: UdpSource) -> None:
        self._source = source

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        self._source.received(data, addr)

    def connection_lost(self, exc: Exception | None) -> None:
        self._source.closed()

    def error_received(self, exc: Exception) -> None:
        self._source.trouble(exc)
