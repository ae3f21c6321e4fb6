"""The far half: joins one board, reached by a link of its own, to its topics at a broker.

It keeps nothing: a frame that can't go on at once goes nowhere, and what may be old is not passed on
(`freshness`). It sends the board nothing of its own but IDENTIFY until the board has introduced itself: when
broker or host are gone the board hears nothing, and its watchdog stops it.

Of two relays of one board the newer one has its place: its state, which comes before any frame of its board
and by the connection that brings the host's frames, ends the older one. So what the host then asks of the
newer one's board (it looks for its home position, say) never reaches the older one's, whose count is known.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Callable
from contextlib import suppress

import structlog

from bridge.boards import codec
from bridge.boards.link import Link
from bridge.boards.messages import MAX_PAYLOAD, FrameType, Identify
from bridge.boards.mqtt.freshness import Freshness
from bridge.boards.mqtt.presence import ABOUT, FROM, STATE, TO, decode_state, encode_about, encode_state
from bridge.errors import BoardError
from bridge.logs import LogThrottle
from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.client import Client, client_id
from bridge.mqtt.packets import Message
from bridge.mqtt.retained import FORGOTTEN_S, Retained

ASK_S = 0.5
"""Pause between two IDENTIFY, and before the board's link is opened again."""
FAREWELL_S = 0.5
HEARD_S = 2.0
"""What we have told at the broker comes back to us well before."""
_HEAD = 3  # version, type and sequence of a frame
_OWN = 0xFF  # the sessions of one relay differ in these bits
_FOLLOW_A_STATUS = (FrameType.HOME, FrameType.ADOPT)
"""What a host asks for after a STATUS; where it had none of this board, it means another one's."""

_log = structlog.get_logger(__name__)


class Relay:
    """One board's; `run` is its task. `name` is what the board is called in the log."""

    def __init__(
        self,
        broker: Broker,
        topic: str,
        name: str,
        link: Link,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.ignored = 0
        """Messages that are no frames for a board: too long, too short, or left at the broker by somebody."""
        self.stale = 0
        """Frames that may have been old, and were discarded."""
        self._topic = topic
        self._name = name
        self._link = link
        self._clock = clock
        self._freshness = Freshness()
        self._throttle = LogThrottle()
        self._session = secrets.randbits(32)
        self._told: int | None = None  # the session that the broker was told of, until it comes back to us
        self._is_here = False  # it has come: from now on the host talks to this board
        self._reported = True  # the host has had a STATUS of this board since another relay had its place
        self._introduction = b""
        self._why = "its relay has not found it yet"
        self._changed = asyncio.Event()
        self._client = Client(
            broker,
            frames=[f"{topic}/{TO}", f"{topic}/{STATE}"],
            on_frame=self._arrived,
            # A name of its own: a second relay would take the connection away, and tell nothing.
            retained=Retained(client_id("board", f"{topic} {secrets.token_hex(8)}"), will=self._will),
            on_up=self._up,
            on_down=self._down,
            place=f"{topic}/{STATE}",
            is_vacant=self._is_vacant,
        )

    @property
    def oversized(self) -> int:
        """Messages that were too long to be read at all."""
        return self._client.oversized

    async def run(self) -> None:
        """Until cancelled; then the broker is told that the board is gone."""
        client = asyncio.create_task(self._client.run())
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._near())
                tasks.create_task(self._announce())
        finally:
            with suppress(BrokerError, TimeoutError):
                async with asyncio.timeout(FAREWELL_S):
                    await self._client.keep(
                        f"{self._topic}/{STATE}",
                        encode_state(self._session, False, "its relay was ended"),
                        FORGOTTEN_S,
                    )
            client.cancel()
            await asyncio.wait({client})

    # -- the broker's side ------------------------------------------------------------------------

    def _will(self) -> tuple[str, bytes]:
        """Of a new connection, which begins a new session."""
        self._is_here = False
        self._session = self._session & ~_OWN | (self._session + 1) & _OWN
        return f"{self._topic}/{STATE}", encode_state(self._session, False)

    async def _up(self) -> None:
        self._freshness.renewed(self._clock())
        self._changed.set()
        _log.info("connected", board=self._name, topic=self._topic)

    def _is_foreign(self, session: int) -> bool:
        """Whether another relay has begun this session."""
        return session & ~_OWN != self._session & ~_OWN

    def _is_vacant(self, payload: bytes) -> bool:
        state = decode_state(payload)
        return state is not None and not state[1] and self._is_foreign(state[0])

    def _down(self, error: BrokerError) -> None:
        self._reported = self._reported and not error.taken
        self._throttle.error("no broker", str(error), self._clock(), board=self._name, why=str(error))

    def _arrived(self, message: Message) -> None:
        if message.topic.endswith(f"/{TO}"):
            self._frame(message)
        elif not message.retained and (state := decode_state(message.payload)) is not None:
            session, is_here = state
            if is_here and self._is_foreign(session):
                why = "another relay has come for this board: look whether its relay runs twice"
                self._client.renew(BrokerError(self._client.broker, why, taken=True))
                self._is_here = False
            elif is_here and session == self._told == self._session:
                self._told = None
                self._is_here = True
                self._changed.set()
                # The host may have been talking to another relay's board: it asks this one everything.
                self._link.send(codec.encode(Identify(), 0))

    def _frame(self, message: Message) -> None:
        payload = message.payload
        if message.retained or not _HEAD <= len(payload) <= MAX_PAYLOAD:
            self.ignored += 1
            what = "left at the broker by somebody" if message.retained else f"of {len(payload)} bytes"
            self._throttle.warning(
                "message ignored", "ignored", self._clock(), board=self._name, message=what
            )
        elif self._freshness.is_old(self._clock(), payload):
            self.stale += 1
            self._client.renew()
        elif not self._is_here or (payload[1] in _FOLLOW_A_STATUS and not self._reported):
            self.stale += 1
        else:
            self._link.send(payload, replaceable=payload[1] == FrameType.MOVE)

    async def _announce(self) -> None:
        """Keep introduction and state at the broker as they are."""
        while True:
            told = self._told
            try:
                async with asyncio.timeout(None if told is None else HEARD_S):
                    await self._changed.wait()
            except TimeoutError:
                if self._told == told == self._session:
                    why = f"does not let us read {self._topic}/{STATE}: allow it in its access list"
                    self._connect_again(BrokerError(self._client.broker, why))
                self._told = None
                continue
            self._changed.clear()
            session = self._session
            try:
                if self._client.is_up:
                    await self._tell(session, self._introduction)
            except BrokerError as error:
                if session == self._session:  # else there is a newer connection, which is told anew
                    self._connect_again(error)

    async def _tell(self, session: int, introduction: bytes) -> None:
        """A host sends frames once it has state and introduction: by then they are passed on."""
        if not introduction:
            state = encode_state(session, False, self._why)
            await self._client.keep(f"{self._topic}/{STATE}", state, FORGOTTEN_S)
        elif not self._is_here:
            self._told = session
            await self._client.keep(f"{self._topic}/{STATE}", encode_state(session, True))
        else:
            await self._client.keep(f"{self._topic}/{ABOUT}", encode_about(session, introduction))

    def _connect_again(self, error: BrokerError) -> None:
        self._down(error)
        self._client.renew()

    # -- the board's side -------------------------------------------------------------------------

    async def _near(self) -> None:
        while True:
            try:
                await self._link.open()
                await self._talk()
            except BoardError as error:
                self._is_gone(error.detail)
            finally:
                await self._link.close()
            await asyncio.sleep(ASK_S)

    async def _talk(self) -> None:
        """Pass on what the board sends, until its link is lost."""
        while True:
            if not self._introduction:
                self._link.send(codec.encode(Identify(), 0))
            payloads: list[bytes] = []
            try:
                async with asyncio.timeout(None if self._introduction else ASK_S):
                    payloads = await self._link.receive()
            except TimeoutError:
                self._is_gone("no board answers its relay: look at its supply and cable")
            for payload in payloads:
                if payload[1:2] == bytes([FrameType.INTRODUCTION]):
                    self._introduced(payload)
                if self._is_here:
                    self._reported = self._reported or payload[1:2] == bytes([FrameType.STATUS])
                    self._client.send(f"{self._topic}/{FROM}", payload)
            await asyncio.sleep(0)  # whatever a board sends, others have their turn

    def _introduced(self, introduction: bytes) -> None:
        if introduction[_HEAD:] != self._introduction[_HEAD:]:
            self._introduction = introduction
            self._changed.set()
            _log.info("board found", board=self._name)

    def _is_gone(self, why: str) -> None:
        if self._introduction or why != self._why:
            self._introduction, self._why = b"", why
            self._told, self._is_here = None, False
            self._changed.set()
            self._throttle.warning("no board", why, self._clock(), board=self._name, why=why)
