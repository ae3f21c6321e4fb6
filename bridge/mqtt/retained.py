"""The connection that carries what is retained and what is promised: introductions, states and wills.

By aiomqtt, at QoS 1: MQTT 5 where the broker speaks it, else 3.1.1. MQTT 5 adds that the broker waits before
it publishes a will, forgets a state in time, and sends nothing that is too long for us.
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import aiomqtt
from aiomqtt import MqttCodeError, MqttError, ProtocolVersion
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from bridge.mqtt.broker import Broker, BrokerError

TIMEOUT_S = 2.0
"""For the broker to answer."""
KEEPALIVE_S = 3
"""The broker counts us as gone after one and a half times as long."""
WILL_DELAY_S = 1
"""With MQTT 5 a will waits so long for us to come back."""
FORGOTTEN_S = 86_400
"""With MQTT 5 the broker forgets the state of what has been gone for so long."""
MOST_BYTES = 2048
"""With MQTT 5 the broker sends us no longer packet."""
MOST_WAITING = 256
_END_S = 0.2
_NOT_SPOKEN, _TAKEN_OVER, _REFUSED = 132, 142, 128  # reason codes: MQTT 5.0, OASIS 2019, section 2.4

_quiet = logging.getLogger("bridge.mqtt.retained")
_quiet.addHandler(logging.NullHandler())
_quiet.propagate = False


@dataclass(frozen=True, slots=True)
class Retained:
    """What one party keeps at the broker under the name `client_id`, and reads of others.

    `will` makes topic and payload of the will, anew for each connection.
    """

    client_id: str
    topics: Sequence[str] = ()
    on_message: Callable[[str, bytes], None] = lambda topic, payload: None
    will: Callable[[], tuple[str, bytes]] | None = None


class RetainedConnection:
    """One connection, as a context; `lost` is done when it is lost, and tells why."""

    lost: asyncio.Future[BrokerError | None]

    def __init__(self, broker: Broker, retained: Retained, is_5: bool) -> None:
        self._broker = broker
        self._retained = retained
        self._is_5 = is_5

    async def __aenter__(self) -> Self:
        """Raises BrokerError, with the cure, and `NotSpokenError` where the broker knows no MQTT 5."""
        login = self._broker.credentials()
        session = {} if self._retained.will is None else {"SessionExpiryInterval": 2 * WILL_DELAY_S}
        self._client = aiomqtt.Client(
            self._broker.host,
            self._broker.port,
            username=login.user,
            password=login.password,
            logger=_quiet,
            identifier=self._retained.client_id,
            protocol=ProtocolVersion.V5 if self._is_5 else ProtocolVersion.V311,
            will=self._will(),
            # A session that is taken up again within the delay of its will keeps the will back (3.1.3.2.2).
            clean_session=None if self._is_5 else True,
            clean_start=False if self._is_5 else MQTT_CLEAN_START_FIRST_ONLY,
            properties=self._properties(PacketTypes.CONNECT, MaximumPacketSize=MOST_BYTES, **session),
            timeout=TIMEOUT_S,
            keepalive=KEEPALIVE_S,
            max_queued_incoming_messages=MOST_WAITING,
            tls_context=self._broker.context(),
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        entering = asyncio.ensure_future(self._client.__aenter__())
        try:
            await asyncio.shield(entering)
        except MqttError as error:
            if isinstance(error, MqttCodeError) and _code(error.rc) in (1, _NOT_SPOKEN) and self._is_5:
                raise NotSpokenError(self._broker, "speaks no MQTT 5") from None
            raise BrokerError(self._broker, f"does not let us in ({error})") from None
        except asyncio.CancelledError:
            # To end it aiomqtt must know whether it was let in: where that is cancelled, no end is heard of.
            await asyncio.wait({entering}, timeout=TIMEOUT_S)
            if not entering.done():
                entering.cancel()
            elif entering.exception() is None:
                self.lost = asyncio.ensure_future(self._receive())
                await self._end()
            raise
        self.lost = asyncio.ensure_future(self._receive())
        try:
            if self._retained.topics:
                await self._subscribe()
        except BaseException:
            await self._end()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._end()

    async def publish(self, topic: str, payload: bytes, forgotten_s: int | None = None) -> None:
        """Let the broker keep this; raises BrokerError, at once when the connection is lost meanwhile.

        MQTT 5 brokers forget it after `forgotten_s`.
        """
        expiry = {} if forgotten_s is None else {"MessageExpiryInterval": forgotten_s}
        properties = self._properties(PacketTypes.PUBLISH, **expiry) if expiry else None
        kept = asyncio.ensure_future(
            self._client.publish(topic, payload, qos=1, retain=True, properties=properties)
        )
        ends: set[asyncio.Future[Any]] = {kept, self.lost}
        try:
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            if not kept.done():
                raise BrokerError(self._broker, f"the connection was lost before it kept {topic}")
            kept.result()
        except MqttError as error:
            raise BrokerError(self._broker, f"does not keep {topic} ({error})") from None
        finally:
            kept.cancel()

    async def _subscribe(self) -> None:
        try:
            with _cancellable():
                codes = await self._client.subscribe([(topic, 1) for topic in self._retained.topics])
        except MqttError as error:
            raise BrokerError(self._broker, f"does not answer ({error})") from None
        for topic, code in zip(self._retained.topics, codes, strict=False):
            if _code(code) >= _REFUSED:
                why = f"does not let us read {topic}: allow it in its access list"
                raise BrokerError(self._broker, why)

    async def _receive(self) -> BrokerError:
        try:
            async for message in self._client.messages:
                if isinstance(message.payload, bytes):
                    self._retained.on_message(message.topic.value, message.payload)
        except MqttError as error:
            if _code(getattr(error.__cause__, "rc", None)) == _TAKEN_OVER:
                why = "another program has come with our name: look whether this panel or board runs twice"
                return BrokerError(self._broker, why, taken=True)
        return BrokerError(self._broker, "the connection was lost")

    async def _end(self) -> None:
        try:
            with suppress(MqttError), _cancellable():
                await self._client.__aexit__(None, None, None)
            # The iterator of messages ends by itself now, and takes what would be reported as unhandled.
            await asyncio.wait({self.lost}, timeout=_END_S)
        finally:
            self.lost.cancel()

    def _will(self) -> aiomqtt.Will | None:
        if self._retained.will is None:
            return None
        topic, payload = self._retained.will()
        properties = self._properties(
            PacketTypes.WILLMESSAGE, WillDelayInterval=WILL_DELAY_S, MessageExpiryInterval=FORGOTTEN_S
        )
        return aiomqtt.Will(topic, payload, qos=1, retain=True, properties=properties)

    def _properties(self, kind: int, **values: int) -> Properties | None:
        """MQTT 5's properties of a packet; None where it is not spoken."""
        if not self._is_5:
            return None
        properties = Properties(kind)  # type: ignore[no-untyped-call]
        for name, value in values.items():
            setattr(properties, name, value)
        return properties


class NotSpokenError(BrokerError):
    """The broker knows no MQTT 5: try 3.1.1."""


@contextmanager
def _cancellable() -> Iterator[None]:
    """Raise a cancellation that got lost within.

    `asyncio.wait_for` of Python 3.11, by which aiomqtt waits, returns a result that comes at the same moment
    instead (corrected in 3.12).
    """
    task = asyncio.current_task()
    before = task.cancelling() if task else 0
    try:
        yield
    finally:
        if task and task.cancelling() > before:
            raise asyncio.CancelledError


def _code(code: object) -> int:
    if isinstance(code, ReasonCode):
        return code.value
    return code if isinstance(code, int) else 0
