"""One party at the broker: its connection for frames, the one for what is retained, both kept up.

Both are up or none is: a board that is driven but whose state nobody hears, or the other way round, would be
worse than one that is away for a moment. They come back by themselves, after a pause that differs.
"""

from __future__ import annotations

import asyncio
import hashlib
import random
from collections.abc import Awaitable, Callable, Sequence
from contextlib import AsyncExitStack, suppress
from math import inf
from typing import TYPE_CHECKING

import structlog

from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.connection import Connection
from bridge.mqtt.packets import Message

if TYPE_CHECKING:
    from bridge.mqtt.retained import Retained, RetainedConnection

_log = structlog.get_logger(__name__)

RETRY_S = 0.2
"""A lost connection is opened again after once to twice this long."""
TAKEN_S, LONGEST_TAKEN_S = 5.0, 60.0
"""The same, after another program came with our name, doubled each time: the two take turns otherwise."""
LEAST_TAKEN_S = 1.0
"""Where the other one tells when it has gone, the pause is at least so long."""
SHORT_S, MOST_SHORT = 2.0, 5
"""Not every broker tells who has taken our place: where nobody else does, so many connections that last no
longer tell it as well."""


def client_id(role: str, topic: str) -> str:
    """The name of the one who has this role for this topic: a second one takes its place at the broker.

    23 characters, of letters and digits, as every broker must take (MQTT 3.1.1, 3.1.3.1).
    """
    return "pb" + hashlib.sha256(f"{role} {topic}".encode()).hexdigest()[:21]


class Client:
    """`run` is its task. `on_up` is awaited when it is connected, `on_down` called when it is not any more,
    or could not be; each again and again. `on_frame` is called with each message of the topics `frames`.

    After another one has taken our place, `is_vacant` is asked of each message at the topic `place` whether
    that one has gone: then it is connected again.
    """

    def __init__(
        self,
        broker: Broker,
        *,
        frames: Sequence[str] = (),
        on_frame: Callable[[Message], None] = lambda message: None,
        retained: Retained | None = None,
        on_up: Callable[[], Awaitable[None]] | None = None,
        on_down: Callable[[BrokerError], None] = lambda error: None,
        place: str | None = None,
        is_vacant: Callable[[bytes], bool] = lambda payload: False,
    ) -> None:
        self.broker = broker
        self._topics = frames
        self._on_frame = on_frame
        self._retained = retained
        self._on_up = on_up
        self._on_down = on_down
        self._place = place
        self._is_vacant = is_vacant
        self._frames: Connection | None = None
        self._kept: RetainedConnection | None = None
        self._speaks_5 = True
        self._renew: asyncio.Future[BrokerError | None] | None = None
        self._up_s = -inf
        self._short = 0  # connections that lasted for no longer than SHORT_S
        self._oversized_before = 0

    @property
    def oversized(self) -> int:
        """Messages that were too long to be read, over all connections."""
        return self._oversized_before + (self._frames.oversized if self._frames is not None else 0)

    @property
    def is_up(self) -> bool:
        """Whether it is connected."""
        return self._frames is not None

    @property
    def writable(self) -> bool:
        """Whether what is sent leaves at once."""
        return self._frames is not None and self._frames.writable

    def send(self, topic: str, payload: bytes) -> None:
        """Publish at QoS 0; into nothing while not connected. Never waits, never raises."""
        if self._frames is not None:
            self._frames.send(topic, payload)

    async def keep(self, topic: str, payload: bytes, forgotten_s: int | None = None) -> None:
        """Let the broker keep this message; into nothing while not connected. Raises BrokerError."""
        if self._kept is not None:
            await self._kept.publish(topic, payload, forgotten_s)

    def renew(self, error: BrokerError | None = None) -> None:
        """Connect anew: what is still on its way to us is discarded. With an error, as after that."""
        if self._renew is not None and not self._renew.done():
            self._renew.set_result(error)

    async def run(self) -> None:
        """Until cancelled; then what was sent is still sent."""
        if self.broker.is_readable:
            _log.warning("broker without TLS", broker=self.broker.host, cure="your own network only, or tls")
        while True:
            shortest_s = 0.0
            try:
                await self._stay()
            except BrokerError as error:
                shortest_s = self._pause_s(error)
            await self._pause(shortest_s)

    def _pause_s(self, error: BrokerError) -> float:
        """Report what ended the connection, or kept it from beginning; how long to wait at least."""
        lasted_s = asyncio.get_running_loop().time() - self._up_s
        if LONGEST_TAKEN_S < lasted_s < inf:
            self._short = 0
        elif lasted_s < SHORT_S:
            self._short += 1
        if error.taken:
            self._short = max(self._short, MOST_SHORT)
        elif self._place is None and self._short >= MOST_SHORT and lasted_s < SHORT_S:
            why = "it lets us in and closes again: look whether this panel or this board's relay runs twice"
            error = BrokerError(self.broker, why, taken=True)
        self._up_s = -inf  # until it is up again
        self._on_down(error)
        if not error.taken:
            return RETRY_S
        return float(min(TAKEN_S * 2 ** (self._short - MOST_SHORT), LONGEST_TAKEN_S))

    async def _pause(self, shortest_s: float) -> None:
        """Wait once to twice so long, or until the one that has taken our place has gone."""
        pause_s = random.uniform(shortest_s, 2.0 * shortest_s)
        if self._place is None or shortest_s < TAKEN_S:
            await asyncio.sleep(pause_s)
            return
        with suppress(TimeoutError):
            async with asyncio.timeout(pause_s):
                await asyncio.sleep(LEAST_TAKEN_S)
                await self._vacated(self._place)

    async def _vacated(self, place: str) -> None:
        """Return when that place is vacant; never where nobody tells."""
        vacant = asyncio.Event()

        def heard(message: Message) -> None:
            if self._is_vacant(message.payload):
                vacant.set()

        with suppress(BrokerError):
            connection = await Connection.opened(self.broker, [place], heard)
            try:
                await vacant.wait()
            finally:
                await connection.close()
        await vacant.wait()

    async def _stay(self) -> None:
        """Connect, and stay so until asked to connect anew; raises BrokerError when the broker is lost."""
        async with AsyncExitStack() as stack:
            self._renew = asyncio.get_running_loop().create_future()
            frames = await Connection.opened(self.broker, self._topics, self._on_frame)
            stack.push_async_callback(frames.close)
            ends: set[asyncio.Future[BrokerError | None]] = {frames.lost, self._renew}
            if self._retained is not None:
                self._kept = await self._enter(stack, self._retained)
                ends.add(self._kept.lost)
            self._frames = frames
            self._up_s = asyncio.get_running_loop().time()
            try:
                if self._on_up is not None:
                    await self._on_up()
                ended, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self._frames = self._kept = None
                self._oversized_before += frames.oversized
            for error in (one.result() for one in ended):
                if error is not None:
                    raise error

    async def _enter(self, stack: AsyncExitStack, retained: Retained) -> RetainedConnection:
        from bridge.mqtt.retained import NotSpokenError, RetainedConnection

        if self._speaks_5:
            try:
                return await stack.enter_async_context(RetainedConnection(self.broker, retained, True))
            except NotSpokenError:
                self._speaks_5 = False
        return await stack.enter_async_context(RetainedConnection(self.broker, retained, False))
