"""The connection that carries frames: QoS 0 both ways, one write for all frames of a moment, nothing waits.

A client of its own, since awaiting a publish of aiomqtt for each frame costs many times what the rest of the
service does (`python -m tests.benchmarks mqtt` measures it): that client makes a future and a timeout for
each, and takes a task for each message received. It also bounds what is read, which MQTT 3.1.1 has no
word for. Whatever is retained or promised (introductions, states, wills) goes by aiomqtt instead, see
`client`.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
import socket
import ssl
from collections.abc import Callable, Sequence
from typing import Any

from bridge.mqtt import packets
from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.packets import Message, Packet, PacketError, PacketReader

OPEN_S = 2.0
"""For the network, TLS and the broker's answer."""
KEEPALIVE_S = 2
"""A PINGREQ is sent this often; a broker that sends nothing for twice as long is lost."""
CLOSE_S = 0.2
_REFUSED_LOGIN = "refuses our user and password: correct the login, or let this user in there"
_REFUSED = {  # 3.2.2.3, and 3.1.1's words for a cure
    1: "speaks no MQTT 3.1.1",
    2: "refuses our name",
    3: "is not available now",
    4: _REFUSED_LOGIN,
    5: _REFUSED_LOGIN,  # which of the two a broker sends for a wrong password is its own choice
}
_REFUSED_TOPIC = 0x80
_CLOSED = "closed the connection before it answered: correct port or tls, or look at its log"


class Connection(asyncio.Protocol):
    """One connection, from `opened` until it is lost; `on_message` is called for each message."""

    def __init__(self, broker: Broker, on_message: Callable[[Message], None]) -> None:
        self._broker = broker
        self._on_message = on_message
        self._reader = PacketReader()
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport | None = None
        self._unwritten: list[bytes] = []
        self._timer: asyncio.TimerHandle | None = None
        self._answer: asyncio.Future[Packet] = self._loop.create_future()
        self._heard_s = 0.0
        self.lost: asyncio.Future[BrokerError | None] = self._loop.create_future()
        """Done when the connection is: with why, or None where it was closed on purpose."""
        self.writable = True
        """False while the network takes less than is sent."""

    @classmethod
    async def opened(
        cls, broker: Broker, topics: Sequence[str], on_message: Callable[[Message], None]
    ) -> Connection:
        """A connection that is subscribed to these topics; raises BrokerError, with the cure."""
        connection = cls(broker, on_message)
        try:
            async with asyncio.timeout(OPEN_S):
                await connection._open(topics)
        except BaseException as error:
            connection._drop(None)
            if isinstance(error, (OSError, TimeoutError)):
                raise BrokerError(broker, unreachable(error)) from None
            raise
        return connection

    @property
    def oversized(self) -> int:
        """Messages that were too long to be read."""
        return self._reader.oversized

    def send(self, topic: str, payload: bytes) -> None:
        """Publish; into nothing once the connection is lost. Never waits, never raises.

        What is sent in one turn of the event loop (a tick's frames to all boards) goes out in one write: each
        write costs more than all the rest that a frame needs.
        """
        if self._transport is not None:
            if not self._unwritten:
                self._loop.call_soon(self._write)
            self._unwritten.append(packets.publish(topic, payload))

    async def close(self) -> None:
        """Send what is on its way, then close; for a bounded time."""
        if self._transport is not None:
            self._write()
            self._transport.write(packets.DISCONNECT)
            self._transport.close()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(CLOSE_S):
                    await asyncio.shield(self.lost)
        self._drop(None)

    async def _open(self, topics: Sequence[str]) -> None:
        login = self._broker.credentials()
        await self._loop.create_connection(
            lambda: self, self._broker.host, self._broker.port, ssl=self._broker.context()
        )
        assert self._transport is not None
        name = f"pb{secrets.token_hex(8)}"
        self._transport.write(packets.connect(name, KEEPALIVE_S, login.user, login.password))
        answer = await self._answered(packets.CONNACK)
        if len(answer) != 2 or answer[1]:
            why = _REFUSED.get(answer[-1] if answer else 0, "refuses us")
            raise BrokerError(self._broker, why)
        if topics:
            self._answer = self._loop.create_future()
            self._transport.write(packets.subscribe(1, topics))
            codes = (await self._answered(packets.SUBACK))[2:]
            if _REFUSED_TOPIC in codes or len(codes) != len(topics):
                refused = topics[codes.index(_REFUSED_TOPIC)] if _REFUSED_TOPIC in codes else topics[0]
                why = f"does not let us read {refused}: allow it in its access list"
                raise BrokerError(self._broker, why)
        self._ping()

    async def _answered(self, kind: int) -> bytes:
        ends: tuple[asyncio.Future[Any], ...] = (self._answer, self.lost)
        await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        if not self._answer.done() or self._answer.result().type != kind:
            why = self.lost.result() if self.lost.done() else None
            raise why or BrokerError(
                self._broker, "answers otherwise than MQTT has it: is it a broker at all?"
            )
        return self._answer.result().body

    def _write(self) -> None:
        unwritten, self._unwritten = self._unwritten, []
        if self._transport is not None and unwritten:
            self._transport.write(b"".join(unwritten))

    def _ping(self) -> None:
        if self._transport is None:
            return
        if self._loop.time() - self._heard_s > 2 * KEEPALIVE_S:
            self._drop(BrokerError(self._broker, f"has not answered for {2 * KEEPALIVE_S} s"))
            return
        self._transport.write(packets.PINGREQ)
        self._timer = self._loop.call_later(KEEPALIVE_S, self._ping)

    def _drop(self, why: BrokerError | None) -> None:
        """The end, also where the other side does nothing any more."""
        if not self.lost.done():
            self.lost.set_result(why)
        if self._timer is not None:
            self._timer.cancel()
        if self._transport is not None:
            transport, self._transport = self._transport, None
            transport.abort()

    # -- called by the transport ------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._heard_s = self._loop.time()
        network = transport.get_extra_info("socket")
        if network is not None:  # a frame must not wait for the acknowledgement of the one before
            network.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def data_received(self, data: bytes) -> None:
        self._heard_s = self._loop.time()
        try:
            for packet in self._reader.feed(data):
                if packet.type == packets.PUBLISH:
                    self._on_message(packets.message(packet))
                elif packet.type in (packets.CONNACK, packets.SUBACK) and not self._answer.done():
                    self._answer.set_result(packet)
        except PacketError as error:
            self._drop(BrokerError(self._broker, f"sends what is not MQTT ({error})"))

    def pause_writing(self) -> None:
        self.writable = False

    def resume_writing(self) -> None:
        self.writable = True

    def connection_lost(self, exc: Exception | None) -> None:
        why = f"the connection was lost ({exc})" if exc else "it closed the connection"
        if not self._answer.done():
            why = _CLOSED
        self._drop(BrokerError(self._broker, why))


def unreachable(error: Exception) -> str:
    """What is wrong with a broker that could not be reached, and the cure."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is refused ({error.verify_message}): correct it, ca, or this machine's clock"
    if isinstance(error, ssl.SSLError):
        return f"no TLS there ({error.reason}): correct port or tls"
    if isinstance(error, ConnectionRefusedError):
        return "nothing listens there: start the broker, or correct host and port"
    if isinstance(error, ConnectionError):
        return _CLOSED
    if isinstance(error, socket.gaierror):
        return f"no such host ({error.strerror}): correct host"
    if isinstance(error, TimeoutError):
        return f"no answer within {OPEN_S:g} s: look at the network, host and port"
    return f"it can't be reached ({error}): look at the network, host and port"
