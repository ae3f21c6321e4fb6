"""The far half: joins one board, reached by a link of its own, to its topics at a broker.

It keeps nothing: a frame that can't go on at once goes nowhere, and what may be old is not passed on
(`freshness`). It sends the board nothing of its own but IDENTIFY until the board has introduced itself: when
broker or host are gone the board hears nothing, and its watchdog stops it.
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
from bridge.boards.mqtt.presence import ABOUT, FROM, STATE, TO, encode_about, encode_state
from bridge.errors import BoardError
from bridge.logs import LogThrottle
from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.client import Client, client_id
from bridge.mqtt.packets import Message
from bridge.mqtt.retained import FORGOTTEN_S, Retained

ASK_S = 0.5
"""Pause between two IDENTIFY, and before the board's link is opened again."""
FAREWELL_S = 0.5
_HEAD = 3  # version, type and sequence of a frame

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
        self._session = 0
        self._introduction = b""
        self._why = "its relay has not found it yet"
        self._changed = asyncio.Event()
        self._client = Client(
            broker,
            frames=[f"{topic}/{TO}"],
            on_frame=self._frame,
            retained=Retained(client_id("board", topic), will=self._will),
            on_up=self._up,
            on_down=self._down,
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
        self._session = secrets.randbits(32)
        return f"{self._topic}/{STATE}", encode_state(self._session, False)

    async def _up(self) -> None:
        self._freshness.renewed(self._clock())
        self._changed.set()
        _log.info("connected", board=self._name, topic=self._topic)

    def _down(self, error: BrokerError) -> None:
        self._throttle.error("no broker", str(error), self._clock(), board=self._name, why=str(error))

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
        else:
            self._link.send(payload, replaceable=payload[1] == FrameType.MOVE)

    async def _announce(self) -> None:
        """Keep introduction and state at the broker as they are."""
        while True:
            await self._changed.wait()
            self._changed.clear()
            session, introduction = self._session, self._introduction
            try:
                if introduction:
                    about = encode_about(session, introduction)
                    await self._client.keep(f"{self._topic}/{ABOUT}", about)
                    await self._client.keep(f"{self._topic}/{STATE}", encode_state(session, True))
                else:
                    state = encode_state(session, False, self._why)
                    await self._client.keep(f"{self._topic}/{STATE}", state, FORGOTTEN_S)
            except BrokerError as error:
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
            self._changed.set()
            self._throttle.warning("no board", why, self._clock(), board=self._name, why=why)
