"""The host's end: one party at the broker for all boards of a panel, and the link of each of them.

The hub is connected while at least one of its links is open, and a moment longer. All payloads for boards go
out on the one connection for frames, in order and at QoS 0: between a MOVE, a REST and a QUERY the order
matters, and a frame that is late is worth nothing. What a stalled board can find waiting is bounded by
`window`.
"""

from __future__ import annotations

import asyncio

import structlog

from bridge.boards.messages import MAX_PAYLOAD
from bridge.boards.mqtt.presence import ABOUT, FROM, STATE, TO, Presence
from bridge.boards.mqtt.window import MoveWindow
from bridge.errors import BoardError
from bridge.mqtt.broker import Broker, BrokerError
from bridge.mqtt.client import Client, client_id
from bridge.mqtt.packets import Message
from bridge.mqtt.retained import Retained

LINGER_S = 1.0
"""A link whose board is not there is opened again before this is over, and the connection stays."""
OPEN_S = 1.0
"""What is retained arrives well before: then the board is not there."""
MOST_BOARDS = 256
"""Boards below one prefix of which the state is kept."""
MOST_RECEIVED = 64
"""Payloads of one board that wait to be taken; what comes beyond is dropped and counted."""

_log = structlog.get_logger(__name__)


class Hub:
    """The party of one panel, whose boards are below the topic `prefix`."""

    def __init__(self, broker: Broker, prefix: str) -> None:
        self.why = "not connected yet"
        """Why it is not connected, while it is not."""
        self._prefix = prefix
        self._links: dict[str, MqttLink] = {}
        self._presences: dict[str, Presence] = {}  # also of boards that get a link only later
        self._open = 0
        self._task: asyncio.Task[None] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self.client = Client(
            broker,
            frames=[f"{prefix}/+/{FROM}"],
            on_frame=self._frame,
            retained=Retained(
                client_id("host", prefix),
                [f"{prefix}/+/{ABOUT}", f"{prefix}/+/{STATE}"],
                self._retained,
            ),
            on_up=self._up,
            on_down=self._down,
        )

    def link(self, board: str, name: str) -> MqttLink:
        """The link to the board at this topic below the prefix; `name` is what it is called here."""
        made = MqttLink(self, f"{self._prefix}/{board}", name, self._presences.setdefault(board, Presence()))
        self._links[board] = made
        return made

    def entered(self) -> None:
        """One more link is open."""
        self._open += 1
        if self._timer is not None:
            self._timer.cancel()
        if self._task is None or self._task.done() or self._task.cancelling():
            self._task = asyncio.create_task(self.client.run())

    def left(self) -> None:
        """A link has closed; after the last one the connection ends, once what was sent is on its way."""
        self._open -= 1
        if self._open == 0 and self._task is not None:
            # Where the program ends sooner, the event loop ends the task.
            self._timer = asyncio.get_running_loop().call_later(LINGER_S, self._task.cancel)

    async def _up(self) -> None:
        _log.info("connected", broker=f"{self.client.broker.host}:{self.client.broker.port}")
        for link in self._links.values():
            link.changed()

    def _down(self, error: BrokerError) -> None:
        self.why = str(error)
        for link in self._links.values():
            link.lose(self.why)

    def _retained(self, topic: str, payload: bytes) -> None:
        board, kind = self._addressed(topic)
        if board not in self._presences and len(self._presences) >= MOST_BOARDS:
            return
        presence = self._presences.setdefault(board, Presence())
        if kind == ABOUT:
            presence.about(payload)
        else:
            presence.state(payload)
        if board in self._links:
            self._links[board].changed()

    def _frame(self, message: Message) -> None:
        link = self._links.get(self._addressed(message.topic)[0])
        if link is not None:
            link.arrived(message)

    def _addressed(self, topic: str) -> tuple[str, str]:
        """The board that a topic belongs to, and what below it."""
        board, _, kind = topic.removeprefix(f"{self._prefix}/").partition("/")
        return board, kind


class MqttLink:
    """A link to a board at a broker, made by `Hub.link`."""

    def __init__(self, hub: Hub, topic: str, name: str, presence: Presence) -> None:
        self.presence = presence
        self.bad_frames = 0
        """Messages that can be no frame: too long, too short, or left at the broker by somebody."""
        self.dropped = 0
        self._hub = hub
        self._to = f"{topic}/{TO}"
        self._topic = topic
        self._name = name
        self._window = MoveWindow()
        self._is_open = False
        self._lost: str | None = None
        self._inbox: list[bytes] = []
        self._event = asyncio.Event()

    @property
    def superseded(self) -> int:
        """MOVE frames that were replaced by a newer one while the board confirmed none."""
        return self._window.superseded

    async def open(self) -> None:
        """Wait until the board is at the broker; raises BoardError with the cure."""
        if not self._is_open:
            self._is_open = True
            self._hub.entered()
        self._lost = None
        self._inbox = []
        self._window.restart()
        try:
            async with asyncio.timeout(OPEN_S):
                while not (self._hub.client.is_up and self.presence.here):
                    self._event.clear()
                    await self._event.wait()
        except TimeoutError:
            raise BoardError(self._name, self._absent()) from None
        self._lost = None  # by what was before it was there

    def send(self, payload: bytes, replaceable: bool = False) -> None:
        """As `Link.send`; while the link is closed or lost, into nothing."""
        if self._is_open and self._lost is None:
            self._publish(self._window.send(payload))

    async def receive(self) -> list[bytes]:
        """As `Link.receive`."""
        while not self._inbox:
            if self._lost is not None:
                raise BoardError(self._name, self._lost)
            self._event.clear()
            await self._event.wait()
        inbox, self._inbox = self._inbox, []
        return inbox

    async def close(self) -> None:
        """As `Link.close`."""
        if self._is_open:
            self._is_open = False
            self._hub.left()

    # -- called by the hub ------------------------------------------------------------------------

    def arrived(self, message: Message) -> None:
        """A message came from the board."""
        if not self._is_open:
            return
        if message.retained or not 3 <= len(message.payload) <= MAX_PAYLOAD:
            self.bad_frames += 1
            return
        self._publish(self._window.received(message.payload))
        if len(self._inbox) >= MOST_RECEIVED:
            self.dropped += 1
            return
        self._inbox.append(message.payload)
        self._event.set()

    def changed(self) -> None:
        """What is known of the board, or the connection, has changed."""
        if not self.presence.here and self._lost is None:
            self.lose(self._absent())
        self._event.set()

    def lose(self, why: str) -> None:
        """The board can't be reached any more."""
        self._lost = why
        self._event.set()

    def _absent(self) -> str:
        return f"not at {self._topic}: {self.presence.why}" if self._hub.client.is_up else self._hub.why

    def _publish(self, payload: bytes | None) -> None:
        if payload is not None:
            self._hub.client.send(self._to, payload)
