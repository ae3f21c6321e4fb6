"""Telemetry over MQTT: the readings that another panel publishes, an instructor's for a class.

Whoever may write to the topic is the broker's matter (its access list); whatever comes is checked like a
datagram. A message that the broker kept from before is old, and ignored.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Mapping
from math import inf

import structlog

from bridge.errors import TelemetryError
from bridge.logs import LogThrottle, printable
from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.client import Client
from bridge.mqtt.packets import Message
from bridge.quantities.catalogue import Catalogue
from bridge.telemetry.delivery import Delivery
from bridge.telemetry.published import FORMAT, Reader
from bridge.telemetry.source import Arrival, Deliver, Sender
from bridge.telemetry.time_base import TimeBase

MOST_IN_SLICE, SLICE_S = 20, 0.1
"""Messages beyond this rate, 200 a second, are dropped unread: a panel publishes 50."""
_SHOWN_DROPPED = 4

_log = structlog.get_logger(__name__)


class MqttSource:
    """Readings from `topic` at the broker; `clock` returns seconds that never go back."""

    refused: Mapping[str, int] = {}
    carries = "messages"

    def __init__(
        self, broker: Broker, topic: str, catalogue: Catalogue, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.name = f"{topic} at {broker.host}:{broker.port}"
        self.given = frozenset(catalogue)
        self._why = "not connected yet"  # why it is not connected; empty while it is
        self._clock = clock
        self._reader = Reader(catalogue)
        self._sender = Sender(topic, layout=FORMAT)
        self._time_base = TimeBase()
        self._throttle = LogThrottle()
        self._slice_ends_s = -inf
        self._in_slice = 0
        self._delivery = Delivery()
        self._client = Client(
            broker, frames=[topic], on_frame=self._received, on_up=self._up, on_down=self._down
        )

    @property
    def senders(self) -> tuple[Sender, ...]:
        """As `Source.senders`: the topic as one sender, once anything has come."""
        return (self._sender,) if self._sender.datagrams else ()

    @property
    def notes(self) -> tuple[str, ...]:
        """As `LiveSource.notes`: why it is not at its broker."""
        return (self._why,) if self._why else ()

    def unseen(self, sender: Sender) -> frozenset[str]:
        """As `LiveSource.unseen`; none, since nobody describes what an instructor publishes."""
        return frozenset()

    async def open(self) -> None:
        """Nothing: a broker that is not there yet is looked for while it runs."""

    async def close(self) -> None:
        """As `Source.close`: arrivals go nowhere from now on; the connection ends with `run`."""
        self._delivery.end()

    async def run(self, deliver: Deliver) -> None:
        """Delivers until cancelled; ends with what `deliver` raised, if it did."""
        connection = asyncio.create_task(self._client.run())
        try:
            with self._delivery.to(deliver) as failed:
                await asyncio.wait({connection, failed}, return_when=asyncio.FIRST_COMPLETED)
                if failed.done():
                    failed.result()
                connection.result()
        finally:
            connection.cancel()
            await asyncio.wait({connection})

    async def _up(self) -> None:
        self._why = ""
        _log.info("listening", source=self.name)

    def _down(self, error: BrokerError) -> None:
        self._why = str(error)
        fields = {"source": self.name, "why": self._why}
        self._throttle.error("telemetry is off", str(error), self._clock(), **fields)

    def _received(self, message: Message) -> None:
        now_s, sender = self._clock(), self._sender
        sender.arrived(now_s, len(message.payload))
        if message.retained:
            self._unused("retained", "kept by the broker from before")
            return
        if now_s >= self._slice_ends_s:
            self._slice_ends_s, self._in_slice = now_s + SLICE_S, 0
        self._in_slice += 1
        if self._in_slice > MOST_IN_SLICE:
            self._unused("too many", f"more than {MOST_IN_SLICE} in {SLICE_S} s")
            return
        try:
            published = self._reader.decode(message.payload)
        except TelemetryError as error:
            sender.sample = message.payload[:256]
            self._unused(error.cause, error.detail)
            return
        for dropped in published.dropped[:_SHOWN_DROPPED]:
            self._note("field dropped", dropped.cause, str(dropped))
        sender.causes.update(dropped.cause for dropped in published.dropped[_SHOWN_DROPPED:])
        sender.read(now_s, published.readings)
        age_s, set_back = self._time_base.arrived(now_s, published.time_s)
        self._delivery.pass_on(
            Arrival(now_s, published.readings, published.time_s, set_back or published.jumped, age_s)
        )

    def _unused(self, cause: str, detail: str) -> None:
        self._sender.unused += 1
        self._note("message dropped", cause, detail)

    def _note(self, what: str, cause: str, detail: str) -> None:
        self._sender.causes[cause] += 1
        self._sender.trouble = detail = printable(detail)
        fields = {"source": self.name, "cause": cause, "detail": detail}
        self._throttle.warning(what, cause, self._clock(), **fields)
